"""The files of a first project, as name to text."""

from __future__ import annotations

import json
import math
from importlib.resources import files
from string import Template
from typing import Final

from driftgate.first.course import course_of, pace_of, time_limit_s, track_width_m
from driftgate.first.values import SIDES, Course, Wanted
from driftgate.load.document import Kind
from driftgate.load.json_schema import json_schema

ROUTINE: Final = "routines/first.yaml"
ROBOT: Final = "routines/robots/robot.yaml"
FIELD: Final = "fieldmaps/field.yaml"
WORKFLOW: Final = ".github/workflows/routines.yml"
_SCHEMAS: Final[dict[str, Kind]] = {"routine": "routine", "robot": "robot", "field-map": "field map"}

_WALL_HEIGHT_M: Final = 0.3
_TOLERANCE_M: Final = 0.06
_LOOSE_M: Final = 0.1
_HEADINGS: Final = {"front": 0, "left": 90, "back": 180, "right": -90}
_SIDEWAYS: Final = """\
  # The same of 1 m sideways, to the left and to the right.
  sideways_scale: {spread: 1 %, basis: guess, constant_over: run}
"""
_SENSORS: Final = """\
# Range sensors: where each sits (x ahead, y left of the robot's middle) and looks. The middle of your field
# may be out of their reach: `driftgate explain` says what each of them sees in each step.
# CHANGE: the mounts, with callipers; reach and rate, from the data sheet. Noise: let the robot stand 0.3 m,
# 1 m and 1.8 m from a board for a minute each.
sensors:
"""
_NO_SENSORS: Final = """\
# No range sensors yet. One that looks at a wall takes the drift out again: `driftgate schema robot --keys`
# lists what it needs, and `enabled: true` below makes the robot listen to it.
sensors: []
"""


def project_files(wanted: Wanted) -> dict[str, str]:
    """Return every file of a first project: path in the project to text.

    Parameters
    ----------
    wanted : Wanted
        Sizes, drive, sensors.

    Raises
    ------
    MisfitError
        If robot and field do not go together.
    """
    course = course_of(wanted)
    texts = {
        ROUTINE: _routine(wanted, course),
        ROBOT: _robot(wanted),
        FIELD: _field(wanted),
        WORKFLOW: _filled("workflow", install=wanted.install),
    }
    for name, kind in _SCHEMAS.items():
        texts[f".schemas/{name}.json"] = json.dumps(json_schema(kind), indent=2, ensure_ascii=False) + "\n"
    return texts


def _filled(template: str, **values: str) -> str:
    text = (files("driftgate.first") / "templates" / f"{template}.yaml").read_text(encoding="utf-8")
    return Template(text).substitute(values)


def _routine(wanted: Wanted, course: Course) -> str:
    pace = pace_of(wanted)
    return _filled(
        "routine",
        time_limit=f"{time_limit_s(course, pace):g} s",
        start_x=_length(course.start_x),
        start_y=_length(course.start_y),
        turn_x=_length(course.turn_x),
        drop_y=_length(course.drop_y),
        end_y=_length(course.end_y),
        slow=f"{pace.slow:g} m/s",
        # A holonomic drive goes to a point in any direction, its heading held.
        backwards=", backwards: true" if wanted.drive == "differential" else "",
        tolerance=_length(_TOLERANCE_M),
        loose=_length(_LOOSE_M),
    )


def _field(wanted: Wanted) -> str:
    length, width = wanted.field_length.si, wanted.field_width.si
    # The things that a comment proposes stand where the first routine does not go.
    thing = min(0.2, 0.1 * min(length, width))
    return _filled(
        "field",
        field_length=wanted.field_length.text,
        field_width=wanted.field_width.text,
        wall_height=_length(_WALL_HEIGHT_M),
        middle=_length(length / 2.0),
        thing=_length(thing),
        thing_radius=_length(thing / 2.0),
        thing_height=_length(0.25),
        shelf_x=_length(length - thing / 2.0),
        shelf_y=_length(width - thing),
        pot_x=_length(thing),
        pot_y=_length(width - thing),
    )


def _robot(wanted: Wanted) -> str:
    pace = pace_of(wanted)
    return _filled(
        "robot",
        robot_length=wanted.robot_length.text,
        robot_width=wanted.robot_width.text,
        robot_height=_length(0.3),
        robot_mass=wanted.robot_mass.text,
        drive=wanted.drive,
        sideways_scale=_SIDEWAYS if wanted.drive == "holonomic" else "",
        wheel_speed=wanted.wheel_speed.text,
        wheel_diameter=wanted.wheel_diameter.text,
        top_speed=f"{pace.top_speed:.2f} m/s",
        track_width=_length(track_width_m(wanted)),
        speed=f"{pace.speed:g} m/s",
        acceleration=f"{pace.acceleration:g} m/s^2",
        turn_rate=f"{math.degrees(pace.turn_rate):g} deg/s",
        sensors=_sensors(wanted),
        enabled="true" if wanted.sensors else "false",
    )


def _sensors(wanted: Wanted) -> str:
    if not wanted.sensors:
        return _NO_SENSORS
    ahead, aside = 0.45 * wanted.robot_length.si, 0.45 * wanted.robot_width.si
    places = {"front": (ahead, 0.0), "left": (0.0, aside), "back": (-ahead, 0.0), "right": (0.0, -aside)}
    shown = [side for side in SIDES if side in wanted.sensors]
    parts = [
        _filled(
            "sensor",
            id=side,
            x=_length(places[side][0]),
            y=_length(places[side][1]),
            heading=f"{_HEADINGS[side]} deg",
            height=_length(_WALL_HEIGHT_M / 3.0),
            # One after the other, so that they do not hear each other.
            phase=f"{i * 12} ms",
        )
        for i, side in enumerate(shown)
    ]
    return _SENSORS + "".join(parts)


def _length(metres: float) -> str:
    """Return a length as people write it: whole millimetres below a metre, more digits only if need be."""
    millimetres = round(metres * 1000.0, 3)
    return f"{metres:.6g} m" if abs(metres) >= 1.0 else f"{millimetres:g} mm"
