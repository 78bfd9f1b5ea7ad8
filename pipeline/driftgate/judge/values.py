"""What the judge stage gives: plain numbers and words, nothing that needs an array library to read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from driftgate.core.findings import DocPath
from driftgate.judge.cause_values import FailureCauses
from driftgate.judge.prepared_case import PreparedCase as PreparedCase

Status = Literal["pass", "fail", "undecided"]

# From this share of the variance on, guessed numbers dominate.
MOSTLY_GUESSED = 0.5

# Worst first.
SEVERITY: tuple[Status, ...] = ("fail", "undecided", "pass")


def worst(statuses: list[Status]) -> Status:
    """Return the worst status of a list; an empty list passes."""
    return min(statuses, key=SEVERITY.index, default="pass")


@dataclass(frozen=True)
class Estimate:
    """A probability estimated from trials, with a two-sided interval at the run's confidence.

    After a fixed number of trials the interval is exact; in a sequential run it holds at all looks
    together (running intersection), and the estimate itself may by chance lie outside.
    """

    successes: int
    trials: int
    probability: float
    low: float
    high: float


@dataclass(frozen=True)
class AxisVerdict:
    """One axis of a tolerance.

    Attributes
    ----------
    axis : str
        "x", "y", "along", "across", "radial" or "heading".
    low, high : float or None
        Limits of the error; None for a free side. [m or rad]
    mean, sd : float
        Of the error over the trials. [m or rad]
    abs_50, abs_95, abs_99 : float
        Quantiles of the size of the error, never interpolated; after a sequential run mere
        estimates, since the stop depends on the errors. [m or rad]
    used : float or None
        Share of the tolerance used at the required probability, at the run's confidence; None when
        the trials are too few to say. Holds at all looks of a sequential run together.
    outside : int
        Trials outside this axis' limits.
    """

    axis: str
    low: float | None
    high: float | None
    mean: float
    sd: float
    abs_50: float
    abs_95: float
    abs_99: float
    used: float | None
    outside: int


@dataclass(frozen=True)
class SourceShare:
    """How much of the variance along the binding axis one error source makes (covariance engine)."""

    name: str
    title: str
    basis: str
    constant_over: str
    share: float


@dataclass(frozen=True)
class VarianceShares:
    """Where the variance along the binding axis comes from, by the covariance engine.

    Attributes
    ----------
    sd : float
        Standard deviation along the axis; radial: root of the sum of both variances. [m or rad]
    guessed : float
        Share made by sources whose number is a guess.
    between_fields : float
        Share made by sources that are constant over a field: what varies from field to field.
    sources : tuple of SourceShare
        Largest first.
    """

    sd: float
    guessed: float
    between_fields: float
    sources: tuple[SourceShare, ...]


@dataclass(frozen=True)
class RareTrials:
    """The tilted trials that decided a very high requirement.

    Attributes
    ----------
    trials : int
        How many, beside the plain ones.
    failed : int
        How many of them failed; tilted as they are, that is no estimate.
    probability : float
        Of failing: the mean of weight times failed.
    otherwise, late : float
        Probability, weighted likewise, of failing although the pose is inside; of being too late.
    """

    trials: int
    failed: int
    probability: float
    otherwise: float = 0.0
    late: float = 0.0

    @property
    def outside(self) -> float:
        """Probability, weighted likewise, of a pose outside of the limits."""
        return max(0.0, self.probability - self.otherwise)


@dataclass(frozen=True)
class MomentVerdict:
    """The verdict on one tolerance.

    Attributes
    ----------
    name : str
        The checkpoint, or "end".
    final : bool
        The end of the routine.
    step : int
        Planned step.
    doc_path : tuple
        Where it stands in the routine's document.
    required : float
        Probability required.
    status : {"pass", "fail", "undecided"}
        The verdict.
    estimate : Estimate
        Of success: inside on all axes, untouched, in time, and the checkpoints it depends on too.
    lower : float
        One-sided lower bound of success at the run's confidence: pass when it is at least `required`.
    upper : float
        One-sided upper bound of success at the shared-out error rate: fail when below `required`.
        In a sequential run both bounds are the best of all looks.
    axes : tuple of AxisVerdict
        In the order of the tolerance.
    binding : str
        The axis that uses the most of its tolerance.
    used : float or None
        Share of the tolerance used by the joint event at the required probability, at the run's
        confidence. At most 1 exactly when the verdict is pass; infinite when too many trials fail
        for a reason that is no distance (contact, time, an earlier checkpoint); None when the
        trials are too few to say.
    used_50, used_95, used_99 : float
        Quantiles of the share of the tolerance that the pose uses, contact and time aside.
    margin : float or None
        1 - used.
    outside, touched, late, missed_before : int
        Plain trials that fail for each reason: outside the limits, after unintended contact, past the time
        limit, because an earlier checkpoint failed. A trial may count under several. Where `tilted` is
        given they are not those that `estimate` counts.
    points : int
        Points that it is worth.
    variance : VarianceShares or None
        None when the covariance engine sees no variance along the binding axis.
    note : str
        Why a verdict is out of reach, in plain words; may be empty.
    reason : str
        The most likely reason of a failure or a narrow margin, in plain words; may be empty.
    decided_at : int or None
        Trials at the look that reached the verdict, at which it is frozen; None when undecided.
    worst : tuple of int
        Numbers of the worst trials, worst first, where the tolerance fails or is narrowly kept.
    tilted : RareTrials or None
        The tilted trials that status, estimate, bounds and `used` rest on; None: on plain trials.
    error_used : float or None
        Share of the tolerance that the error of the pose alone uses at the required probability, at the
        run's confidence, whatever else fails the trials; this is the figure that people read. Never more
        than `used`; None as for `used`.
    """

    name: str
    final: bool
    step: int
    doc_path: DocPath
    required: float
    status: Status
    estimate: Estimate
    lower: float
    upper: float
    axes: tuple[AxisVerdict, ...]
    binding: str
    used: float | None
    used_50: float
    used_95: float
    used_99: float
    margin: float | None
    outside: int
    touched: int
    late: int
    missed_before: int
    points: int
    variance: VarianceShares | None
    note: str = ""
    reason: str = ""
    decided_at: int | None = None
    tilted: RareTrials | None = None
    worst: tuple[int, ...] = ()
    error_used: float | None = None

    @property
    def binding_axis(self) -> AxisVerdict | None:
        """The verdict on the binding axis; None where there is none."""
        return next((axis for axis in self.axes if axis.axis == self.binding), None)

    @property
    def otherwise(self) -> float:
        """Trials that fail although the pose is inside: contact, time, an earlier checkpoint.

        Weighted ones count by their weights: how many of them fail as they are tilted is no share.
        """
        if self.tilted is not None:
            return self.tilted.otherwise * self.tilted.trials
        return max(0, self.estimate.trials - self.estimate.successes - self.outside)

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes of findings that this verdict carries (`driftgate.core.rules`), the verdict's first."""
        found = []
        if self.status == "undecided":
            found.append("DG402")
        elif self.status == "fail":
            found.append("DG404" if self._mostly_late else "DG401")
        if self.variance is not None and self.variance.guessed > MOSTLY_GUESSED:
            found.append("DG406")
        return tuple(found)

    @property
    def _mostly_late(self) -> bool:
        """Whether most of what fails is late, no more than half of it outside; of the trials that decide."""
        seen = self.tilted
        if seen is not None:
            return 2 * seen.late > seen.probability and 2 * seen.outside <= seen.probability
        failing = self.estimate.trials - self.estimate.successes
        return 2 * self.late > failing and 2 * self.outside <= failing


