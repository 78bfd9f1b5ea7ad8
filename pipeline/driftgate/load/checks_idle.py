"""What a robot file says that does nothing, or that no sensor can mean: each is one warning at its place."""

from __future__ import annotations

from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.document import KEY, DocPath, Document
from driftgate.load.mend import MendedDocument
from driftgate.load.text import shorten
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import Sensor

# Our choices, no source. A sensor that rounds by a tenth of its reach tells no place; pots stand decimetres
# beside a sight line, not metres; and a surface is hardly in sight for so long.
COARSEST: Final = 0.1
WIDEST: Final = 0.25
LONGEST_STREAK_S: Final = 2.0
_ROUNDING: Final = 1.0 + 1e-9
_FALSE: Final = ("short_return", "long_return", "random_return")


def check_idle(document: Document, robot: Robot) -> list[Finding]:
    """Return a finding for everything that does nothing, or that no sensor can mean."""
    if isinstance(document, MendedDocument):
        # What is missing here may be what was wrong in the file.
        return []
    return [*_sensors(document, robot), *_correction(document, robot)]


def _correction(document: Document, robot: Robot) -> list[Finding]:
    """Return a warning for every part of the correction that cannot do what it is for."""
    path: DocPath = ("correction",)
    correction = robot.correction
    if not correction.enabled or not robot.sensors:
        return []
    findings: list[Finding] = []
    if correction.way_back is not None and correction.gate is None:
        message = "a way back from a gate that refuses everything, and there is no 'gate': it has no effect"
        place: DocPath = (*path, "way_back", KEY)
        advice = "add for example 'gate: {sigmas: 3}', or delete 'way_back'"
        findings.append(document.finding("DG153", place, message, advice, level="warning"))
    findings += _persistence(document, robot)
    validity, reach = correction.validity, max(s.reach.high for s in robot.sensors)
    for key, value in (("corridor", validity.corridor), ("edge_margin", validity.edge_margin)):
        if value is not None and value > WIDEST * reach * _ROUNDING:
            message = (
                f"'{key}' of {value:.3g} m, and the sensors reach {reach:.3g} m: hardly a reading passes"
            )
            place = (*path, "validity", key)
            findings.append(document.finding("DG151", place, message, "check its unit", level="warning"))
    return findings


def _persistence(document: Document, robot: Robot) -> list[Finding]:
    """Return why persistence does not keep false readings out, or keeps out all of them."""
    correction = robot.correction
    rule, order = correction.persistence, correction.order
    if rule is None or rule.readings == 1:
        return []
    path: DocPath = ("correction", "persistence", KEY)
    fastest = max(sensor.rate for sensor in robot.sensors)
    long_s = (rule.readings - 1) / fastest
    findings = []
    if long_s > LONGEST_STREAK_S * _ROUNDING:
        message = (
            f"{rule.readings} readings in a row take {long_s:.3g} s at {fastest:.3g} Hz: hardly a surface is "
            "in sight for so long, and none corrects the pose before"
        )
        place: DocPath = ("correction", "persistence", "readings")
        advice = "a few readings do, such as 3"
        findings.append(document.finding("DG151", place, message, advice, level="warning"))
    held = "the first reading" if rule.readings == 2 else f"the first {rule.readings - 1} readings"
    why = f"so it holds back {held} of a surface, right or wrong, and no false one that comes later"
    if correction.gate is None:
        message = f"persistence without a 'gate' counts readings whatever they say, {why}"
        advice = "add for example 'gate: {sigmas: 3}', or delete 'persistence'"
        findings.append(document.finding("DG153", path, message, advice, level="warning"))
    elif len(set(order)) == len(order) and order.index("persistence") < order.index("gate"):
        message = f"persistence before the gate counts readings that the gate then refuses, {why}"
        advice = "name 'gate' before 'persistence' in 'order', as in [validity, gate, persistence]"
        place = ("correction", "order")
        findings.append(document.finding("DG153", place, message, advice, level="warning"))
    return findings


def _sensors(document: Document, robot: Robot) -> list[Finding]:
    """Return a finding for what makes a sensor silent or blunt, and for more false returns than readings."""
    findings: list[Finding] = []
    for i, sensor in enumerate(robot.sensors):
        path: DocPath = ("sensors", i)
        name = shorten(sensor.id)
        interval_s = 1.0 / sensor.rate
        if sensor.phase > interval_s * _ROUNDING:
            message = (
                f"'{name}' reads for the first time after {sensor.phase:.3g} s, and from then on every "
                f"{1000.0 * interval_s:.3g} ms: it sees nothing before"
            )
            advice = f"check the unit: a phase is less than the interval, as in '{500.0 * interval_s:.3g} ms'"
            place: DocPath = (*path, "phase")
            findings.append(document.finding("DG151", place, message, advice, level="warning"))
        if sensor.resolution > COARSEST * sensor.reach.high * _ROUNDING:
            message = (
                f"'{name}' rounds its readings to multiples of {sensor.resolution:.3g} m, and reaches "
                f"{sensor.reach.high:.3g} m"
            )
            place = (*path, "resolution")
            findings.append(document.finding("DG151", place, message, "check its unit", level="warning"))
        findings += _false_returns(document, (*path, "errors"), sensor)
    return findings


def _false_returns(document: Document, path: DocPath, sensor: Sensor) -> list[Finding]:
    """Return a warning for returns beyond the reach, and an error for more of them than readings."""
    errors, findings = sensor.errors, []
    nowhere = errors.random_return
    if nowhere is not None and nowhere.at is not None:
        low, high = sensor.reach.low, sensor.reach.high
        if not low / _ROUNDING <= nowhere.at <= high * _ROUNDING:
            message = (
                f"'{shorten(sensor.id)}' reaches from {low:.3g} m to {high:.3g} m, so a return at "
                f"{nowhere.at:.3g} m counts as no echo"
            )
            advice = "give a range within its reach; that nothing comes back is 'dropout'"
            place: DocPath = (*path, "random_return", "at")
            findings.append(document.finding("DG151", place, message, advice, level="warning"))
    given = [key for key in _FALSE if getattr(errors, key) is not None]
    shares = [getattr(errors, key).probability for key in given]
    # One of 100 % is a sensor that is stuck, whatever the others say.
    if max(shares, default=0.0) < 1.0 < sum(shares) / _ROUNDING:
        message = f"{', '.join(given)} add up to {100.0 * sum(shares):.4g} % of the readings"
        advice = "each is a share of all readings, as counted; together they are at most 100 %"
        place = (*path, given[-1], "probability")
        findings.append(document.finding("DG112", place, message, advice))
    return findings


def check_bumps(robot: Document, field: Document) -> list[Finding]:
    """Return a warning if the floor is rough and the robot says nothing of what a bump does to it."""
    zones = field.field_map.rough_zones
    if not zones or robot.robot.errors.bump is not None:
        return []
    message = (
        f"the rough zones of {field.path} have no effect: nothing here says what a bump does to the robot"
    )
    bump = "{along: 1 mm, heading: 0.2 deg, basis: guess, constant_over: tick}"
    advice = f"add for example 'bump: {bump}'"
    return [robot.finding("DG153", ("errors", KEY), message, advice, level="warning")]
