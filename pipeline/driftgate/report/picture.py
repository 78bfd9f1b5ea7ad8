"""What the pictures of a case show: plain numbers, gathered only when a report with pictures is asked for."""

from __future__ import annotations

from dataclasses import dataclass

Point = tuple[float, float]
Pose = tuple[float, float, float]


@dataclass(frozen=True)
class Surface:
    """A wall, or a face of a structure: its name, its ends, whether a fix may be taken from it."""

    id: str
    kind: str
    a: Point
    b: Point
    reference: bool


@dataclass(frozen=True)
class Thing:
    """A loose element on the true map.

    Attributes
    ----------
    id : str
        Its name.
    corners : tuple of point
        Its outline; none for a disc.
    centre : tuple of float
        Where the map has it. [m]
    radius_m : float
        Of a disc; else 0. [m]
    scatter_m : tuple of float
        Standard deviations of its place in x and y. [m]
    stray : float
        Probability of having strayed.
    strayed : tuple of point
        Where it lies in the trials of the sample in which it strayed. [m]
    words : str
        When it is there, whether it is pushed or taken, in words; may be empty.
    """

    id: str
    corners: tuple[Point, ...]
    centre: Point
    radius_m: float
    scatter_m: Point
    stray: float
    strayed: tuple[Point, ...]
    words: str


@dataclass(frozen=True)
class Structure:
    """A fixed structure: name and outline."""

    id: str
    corners: tuple[Point, ...]


@dataclass(frozen=True)
class Zone:
    """A rough zone: name, outline, bumps per metre."""

    id: str
    corners: tuple[Point, ...]
    bumps_per_m: float


@dataclass(frozen=True)
class Field:
    """A field map as it is drawn, true unless it says otherwise.

    `believed` holds surfaces of the map that the robot carries where that is another one.
    """

    outline: tuple[Point, ...]
    surfaces: tuple[Surface, ...]
    structures: tuple[Structure, ...]
    things: tuple[Thing, ...]
    zones: tuple[Zone, ...]
    believed: tuple[tuple[Point, Point], ...] = ()


@dataclass(frozen=True)
class Leg:
    """A planned step: when and where it goes.

    Attributes
    ----------
    number : int
        From 1, as in the report.
    label, name : str
        What it does; its name, "" for none.
    line : int
        Of the file; 0: unknown.
    begin_s, end_s : float
        On the plan's clock. [s]
    path : tuple of point
        The nominal way; one point for what stands still. [m]
    moves : bool
        Whether it gets anywhere.
    checkpoint : bool
        Whether it is a checkpoint, which takes no time.
    end : tuple of float
        Nominal pose at its end. [m, m, rad]
    fixes : int
        Readings of the plan that are fixes in it, by the covariance engine's schedule.
    """

    number: int
    label: str
    name: str
    line: int
    begin_s: float
    end_s: float
    path: tuple[Point, ...]
    moves: bool
    checkpoint: bool
    end: Pose
    fixes: int = 0


@dataclass(frozen=True)
class Instant:
    """The plan and the error at one instant.

    Attributes
    ----------
    time_s : float
        The plan's clock. [s]
    pose : tuple of float
        Nominal. [m, m, rad]
    step : int
        Number of the planned step, from 1.
    mean, semi_m, angle_rad : tuple of float, tuple of float, float
        The 95 % ellipse of the true position by the covariance engine: its middle less the plan,
        its half axes, the direction of the first. [m, m, rad]
    linear : tuple of float
        95 % errors of position and heading, covariance engine. [m, rad]
    sampled : tuple of float
        The same over the sample of trials. [m, rad]
    """

    time_s: float
    pose: Pose
    step: int
    mean: Point
    semi_m: Point
    angle_rad: float
    linear: Point
    sampled: Point


@dataclass(frozen=True)
class TrialPath:
    """Where the robot really went in one trial of the sample: its number, and points. [m]"""

    number: int
    path: tuple[Point, ...]


@dataclass(frozen=True)
class FailedTrial:
    """A trial that fails, and why.

    Attributes
    ----------
    number : int
        The trial.
    why_shown : str
        "sample", or why it was picked: "worst at end", "example".
    at : str
        The tolerance that it is told at, "contact" included.
    kind, cause : str
        Its main cause, in short and in plain words.
    place : tuple of float
        Where the robot really was when it first touched something, or else at that tolerance. [m]
    time_s : float
        The plan's clock there. [s]
    step : int
        Number of the planned step there, from 1.
    path : tuple of point
        The true path up to there and on to the end. [m]
    """

    number: int
    why_shown: str
    at: str
    kind: str
    cause: str
    place: Point
    time_s: float
    step: int
    path: tuple[Point, ...]


