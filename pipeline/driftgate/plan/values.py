"""What the plan stage gives: plain frozen values that every later stage reads."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from driftgate.core.findings import DocPath as DocPath
from driftgate.core.findings import Finding, Level
from driftgate.core.pose import FloatArray
from driftgate.schema.routine import AnyStep, Checkpoint
from driftgate.world.values import PlacedElement

IntArray = NDArray[np.intp]


class Law(Enum):
    """What a step closes, and on what.

    The five absolute laws steer the believed pose; RELATIVE closes on dead-reckoning increments;
    STAND and CONTACT close nothing.
    """

    DRIVE = "drive"  # heading onto the bearing of the target, distance left onto the plan's
    CURVE = "curve"  # heading onto the path with a look-ahead, distance along it onto the plan's
    GLIDE = "glide"  # holonomic drive: x, y and heading onto the plan's
    TURN = "turn"  # heading onto the plan's
    FACE = "face"  # heading onto the believed bearing of a point
    RELATIVE = "relative"
    STAND = "stand"
    CONTACT = "contact"


class Motion(Protocol):
    """The nominal motion of one step, from its own time zero."""

    @property
    def duration_s(self) -> float:
        """How long the profile takes, without settling. [s]"""

    def sample(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return poses (n, 3) and body rates (n, 3): speed ahead, speed left, turn rate."""


@dataclass(frozen=True)
class PlannedStep:
    """One step of the flattened routine (repetitions unrolled) on the plan's clock.

    Attributes
    ----------
    index : int
        Position in the flattened routine.
    doc_path : tuple
        Where the step stands in the document, e.g. ("steps", 3, "steps", 1).
    source : AnyStep
        The step as written.
    name : str or None
        The step's name; in a repetition the same name returns.
    place : str
        Key of the step's random streams: its name, else its content, with its occurrence.
    label : str
        For people: "drive to (1.40, 0.60) m".
    law : Law
        What it closes.
    motion : Motion or None
        None for steps that stand still (STAND), and for checkpoints.
    begin_s, end_s : float
        On the plan's clock, settling included. [s]
    settle_s : float
        The part at the end in which the robot only settles. [s]
    start_pose, end_pose : tuple of float
        Nominal (x, y, heading); heading is continuous along the routine, not wrapped.
    backwards : bool
        Travel direction is opposite to the heading.
    target : tuple of float or None
        DRIVE: the point driven to; FACE: the point looked at. Field frame. [m]
    looking : bool
        A look step.
    checkpoint : Checkpoint or None
        The checkpoint, for a checkpoint step; those take no time.
    may_touch : tuple of str
        Walls, structures and elements that the robot may touch during this step.
    """

    index: int
    doc_path: DocPath
    source: AnyStep
    name: str | None
    place: str
    label: str
    law: Law
    motion: Motion | None
    begin_s: float
    end_s: float
    settle_s: float
    start_pose: tuple[float, float, float]
    end_pose: tuple[float, float, float]
    backwards: bool = False
    target: tuple[float, float] | None = None
    looking: bool = False
    checkpoint: Checkpoint | None = None
    may_touch: tuple[str, ...] = ()


@dataclass(frozen=True)
class Contact:
    """The contact part of a square-up step, on the believed map.

    Attributes
    ----------
    step : int
        Index of the planned step.
    wall : str
        Wall or structure edge squared up against (edge id of `driftgate.world`).
    travel_m : float
        Planned distance from the step's start to the touch. [m]
    speed_m_s : float
        Approach speed. [m/s]
    reach_m : float
        From the robot's origin to the bumper that touches, along the direction of travel. [m]
    half_width_m, middle_left_m : float
        Half of that bumper's width, and where its middle lies to the left of the robot's origin,
        in the robot's own axes. [m]
    push_s, late_s : float
        Planned pushing time after the touch; how much longer the robot goes on if it has not. [s]
    """

    step: int
    wall: str
    travel_m: float
    speed_m_s: float
    reach_m: float
    half_width_m: float
    middle_left_m: float
    push_s: float
    late_s: float


