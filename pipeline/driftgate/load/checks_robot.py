"""What a robot's models cannot say alone."""

from __future__ import annotations

import math
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.checks_common import rising, unique_names
from driftgate.load.checks_correction import check_latency, check_order, check_pairs
from driftgate.load.checks_idle import check_idle
from driftgate.load.checks_sensor import check_sensor_place, check_usable_range
from driftgate.load.document import KEY, DocPath, Document
from driftgate.schema.base import Model
from driftgate.schema.fitted import Provenance
from driftgate.schema.robot import Robot
from driftgate.schema.sensor import RangeErrors

SMALLEST_FOOTPRINT_M2: Final = 1e-4  # a square of 1 cm: anything less is a slip of the unit

_MEANS: Final = ("mean_error", "per_turn_error")
# Correlations are written with two or three digits.
_ROUNDED: Final = 0.02

STEEPEST_PITCH_RAD: Final = math.pi / 4.0


def check_robot(document: Document) -> list[Finding]:
    """Return every fault of a robot that its models let through."""
    robot = document.robot
    findings = _check_footprint(document, robot)
    findings += unique_names(document, ((s.id, ("sensors", i, "id")) for i, s in enumerate(robot.sensors)))
    for i, sensor in enumerate(robot.sensors):
        findings += rising(document, ("sensors", i, "reach"), sensor.reach.low, sensor.reach.high)
        findings += _at_most_square(document, ("sensors", i, "echo_limit"), sensor.echo_limit)
        if sensor.random_phase and "phase" in sensor.model_fields_set:
            message = "'phase' says when the first reading falls, 'random_phase' that nobody knows"
            place: DocPath = ("sensors", i, "phase", KEY)
            findings.append(document.finding("DG133", place, message, "delete one of them"))
        findings += _check_sensor_errors(document, ("sensors", i, "errors"), sensor.errors)
    findings += _check_correction(document, robot)
    findings += check_order(document, robot)
    findings += check_pairs(document, robot)
    findings += check_latency(document, robot)
    findings += check_sensor_place(document, robot)
    findings += check_usable_range(document, robot)
    findings += check_idle(document, robot)
    findings += _check_trust(document, robot)
    findings += _check_fitted(document, robot)
    if robot.errors.sideways_scale is not None and robot.drive.type != "holonomic":
        path: DocPath = ("errors", "sideways_scale", KEY)
        message = "'sideways_scale' needs a holonomic drive; this one is differential"
        findings.append(
            document.finding("DG133", path, message, "delete it: sideways motion is lateral_slip here")
        )
    return findings


def _check_footprint(document: Document, robot: Robot) -> list[Finding]:
    outline = robot.footprint
    path: DocPath = ("footprint",)
    sides = [key for key in ("length", "width") if getattr(outline, key) is not None]
    if (outline.corners is not None and sides) or (outline.corners is None and len(sides) != 2):
        message = "a footprint needs either 'length' and 'width', or 'corners'"
        return [document.finding("DG133", path, message)]
    if outline.corners is None:
        return []
    import shapely

    if shapely.MultiPoint(list(outline.corners)).convex_hull.area < SMALLEST_FOOTPRINT_M2:
        return [document.finding("DG132", (*path, "corners"), "the corners enclose hardly any area")]
    return []


def _check_sensor_errors(document: Document, path: DocPath, errors: RangeErrors) -> list[Finding]:
    findings = []
    short, pitch = errors.short_return, errors.mount_pitch
    if short is not None and short.distance_from == "sensor" and short.distance is None:
        message = "'distance_from: sensor' needs 'distance': how far from the sensor on average"
        findings.append(
            document.finding("DG133", (*path, "short_return"), message, "add for example 'distance: 1 m'")
        )
    if pitch is not None and abs(pitch.mean) > STEEPEST_PITCH_RAD:
        message = "a sensor that looks up or down by more than 45 deg looks at no wall"
        findings.append(document.finding("DG112", (*path, "mount_pitch", "mean"), message))
    return findings


def _check_correction(document: Document, robot: Robot) -> list[Finding]:
    correction = robot.correction
    path: DocPath = ("correction",)
    findings = []
    tried = correction.validity.range
    if tried is not None:
        findings += rising(document, (*path, "validity", "range"), tried.low, tried.high)
    findings += _at_most_square(document, (*path, "validity", "incidence"), correction.validity.incidence)
    has_share = "share" in correction.update.model_fields_set
    if correction.update.law == "blend" and not has_share:
        message = "the law 'blend' needs 'share': how much of the difference is taken"
        findings.append(
            document.finding("DG133", (*path, "update"), message, "add for example 'share: 30 %'")
        )
    if correction.update.law != "blend" and has_share:
        message = f"'share' belongs to the law 'blend'; the law here is '{correction.update.law}'"
        findings.append(
            document.finding("DG133", (*path, "update", "share", KEY), message, "delete one of them")
        )
    return findings


