"""Trials as logs: what the robot would write of them, and what somebody with a camera or a tape would add.

All of it is invented data, made to see whether numbers that are known can be found again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from driftgate.core.pose import FloatArray, compose, inverse, log
from driftgate.logs.values import USED, BoolArray, Log, RangeColumn
from driftgate.plan.values import IntArray, Law, PlannedStep
from driftgate.predict.doubt import SOURCE as POORLY_KNOWN
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import NOT_TRIED
from driftgate.predict.sources import Constant, source_of, source_table
from driftgate.predict.streams import Streams
from driftgate.predict.tick_record import TickRecorder
from driftgate.predict.trials_engine import run_recorded
from driftgate.predict.values import Outcome

# What a log says of a reading: that it was used, or which test refused it.
FIX_WORDS: Final = {
    Outcome.ACCEPTED: USED,
    Outcome.NO_SURFACE: "association",
    Outcome.NOT_REFERENCE: "not-reference",
    Outcome.OUT_OF_RANGE: "out-of-range",
    Outcome.INCIDENCE: "incidence",
    Outcome.CORRIDOR: "corridor",
    Outcome.TOO_FAST: "too-fast",
    Outcome.TURNING: "turning",
    Outcome.NO_ECHO: "no-echo",
    Outcome.GATE: "gate",
    Outcome.HELD_BACK: "persistence",
}


@dataclass(frozen=True)
class Reference:
    """How the robot's true place is measured.

    Attributes
    ----------
    by : {"camera", "tape"}
        A camera sees the robot at its rate; a tape is laid out at the start, at the end of every step
        in which the robot stands, and at the end.
    spread : tuple of three floats
        Standard deviation of each measurement in x, y and heading, independent. [m, m, rad]
    rate_hz : float
        Of the camera. [Hz]
    """

    by: Literal["camera", "tape"]
    spread: tuple[float, float, float]
    rate_hz: float = 20.0


@dataclass(frozen=True)
class Jitter:
    """Noise of the odometry's own readings, of the way rolled so far and of the heading: it does not add up.

    Attributes
    ----------
    distance_m, heading_rad : float
        Standard deviations. [m, rad]
    """

    distance_m: float = 0.0
    heading_rad: float = 0.0


@dataclass(frozen=True, eq=False)
class SampledRun:
    """A run as its log has it, and what the log does not say.

    Attributes
    ----------
    log : Log
        The log, of n rows.
    truth : ndarray, shape (n, 3)
        Where the robot really was. [m, m, rad]
    fixes : ndarray, shape (n, 3)
        By how much fixes and resets moved the belief in each row, field axes. [m, m, rad]
    drawn : dict of str to float
        The constants of this run by key, in SI.
    """

    log: Log
    truth: FloatArray
    fixes: FloatArray
    drawn: dict[str, float]


class OneRobot(Streams):
    """The luck of several runs of one robot on one field: what is constant over either is drawn once."""

    def __init__(self, whole: Streams, constants: tuple[Constant, ...]) -> None:
        self._whole = whole
        self._shared = frozenset(c.key for c in constants if c.constant_over in ("robot", "field"))

    def uniforms(self, source: str, place: str, index: int) -> tuple[FloatArray, FloatArray]:
        """Return two independent uniforms per run, the first run's for all where one is the robot's own."""
        drawn = self._whole.uniforms(source, place, index)
        if place == "run" and source_of(source) == POORLY_KNOWN:
            return np.full_like(drawn[0], drawn[0][0]), np.full_like(drawn[1], drawn[1][0])
        return drawn

    def normals(self, source: str, place: str, index: int) -> FloatArray:
        """Return one standard normal per run, the first run's for all where it is shared."""
        drawn = self._whole.normals(source, place, index)
        return np.full_like(drawn, drawn[0]) if place == "run" and source in self._shared else drawn


@dataclass(frozen=True)
class _Rows:
    """The rows of all runs: m rows, n runs.

    Attributes
    ----------
    step : ndarray of int, shape (m,)
        The planned step that each row belongs to.
    of_knot : ndarray of int, shape (K + 1,)
        The row of each knot.
    time_s : ndarray, shape (m, n)
        [s]
    reckoned, believed, truth : ndarray, shape (m, n, 3)
        Belief before and after the fixes of each row, and truth. [m, m, rad]
    """

    step: IntArray
    of_knot: IntArray
    time_s: FloatArray
    reckoned: FloatArray
    believed: FloatArray
    truth: FloatArray