@dataclass(frozen=True)
class ReadingPlan:
    """Every reading that falls due on the plan's clock, in the order they are processed.

    Arrays of length R. A reading is echoed at knot `echo_knot` and arrives at knot `knot`
    (later by the sensor's latency); it belongs to the step in whose time (begin, end] it arrives,
    the first step owning time zero. Sensors due at one instant keep the order of the robot file.

    Attributes
    ----------
    knot, echo_knot : ndarray of int
        Knots of the timeline.
    sensor : ndarray of int
        Index into the robot's sensors.
    step : ndarray of int
        Index of the planned step it belongs to.
    ordinal : ndarray of int
        Number of this reading among the readings of that sensor, at that phase, in that step.
    slot : ndarray of int
        Which of its phases a sensor whose phase is drawn each run has to have for this reading; -1 for
        a sensor of fixed phase.
    nominal : ndarray of bool
        Readings of the plan itself: those of fixed phases, and of random ones those of the middle phase.
        The others happen in trials only.
    """

    knot: IntArray
    echo_knot: IntArray
    sensor: IntArray
    step: IntArray
    ordinal: IntArray
    slot: IntArray
    nominal: NDArray[np.bool_]


@dataclass(frozen=True)
class Timeline:
    """The nominal motion cut into ticks: K ticks between K + 1 knots.

    Attributes
    ----------
    time_s : ndarray, shape (K + 1,)
        The plan's clock at the knots. Knots fall on every step boundary, the touch of every
        square-up and every echo and arrival of a reading; longer gaps are cut into equal ticks of
        at most the robot's `longest_tick`, and short enough that none turns by more than a
        radian. [s]
    pose : ndarray, shape (K + 1, 3)
        Nominal pose, field frame, heading continuous. [m, m, rad]
    twist : ndarray, shape (K, 3)
        Body increments (ahead, left, turn) of each tick: pose[k+1] = pose[k] o Exp(twist[k]).
    rate : ndarray, shape (K + 1, 3)
        Nominal body rates just before each knot (the first: zero). [m/s, m/s, rad/s]
    step : ndarray of int, shape (K,)
        The planned step that each tick belongs to.
    moving : ndarray of bool, shape (K,)
        False in STAND steps: nothing is commanded. True while settling.
    first_tick : ndarray of int, shape (S + 1,)
        Ticks of planned step i are first_tick[i]:first_tick[i+1]; none for a checkpoint.
    readings : ReadingPlan
        The readings that fall due.
    longest_tick_s : float
        No tick is longer; each step's random walks are drawn on a grid of this. [s]
    """

    time_s: FloatArray
    pose: FloatArray
    twist: FloatArray
    rate: FloatArray
    step: IntArray
    moving: NDArray[np.bool_]
    first_tick: IntArray
    readings: ReadingPlan
    longest_tick_s: float


@dataclass(frozen=True)
class Clearance:
    """Smallest distance of the nominal footprint to one obstacle in one step."""

    step: int
    obstacle: str
    distance_m: float
    time_s: float


@dataclass(frozen=True)
class Plan:
    """A routine on a robot on the believed field.

    Attributes
    ----------
    steps : tuple of PlannedStep
        Flattened steps in order.
    contacts : dict
        The contact part of each square-up step, by step index.
    timeline : Timeline
        Ticks and readings.
    duration_s : float
        Planned duration. [s]
    clearances : tuple of Clearance
        For each motion step the nearest obstacle, intended contacts left out.
    findings : tuple of Finding
        Feasibility, each tied to the step's place in the document.
    things : tuple of PlacedElement or None
        Loose elements as the plan takes and pushes them, each as often as it has places; None: as mapped.
    """

    steps: tuple[PlannedStep, ...]
    contacts: dict[int, Contact]
    timeline: Timeline
    duration_s: float
    clearances: tuple[Clearance, ...]
    findings: tuple[PlanFinding, ...]
    things: tuple[PlacedElement, ...] | None = None


@dataclass(frozen=True)
class PlanFinding:
    """A finding of the plan stage, tied to a place in the routine's document tree."""

    code: str
    doc_path: DocPath
    message: str
    level: Level = "error"
    suggestion: str = ""

    def at(self, path: str, line: int, column: int, excerpt: str = "") -> Finding:
        """Return the finding at its place in a file."""
        return Finding(path, line, column, self.code, self.message, self.level, self.suggestion, excerpt)
