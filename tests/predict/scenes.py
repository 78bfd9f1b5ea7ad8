"""Small cases for the engines' tests, built without files."""

from __future__ import annotations

from typing import Any

from driftgate.predict import Prepared, prepare
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Routine

GUESS = {"basis": "guess"}
NO_BUILD = {"offset": "0 mm", "tilt": "0 deg", "constant_over": "field", **GUESS}


def run(**values: Any) -> dict[str, Any]:
    """Return an error source that is constant over a run."""
    return {"constant_over": "run", **GUESS, **values}


def tick(**values: Any) -> dict[str, Any]:
    """Return an error source that is drawn anew every tick."""
    return {"constant_over": "tick", **GUESS, **values}


def field_map(
    x: tuple[float, float] = (-6.0, 6.0), y: tuple[float, float] = (-6.0, 6.0), **more: Any
) -> FieldMap:
    """Return a rectangular field; walls are named west, south, east, north.

    `corners` replaces the rectangle: by wall name the corner that the wall starts at.
    """
    (x0, x1), (y0, y1) = x, y
    rectangle = {"south": (x0, y0), "east": (x1, y0), "north": (x1, y1), "west": (x0, y1)}
    corners = more.pop("corners", rectangle)
    builds = more.pop("builds", {})
    walls = [
        {
            "id": name,
            "corner": [f"{a!r} m", f"{b!r} m"],
            **({"build": builds[name]} if name in builds else {}),
        }
        for name, (a, b) in corners.items()
    ]
    document = {"kind": "field map", "format": 1, "title": "test field", "walls": walls, "build": NO_BUILD}
    return FieldMap.model_validate({**document, **more})


def range_sensor(name: str, x: float, y: float, heading_deg: float, **more: Any) -> dict[str, Any]:
    """Return a perfect range sensor."""
    sensor = {
        "id": name,
        "mount": {"x": f"{x!r} m", "y": f"{y!r} m", "heading": f"{heading_deg!r} deg", "height": "0.1 m"},
        "reach": {"low": "0 m", "high": "20 m"},
        "rate": "20 Hz",
        "errors": {},
    }
    return {**sensor, **more}


# Two beams ahead fix one coordinate and the heading, one to the side the other coordinate.
THREE_BEAMS = [
    range_sensor("front-left", 0.0, 0.1, 0.0),
    range_sensor("front-right", 0.0, -0.1, 0.0),
    range_sensor("side", 0.0, 0.0, 90.0),
]


def single_reading(name: str, heading_deg: float, at_s: float, **more: Any) -> dict[str, Any]:
    """Return a perfect range sensor that reads once, at the given instant."""
    return range_sensor(name, 0.0, 0.0, heading_deg, rate="0.002 Hz", phase=f"{at_s!r} s", **more)


REPLACE = {"when": "always", "update": {"law": "replace"}}


def robot(
    errors: dict[str, Any] | None = None,
    sensors: list[dict[str, Any]] | None = None,
    correction: dict[str, Any] | None = None,
    controller: dict[str, Any] | None = None,
    **more: Any,
) -> Robot:
    """Return a robot of 0.3 m x 0.3 m with perfect tracking unless told otherwise."""
    drive_type = more.pop("drive", "differential")
    limits = more.pop("limits", {})
    document: dict[str, Any] = {
        "kind": "robot",
        "format": 1,
        "title": "test robot",
        "footprint": {"length": "0.3 m", "width": "0.3 m"},
        "mass": "5 kg",
        "drive": {
            "type": drive_type,
            "motor": {"free_speed": "600 rpm", "wheel_diameter": "70 mm"},
            "track_width": "0.28 m",
            "limits": {
                "speed": "1 m/s",
                "acceleration": "3 m/s^2",
                "turn_rate": "180 deg/s",
                "turn_acceleration": "720 deg/s^2",
                "centripetal": "3 m/s^2",
                **limits,
            },
        },
        "controller": {"time_constant": "0 s", "settle": "0 s", **(controller or {})},
        "odometry": {
            "distance_from": more.pop("distance_from", "tracking wheel"),
            "longest_tick": more.pop("longest_tick", "0.02 s"),
        },
        "errors": errors or {},
        "sensors": sensors or [],
        "correction": {
            "when": "looking",
            "update": {"law": "kalman"},
            "filter": {
                "start_x": "50 mm",
                "start_y": "50 mm",
                "start_heading": "3 deg",
                "range_at_zero": "0.001 mm",
                "range_per_range": "0 %",
            },
            **(correction or {}),
        },
    }
    return Robot.model_validate({**document, **more})


def routine(
    steps: list[dict[str, Any]],
    start: tuple[float, float, float] = (0.0, 0.0, 0.0),
    spread: tuple[str, str, str] = ("0 mm", "0 mm", "0 deg"),
    **more: Any,
) -> Routine:
    """Return a routine with a generous tolerance."""
    placed = more.pop("placed_against", [])
    document = {
        "kind": "routine",
        "format": 1,
        "title": "test routine",
        "robot": "robot.yaml",
        "field": "field.yaml",
        "time_limit": "600 s",
        "start": {
            "pose": {"x": f"{start[0]!r} m", "y": f"{start[1]!r} m", "heading": f"{start[2]!r} deg"},
            "placed_against": placed,
            "spread": {
                "x": spread[0],
                "y": spread[1],
                "heading": spread[2],
                "constant_over": "run",
                "basis": "guess",
            },
        },
        "steps": steps,
        "final": {"within": {"radial": "1 m"}, "required": "90 %"},
    }
    return Routine.model_validate({**document, **more})


def mark(name: str, **within: Any) -> dict[str, Any]:
    """Return a checkpoint that every trial passes."""
    return {"do": "checkpoint", "name": name, "required": "50 %", "within": within or {"radial": "5 m"}}


def prepared(
    steps: list[dict[str, Any]],
    robot_: Robot | None = None,
    believed: FieldMap | None = None,
    true: FieldMap | None = None,
    **more: Any,
) -> Prepared:
    """Return a case ready for the engines."""
    believed = believed or field_map()
    return prepare(Case(routine(steps, **more), robot_ or robot(), believed, true or believed))
