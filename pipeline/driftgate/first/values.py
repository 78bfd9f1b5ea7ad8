"""What a first project is made from, and what is worked out for it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from driftgate.core.errors import DriftgateError

Side = Literal["front", "left", "back", "right"]
SIDES: Final[tuple[Side, ...]] = ("front", "left", "back", "right")


class MisfitError(DriftgateError):
    """The robot and the field do not go together; the message says what would."""


@dataclass(frozen=True)
class Typed:
    """A quantity as somebody typed it, and in SI."""

    text: str
    si: float


@dataclass(frozen=True)
class Wanted:
    """What is asked for.

    Attributes
    ----------
    field_length, field_width : Typed
        From wall to wall along x and y.
    robot_length, robot_width : Typed
        The outline from above.
    robot_mass : Typed
        With its battery.
    wheel_diameter, wheel_speed : Typed
        Of the driven wheels; the speed is that of a wheel in the air.
    drive : str
        As in a robot file.
    sensors : tuple of Side
        Where a range sensor looks, one to a side.
    install : str
        What pip is told on the build server.
    """

    field_length: Typed
    field_width: Typed
    robot_length: Typed
    robot_width: Typed
    robot_mass: Typed
    wheel_diameter: Typed
    wheel_speed: Typed
    drive: str
    sensors: tuple[Side, ...]
    install: str


@dataclass(frozen=True)
class Course:
    """The way of the first routine; it starts flush with the west wall, looking along x. [m]

    Attributes
    ----------
    start_x, start_y : float
        The robot's middle at the start.
    turn_x : float
        Where it turns towards y.
    drop_y : float
        Where it puts something down.
    end_y : float
        Where it ends, after backing off.
    """

    start_x: float
    start_y: float
    turn_x: float
    drop_y: float
    end_y: float


@dataclass(frozen=True)
class Pace:
    """What is asked of the drive. SI."""

    top_speed: float
    speed: float
    slow: float
    acceleration: float
    turn_rate: float
