"""The error sources of a case as numbers: constants of a run with mean and spread, white noise, filter.

One list serves both engines, the report and the switches: a source is known by one name.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

from driftgate.predict.doubt import SOURCE as POORLY_KNOWN
from driftgate.predict.doubt import Doubt, doubt_key, doubt_of, is_doubted, mean_errors
from driftgate.predict.values import SourceInfo
from driftgate.schema.base import Basis
from driftgate.schema.case import Case
from driftgate.schema.robot import Robot
from driftgate.schema.routine import PoseOff
from driftgate.schema.sensor import Sensor

LATENCY = "range_latency"  # draws nothing, shifts all fixes alike
TITLES: dict[str, str] = {
    "start_placement": "start placement",
    "distance_scale": "distance scale",
    "sideways_scale": "sideways scale",
    "distance_walk": "distance walk",
    "rare_slip": "rare slips",
    "wheel_offset": "wheel offset",
    "crab_angle": "crab angle",
    "heading_bias": "heading bias",
    "heading_scale": "heading scale",
    "heading_latency": "heading latency",
    "heading_walk": "heading walk",
    "lateral_slip": "lateral slip",
    "lateral_walk": "lateral walk",
    "bump": "bumps",
    "settling": "settling",
    "step_timing": "step timing",
    "wall_build": "wall build",
    "structure_build": "structure build",
    "element_placement": "element placement",
    "element_stray": "strayed elements",
    "range_bias": "range bias",
    "range_scale": "range scale",
    "range_noise": "range noise",
    "mount_position": "sensor mount position",
    "mount_angle": "sensor mount angle",
    "mount_height": "sensor mount height",
    "mount_pitch": "sensor mount pitch",
    "quantisation": "range quantisation",
    "dropout": "dropout",
    "short_return": "short false returns",
    "long_return": "long false returns",
    "random_return": "random readings",
    LATENCY: "range latency",
    "range_phase": "phase of the readings",
    POORLY_KNOWN: "numbers known too poorly",
}


def source_of(key: str) -> str:
    """Return the error source that a random stream belongs to: what stands before the first colon.

    "wall_build:south:tilt" and "bump:along" are streams of "wall_build" and "bump".
    """
    return key.partition(":")[0]


_SENSOR_SOURCES = {"bias": "range_bias", "scale": "range_scale", "noise": "range_noise"}


def sensor_source(field: str) -> str:
    """Return the name of the source that a field of a sensor's errors holds."""
    return _SENSOR_SOURCES.get(field, field)


@dataclass(frozen=True)
class Constant:
    """One number that is constant over a run: drawn once a trial, carried as a state by the covariance.

    Attributes
    ----------
    key : str
        "heading_bias", "wall_build:south:tilt", "range_scale:front": names its random stream.
    source : str
        The error source it belongs to, a key of `TITLES`.
    mean, spread : float
        In SI.
    basis : str
        Where the numbers come from: "measured", "data sheet" or "guess".
    constant_over : str
        "run", "robot" or "field".
    of : str
        Key of the constant whose mean it moves; empty for one that acts by itself.
    also : tuple of (str, float)
        Constants of the odometry whose means it moves too, and by how much against that of `of`. [SI over SI]
    """

    key: str
    source: str
    mean: float
    spread: float
    basis: str
    constant_over: str
    of: str = ""
    also: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True)
class Noise:
    """White noise of dead reckoning: standard deviations in SI, zero where a source does not act."""

    distance_per_root_m: float
    lateral_per_root_m: float
    heading_per_root_m: float
    heading_per_root_s: float
    heading_per_root_rad: float
    bump_along_m: float
    bump_heading_rad: float
    settle_along_m: float
    settle_heading_rad: float
    step_timing: float  # spread of each step's own stretch; zero if timing is constant over the run
    slips_per_m: float = 0.0  # expected number of rare slips, and the size of one
    slip_along_m: float = 0.0

    @property
    def slip_per_root_m(self) -> float:
        """The random walk with the variance of the rare slips. [m per root metre]"""
        return math.sqrt(self.slips_per_m) * self.slip_along_m


@dataclass(frozen=True)
class SourceTable:
    """Every error source of a case, with the ones in `off` silenced.

    Attributes
    ----------
    constants : tuple of Constant
        Constants of the run, in a fixed order; an absent source has no entry.
    noise : Noise
        White noise.
    info : tuple of SourceInfo
        For the report: every source that acts.
    off : frozenset of str
        The sources that are switched off.
    doubt : Doubt
        What is uncertain of spreads, intensities and chances.
    """

    constants: tuple[Constant, ...]
    noise: Noise
    info: tuple[SourceInfo, ...]
    off: frozenset[str]
    doubt: Doubt

    def index(self) -> dict[str, int]:
        """Return the position of each constant by key."""
        return {constant.key: i for i, constant in enumerate(self.constants)}

    def places(self) -> dict[str, tuple[int, ...]]:
        """Return by key all positions that act as that constant: its own, and that of its mean's error."""
        found: dict[str, tuple[int, ...]] = {constant.key: (i,) for i, constant in enumerate(self.constants)}
        for i, constant in enumerate(self.constants):
            if constant.of:
                found[constant.of] = (*found[constant.of], i)
        return found