def sample_runs(
    prepared: Prepared,
    runs: int,
    seed: int,
    reference: Reference,
    jitter: Jitter | None = None,
    one_robot: bool = True,
    files: tuple[str | None, str | None, str | None] = (None, None, None),
) -> tuple[SampledRun, ...]:
    """Return runs of a case, each with its log.

    Parameters
    ----------
    prepared : Prepared
        The case.
    runs : int
        How many: trials 0 to runs - 1 of the seed.
    seed : int
        Seed of the random streams.
    reference : Reference
        How the true place is measured.
    jitter : Jitter, optional
        Noise of the odometry's readings. It is in the logged increments; the belief, which the
        controller goes by, is without it.
    one_robot : bool
        One robot drives all runs on one field. Else both are others in each run, and run i is trial i of
        a prediction.
    files : tuple of str
        Robot, routine and true field map, for the logs.

    Notes
    -----
    A row of the log is a knot of the timeline; where a robot settles at the end of a step a row follows
    that has this alone. Readings stand in the row in which they arrive. In a square-up only the begin
    and the end are the engine's own: the way to the wall is laid evenly over the planned approach, the
    turn over the rest.
    """
    table = source_table(prepared.case)
    streams: Streams = Streams(seed, 0, runs)
    record = TickRecorder(prepared, runs)
    luck = OneRobot(streams, table.constants) if one_robot else streams
    run_recorded(prepared, np.arange(runs), seed, record, streams=luck)
    rows = _rows(prepared, record)
    twist = _twists(rows)
    noise = _jitter(jitter or Jitter(), streams, len(twist))
    steps = prepared.plan.steps
    names = tuple(steps[i].name or str(i + 1) for i in rows.step)
    holonomic = prepared.case.robot.drive.type == "holonomic"
    heading = rows.reckoned[0, :, 2] + np.cumsum(twist[:, :, 2], axis=0)
    off = np.asarray(reference.spread) * _normals(streams, "reference", len(twist))
    found = []
    blank = np.full(len(twist), np.nan)
    for i in range(runs):
        seen = _seen(reference, prepared, rows, i)
        measured = rows.truth[:, i] + off[:, i]
        log = Log(
            path="",
            run=f"simulated {i + 1}",
            day=None,
            origin="simulated",
            robot=files[0],
            routine=files[1],
            field=files[2],
            time_s=rows.time_s[:, i],
            step=names,
            forward_m=twist[:, i, 0] + np.diff(noise[:, i, 0], prepend=0.0),
            sideways_m=np.where(holonomic, twist[:, i, 1] + np.diff(noise[:, i, 1], prepend=0.0), 0.0),
            has_odometry=np.ones(len(twist), dtype=bool),
            heading_rad=heading[:, i] + noise[:, i, 2],
            speed_mps=blank,
            believed=rows.believed[:, i],
            ranges=_ranges(prepared, record, rows, i),
            reference=np.where(seen[:, None], measured, np.nan),
            reference_by=tuple(reference.by if s else "" for s in seen),
            reference_spread=reference.spread,
        )
        drawn = {c.key: c.mean + float(record.deviation[j, i]) for j, c in enumerate(table.constants)}
        found.append(SampledRun(log, rows.truth[:, i], _fixes(prepared, record, rows, i), drawn))
    return tuple(found)


def _normals(streams: Streams, source: str, rows: int) -> FloatArray:
    """Return standard normals for three axes of every row, shape (rows, n, 3)."""
    axes = ("x", "y", "heading")
    drawn = [[streams.normals(f"{source}:{a}", "log", k) for a in axes] for k in range(rows)]
    return np.moveaxis(np.array(drawn), 1, 2)


def _jitter(jitter: Jitter, streams: Streams, rows: int) -> FloatArray:
    """Return the noise of way ahead, way aside and heading at every row, shape (rows, n, 3)."""
    sizes = np.array([jitter.distance_m, jitter.distance_m, jitter.heading_rad])
    noise = sizes * _normals(streams, "odometry_jitter", rows)
    # The robot zeroes its counters where it starts.
    noise[0] = 0.0
    return noise


def _rows(prepared: Prepared, record: TickRecorder) -> _Rows:
    """Lay out the knots, and the settling at the end of every motion as rows between them."""
    timeline, steps = prepared.plan.timeline, prepared.plan.steps
    noise = source_table(prepared.case).noise
    last: dict[int, PlannedStep] = {}
    if noise.settle_along_m > 0.0 or noise.settle_heading_rad > 0.0:
        last = {int(timeline.first_tick[s.index + 1]): s for s in steps if _comes_to_rest(prepared, s)}
    for step in steps:
        if step.law is Law.CONTACT:
            _spread_contact(prepared, record, step, last.get(int(timeline.first_tick[step.index])))
    count = len(timeline.time_s)
    of_knot = np.zeros(count, dtype=np.intp)
    step_of: list[int] = []
    parts: list[tuple[FloatArray, FloatArray, FloatArray, FloatArray]] = []
    for k in range(count):
        of_knot[k] = len(parts)
        parts.append((record.tick_s[k], record.tick_reckoned[k], record.tick_belief[k], record.tick_truth[k]))
        step_of.append(int(timeline.step[max(k - 1, 0)]) if len(timeline.step) else 0)
        settled = last.get(k)
        if settled is not None:
            after = record.tick_s[k + 1] if k + 1 < count else record.tick_s[k] + timeline.longest_tick_s
            belief, truth = _settled(record, settled, timeline.pose[k])
            parts.append((0.5 * (record.tick_s[k] + after), belief, belief, truth))
            step_of.append(settled.index)
    time, reckoned, believed, truth = (np.array([part[j] for part in parts]) for j in range(4))
    return _Rows(np.array(step_of, dtype=np.intp), of_knot, time, reckoned, believed, truth)


