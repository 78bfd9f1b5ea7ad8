"""A robot with a wheel that measures ahead and one sideways, and a drive with sidesteps. Invented data."""

from __future__ import annotations

from functools import cache
from typing import Any

from closing import DRIVE

from driftgate.load import load_routine
from driftgate.predict import Prepared, prepare
from driftgate.schema.case import Case
from driftgate.schema.drift import ErrorSources
from driftgate.schema.routine import Routine


def _source(over: str, **values: str) -> dict[str, str]:
    return {"basis": "guess", "constant_over": over, **values}


# The two wheels' scales lie far apart, and so do the two walks, so that one laid on the other shows.
SHARED: dict[str, Any] = {
    "distance_scale": _source("run", mean="-1 %", spread="0.6 %"),
    "distance_walk": _source("tick", per_root_metre="2 mm/sqrt(m)"),
    "wheel_offset": _source("robot", spread="2 mm"),
    "crab_angle": _source("run", spread="0.3 deg"),
    "lateral_walk": _source("tick", per_root_metre="6 mm/sqrt(m)"),
    "heading_bias": _source("run", spread="0.06 deg/s"),
    "heading_scale": _source("robot", spread="0.5 %"),
    "heading_walk": _source(
        "tick",
        per_root_metre="0.08 deg/sqrt(m)",
        per_root_second="0.03 deg/sqrt(s)",
        per_root_radian="0.12 deg/sqrt(rad)",
    ),
}
OWN_SCALE = {"sideways_scale": _source("run", mean="1.5 %", spread="0.8 %")}


def _pause() -> dict[str, str]:
    return {"do": "pause", "time": "1 s"}


def _sidesteps() -> list[dict[str, str]]:
    both = [{"do": "sidestep", "distance": way} for way in ("1 m", "-1 m")]
    return [both[0], _pause(), both[1], _pause()]


@cache
def sideways_case(own_scale: bool = True, sidesteps: bool = True) -> Prepared:
    """Return the drive on the cleared floor: straights, arcs, turns, and sidesteps of 1 m both ways.

    Without a scale of its own sideways distance has that of forward distance.
    """
    loaded = load_routine(DRIVE)
    field, robot = loaded.field.field_map, loaded.robot.robot
    errors = ErrorSources.model_validate(SHARED | (OWN_SCALE if own_scale else {}))
    drive = robot.drive.model_copy(update={"type": "holonomic"})
    robot = robot.model_copy(update={"drive": drive, "sensors": [], "errors": errors})
    aside = _sidesteps() if sidesteps else []
    arc = {"do": "arc", "radius": "500 mm"}
    steps = [
        {"do": "look", "time": "3 s"},
        {"do": "advance", "distance": "2.2 m"},
        *(_pause(), *aside),
        {"do": "rotate", "angle": "90 deg"},
        {"do": "advance", "distance": "1.2 m"},
        *(_pause(), *aside),
        *({**arc, "angle": "180 deg"}, _pause()),
        *({**arc, "angle": "-180 deg", "speed": "0.4 m/s"}, _pause()),
        *({"do": "rotate", "angle": "720 deg"}, _pause()),
        {"do": "look", "time": "15 s"},
    ]
    routine = Routine.model_validate(
        {
            "kind": "routine",
            "format": 1,
            "title": "calibration drive with sidesteps",
            "robot": "robot.yaml",
            "field": "field.yaml",
            "time_limit": "120 s",
            "start": {
                "pose": {"x": "600 mm", "y": "800 mm", "heading": "0 deg"},
                "spread": _source("run", x="2 mm", y="2 mm", heading="0.3 deg"),
            },
            "steps": steps,
            "final": {"within": {"radial": "500 mm"}, "required": "50 %"},
        }
    )
    return prepare(Case(routine, robot, believed=field, true=field))
