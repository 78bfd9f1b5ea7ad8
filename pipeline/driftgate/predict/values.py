"""What the predict stage gives: distributions of the true pose error, by two engines."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

from driftgate.core.pose import FloatArray
from driftgate.plan.values import DocPath, IntArray
from driftgate.predict.filter_tally import FilterTally
from driftgate.schema.routine import Tolerance

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Moment:
    """A moment at which the true pose is judged: a checkpoint, or the end.

    Attributes
    ----------
    name : str
        The checkpoint's name (with "#2" and so on when a repetition returns to it), or "end".
    final : bool
        The end of the routine.
    step : int
        Planned step: the checkpoint itself, or the last step.
    knot : int
        Knot of the timeline.
    pose : tuple of float
        Nominal pose there.
    within : Tolerance
        The tolerance.
    required : float
        Probability required of the joint event of all axes.
    points : int
        Points that it is worth.
    after : tuple of str
        Names of the checkpoints that must have succeeded before.
    doc_path : tuple
        Where it stands in the routine's document.
    may_stray : bool
        What the tolerance is relative to may have strayed.
    takes : tuple of str
        Elements that are gone where the checkpoint succeeds.
    """

    name: str
    final: bool
    step: int
    knot: int
    pose: tuple[float, float, float]
    within: Tolerance
    required: float
    points: int
    after: tuple[str, ...]
    doc_path: DocPath
    may_stray: bool = False
    takes: tuple[str, ...] = ()


class Outcome(IntEnum):
    """What became of a reading in a trial. Up to TURNING the values are those of `sight.Reason`."""

    ACCEPTED = 0
    SWITCHED_OFF = 1
    IN_CONTACT = 2
    NO_SURFACE = 3
    NOT_REFERENCE = 4
    OUT_OF_RANGE = 5
    INCIDENCE = 6
    CORRIDOR = 7
    TOO_FAST = 8
    TURNING = 9
    NO_ECHO = 10  # nothing came back: dropout, out of the sensor's reach, too grazing
    GATE = 11
    HELD_BACK = 12  # persistence still counting


@dataclass(frozen=True)
class MomentTrials:
    """All trials at one moment; arrays of length n, in trial order.

    Attributes
    ----------
    error : ndarray, shape (n, 3)
        True pose minus wanted pose, field axes. The wanted pose is the nominal one, or where the
        tolerance is relative to an element: real element o inverse(mapped element) o nominal.
        [m, m, rad]
    along, across : ndarray
        The same in the axes of the wanted pose. [m]
    estimation, tracking : ndarray, shape (n, 3)
        e (truth in the frame of the belief) and t (belief in the frame of the plan), as poses.
    clock_s : ndarray
        The trial's own clock. [s]
    touched : ndarray of bool
        Unintended contact has happened by then.
    """

    error: FloatArray
    along: FloatArray
    across: FloatArray
    estimation: FloatArray
    tracking: FloatArray
    clock_s: FloatArray
    touched: BoolArray


@dataclass(frozen=True)
class TrialsResult:
    """The trials engine's answer.

    Attributes
    ----------
    trials : int
        How many.
    seed : int
        The seed.
    moments : tuple of MomentTrials
        In the order of the case's moments, the end last.
    counts : ndarray of int, shape (sensors, steps, outcomes)
        Readings by what became of them, over all trials.
    wrongly_accepted : ndarray of int, shape (sensors, steps)
        Accepted, but the echo did not come from the expected surface.
    wrongly_refused : ndarray of int, shape (sensors, steps)
        The echo came undistorted from the expected surface, but association or gate refused it; where
        the belief sees no surface, the expected one is the plan's.
    fix_move_nm : ndarray of int, shape (sensors, steps)
        Sum of the distances by which accepted fixes moved the belief, in whole nanometres, so that
        it does not depend on the order of the trials; the two readings of a pair share a move. [nm]
    touch_step : ndarray of int, shape (n,)
        Planned step of the first unintended contact, -1 for none.
    touch_obstacle : ndarray of int, shape (n,)
        Index into `obstacles`, -1 for none.
    obstacles : tuple of str
        Ids of walls, structures and elements.
    lost : ndarray of bool, shape (n,)
        The lost flag was raised.
    own : FilterTally
        How far the robot's filter is right about its own errors.
    weight : ndarray, shape (n,), or None
        Of tilted trials: the likelihood of what is constant over the run as it really is, over that
        under the tilt. None: every trial counts the same.
    """

    trials: int
    seed: int
    moments: tuple[MomentTrials, ...]
    counts: NDArray[np.int64]
    wrongly_accepted: NDArray[np.int64]
    wrongly_refused: NDArray[np.int64]
    fix_move_nm: NDArray[np.int64]
    touch_step: IntArray
    touch_obstacle: IntArray
    obstacles: tuple[str, ...]
    lost: BoolArray
    own: FilterTally
    weight: FloatArray | None = None


@dataclass(frozen=True)
class MomentCovariance:
    """The covariance engine's answer at one moment.

    Attributes
    ----------
    mean : ndarray, shape (3,)
        Mean of the error of `MomentTrials.error`. [m, m, rad]
    cov : ndarray, shape (3, 3)
        Its covariance.
    by_source : dict
        Source name to its share of `cov`, shape (3, 3); the shares add up to `cov`.
    columns : ndarray, shape (3, constants)
        Change of the error by one standard deviation of each constant of the run, in the order of
        the source table.
    mean_by_source : dict
        Source name to its part of `mean`, shape (3,), to first order, for sources with a mean, and for
        readings that are old where nothing takes that out; "known" holds what is left: maps that differ,
        contact.
    guessed, between_fields : ndarray, shape (3, 3)
        The part of `cov` that rests on guessed numbers, and the part that is constant over a field.
    estimation_mean, tracking_mean : ndarray, shape (3,)
        Means of e and t in field axes.
    estimation_cov, tracking_cov : ndarray, shape (3, 3)
        Covariances of e and t in field axes.
    filter_cov : ndarray, shape (3, 3)
        What the filter believes of its own error.
    clock_mean_s, clock_sd_s : float
        The trial's own clock.
    """

    mean: FloatArray
    cov: FloatArray
    by_source: dict[str, FloatArray]
    columns: FloatArray
    mean_by_source: dict[str, FloatArray]
    guessed: FloatArray
    between_fields: FloatArray
    estimation_mean: FloatArray
    estimation_cov: FloatArray
    tracking_mean: FloatArray
    tracking_cov: FloatArray
    filter_cov: FloatArray
    clock_mean_s: float
    clock_sd_s: float


@dataclass(frozen=True)
class SourceInfo:
    """Where a source's numbers come from and over what it is constant, for the report.

    A source that several parts have (walls, sensors) names every basis and scope that occurs.
    """

    name: str
    title: str
    basis: str
    constant_over: str


@dataclass(frozen=True)
class CovarianceResult:
    """The covariance engine's answer.

    `accepted` is the acceptance schedule: for each reading of the plan, whether it is a fix;
    `fixes` the number of them by planned step, shape (S,). `knot_mean` and `knot_cov` hold mean and
    covariance of the error at every knot, shapes (K + 1, 3) and (K + 1, 3, 3).
    """

    moments: tuple[MomentCovariance, ...]
    accepted: BoolArray
    fixes: IntArray
    sources: tuple[SourceInfo, ...]
    knot_mean: FloatArray
    knot_cov: FloatArray