def _comes_to_rest(prepared: Prepared, step: PlannedStep) -> bool:
    first = prepared.plan.timeline.first_tick
    takes_time = first[step.index] < first[step.index + 1]
    return step.motion is not None and step.law is not Law.CONTACT and bool(takes_time)


def _settled(record: TickRecorder, step: PlannedStep, pose: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return belief and truth at a step's end, shape (n, 3) each."""
    return pose + record.belief[step.index].T, pose + record.truth[step.index].T


def _spread_contact(
    prepared: Prepared, record: TickRecorder, step: PlannedStep, before: PlannedStep | None
) -> None:
    """Fill the knots inside a square-up: the way to the wall first, then the turn; in place."""
    timeline = prepared.plan.timeline
    first, last = int(timeline.first_tick[step.index]), int(timeline.first_tick[step.index + 1])
    elapsed = timeline.time_s[first + 1 : last + 1] - step.begin_s
    contact = prepared.plan.contacts[step.index]
    # The turn needs a row of its own.
    approach = min(contact.travel_m / contact.speed_m_s, float(elapsed[-2:][0]))
    driven = np.clip(elapsed / max(approach, 1e-9), 0.0, 1.0)
    turned = np.clip((elapsed - approach) / max(float(elapsed[-1]) - approach, 1e-9), 0.0, 1.0)
    share = np.stack([driven, driven, turned], axis=-1)[:, None, :]
    share[-1] = 1.0
    begin = (record.tick_belief[first], record.tick_truth[first])
    if before is not None:
        begin = _settled(record, before, timeline.pose[first])
    for rows, start in ((record.tick_reckoned, begin[0]), (record.tick_truth, begin[1])):
        rows[first + 1 : last + 1] = start + share * (rows[last] - start)
    record.tick_belief[first + 1 : last] = record.tick_reckoned[first + 1 : last]
    span = record.tick_s[last] - record.tick_s[first]
    record.tick_s[first + 1 : last + 1] = record.tick_s[first] + (elapsed / elapsed[-1])[:, None] * span


def _twists(rows: _Rows) -> FloatArray:
    """Return what the odometry measured from row to row, shape (m, n, 3); zero at the first."""
    moved = log(compose(inverse(rows.believed[:-1]), rows.reckoned[1:]))
    first: FloatArray = np.zeros_like(rows.believed[:1])
    return np.concatenate([first, moved])


def _seen(reference: Reference, prepared: Prepared, rows: _Rows, run: int) -> BoolArray:
    """Return in which rows the true place of a run is measured."""
    seen = np.zeros(len(rows.step), dtype=bool)
    if reference.by == "camera":
        time = rows.time_s[:, run]
        due = np.arange(time[0], time[-1], 1.0 / reference.rate_hz)
        seen[np.searchsorted(time, due)] = True
        return seen
    seen[[0, -1]] = True
    for step in prepared.plan.steps:
        if step.law is Law.STAND and step.begin_s < step.end_s:
            seen[np.flatnonzero(rows.step == step.index)[-1]] = True
    return seen


def _ranges(prepared: Prepared, record: TickRecorder, rows: _Rows, run: int) -> dict[str, RangeColumn]:
    readings, m = prepared.plan.timeline.readings, len(rows.step)
    columns: dict[str, RangeColumn] = {}
    for s, sensor in enumerate(prepared.case.robot.sensors):
        mine = np.flatnonzero((readings.sensor == s) & (record.outcome[:, run] != NOT_TRIED))
        reading, fired, fix = np.full(m, np.nan), np.zeros(m, dtype=bool), [""] * m
        at = rows.of_knot[readings.knot[mine]]
        reading[at], fired[at] = record.reading_m[mine, run], True
        for row, r in zip(at.tolist(), mine.tolist(), strict=True):
            fix[row] = FIX_WORDS[Outcome(record.outcome[r, run])]
        columns[sensor.id] = RangeColumn(reading, fired, tuple(fix))
    return columns


def _fixes(prepared: Prepared, record: TickRecorder, rows: _Rows, run: int) -> FloatArray:
    """Return by how much the readings, and the resets at walls, moved the belief; shape (m, 3)."""
    timeline = prepared.plan.timeline
    fixes = np.zeros((len(rows.step), 3))
    np.add.at(fixes, rows.of_knot[timeline.readings.knot], record.move[:, :, run])
    for step in prepared.plan.steps:
        if step.law is Law.CONTACT:
            row = rows.of_knot[timeline.first_tick[step.index + 1]]
            fixes[row] += rows.believed[row, run] - rows.reckoned[row, run]
    return fixes
