"""Sensors and tests that are sound one by one, and with which the robot never uses a reading."""

from __future__ import annotations

import math
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.document import DocPath, Document
from driftgate.schema.correction import Validity
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor

# Our choices, no source. A sensor on an arm sits outside the outline, but hardly by the robot's own length;
# and a reading that is a second old is a slip of the unit.
FURTHEST_OUTSIDE: Final = 0.5
OLDEST_READING_S: Final = 1.0
# How many standard deviations of its pitch and height a beam is followed before it is said to miss.
_SIGMAS: Final = 3.0
_ROUNDING: Final = 1.0 + 1e-9


def check_sensor_place(document: Document, robot: Robot) -> list[Finding]:
    """Return a warning for every sensor far off the robot, turned beyond a full turn, or very late."""
    findings: list[Finding] = []
    for i, sensor in enumerate(robot.sensors):
        path: DocPath = ("sensors", i)
        heading = sensor.mount.heading
        if abs(heading) > 2.0 * math.pi * _ROUNDING:
            same = math.degrees(math.remainder(heading, 2.0 * math.pi))
            message = f"a heading of {math.degrees(heading):.6g} deg is one of {same:.6g} deg"
            place: DocPath = (*path, "mount", "heading")
            findings.append(document.finding("DG146", place, message, "write that", level="warning"))
        findings += _off_the_robot(document, (*path, "mount"), robot, sensor)
        if sensor.latency > OLDEST_READING_S:
            message = f"readings of '{sensor.id}' are {sensor.latency:.3g} s old when they arrive"
            advice = "check the unit: latencies are tens of milliseconds, such as '40 ms'"
            place = (*path, "latency")
            findings.append(document.finding("DG151", place, message, advice, level="warning"))
    return findings


def _off_the_robot(document: Document, path: DocPath, robot: Robot, sensor: Sensor) -> list[Finding]:
    """Return a warning if a sensor sits outside the box round the outline by half its longer side."""
    # Not by `outlines`, which loads shapely; and a robot with faults may have no outline here.
    outline = robot.footprint
    if outline.corners is not None:
        xs, ys = [x for x, _ in outline.corners], [y for _, y in outline.corners]
    elif outline.length is not None and outline.width is not None:
        xs = [-outline.length / 2.0, outline.length / 2.0]
        ys = [-outline.width / 2.0, outline.width / 2.0]
    else:
        return []
    x, y = sensor.mount.x, sensor.mount.y
    beyond_x = max(min(xs) - x, x - max(xs), 0.0)
    beyond_y = max(min(ys) - y, y - max(ys), 0.0)
    if math.hypot(beyond_x, beyond_y) <= FURTHEST_OUTSIDE * max(max(xs) - min(xs), max(ys) - min(ys)):
        return []
    key = "x" if beyond_x >= beyond_y else "y"
    millimetres = 1000.0 * math.hypot(beyond_x, beyond_y)
    message = f"'{sensor.id}' sits {millimetres:.0f} mm outside the robot's outline"
    advice = "check unit and sign: a mount is counted from the robot's centre"
    return [document.finding("DG151", (*path, key), message, advice, level="warning")]


def check_usable_range(document: Document, robot: Robot) -> list[Finding]:
    """Return a warning if the range that readings are tried in is beyond the reach of a sensor."""
    tried = robot.correction.validity.range
    if tried is None or not robot.correction.enabled:
        return []
    out = [s for s in robot.sensors if s.reach.low > tried.high or s.reach.high < tried.low]
    if not out:
        return []
    sensor = out[0]
    more = f", nor do those of {len(out) - 1} more" if len(out) > 1 else ""
    message = (
        f"readings are tried from {tried.low:.3g} m to {tried.high:.3g} m, and '{sensor.id}' reaches from "
        f"{sensor.reach.low:.3g} m to {sensor.reach.high:.3g} m: its readings never pass{more}"
    )
    place: DocPath = ("correction", "validity", "range")
    advice = "let 'range' overlap with the sensor's 'reach'"
    return [document.finding("DG151", place, message, advice, level="warning")]


def check_seen_heights(robot: Document, field: Document) -> list[Finding]:
    """Return a warning for every sensor whose beam passes over or under all that a robot corrects by."""
    model = robot.robot
    bands = _reference_heights(field.field_map, model.correction.validity)
    if not model.correction.enabled or not bands:
        return []
    findings = []
    for i, sensor in enumerate(model.sensors):
        low, high = _beam_heights(sensor)
        if any(low <= top and high >= bottom for bottom, top in bands):
            continue
        top, bottom = max(t for _, t in bands), min(b for b, _ in bands)
        where = f"above all of them, which end at {1000.0 * top:.0f} mm"
        if high < bottom:
            where = f"below all of them, which begin at {1000.0 * bottom:.0f} mm"
        elif low <= top:
            where = "between them"
        at_mm = 1000.0 * sensor.mount.height
        message = (
            f"'{sensor.id}' sees no wall or structure of {field.path}: at {at_mm:.0f} mm it looks {where}"
        )
        place: DocPath = ("sensors", i, "mount", "height")
        findings.append(robot.finding("DG151", place, message, "check both heights", level="warning"))
    return findings


def _reference_heights(field_map: FieldMap, validity: Validity) -> list[tuple[float, float]]:
    every = not validity.reference
    walls = field_map.wall_height
    bands = [(walls.low, walls.high) for wall in field_map.walls if every or wall.reference]
    bands += [(s.height.low, s.height.high) for s in field_map.structures if every or s.reference]
    return bands


def _beam_heights(sensor: Sensor) -> tuple[float, float]:
    """Return how low and how high a beam may meet a surface within its reach. [m]"""
    pitch, height = sensor.errors.mount_pitch, sensor.errors.mount_height
    slack = _SIGMAS * (height.spread if height else 0.0)
    low = high = sensor.mount.height
    if pitch is not None:
        far = sensor.reach.high
        steepest = math.pi / 2.0 - 1e-6
        down, up = pitch.mean - _SIGMAS * pitch.spread, pitch.mean + _SIGMAS * pitch.spread
        low += min(0.0, far * math.tan(max(down, -steepest)))
        high += max(0.0, far * math.tan(min(up, steepest)))
    return low - slack, high + slack
