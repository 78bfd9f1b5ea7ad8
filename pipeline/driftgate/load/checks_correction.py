"""What the models of the correction cannot say alone: order of the stages, pairs, fixes by step."""

from __future__ import annotations

import math
from typing import Final

from driftgate.core.findings import Finding
from driftgate.core.many import and_more
from driftgate.load.checks_routine import steps_with_paths
from driftgate.load.checks_sensor import OLDEST_READING_S
from driftgate.load.document import DocPath, Document
from driftgate.load.text import shorten
from driftgate.load.wording import did_you_mean
from driftgate.schema.correction import Correction
from driftgate.schema.late_readings import late_readings
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Checkpoint, Repeat, SquareUp
from driftgate.schema.sensor import Sensor

# Two beams of a pair: how far from parallel, and how far apart across the beam. Common practice, no
# source: with 2 cm, sensors good to 5 mm would tell the heading to 20 deg.
LARGEST_ANGLE_RAD: Final = math.radians(1.0)
LEAST_BASELINE_M: Final = 0.02
_STAGES: Final = tuple(Correction.model_fields["order"].get_default())


def check_order(document: Document, robot: Robot) -> list[Finding]:
    """Return a finding unless the order names every stage once."""
    order = robot.correction.order
    for i, stage in enumerate(order):
        if stage in order[:i]:
            missing = next(name for name in _STAGES if name not in order)
            message = f"'{stage}' is named twice, and '{missing}' is missing"
            suggestion = f"name each once, as in [{', '.join(_STAGES)}]; a stage is off without its section"
            return [document.finding("DG130", ("correction", "order", i), message, suggestion)]
    return []


def check_pairs(document: Document, robot: Robot) -> list[Finding]:
    """Return every fault of the robot's pairs of parallel sensors."""
    known = {sensor.id: sensor for sensor in robot.sensors}
    taken: set[str] = set()
    findings = []
    for p, pair in enumerate(robot.correction.pairs):
        path: DocPath = ("correction", "pairs", p, "sensors")
        names, faults = pair.sensors, []
        for i, name in enumerate(names):
            here = (*path, i)
            if name not in known:
                message = f"there is no range sensor called '{shorten(name)}'"
                faults.append(document.finding("DG131", here, message, did_you_mean(name, known)))
            elif name in taken:
                message = f"'{name}' is in a pair already"
                faults.append(document.finding("DG130", here, message, "a sensor is in at most one pair"))
            taken.add(name)
        why = "" if faults else _no_pair(known[names[0]], known[names[1]])
        if why:
            faults.append(
                document.finding("DG144", path, f"'{names[0]}' and '{names[1]}' make no pair: {why}")
            )
        findings += faults
    return findings


def _no_pair(a: Sensor, b: Sensor) -> str:
    """Return why the difference of two sensors does not tell the heading; "" if it does."""
    apart = math.remainder(a.mount.heading - b.mount.heading, 2.0 * math.pi)
    if abs(apart) > LARGEST_ANGLE_RAD * (1.0 + 1e-9):
        return f"they look {math.degrees(abs(apart)):.1f} deg apart, and at most 1 deg will do"
    for key in ("rate", "phase", "latency"):
        if getattr(a, key) != getattr(b, key):
            return f"their '{key}' differs, so they never read together"
    if a.random_phase or b.random_phase:
        return "with 'random_phase' they hardly ever read together"
    ahead, left = b.mount.x - a.mount.x, b.mount.y - a.mount.y
    baseline_m = abs(left * math.cos(a.mount.heading) - ahead * math.sin(a.mount.heading))
    if baseline_m < LEAST_BASELINE_M * (1.0 - 1e-9):
        return f"they sit {1000.0 * baseline_m:.0f} mm apart across the beam, and at least 20 mm are needed"
    return ""


def check_latency(document: Document, robot: Robot) -> list[Finding]:
    """Return a warning for the sensors whose readings are old, where nothing takes that out."""
    fastest, old = late_readings(robot)
    # What is a second old has a finding of its own.
    old = [(i, sensor) for i, sensor in old if sensor.latency <= OLDEST_READING_S]
    if not old:
        return []
    at, first = max(old, key=lambda pair: pair[1].latency)
    rest = and_more(len(old) - 1, "sensor")
    more = f", {rest} like it" if rest else ""
    further_mm = 1000.0 * fastest * first.latency
    message = (
        f"readings of '{first.id}' are {1000.0 * first.latency:.3g} ms old{more}, and nothing takes that "
        f"out: at {fastest:.3g} m/s the robot is {further_mm:.3g} mm further on by then"
    )
    advice = (
        "where the code compares a reading with the pose at its echo, write 'compensate_latency: true' under "
        "'correction'; where it does not, let it keep its last poses for that"
    )
    return [document.finding("DG150", ("sensors", at, "latency"), message, advice, level="warning")]


def check_fixes(routine: Document, robot: Document) -> list[Finding]:
    """Return the steps whose `fixes` names no sensor of the robot, or can have no effect."""
    sensors = [sensor.id for sensor in robot.robot.sensors]
    findings = []
    for step, path in steps_with_paths(routine.routine.steps):
        here: DocPath = (*path, "fixes")
        if step.fixes is None:
            continue
        idle = _idle(step)
        if not sensors:
            idle = f"{robot.path} has no range sensors"
        if idle:
            findings.append(routine.finding("DG145", here, f"'fixes' has no effect: {idle}", "delete it"))
            continue
        names = step.fixes if isinstance(step.fixes, list) else []
        for i, name in enumerate(names):
            if name not in sensors:
                message = f"{robot.path} has no range sensor called '{shorten(name)}'"
                findings.append(routine.finding("DG131", (*here, i), message, did_you_mean(name, sensors)))
            elif name in names[:i]:
                findings.append(
                    routine.finding("DG130", (*here, i), f"'{name}' is named twice", "delete one of them")
                )
    return findings


def _idle(step: object) -> str:
    match step:
        case Repeat():
            return "it belongs to the steps that are repeated"
        case Checkpoint():
            return "a checkpoint takes no time, so no reading arrives in it"
        case SquareUp():
            return "while the robot squares up no reading is used"
        case _:
            return ""