@dataclass(frozen=True)
class Limit:
    """The limits of an axis of a tolerance; None for a free side. [m or rad]"""

    axis: str
    low: float | None
    high: float | None


@dataclass(frozen=True)
class Target:
    """A checkpoint, or the end, and where the sample of trials came out.

    Attributes
    ----------
    name : str
        As in the verdict.
    step : int
        Number of the planned step, from 1.
    time_s : float
        The plan's clock. [s]
    pose : tuple of float
        Nominal pose. [m, m, rad]
    limits : tuple of Limit
        The tolerance.
    relative_to : str
        What it is measured from; "" for the field.
    turned : bool
        Whether `errors` and the ellipse are along and across the nominal heading; else in x and y.
    ellipse : tuple
        95 % ellipse by the covariance engine: middle, half axes, direction of the first, same axes. [m, rad]
    errors : tuple of (float, float, float, bool)
        Of each trial of the sample: error ahead or in x, left or in y, heading, and success. [m, m, rad]
    """

    name: str
    step: int
    time_s: float
    pose: Pose
    limits: tuple[Limit, ...]
    relative_to: str
    turned: bool
    ellipse: tuple[Point, Point, float]
    errors: tuple[tuple[float, float, float, bool], ...]


@dataclass(frozen=True)
class View:
    """A time in which a sensor's readings of the plan have one fate.

    Attributes
    ----------
    begin_s, end_s : float
        On the plan's clock. [s]
    reason : str
        "usable", or why no fix is possible.
    surface : str
        The surface that the beam should meet; "" for none.
    obstacle : str
        What stands in the way; "" for nothing.
    step : int
        Number of the planned step, from 1.
    range_m : tuple of float
        Least and largest expected range; nan for none. [m]
    readings : int
        How many.
    """

    begin_s: float
    end_s: float
    reason: str
    surface: str
    obstacle: str
    step: int
    range_m: Point
    readings: int


@dataclass(frozen=True)
class Bin:
    """Readings of a sensor in a short time, over the sample of trials: used, tried in vain, not tried.

    `refused` are those that came to nothing after the robot's own tests: no echo, the gate, held back.
    """

    begin_s: float
    end_s: float
    used: int
    refused: int
    not_tried: int


@dataclass(frozen=True)
class Strip:
    """What a sensor sees along the plan, and what becomes of its readings.

    Attributes
    ----------
    sensor : str
        Its id.
    views : tuple of View
        In order of time.
    fixes : tuple of (float, int)
        Instants of the fixes by the covariance engine's schedule, and their steps from 1. [s]
    bins : tuple of Bin
        What became of its readings in the sample.
    """

    sensor: str
    views: tuple[View, ...]
    fixes: tuple[tuple[float, int], ...]
    bins: tuple[Bin, ...]


@dataclass(frozen=True)
class InputFile:
    """A file that the case was made of: what it is, path, title, note, fingerprint of what it means."""

    role: str
    path: str
    title: str
    note: str
    fingerprint: str


@dataclass(frozen=True)
class CasePicture:
    """Everything that the pictures of one case show.

    Attributes
    ----------
    field : Field
        The field.
    hull : tuple of point
        The robot's outline in its own axes. [m]
    legs : tuple of Leg
        The planned steps.
    instants : tuple of Instant
        Along the plan; none where the plan is infeasible, and then nothing below.
    sampled : int
        Trials 0 .. sampled - 1 make the sample.
    paths : tuple of TrialPath
        The first of them.
    failed : tuple of FailedTrial
        Failing trials that are shown.
    failing : int
        How many of the sample fail anywhere.
    targets : tuple of Target
        Checkpoints and the end, as in the verdict.
    strips : tuple of Strip
        The sensors.
    inputs : tuple of InputFile
        The files.
    """

    field: Field
    hull: tuple[Point, ...]
    legs: tuple[Leg, ...]
    inputs: tuple[InputFile, ...]
    instants: tuple[Instant, ...] = ()
    sampled: int = 0
    paths: tuple[TrialPath, ...] = ()
    failed: tuple[FailedTrial, ...] = ()
    failing: int = 0
    targets: tuple[Target, ...] = ()
    strips: tuple[Strip, ...] = ()