def _dead_reckoning_constants(robot: Robot) -> list[Constant]:
    errors = robot.errors
    found: list[Constant] = []
    simple = {
        "distance_scale": errors.distance_scale,
        "sideways_scale": errors.sideways_scale,
        "wheel_offset": errors.wheel_offset,
        "crab_angle": errors.crab_angle,
        "heading_bias": errors.heading_bias,
        "heading_scale": errors.heading_scale,
        "heading_latency": errors.heading_latency,
    }
    for name, source in simple.items():
        if source is not None:
            found.append(_constant(name, name, source.mean, source.spread, source))
    slip = errors.lateral_slip
    if slip is not None:
        found.append(
            _constant("lateral_slip:turn", "lateral_slip", slip.per_turn, slip.per_turn_spread, slip)
        )
        found.append(
            _constant("lateral_slip:speed", "lateral_slip", slip.with_speed, slip.with_speed_spread, slip)
        )
    timing = errors.step_timing
    if timing is not None:
        spread = timing.spread if timing.constant_over == "run" else 0.0
        found.append(_constant("step_timing", "step_timing", timing.mean, spread, timing))
    return found


def _field_constants(case: Case) -> list[Constant]:
    found: list[Constant] = []
    for wall in case.true.walls:
        build = wall.build or case.true.build
        found.append(_constant(f"wall_build:{wall.id}:offset", "wall_build", 0.0, build.offset, build))
        found.append(_constant(f"wall_build:{wall.id}:tilt", "wall_build", 0.0, build.tilt, build))
    for structure in case.true.structures:
        if structure.build is not None:
            found += _pose_constants(f"structure_build:{structure.id}", "structure_build", structure.build)
    for element in case.true.elements:
        found += _pose_constants(f"element_placement:{element.id}", "element_placement", element.scatter)
    return found


class _Origin(Protocol):
    """Where the numbers of a source come from."""

    @property
    def basis(self) -> Basis:
        """Measured, data sheet or guess."""

    @property
    def constant_over(self) -> str:
        """Over what the source is constant."""


class _PoseOrigin(_Origin, Protocol):
    """Standard deviations of a pose."""

    @property
    def x(self) -> float:
        """Along field x. [m]"""

    @property
    def y(self) -> float:
        """Along field y. [m]"""

    @property
    def heading(self) -> float:
        """Of the heading. [rad]"""


def _constant(key: str, source: str, mean: float, spread: float, origin: _Origin) -> Constant:
    return Constant(key, source, mean, spread, origin.basis, origin.constant_over)


def _pose_constants(
    key: str, source: str, spread: _PoseOrigin, means: tuple[float, float, float] = (0.0, 0.0, 0.0)
) -> list[Constant]:
    sizes = (("x", spread.x), ("y", spread.y), ("heading", spread.heading))
    return [
        _constant(f"{key}:{axis}", source, mean, sd, spread)
        for mean, (axis, sd) in zip(means, sizes, strict=True)
    ]


def coarse_steps(sensor: Sensor) -> bool:
    """Return whether a sensor's resolution is coarse against its noise.

    Rounding is as good as independent noise once the noise is about half a step (B. Widrow and
    I. Kollar, Quantization Noise, 2008, chapter on dither, from memory); below that it repeats.
    """
    noise = sensor.errors.noise
    return sensor.resolution > 0.0 and (noise is None or noise.at_zero < 0.5 * sensor.resolution)


def _sensor_constants(sensor: Sensor) -> list[Constant]:
    errors = sensor.errors
    found: list[Constant] = []
    for key, source in (("range_bias", errors.bias), ("range_scale", errors.scale)):
        if source is not None:
            found.append(_constant(f"{key}:{sensor.id}", key, source.mean, source.spread, source))
    if errors.mount_position is not None:
        for axis in "xy":
            found.append(
                _constant(
                    f"mount_position:{sensor.id}:{axis}",
                    "mount_position",
                    0.0,
                    errors.mount_position.spread,
                    errors.mount_position,
                )
            )
    if coarse_steps(sensor):
        # Too little noise to blur the rounding: standing, every reading is rounded the same way.
        spread = sensor.resolution / math.sqrt(12.0)
        found.append(Constant(f"quantisation:{sensor.id}", "quantisation", 0.0, spread, "data sheet", "run"))
    for name, mount in (
        ("mount_angle", errors.mount_angle),
        ("mount_height", errors.mount_height),
        ("mount_pitch", errors.mount_pitch),
    ):
        if mount is not None:
            mean = float(getattr(mount, "mean", 0.0))
            found.append(_constant(f"{name}:{sensor.id}", name, mean, mount.spread, mount))
    return found


