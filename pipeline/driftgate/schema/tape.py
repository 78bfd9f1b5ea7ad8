"""The sheet of tape-measure drives: square drives both ways round, and measured straights."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.accepted import Day
from driftgate.schema.base import Distance, Model, Point, PositiveDuration, Text


class SquareEnd(Model):
    """Where one square drive ended, in the axes of its start: x ahead, y to the left.

    `tape` is where the robot really stood, `robot` where it said that it stood.
    """

    tape: Point
    robot: Point


class Square(Model):
    """Square drives: four equal sides and four turns on the spot, back to the mark, both ways round.

    `lap_time` is that of one drive, sides and turns, and is needed for a gyro's drift.
    """

    side: Distance
    lap_time: PositiveDuration | None = None
    right: Annotated[
        list[SquareEnd],
        Field(min_length=2, max_length=100, description="ends of the drives that turned right, clockwise"),
    ]
    left: Annotated[
        list[SquareEnd],
        Field(min_length=2, max_length=100, description="ends of the drives that turned left"),
    ]


class Straight(Model):
    """One straight drive: its length by tape measure, and as the robot counted it."""

    tape: Distance
    robot: Distance


class TapeSheet(Model):
    """What was measured with a tape in an hour."""

    kind: Literal["tape sheet"]
    format: Literal[1]
    title: Text
    note: Text | None = None
    day: Annotated[date, Day()] | None = None
    heading_from: Literal["gyro", "wheels"]
    track_width: Distance | None = None
    square: Square | None = None
    straights: Annotated[list[Straight], Field(min_length=2, max_length=100)] | None = None
