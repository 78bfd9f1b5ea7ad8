"""Faults of robots and fields: each a variant of the documents of a case, in plain words of the trade.

The robot does not know of a fault: it keeps its plan, its map and its filter's numbers. Sizes that no
file gives are our choice, and stand beside each.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from driftgate.predict.prepared import Prepared, prepare
from driftgate.run.changes import widened
from driftgate.run.edge_of_build import built_field
from driftgate.schema.base import Model
from driftgate.schema.case import Case
from driftgate.schema.drift import Bump, StepTiming
from driftgate.schema.fieldmap import RoughZone
from driftgate.schema.routine import PoseOff
from driftgate.schema.sensor import Chance, MountAngle, RandomReturn, Sensor
from driftgate.sight.values import Reason

# A mount that was knocked: beyond what its tolerance leaves likely, and never less than what can be seen.
ASKEW_SPREADS: Final = 4.0
LEAST_ASKEW_RAD: Final = math.radians(2.0)
# A start off its mark, further than all but one run in 370.
START_SPREADS: Final = 3.0
# A field that its builder would still hand over.
BUILD_SPREADS: Final = 2.0
# A grate, or the seams of a floor of small tiles.
BUMPS_PER_M: Final = 10.0
# How a robot takes a bump where its file does not say.
BUMP_ALONG: Final = "1 mm"
BUMP_HEADING: Final = "0.2 deg"
# By how much longer a robot on a low battery takes over every step.
SLOWER: Final = 0.15
DRIFT_TIMES: Final = 2.0


@dataclass(frozen=True)
class Way:
    """One way in which a fault may show: words that tell it from the others, and the changed case."""

    words: str
    case: Case


@dataclass(frozen=True)
class Fault:
    """A fault.

    Attributes
    ----------
    key : str
        "dead:front": the same from night to night.
    title : str
        For people.
    ways : tuple of Way
        Of which the one that hurts most is judged.
    """

    key: str
    title: str
    ways: tuple[Way, ...]


def faults_of(prepared: Prepared) -> tuple[Fault, ...]:
    """Return the faults that can matter to a case, strayed elements apart (`driftgate.run.strays`).

    A sensor from which the plan takes no reading has no faults.
    """
    return (
        *_sensor_faults(prepared),
        *_gyro(prepared.case),
        *_floor(prepared.case),
        *_battery(prepared.case),
        *_start(prepared.case),
        *_build(prepared.case),
    )


def with_fault(prepared: Prepared, case: Case) -> Prepared:
    """Return a changed case prepared as the robot meets it: with the plan, sight lines and filter it has."""
    return prepare(case, prepared.plan, prepared.sight, prepared.filter)


def _sensor_faults(prepared: Prepared) -> Iterator[Fault]:
    case = prepared.case
    if not case.robot.correction.enabled:
        return
    readings = prepared.plan.timeline.readings
    usable = readings.nominal & (prepared.sight.reason == Reason.USABLE)
    for i, sensor in enumerate(case.robot.sensors):
        mine = np.flatnonzero(usable & (readings.sensor == i))
        if mine.size == 0:
            continue
        yield Fault(f"dead:{sensor.id}", f"sensor '{sensor.id}' dead", (Way("", _dead(case, i)),))
        ranges = [float(prepared.sight.range_m[mine[at]]) for at in (0, mine.size // 2, -1)]
        # To the millimetre, as a display would show it; the first of equals.
        stuck = dict.fromkeys(round(value, 3) for value in ranges)
        yield Fault(
            f"stuck:{sensor.id}",
            f"sensor '{sensor.id}' stuck",
            tuple(Way(f"at {value:.3f} m", _stuck(case, i, value)) for value in stuck),
        )
        yield Fault(f"askew:{sensor.id}", f"sensor '{sensor.id}' knocked askew", _askew(case, i))


def _with_sensor(case: Case, index: int, **errors: Model | None) -> Case:
    sensor = case.robot.sensors[index]
    changed = sensor.model_copy(update={"errors": sensor.errors.model_copy(update=errors)})
    sensors: list[Sensor] = [changed if i == index else s for i, s in enumerate(case.robot.sensors)]
    return replace(case, robot=case.robot.model_copy(update={"sensors": sensors}))


def _dead(case: Case, index: int) -> Case:
    nothing = {"probability": "100 %", "basis": "guess", "constant_over": "reading"}
    return _with_sensor(case, index, dropout=Chance.model_validate(nothing))


def _stuck(case: Case, index: int, at_m: float) -> Case:
    text = {"probability": "100 %", "at": f"{at_m!r} m", "basis": "guess", "constant_over": "reading"}
    return _with_sensor(case, index, random_return=RandomReturn.model_validate(text), dropout=None)


def _askew(case: Case, index: int) -> tuple[Way, ...]:
    now = case.robot.sensors[index].errors.mount_angle
    if now is None:
        text = {"mean": "0 deg", "spread": "0 deg", "basis": "guess", "constant_over": "robot"}
        now = MountAngle.model_validate(text)
    turn = max(ASKEW_SPREADS * now.spread, LEAST_ASKEW_RAD)

    def turned(sign: float, side: str) -> Way:
        angle = now.model_copy(update={"mean": now.mean + sign * turn})
        return Way(
            f"{math.degrees(turn):.1f} deg to the {side}", _with_sensor(case, index, mount_angle=angle)
        )

    return turned(1.0, "left"), turned(-1.0, "right")


def _with_errors(case: Case, **errors: Model) -> Case:
    changed = case.robot.errors.model_copy(update=errors)
    return replace(case, robot=case.robot.model_copy(update={"errors": changed}))


def _gyro(case: Case) -> Iterator[Fault]:
    bias = case.robot.errors.heading_bias
    if bias is not None:
        doubled = widened(bias, DRIFT_TIMES).model_copy(update={"mean": DRIFT_TIMES * bias.mean})
        yield Fault("gyro", "gyro drift doubled", (Way("", _with_errors(case, heading_bias=doubled)),))


def _floor(case: Case) -> Iterator[Fault]:
    """Yield a floor that is rough all over: at the rate of a grate, or of the roughest zone there is."""
    xs, ys = zip(*(wall.corner for wall in case.true.walls), strict=True)
    low_x, high_x, low_y, high_y = min(xs), max(xs), min(ys), max(ys)
    area = [(low_x, low_y), (high_x, low_y), (high_x, high_y), (low_x, high_y)]
    rate = max([BUMPS_PER_M, *(zone.bumps for zone in case.true.rough_zones)])
    zone = RoughZone.model_construct(id="everywhere", area=area, bumps=rate)
    text = {"along": BUMP_ALONG, "heading": BUMP_HEADING, "basis": "guess", "constant_over": "tick"}
    bump = case.robot.errors.bump or Bump.model_validate(text)
    rough = replace(case, true=case.true.model_copy(update={"rough_zones": [zone]}))
    yield Fault("floor", "bumpy floor everywhere", (Way("", _with_errors(rough, bump=bump)),))


def _battery(case: Case) -> Iterator[Fault]:
    text = {"mean": "0 %", "spread": "0 %", "basis": "guess", "constant_over": "run"}
    timing = case.robot.errors.step_timing or StepTiming.model_validate(text)
    slower = timing.model_copy(update={"mean": timing.mean + SLOWER})
    title = f"low battery, every step {100.0 * SLOWER:.0f} % longer"
    yield Fault("battery", title, (Way("", _with_errors(case, step_timing=slower)),))


def _start(case: Case) -> Iterator[Fault]:
    start = case.routine.start
    now = start.off or PoseOff()
    ways = []
    for axis in ("x", "y", "heading"):
        size = START_SPREADS * getattr(start.spread, axis)
        for sign in (1.0, -1.0) if size > 0.0 else ():
            off = now.model_copy(update={axis: getattr(now, axis) + sign * size})
            shown = (
                f"{math.degrees(sign * size):+.1f} deg"
                if axis == "heading"
                else f"{1e3 * sign * size:+.1f} mm"
            )
            routine = case.routine.model_copy(update={"start": start.model_copy(update={"off": off})})
            ways.append(Way(f"{shown} in {axis}", replace(case, routine=routine)))
    if ways:
        yield Fault("start", f"put down {START_SPREADS:.0f} spreads off its mark", tuple(ways))


def _build(case: Case) -> Iterator[Fault]:
    """Yield the field as far off its drawing as its builder's tolerance goes, four ways."""
    kinds = (
        ("every wall too far in", BUILD_SPREADS, 0.0),
        ("every wall too far out", -BUILD_SPREADS, 0.0),
        ("every wall turned left", 0.0, BUILD_SPREADS),
        ("every wall turned right", 0.0, -BUILD_SPREADS),
    )
    found = [(words, built_field(case.true, offset, tilt)) for words, offset, tilt in kinds]
    ways = tuple(Way(words, replace(case, true=true)) for words, true in found if true is not None)
    if ways:
        yield Fault("build", "field built at the edge of its tolerance", ways)