@dataclass(frozen=True)
class TouchPlace:
    """Where unintended contact happens first, and how often."""

    obstacle: str
    step: int
    trials: int


@dataclass(frozen=True)
class ContactVerdict:
    """The verdict on unintended contact.

    Attributes
    ----------
    status : {"pass", "fail", "undecided"}
        The verdict.
    allowed : float
        Probability of contact that the routine allows.
    estimate : Estimate
        Of contact.
    lower : float
        One-sided lower bound of contact at the shared-out error rate: fail when above `allowed`.
    upper : float
        One-sided upper bound of contact at the run's confidence; never zero. Pass when at most
        `allowed`; where none is allowed, when no trial touches.
    places : tuple of TouchPlace
        Most frequent first.
    reason : str
        In plain words; may be empty.
    tilted : RareTrials or None
        The tilted trials that it rests on in place of the plain ones; `estimate.successes` and `places`
        then count trials as they are tilted.
    """

    status: Status
    allowed: float
    estimate: Estimate
    lower: float
    upper: float
    places: tuple[TouchPlace, ...]
    reason: str = ""
    tilted: RareTrials | None = None

    @property
    def codes(self) -> tuple[str, ...]:
        """Codes of findings that this verdict carries."""
        return () if self.status == "pass" else ("DG403",)


@dataclass(frozen=True)
class Disagreement:
    """A significant and relevant difference between the engines at one moment, on one axis.

    Attributes
    ----------
    moment : str
        The checkpoint, or "end".
    axis : {"x", "y", "heading"}
        Field axis.
    what : {"mean", "spread"}
        What differs.
    trials, covariance : float
        The two answers: means, or standard deviations. [m or rad]
    tolerance : float
        The size that the difference is held against. [m or rad]
    p_value : float
        Unadjusted two-sided p-value.
    why : str
        Which engine to believe and why, in plain words.
    """

    moment: str
    axis: str
    what: Literal["mean", "spread"]
    trials: float
    covariance: float
    tolerance: float
    p_value: float
    why: str


@dataclass(frozen=True)
class CaseVerdict:
    """The verdict on one case.

    Attributes
    ----------
    moments : tuple of MomentVerdict
        Checkpoints in order of time, then the end.
    contact : ContactVerdict
        Unintended contact.
    success : Estimate
        Every checkpoint and the end together, without contact.
    expected_points, full_points : float, int
        Mean over the trials; what there is to win.
    lost : int
        Trials in which the robot raised its lost flag.
    disagreements : tuple of Disagreement
        Where the engines differ.
    points_10, points_50, points_90 : int
        So many points or fewer come out in a tenth, in half, in nine tenths of the trials.
    looks : tuple of int
        Numbers of trials at which a sequential run looked, the last being all of its trials; empty
        after a fixed number.
    causes : FailureCauses or None
        Why trials fail, by main cause; None where none was run again.
    """

    moments: tuple[MomentVerdict, ...]
    contact: ContactVerdict
    success: Estimate
    expected_points: float
    full_points: int
    lost: int
    disagreements: tuple[Disagreement, ...]
    points_10: int = 0
    points_50: int = 0
    points_90: int = 0
    looks: tuple[int, ...] = ()
    causes: FailureCauses | None = None

    @property
    def status(self) -> Status:
        """The worst verdict."""
        return worst([*(moment.status for moment in self.moments), self.contact.status])
