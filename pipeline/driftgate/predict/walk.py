"""The random walks, rare slips and bumps of a step, on a grid of its own.

A step is cut into cells of the robot's longest tick, counted from the step's begin; each cell has one
draw per source, whose variance is what the source adds over the cell, and each tick takes of every
cell that it overlaps the share of the time. Readings cut ticks and not cells, so a sensor more or less
leaves every walk as it was, and where a cell ends the sum is a random walk's own.

Inside a cell the walk rises evenly. The covariance engine integrates white noise instead; over n cells
a heading walk then moves the robot sideways with 1 / (4 n^2) less variance (1/3 - 1/12 n^2 in place of
1/3): 1e-4 of it for a step of a second, and below any tolerance for a step of one cell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray, compose, inverse, log
from driftgate.plan.values import Law, PlannedStep, Timeline
from driftgate.predict.doubt import factor_key, rate_key
from driftgate.predict.prepared import Prepared
from driftgate.predict.rough import bumps_per_metre
from driftgate.predict.sources import Noise
from driftgate.predict.streams import Streams, poisson_count
from driftgate.predict.trial_motion import Walk

# Shorter overlaps of a tick and a cell come from rounding. [s]
_SLIVER_S = 1e-12
_WALKS = ("distance_walk", "lateral_walk", "heading_walk", "rare_slip")


@dataclass(frozen=True)
class Cell:
    """One cell of a step: what the plan does in it."""

    length_m: float
    turn_rad: float
    time_s: float
    bumps: float  # expected number


@dataclass(frozen=True)
class WalkPlan:
    """The cells of every step, and what each tick takes of them.

    Attributes
    ----------
    cells : tuple of tuple of Cell
        By planned step; none for a checkpoint or a contact step.
    shares : tuple of tuple of (int, float)
        By tick: cells of its step and the share of each that falls into the tick.
    """

    cells: tuple[tuple[Cell, ...], ...]
    shares: tuple[tuple[tuple[int, float], ...], ...]


def walk_plan(prepared: Prepared) -> WalkPlan:
    """Return the grid of every step of a plan."""
    timeline = prepared.plan.timeline
    shares: list[tuple[tuple[int, float], ...]] = [()] * len(timeline.twist)
    cells: list[tuple[Cell, ...]] = []
    for step in prepared.plan.steps:
        first, last = int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])
        if first == last or step.law is Law.CONTACT:
            cells.append(())
            continue
        bounds = _bounds(step, timeline)
        cells.append(_cells(step, bounds, prepared))
        local = timeline.time_s[first : last + 1] - step.begin_s
        for k in range(first, last):
            shares[k] = _overlaps(float(local[k - first]), float(local[k - first + 1]), bounds)
    return WalkPlan(tuple(cells), tuple(shares))


def _bounds(step: PlannedStep, timeline: Timeline) -> FloatArray:
    duration_s, longest_s = step.end_s - step.begin_s, timeline.longest_tick_s
    count = max(math.ceil(duration_s / longest_s - 1e-9), 1)
    return np.append(longest_s * np.arange(count), duration_s)


def _cells(step: PlannedStep, bounds: FloatArray, prepared: Prepared) -> tuple[Cell, ...]:
    time = np.diff(bounds)
    if step.motion is None:
        return tuple(Cell(0.0, 0.0, float(t), 0.0) for t in time)
    pose = step.motion.sample(bounds)[0]
    pose[0], pose[-1] = step.start_pose, step.end_pose
    twist = log(compose(inverse(pose[:-1]), pose[1:]))
    length = np.hypot(twist[:, 0], twist[:, 1])
    bumps = length * bumps_per_metre(prepared.true, pose[:-1], twist)
    rows = np.column_stack([length, np.abs(twist[:, 2]), time, bumps])
    return tuple(Cell(*row) for row in rows.tolist())


def _overlaps(begin_s: float, end_s: float, bounds: FloatArray) -> tuple[tuple[int, float], ...]:
    found = []
    low = max(int(np.searchsorted(bounds, begin_s, side="right")) - 1, 0)
    high = min(int(np.searchsorted(bounds, end_s, side="left")), len(bounds) - 1)
    for cell in range(low, high):
        overlap_s = min(end_s, float(bounds[cell + 1])) - max(begin_s, float(bounds[cell]))
        if overlap_s > _SLIVER_S:
            whole_s = float(bounds[cell + 1] - bounds[cell])
            # A tick that is the cell up to rounding takes it whole.
            found.append((cell, 1.0 if whole_s - overlap_s <= _SLIVER_S else overlap_s / whole_s))
    return tuple(found)


class Walker:
    """The walks of a batch of trials, tick by tick in the order of time."""

    def __init__(
        self, plan: WalkPlan, noise: Noise, streams: Streams, value: Mapping[str, FloatArray] | None = None
    ) -> None:
        """`value` may hold factors by trial: on intensities (`factor_key`) and on rates (`rate_key`)."""
        self._plan = plan
        self._noise = noise
        self._streams = streams
        self._factor = {name: (value or {}).get(factor_key(name), np.ones(1)) for name in _WALKS}
        self._slips_per_m = noise.slips_per_m * (value or {}).get(rate_key("rare_slip"), np.ones(1))
        self._at = (-1, -1)
        self._now: Walk = (np.zeros(1), np.zeros(1), np.zeros(1))

    def tick(self, step: PlannedStep, k: int, stretch: FloatArray) -> Walk:
        """Return the walk of tick k of a step: distance, lateral, heading; rare slips and bumps included.

        `stretch` is how much longer the step takes on the trials' clocks.
        """
        total: Walk | None = None
        for cell, share in self._plan.shares[k]:
            if self._at != (step.index, cell):
                self._at = (step.index, cell)
                self._now = self._draw(self._plan.cells[step.index][cell], step.place, cell, stretch)
            part = self._now if share == 1.0 else tuple(share * walk for walk in self._now)
            total = part if total is None else tuple(a + b for a, b in zip(total, part, strict=True))  # type: ignore[assignment]  # three of three
        return (np.zeros(1), np.zeros(1), np.zeros(1)) if total is None else total

    def _draw(self, cell: Cell, place: str, index: int, stretch: FloatArray) -> Walk:
        noise, normals = self._noise, self._streams.normals
        distance = lateral = heading = np.zeros(1)
        root = math.sqrt(cell.length_m)
        if root > 0.0 and noise.distance_per_root_m > 0.0:
            sd = noise.distance_per_root_m * root * self._factor["distance_walk"]
            distance = sd * normals("distance_walk", place, index)
        if root > 0.0 and noise.lateral_per_root_m > 0.0:
            sd = noise.lateral_per_root_m * root * self._factor["lateral_walk"]
            lateral = sd * normals("lateral_walk", place, index)
        if root > 0.0 and noise.slips_per_m > 0.0:
            distance = distance + self.slips(cell.length_m, place, index)
        fixed = noise.heading_per_root_m**2 * cell.length_m + noise.heading_per_root_rad**2 * cell.turn_rad
        if fixed > 0.0 or noise.heading_per_root_s > 0.0:
            sd = np.sqrt(fixed + noise.heading_per_root_s**2 * cell.time_s * stretch)
            heading = self._factor["heading_walk"] * sd * normals("heading_walk", place, index)
        if cell.bumps > 0.0 and (noise.bump_along_m > 0.0 or noise.bump_heading_rad > 0.0):
            # So many independent kicks add up to one of their number's root.
            hit = np.sqrt(poisson_count(self._streams.uniforms("bump", place, index)[0], cell.bumps))
            distance = distance + hit * (noise.bump_along_m * normals("bump:along", place, index))
            heading = heading + hit * (noise.bump_heading_rad * normals("bump:heading", place, index))
        return distance, lateral, heading

    def slips(self, length_m: float, place: str, index: int) -> FloatArray:
        """Return what rare slips make of a length: by trial, or a single zero. [m]

        So many independent slips add up to one of their number's root.
        """
        noise, streams = self._noise, self._streams
        if not (length_m > 0.0 and noise.slips_per_m > 0.0 and noise.slip_along_m > 0.0):
            return np.zeros(1)
        drawn = streams.uniforms("rare_slip", place, index)[0]
        count = poisson_count(drawn, self._slips_per_m * length_m)
        if not count.any():
            return np.zeros(1)
        sd = noise.slip_along_m * self._factor["rare_slip"]
        return np.asarray(np.sqrt(count) * sd * streams.normals("rare_slip:along", place, index))