def _check_trust(document: Document, robot: Robot) -> list[Finding]:
    """Return a finding for every sensor whose readings the filter would trust completely."""
    own = robot.correction.filter
    if not robot.correction.enabled or own.wall or own.range_at_zero or own.range_per_range:
        return []
    findings = []
    for i, sensor in enumerate(robot.sensors):
        noise, bias, scale = sensor.errors.noise, sensor.errors.bias, sensor.errors.scale
        spreads = (
            noise.at_zero if noise else 0.0,
            noise.per_range if noise else 0.0,
            bias.spread if bias else 0.0,
            scale.spread if scale else 0.0,
            sensor.errors.mount_position.spread if sensor.errors.mount_position else 0.0,
            sensor.resolution,
        )
        if not any(spreads):
            message = f"nothing says how noisy '{sensor.id}' is: the filter would trust it completely"
            findings.append(
                document.finding(
                    "DG143",
                    ("sensors", i, "errors"),
                    message,
                    "add for example 'noise: {at_zero: 5 mm, basis: guess, constant_over: reading}'",
                )
            )
    return findings


def _check_fitted(document: Document, robot: Robot) -> list[Finding]:
    """Return a finding for every source fitted from runs and yet not measured, or backwards in time."""
    holders: list[tuple[DocPath, Model]] = [(("errors",), robot.errors)]
    holders += [(("sensors", i, "errors"), sensor.errors) for i, sensor in enumerate(robot.sensors)]
    findings = []
    for path, holder in holders:
        for name in type(holder).model_fields:
            source = getattr(holder, name)
            fitted = getattr(source, "fitted", None)
            if not isinstance(fitted, Provenance):
                continue
            if source.basis != "measured":
                message = "what was fitted from runs was measured"
                place = (*path, name, "basis")
                findings.append(document.finding("DG133", place, message, "write 'basis: measured'"))
            first, last = fitted.first_day, fitted.last_day
            if first is not None and last is not None and last < first:
                message = "'last_day' comes before 'first_day'"
                findings.append(document.finding("DG134", (*path, name, "fitted", "last_day"), message))
    return findings + _check_together(document, robot)


def _check_together(document: Document, robot: Robot) -> list[Finding]:
    """Return a finding for every correlation of two means that cannot be, or that says nothing."""
    errors = robot.errors
    known = {
        name
        for name in type(errors).model_fields
        if any(getattr(getattr(getattr(errors, name), "fitted", None), key, 0.0) > 0.0 for key in _MEANS)
    }
    findings, pairs = [], {}
    for name in type(errors).model_fields:
        together = getattr(getattr(getattr(errors, name), "fitted", None), "goes_with", None)
        for other, value in together.pairs().items() if together is not None else ():
            place: DocPath = ("errors", name, "fitted", "goes_with", other)
            if other == name or (other, name) in pairs:
                message = f"how '{name}' goes with '{other}' is said at '{other}' already"
                if other == name:
                    message = f"'{name}' cannot go with itself"
                findings.append(document.finding("DG133", (*place, KEY), message, "delete it"))
            elif not {name, other} <= known:
                without = name if name not in known else other
                message = f"the mean of '{without}' has no standard error that could go with another"
                findings.append(document.finding("DG133", (*place, KEY), message, "give its 'fitted' error"))
            else:
                pairs[name, other] = value
    if findings or not pairs:
        return findings
    # Late: only a calibrated robot has correlations, and a fault in any other file is told without numpy.
    from driftgate.core.correlation import correlation_matrix, short_of

    if short_of(correlation_matrix(sorted(known), pairs)) > _ROUNDED:
        name, other = next(iter(pairs))
        place = ("errors", name, "fitted", "goes_with", other)
        message = "these correlations exclude each other: no three numbers go together like that"
        findings.append(document.finding("DG133", place, message, "take them from one calibration"))
    return findings


def _at_most_square(document: Document, path: DocPath, incidence_rad: float | None) -> list[Finding]:
    """Return a finding if an angle between beam and wall normal is more than 90 degrees."""
    if incidence_rad is None or incidence_rad <= math.pi / 2.0:
        return []
    return [document.finding("DG112", path, "an incidence is at most 90 deg: 0 deg meets the wall squarely")]
