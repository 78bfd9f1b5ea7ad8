"""A logged run as plain arrays."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from dataclasses import field as made_by
from datetime import date
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

BoolArray = NDArray[np.bool_]

Origin = Literal["measured", "simulated"]
ORIGINS: Final[tuple[Origin, ...]] = ("measured", "simulated")

# The files that a log may name.
Named = Literal["robot", "routine", "field"]
NAMED: Final[tuple[Named, ...]] = ("robot", "routine", "field")
REFERENCES: Final = ("camera", "tape", "satellite")
"""By what a robot's true place may have been found."""

USED: Final = "used"
"""The word of a fix that moved the belief; any other names the stage that refused the reading."""


@dataclass(frozen=True, eq=False)
class RangeColumn:
    """The readings of one sensor, or to one beacon.

    Attributes
    ----------
    reading_m : ndarray, shape (n,)
        Readings; nan where the sensor did not fire or nothing came back. [m]
    fired : ndarray of bool, shape (n,)
        Whether there is a reading in this row, or the word that nothing came back.
    fix : tuple of str, optional
        What the robot did with each: "used", or the stage that refused it; empty where it did not fire
        or where the log does not say. None if the log never says.
    """

    reading_m: FloatArray
    fired: BoolArray
    fix: tuple[str, ...] | None = None


@dataclass(frozen=True)
class Said:
    """Where something stands in a log: file, line and column from 1, and the line's text."""

    path: str
    line: int
    column: int
    excerpt: str


@dataclass(frozen=True, eq=False)
class Log:
    """One run of one robot; n rows, of increasing time.

    Attributes
    ----------
    path : str
        The file, or the first of several, relative to the repository root.
    run : str
        The name of the run; the file's name without its ending if it has no other.
    day : date, optional
        When it was driven.
    origin : {"measured", "simulated"}
        Simulated runs are invented data.
    robot, routine, field : str, optional
        Files, relative to the repository root; `field` is the field as it really was.
    time_s : ndarray, shape (n,)
        Strictly increasing, of any origin. [s]
    step : tuple of str, optional
        Name or number of the step being driven, empty where none was.
    forward_m, sideways_m : ndarray, shape (n,)
        Increments of the tracking wheels since the last row that has one; 0 where there is none. [m]
    has_odometry : ndarray of bool, shape (n,)
        Which rows have an increment of either wheel.
    heading_rad : ndarray, shape (n,)
        What the gyro says, counter-clockwise, without jumps by whole turns; nan where it says nothing. [rad]
    speed_mps : ndarray, shape (n,)
        Speed, nan where there is none. [m/s]
    believed : ndarray, shape (n, 3)
        The pose that the robot believed at the end of this row, its fixes included; nan where there is
        none; field axes. The heading may have any number of whole turns. [m, m, rad]
    ranges : mapping of str to RangeColumn
        Readings by the name of the sensor or beacon, in the order of the file.
    reference : ndarray, shape (n, 3)
        Where the robot really was, field axes; nan where nobody measured, the heading perhaps alone. Any
        number of whole turns. [m, m, rad]
    reference_by : tuple of str
        "camera", "tape" or "satellite", row by row; empty where there is no reference.
    reference_spread : tuple of three floats, optional
        Standard deviation of the reference in x, y and heading. [m, m, rad]
    named_at : mapping of str to Said
        Where the log names its "robot", "routine" and "field".
    steps_at : mapping of str to Said
        Where each step is named first; of very many the first thousand.
    titles : mapping of str to Said
        Where the title of each column that was read stands.
    poses_at : mapping of int to Said
        Where each reference pose stands, by row; of a log with more than a thousand none.
    units : mapping of str to str
        Of each column of numbers, as its title has it.
    """

    path: str
    run: str
    day: date | None
    origin: Origin
    robot: str | None
    routine: str | None
    field: str | None
    time_s: FloatArray
    step: tuple[str, ...] | None
    forward_m: FloatArray
    sideways_m: FloatArray
    has_odometry: BoolArray
    heading_rad: FloatArray
    speed_mps: FloatArray
    believed: FloatArray
    ranges: Mapping[str, RangeColumn] = made_by(default_factory=dict)
    reference: FloatArray = made_by(default_factory=lambda: np.zeros((0, 3)))
    reference_by: tuple[str, ...] = ()
    reference_spread: tuple[float, float, float] | None = None
    named_at: Mapping[str, Said] = made_by(default_factory=dict)
    steps_at: Mapping[str, Said] = made_by(default_factory=dict)
    titles: Mapping[str, Said] = made_by(default_factory=dict)
    poses_at: Mapping[int, Said] = made_by(default_factory=dict)
    units: Mapping[str, str] = made_by(default_factory=dict)

    @property
    def files(self) -> frozenset[str]:
        """The files that it was read from."""
        return frozenset({self.path, *(said.path for said in self.titles.values())})

    def place(self, *titles: str) -> Said:
        """Return where the first of these columns that the log has is titled; else its first line."""
        return next((self.titles[t] for t in titles if t in self.titles), Said(self.path, 1, 1, ""))

    def __post_init__(self) -> None:
        """Refuse columns of different lengths.

        Raises
        ------
        ModelError
            If a column is not as long as `time_s`, or the time does not increase.
        """
        n = len(self.time_s)
        if len(self.reference) == 0 and n:
            object.__setattr__(self, "reference", np.full((n, 3), np.nan))
        if not self.reference_by and n:
            object.__setattr__(self, "reference_by", ("",) * n)
        columns = (
            self.forward_m, self.sideways_m, self.has_odometry, self.heading_rad, self.speed_mps,
            self.believed, self.reference, self.reference_by, self.step,
            *(part for r in self.ranges.values() for part in (r.reading_m, r.fired, r.fix)),
        )  # fmt: skip
        if any(column is not None and len(column) != n for column in columns):
            raise ModelError("the columns of a log differ in length")
        if n and not np.all(np.diff(self.time_s) > 0.0):
            raise ModelError("the time of a log does not increase")


@dataclass(frozen=True, eq=False)
class Beacons:
    """Where beacons stand.

    Attributes
    ----------
    name : tuple of str, k of them
        As in the columns "range NAME".
    position : ndarray, shape (k, 2)
        Field axes. [m]
    """

    name: tuple[str, ...]
    position: FloatArray
