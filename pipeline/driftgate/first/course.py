"""The way and the pace of a first routine, worked out so that they can be driven on this field."""

from __future__ import annotations

import math
from typing import Final

from driftgate.first.values import Course, MisfitError, Pace, Typed, Wanted

# Between the turning outline and a wall. Five spreads of what two short drives on guessed numbers
# come to, so that the first check finds no contact.
GAP_M: Final = 0.1
# The ways are this long where there is room: long enough to drift, short enough to pass. A slow robot
# drives less far, or the gyro's drift alone would use its tolerance up.
_LONGEST_OUT_M: Final = 1.2
_LONGEST_UP_M: Final = 0.8
_LONGEST_WAY_S: Final = 5.0
_LEAST_M: Final = 0.1
_GRID_M: Final = 0.01
# Shares of what the wheels give under load. Our choice: a first robot is driven gently.
_USABLE: Final = 0.85
_GENTLE: Final = 0.7
_FASTEST_M_S: Final = 1.2
_FASTEST_TURN_RAD_S: Final = math.radians(180.0)
_ACCELERATION_M_S2: Final = 1.5
_SLOWEST_M_S: Final = 0.05
# Below this a robot need not slow down to arrive.
_SLOW_M_S: Final = 0.2
_TRACK: Final = 0.85


def track_width_m(wanted: Wanted) -> float:
    """Return a usual track width: a little less than the robot's width, to the millimetre."""
    return max(round(_TRACK * wanted.robot_width.si, 3), 0.001)


def course_of(wanted: Wanted) -> Course:
    """Return a way that keeps clear of all walls, turns included, and is driven in some ten seconds.

    Raises
    ------
    MisfitError
        If the field is too small for the robot to turn and drive on.
    """
    reach = math.hypot(wanted.robot_length.si, wanted.robot_width.si) / 2.0
    clear = reach + GAP_M
    east, north = _down(wanted.field_length.si - clear), _down(wanted.field_width.si - clear)
    start_x, low = wanted.robot_length.si / 2.0, _up(clear)
    least_x, least_y = low + clear + _GRID_M, low + _LEAST_M + clear + _GRID_M
    _fits(wanted, "--field-length", wanted.field_length, least_x, reach)
    _fits(wanted, "--field-width", wanted.field_width, least_y, reach)
    pace = pace_of(wanted)
    out = min(_LONGEST_OUT_M, _LONGEST_WAY_S * pace.speed)
    up = max(min(_LONGEST_UP_M, _LONGEST_WAY_S * pace.slow), _LEAST_M)
    drop_y = min(_down(low + up), north)
    return Course(
        start_x=start_x,
        start_y=low,
        turn_x=max(min(_down(start_x + out), east), low),
        drop_y=drop_y,
        end_y=_up((low + drop_y) / 2.0),
    )


def _fits(wanted: Wanted, option: str, side: Typed, least: float, reach: float) -> None:
    if side.si >= least:
        return
    robot = f"{wanted.robot_length.text} x {wanted.robot_width.text}"
    raise MisfitError(
        f"a robot of {robot} does not fit: it needs {2.0 * reach:.2f} m to turn on the spot, {GAP_M:g} m to "
        f"spare on either side and some way to drive; {option} {side.text} is too little, make it at least "
        f"{math.ceil(least * 100.0) / 100.0:.2f} m, or the robot smaller"
    )


def pace_of(wanted: Wanted) -> Pace:
    """Return speeds that the wheels give.

    Raises
    ------
    MisfitError
        If the wheels hardly turn.
    """
    top = wanted.wheel_speed.si * wanted.wheel_diameter.si / 2.0 * _USABLE
    if top * _GENTLE < _SLOWEST_M_S:
        raise MisfitError(
            f"wheels of {wanted.wheel_diameter.text} at {wanted.wheel_speed.text} drive {top:.2g} m/s: too "
            "slow to be meant; check --wheel-diameter and --wheel-speed (of the wheel, behind the gears)"
        )
    speed = _digits(min(top * _GENTLE, _FASTEST_M_S))
    spot = 2.0 * top / track_width_m(wanted)
    turn_rate = math.radians(_digits(math.degrees(min(spot * _GENTLE, _FASTEST_TURN_RAD_S))))
    slow = speed if speed < _SLOW_M_S else _digits(0.5 * speed)
    return Pace(top, speed, slow, _ACCELERATION_M_S2, turn_rate)


def time_limit_s(course: Course, pace: Pace) -> float:
    """Return a time limit that leaves half as much again."""
    up, back = course.drop_y - course.start_y, course.drop_y - course.end_y
    driven = (course.turn_x - course.start_x + back) / pace.speed + up / pace.slow
    # Speeding up and slowing down, settling, standing.
    rest = 3.0 * pace.speed / pace.acceleration + (math.pi / 2.0) / pace.turn_rate + 3.0
    return 5.0 * math.ceil((driven + rest) * 1.5 / 5.0)


def _digits(value: float) -> float:
    """Return a number rounded down to two digits."""
    size = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.floor(value / size + 1e-9) * size


def _down(value_m: float) -> float:
    return math.floor(value_m / _GRID_M + 1e-9) * _GRID_M


def _up(value_m: float) -> float:
    return math.ceil(value_m / _GRID_M - 1e-9) * _GRID_M
