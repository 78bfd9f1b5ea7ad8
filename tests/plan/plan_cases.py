"""Cases for the plan tests, written as files write them."""

from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Routine

HALL = [("south", (0, 0)), ("east", (4.2, 0)), ("north", (4.2, 3.0)), ("west", (0, 3.0))]


def field_map(**more):
    """Return the hall, 4.2 m x 3.0 m, without anything in it."""
    return FieldMap.model_validate(
        {
            "kind": "field map",
            "format": 1,
            "title": "hall",
            "walls": [{"id": n, "corner": [f"{x} m", f"{y} m"]} for n, (x, y) in HALL],
            "build": {"offset": "4 mm", "tilt": "0.1 deg", "basis": "guess", "constant_over": "field"},
            **more,
        }
    )


def sensor(name="front", rate="20 Hz", **more):
    """Return a range sensor."""
    return {
        "id": name,
        "mount": {"x": "0.1 m", "y": "0 m", "heading": "0 deg", "height": "0.1 m"},
        "reach": {"low": "20 mm", "high": "2 m"},
        "rate": rate,
        "errors": {},
        **more,
    }


def robot(drive="differential", sensors=(), limits=None, motor=None, **more):
    """Return a robot 0.36 m x 0.30 m on a drive that its motor does not limit."""
    return Robot.model_validate(
        {
            "kind": "robot",
            "format": 1,
            "title": "cart",
            "footprint": {"length": "0.36 m", "width": "0.30 m"},
            "mass": "5 kg",
            "drive": {
                "type": drive,
                "motor": {"free_speed": "600 rpm", "wheel_diameter": "2.75 in", "usable": "100 %"}
                if motor is None
                else motor,
                "track_width": "0.30 m",
                "limits": {
                    "speed": "1.2 m/s",
                    "acceleration": "2.5 m/s^2",
                    "turn_rate": "360 deg/s",
                    "turn_acceleration": "900 deg/s^2",
                    "centripetal": "2 m/s^2",
                    **(limits or {}),
                },
            },
            "odometry": {"distance_from": "tracking wheel"},
            "errors": {},
            "sensors": list(sensors),
            "correction": {"enabled": False, "update": {"law": "kalman"}},
            **more,
        }
    )


def routine(*steps, at=(1.0, 1.0, 0.0), **more):
    """Return a routine that starts at a pose (m, m, deg)."""
    x, y, heading = at
    start = {
        "pose": {"x": f"{x} m", "y": f"{y} m", "heading": f"{heading} deg"},
        "placed_against": more.pop("placed_against", []),
        "spread": {"x": "5 mm", "y": "5 mm", "heading": "0.5 deg", "basis": "guess", "constant_over": "run"},
    }
    return Routine.model_validate(
        {
            "kind": "routine",
            "format": 1,
            "title": "run",
            "robot": "robots/cart.yaml",
            "field": "../fieldmaps/hall.yaml",
            "time_limit": "60 s",
            "start": start,
            "steps": list(steps),
            "final": {"within": {"radial": "50 mm"}, "required": "95 %"},
            **more,
        }
    )


def case(*steps, at=(1.0, 1.0, 0.0), on=None, drives=None, side="as written", **more):
    """Return a case of these steps."""
    on = on or field_map()
    return Case(routine(*steps, at=at, **more), drives or robot(), on, on, side)


def codes(plan, level="error"):
    """Return the codes of a plan's findings at a level."""
    return [finding.code for finding in plan.findings if finding.level == level]
