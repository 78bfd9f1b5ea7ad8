"""A small hall, a robot and hand-made plans for the sight tests."""

import numpy as np

from driftgate.core.pose import compose, inverse, log
from driftgate.plan.values import Law, Plan, PlannedStep, ReadingPlan, Timeline
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Routine

GUESS = {"basis": "guess"}
SPREAD = {"x": "1 cm", "y": "1 cm", "heading": "1 deg", "constant_over": "run", **GUESS}


def at(x, y, heading=0.0):
    """Return a pose as a file writes it."""
    return {"x": f"{x} m", "y": f"{y} m", "heading": f"{heading} deg"}


def hall(structures=(), elements=(), north_reference=True, wall_high="50 cm"):
    """Return a hall of 4 m x 3 m."""
    corners = {"south": (0, 0), "east": (4, 0), "north": (4, 3), "west": (0, 3)}
    return FieldMap.model_validate(
        {
            "kind": "field map",
            "format": 1,
            "title": "hall",
            "walls": [
                {
                    "id": name,
                    "corner": [f"{x} m", f"{y} m"],
                    "reference": north_reference or name != "north",
                }
                for name, (x, y) in corners.items()
            ],
            "wall_height": {"low": "0 m", "high": wall_high},
            "build": {"offset": "4 mm", "tilt": "0.1 deg", "constant_over": "field", **GUESS},
            "structures": list(structures),
            "elements": list(elements),
        }
    )


def bench(name, length, width, x, y, heading=0.0, **more):
    """Return a rectangular structure."""
    shape = {"rectangle": {"length": f"{length} m", "width": f"{width} m"}}
    return {"id": name, "shape": shape, "at": at(x, y, heading), "reference": True, **more}


def pot(name, x, y, radius=0.08, **more):
    """Return a loose disc."""
    shape = {"circle": {"radius": f"{radius} m"}}
    return {"id": name, "shape": shape, "at": at(x, y), "scatter": SPREAD, **more}


def crate(name, length, width, x, y, heading=0.0, **more):
    """Return a loose rectangle."""
    shape = {"rectangle": {"length": f"{length} m", "width": f"{width} m"}}
    return {"id": name, "shape": shape, "at": at(x, y, heading), "scatter": SPREAD, **more}


def sensor(name="ahead", x=0.0, y=0.0, heading=0.0, height="15 cm", **more):
    """Return a range sensor of 5 cm to 2 m."""
    return {
        "id": name,
        "mount": {"x": f"{x} m", "y": f"{y} m", "heading": f"{heading} deg", "height": height},
        "reach": {"low": "5 cm", "high": "2 m"},
        "rate": "20 Hz",
        "errors": {},
        **more,
    }


def robot(sensors=None, validity=None, **correction):
    """Return a robot."""
    limits = {
        "speed": "1.5 m/s",
        "acceleration": "2 m/s^2",
        "turn_rate": "180 deg/s",
        "turn_acceleration": "700 deg/s^2",
        "centripetal": "2 m/s^2",
    }
    motor = {"free_speed": "300 rpm", "wheel_diameter": "10 cm"}
    return Robot.model_validate(
        {
            "kind": "robot",
            "format": 1,
            "title": "carrier",
            "footprint": {"length": "30 cm", "width": "30 cm"},
            "mass": "5 kg",
            "drive": {"type": "differential", "motor": motor, "track_width": "25 cm", "limits": limits},
            "odometry": {"distance_from": "tracking wheel"},
            "errors": {},
            "sensors": [sensor()] if sensors is None else sensors,
            "correction": {"validity": validity or {}, "update": {"law": "kalman"}, **correction},
        }
    )


def routine():
    """Return a routine; the plans of these tests are made by hand, so its steps do not matter."""
    return Routine.model_validate(
        {
            "kind": "routine",
            "format": 1,
            "title": "by hand",
            "robot": "robot",
            "field": "hall",
            "time_limit": "30 s",
            "start": {"pose": at(1, 1), "spread": SPREAD},
            "steps": [{"do": "pause", "time": "1 s"}],
            "final": {"within": {"radial": "5 cm"}, "required": "90 %"},
        }
    )


def case(robot_, map_):
    """Return the case of a robot on a map."""
    return Case(routine(), robot_, map_, map_)


def plan(poses, sensors=1, rates=None, laws=None, looking=(), tick_s=0.5, old_by=0):
    """Return a plan of one tick per step, with a reading of every sensor at the end of each.

    `poses` are those at the K + 1 knots; a reading is echoed `old_by` knots before it arrives.
    """
    poses = np.array(poses, dtype=float)
    ticks = len(poses) - 1
    rate = np.zeros((ticks + 1, 3)) if rates is None else np.array(rates, dtype=float)
    laws = laws or [Law.RELATIVE] * ticks
    source = routine().steps[0]
    steps = tuple(
        PlannedStep(
            index=i,
            doc_path=("steps", i),
            source=source,
            name=None,
            place=f"step {i}",
            label=f"step {i}",
            law=laws[i],
            motion=None,
            begin_s=i * tick_s,
            end_s=(i + 1) * tick_s,
            settle_s=0.0,
            start_pose=tuple(poses[i]),
            end_pose=tuple(poses[i + 1]),
            looking=i in looking,
        )
        for i in range(ticks)
    )
    knot = np.repeat(np.arange(1, ticks + 1, dtype=np.intp), sensors)
    readings = ReadingPlan(
        knot=knot,
        echo_knot=np.maximum(knot - old_by, 0),
        sensor=np.tile(np.arange(sensors, dtype=np.intp), ticks),
        step=knot - 1,
        ordinal=np.zeros(len(knot), dtype=np.intp),
        slot=np.full(len(knot), -1, dtype=np.intp),
        nominal=np.ones(len(knot), dtype=bool),
    )
    timeline = Timeline(
        time_s=tick_s * np.arange(ticks + 1),
        pose=poses,
        twist=log(compose(inverse(poses[:-1]), poses[1:])),
        rate=rate,
        step=np.arange(ticks, dtype=np.intp),
        moving=np.ones(ticks, dtype=bool),
        first_tick=np.arange(ticks + 1, dtype=np.intp),
        readings=readings,
        longest_tick_s=tick_s,
    )
    return Plan(steps, {}, timeline, ticks * tick_s, (), ())