def source_table(case: Case, off: frozenset[str] = frozenset()) -> SourceTable:
    """Return every error source of a case as numbers.

    Parameters
    ----------
    case : Case
        The case.
    off : frozenset of str
        Sources to silence: their mean and spread become zero, their draws stay where they are.

    Raises
    ------
    KeyError
        If `off` names something that is no source.
    """
    for name in off:
        if name not in TITLES:
            raise KeyError(f"'{name}' is no error source")
    start = case.routine.start
    mean = start.off or PoseOff()
    means = (mean.x, mean.y, mean.heading)
    constants = _pose_constants("start_placement", "start_placement", start.spread, means)
    constants += _dead_reckoning_constants(case.robot)
    constants += _field_constants(case)
    for sensor in case.robot.sensors:
        constants += _sensor_constants(sensor)
    constants += _doubted_means(case.robot, constants)
    silenced = tuple(replace(c, mean=0.0, spread=0.0) if c.source in off else c for c in constants)
    doubt = doubt_of(case.robot, off)
    return SourceTable(silenced, _noise(case.robot, off), _infos(case, off), off, doubt)


def _doubted_means(robot: Robot, constants: list[Constant]) -> list[Constant]:
    """Return a constant for every mean that is uncertain; it acts as the one whose mean it is."""
    known = {constant.key for constant in constants}
    return [
        Constant(
            key=doubt_key(number.key),
            source=POORLY_KNOWN,
            mean=0.0,
            spread=own,
            basis=number.basis,
            constant_over="robot",
            of=number.key,
            also=tuple((key, moved / own) for key, moved in others.items()),
        )
        for number, own, others in mean_errors(robot, known)
    ]


def drift_sources(robot: Robot) -> tuple[tuple[Constant, ...], Noise]:
    """Return the sources of a robot's dead reckoning alone: constants of the run, and white noise."""
    return tuple(_dead_reckoning_constants(robot)), _noise(robot, frozenset())


def _noise(robot: Robot, off: frozenset[str]) -> Noise:
    errors = robot.errors

    def on(name: str) -> float:
        return 0.0 if name in off else 1.0

    distance, lateral, heading = errors.distance_walk, errors.lateral_walk, errors.heading_walk
    bump, settling, timing, slip = errors.bump, errors.settling, errors.step_timing, errors.rare_slip
    per_step = timing is not None and timing.constant_over == "step"
    return Noise(
        distance_per_root_m=distance.per_root_metre * on("distance_walk") if distance else 0.0,
        lateral_per_root_m=lateral.per_root_metre * on("lateral_walk") if lateral else 0.0,
        heading_per_root_m=heading.per_root_metre * on("heading_walk") if heading else 0.0,
        heading_per_root_s=heading.per_root_second * on("heading_walk") if heading else 0.0,
        heading_per_root_rad=heading.per_root_radian * on("heading_walk") if heading else 0.0,
        bump_along_m=bump.along * on("bump") if bump else 0.0,
        bump_heading_rad=bump.heading * on("bump") if bump else 0.0,
        settle_along_m=settling.along * on("settling") if settling else 0.0,
        settle_heading_rad=settling.heading * on("settling") if settling else 0.0,
        step_timing=timing.spread * on("step_timing") if timing and per_step else 0.0,
        slips_per_m=slip.rate * on("rare_slip") if slip else 0.0,
        slip_along_m=slip.along * on("rare_slip") if slip else 0.0,
    )


def _infos(case: Case, off: frozenset[str]) -> tuple[SourceInfo, ...]:
    """Return one line per source."""
    rows: dict[str, tuple[set[str], set[str]]] = {}

    def add(name: str, basis: str, over: str) -> None:
        if name not in off:
            bases, overs = rows.setdefault(name, (set(), set()))
            bases.add(basis)
            overs.add(over)

    start = case.routine.start.spread
    add("start_placement", start.basis, start.constant_over)
    for name in type(case.robot.errors).model_fields:
        source = getattr(case.robot.errors, name)
        if source is not None:
            add(name, source.basis, source.constant_over)
    for wall in case.true.walls:
        build = wall.build or case.true.build
        add("wall_build", build.basis, build.constant_over)
    for structure in case.true.structures:
        if structure.build is not None:
            add("structure_build", structure.build.basis, structure.build.constant_over)
    for element in case.true.elements:
        add("element_placement", element.scatter.basis, element.scatter.constant_over)
        if element.stray is not None:
            add("element_stray", element.stray.basis, element.stray.constant_over)
    for sensor in case.robot.sensors:
        for field in type(sensor.errors).model_fields:
            source = getattr(sensor.errors, field)
            if source is not None:
                add(sensor_source(field), source.basis, source.constant_over)
        if sensor.resolution > 0.0:
            add("quantisation", "data sheet", "reading")
        if sensor.latency > 0.0:
            add(LATENCY, "data sheet", "robot")
        if sensor.random_phase:
            add("range_phase", "data sheet", "run")
    if is_doubted(case.robot):
        add(POORLY_KNOWN, "measured", "robot")
    return tuple(
        SourceInfo(name, TITLES[name], ", ".join(sorted(rows[name][0])), ", ".join(sorted(rows[name][1])))
        for name in TITLES
        if name in rows
    )
