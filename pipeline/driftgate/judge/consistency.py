"""Is the robot's filter right about its own errors? Normalised squares against chi-square, and coverage.

Sources: Y. Bar-Shalom, X. R. Li and T. Kirubarajan, Estimation with Applications to Tracking and Navigation
(2001), section 5.4.2 (with N independent runs of n components, N times the mean normalised estimation error
squared is chi-square with N n degrees of freedom); F. van der Heijden, R. Duin, D. de Ridder and D. Tax,
Classification, Parameter Estimation and State Estimation (2004), section 8.4 (single-run thresholds).

What is used and what is not. Trials are independent; the readings of one trial are not, they share its
constants (a wall's offset, a sensor's bias). So the number of runs is the number of trials, however many
readings each has, and the innovations' mean is that of the trials' own means. An error that is the
same all through a run moves belief and readings together and shows in no innovation, so that innovations
are necessary and not sufficient: the verdict rests on coverage, whether the truth is inside the filter's own
regions as often as they claim.

A case has many moments, and one at which the filter is wrong decides for all. So each is held to bounds at
the error rate shared out over them (C. E. Bonferroni 1936), or a filter that is right would be called too
trusting in one run of six, with 300 trials and 20 moments. Innovations are shared out over the sensors
alike. The intervals that are shown are at 95 % each.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.judge.bounds import interval
from driftgate.judge.share_beside import share_beside
from driftgate.predict.filter_tally import AXES, LEVELS, MICRO, MILLI, FilterTally
from driftgate.predict.values import TrialsResult
from driftgate.schema.case import Case
from driftgate.sight.pairs import slots

Word = Literal["too trusting", "too shy", "consistent", "cannot say"]

# A 95 % region that holds the truth in 92 to 98 % of the trials is fit for use (our choice: what a
# well-tuned filter reaches on the beacon data of J. Djugash, B. Hamner and S. Roth, 2009, held out), and
# likewise innovations of 0.92 to 1.06 of what they should be.
COVERAGE = (0.92, 0.98)
INNOVATIONS = (0.92, 1.06)
# A 50 % region that holds the truth this often is too wide, whatever its 95 % region does (our choice).
MOST_IN_HALF = 0.60
FEWEST_TRIALS = 100
_CONFIDENCE = 0.95


@dataclass(frozen=True)
class InnovationVerdict:
    """The innovations of a sensor, or of a pair's difference or mean.

    Attributes
    ----------
    name : str
        Which.
    tried, used : int
        Readings at the gate, and fixes.
    mean_tried : float or None
        Mean normalised innovation squared at the gate, false returns and all; None where none came.
    mean_used : float or None
        That of the fixes: the mean of the trials' means.
    expected : float
        What it should be: 1, or what a gate leaves of it.
    region : tuple of float
        Where the mean of so many trials lies in 95 % of the cases with one independent innovation each,
        relative to `expected`; many innovations make it narrower, shared constants wider.
    error : float
        Standard error of the mean between trials.
    beyond_95, beyond_99 : float
        Shares of those tried beyond the points of chi-square that 5 % and 1 % should exceed.
    offset : float
        Mean normalised innovation: how far readings lie to one side.
    own : float
        The share of the readings' noise in the predicted variance; the rest is the filter's pose, and what it
        considers.
    word : str
        About the fixes' innovations alone.
    """

    name: str
    tried: int
    used: int
    mean_tried: float | None
    mean_used: float | None
    expected: float
    region: tuple[float, float]
    error: float
    beyond_95: float
    beyond_99: float
    offset: float
    own: float
    word: Word


@dataclass(frozen=True)
class RegionVerdict:
    """The filter's own regions at one moment.

    Attributes
    ----------
    name, step : str, int
        The moment.
    mean : float
        Mean normalised estimation error squared, 3 for a filter that is right.
    region : tuple of float
        Where that mean lies in 95 % of the cases if it is.
    coverage : dict
        For x, y, heading and all together: how often the truth is inside the 50, 68, 90, 95 % regions.
    interval_95 : tuple of float
        95 % interval of the last of these, all together.
    worst : str
        The coordinate whose 95 % region holds the truth least often.
    word : str
        The verdict.
    """

    name: str
    step: int
    mean: float
    region: tuple[float, float]
    coverage: dict[str, tuple[float, ...]]
    interval_95: tuple[float, float]
    worst: str
    word: Word


@dataclass(frozen=True)
class Consistency:
    """Whether the filter is right about its own errors, from its innovations and from coverage.

    `hidden` marks the case that innovations alone would pass and coverage does not.
    """

    word: Word
    trials: int
    sensors: tuple[InnovationVerdict, ...]
    moments: tuple[RegionVerdict, ...]
    hidden: bool
    sentence: str


def shared_confidence(family: int) -> float:
    """Return the confidence of each of so many words that makes 95 % of all together."""
    return 1.0 - (1.0 - _CONFIDENCE) / max(1, family)


def chi_square_region(runs: int, size: int, confidence: float = 0.95) -> tuple[float, float]:
    """Return the two-sided region of the mean of `runs` independent normalised squares of `size` components.

    Raises
    ------
    ModelError
        If there is no run or no component, or the confidence is not between 0 and 1.
    """
    if runs < 1 or size < 1 or not 0.0 < confidence < 1.0:
        raise ModelError(f"no chi-square region for {runs} runs of {size} at confidence {confidence}")
    from scipy.special import gammaincinv

    half = 0.5 * runs * size
    low, high = (
        2.0 * float(gammaincinv(half, p)) / runs for p in (0.5 * (1 - confidence), 0.5 * (1 + confidence))
    )
    return low, high


def gated_mean(sigmas: float | None) -> float:
    """Return the mean of a squared standard normal inside so many sigmas: what a gate leaves of 1.

    1 - 2 g phi(g) / (2 Phi(g) - 1), by parts.
    """
    if sigmas is None:
        return 1.0
    density = math.exp(-0.5 * sigmas**2) / math.sqrt(2.0 * math.pi)
    return 1.0 - 2.0 * sigmas * density / math.erf(sigmas / math.sqrt(2.0))


def filter_consistency(
    case: Case, moments: tuple[tuple[str, int], ...], trials: TrialsResult
) -> Consistency | None:
    """Return whether the filter is right about its own errors; None for a robot that takes no fixes.

    Parameters
    ----------
    case : Case
        For the robot's sensors and gate.
    moments : tuple of (str, int)
        Name and planned step of each moment.
    trials : TrialsResult
        The trials.
    """
    robot = case.robot
    if not robot.correction.enabled or not robot.sensors:
        return None
    gate = robot.correction.gate
    expected = gated_mean(None if gate is None else gate.sigmas)
    names = slots(robot).names
    of_sensor, of_moment = (shared_confidence(len(family)) for family in (names, moments))
    sensors = tuple(_innovations(name, i, trials.own, expected, of_sensor) for i, name in enumerate(names))
    found = tuple(_regions(name, step, i, trials.own, of_moment) for i, (name, step) in enumerate(moments))
    sensors = tuple(s for s in sensors if s.tried)
    word = _overall([m.word for m in found])
    shown = [s for s in sensors if s.word != "cannot say"]
    passing = bool(shown) and not any(s.word == "too trusting" for s in shown)
    hidden = word == "too trusting" and passing
    return Consistency(
        word, trials.trials, sensors, found, hidden, _sentence(word, found, shown, hidden, trials.trials)
    )


def _innovations(
    name: str, slot: int, own: FilterTally, expected: float, confidence: float
) -> InnovationVerdict:
    tried, used = int(own.tried[slot].sum()), int(own.used[slot].sum())
    runs, total, squares = (int(v) for v in own.by_trial[slot])
    mean = total / runs / MILLI if runs else None
    error = 0.0
    if runs > 1 and mean is not None:
        error = math.sqrt(max(0.0, squares / runs / MILLI**2 - mean**2) / (runs - 1))
    share = 1.0 / max(tried, 1)
    region = chi_square_region(max(runs, 1), 1)
    word: Word = "cannot say"
    if mean is not None and runs >= FEWEST_TRIALS:
        low, high = chi_square_region(runs, 1, confidence)
        ratio = mean / expected
        word = "consistent"
        if ratio > max(INNOVATIONS[1], high):
            word = "too trusting"
        elif ratio < min(INNOVATIONS[0], low):
            word = "too shy"
    return InnovationVerdict(
        name=name,
        tried=tried,
        used=used,
        mean_tried=int(own.nis_tried[slot].sum()) * share / MICRO if tried else None,
        mean_used=mean,
        expected=expected,
        region=region,
        error=error,
        beyond_95=int(own.beyond[slot, :, 0].sum()) * share,
        beyond_99=int(own.beyond[slot, :, 1].sum()) * share,
        offset=int(own.signed[slot].sum()) * share / MICRO,
        own=int(own.own[slot].sum()) * share / MICRO,
        word=word,
    )


def _regions(name: str, step: int, index: int, own: FilterTally, confidence: float) -> RegionVerdict:
    count, total, _ = (int(v) for v in own.nees[index])
    mean = total / count / MILLI
    region = chi_square_region(count, len(AXES) - 1)
    coverage = {axis: tuple((own.inside[index, i] / count).tolist()) for i, axis in enumerate(AXES)}
    inside = own.inside[index, -1]
    low, high = interval(int(inside[-1]), count, confidence)
    in_half = interval(int(inside[0]), count, confidence)[0]
    word: Word = "consistent"
    if count < FEWEST_TRIALS or own.certain[index] > 0.01 * count:
        word = "cannot say"
    elif coverage["all"][-1] < COVERAGE[0] and high < LEVELS[-1]:
        word = "too trusting"
    elif mean < chi_square_region(count, len(AXES) - 1, confidence)[0] and (
        low > COVERAGE[1] or in_half > MOST_IN_HALF
    ):
        word = "too shy"
    worst = min(AXES[:-1], key=lambda axis: coverage[axis][-1])
    shown = interval(int(inside[-1]), count, _CONFIDENCE)
    return RegionVerdict(name, step, mean, region, coverage, shown, worst, word)


def _overall(words: list[Word]) -> Word:
    """Return one word for all moments: a region that is too small anywhere is what counts."""
    for word in ("too trusting", "too shy", "consistent"):
        if word in words:
            return word
    return "cannot say"


def _sentence(
    word: Word,
    moments: tuple[RegionVerdict, ...],
    sensors: list[InnovationVerdict],
    hidden: bool,
    trials: int,
) -> str:
    """Return what a user needs to read."""
    if word == "cannot say":
        if trials < FEWEST_TRIALS:
            return f"With {trials} trials nothing can be said of the filter; it takes {FEWEST_TRIALS}."
        return "The filter claims to know some coordinate perfectly, so its regions mean nothing."
    named = [m for m in moments if m.word == word]
    if word == "consistent":
        least = min(named, key=lambda m: m.coverage["all"][-1])
        text = (
            "The filter is right about its own errors: its 95 % region holds the truth in "
            f"{share_beside(least.coverage['all'][-1], COVERAGE[0])} of the trials or more."
        )
        if least.interval_95[1] < LEVELS[-1]:
            # Many trials tell apart what is not worth tuning.
            text += (
                f" At '{least.name}' it is a little too trusting, most in {least.worst}, within the slack "
                f"that is not worth tuning: {share_beside(COVERAGE[0])} to {share_beside(COVERAGE[1])} pass."
            )
        return text
    if word == "too shy":
        m = max(named, key=lambda m: m.coverage["all"][0])
        half = share_beside(m.coverage["all"][0], MOST_IN_HALF)
        most = share_beside(m.coverage["all"][-1], COVERAGE[1])
        return (
            f"The filter trusts itself too little: at '{m.name}' its 50 % region holds the truth in {half} "
            f"of the trials, its 95 % region in {most}. It takes less from each reading than it could."
        )
    m = min(named, key=lambda m: m.coverage["all"][-1])
    where = f"first at '{named[0].name}' (step {named[0].step + 1})"
    text = (
        f"The filter trusts itself too much: at '{m.name}' its 95 % region holds the truth in "
        f"{share_beside(m.coverage['all'][-1], COVERAGE[0])} of the trials. Most of it in {m.worst}; {where}."
    )
    if hidden:
        means = ", ".join(f"{s.name} {s.mean_used:.2f}" for s in sensors if s.mean_used is not None)
        text += (
            f" The innovations alone would pass ({means}; {sensors[0].expected:.2f} is right, and a "
            "little more passes): an error that stays the same over a run, such as a bias, a scale or a wall "
            "that is off, shows in none of them."
        )
    return text


def mean_normalised(filter_cov: np.ndarray, mean: np.ndarray, cov: np.ndarray) -> float | None:
    """Return the expected normalised estimation error squared of errors with this mean and covariance.

    tr(P^-1 (C + m m')); None if the filter's P has no inverse worth the name.
    """
    values = np.linalg.eigvalsh(filter_cov)
    if values[0] <= 1e-12 * values[-1]:
        return None
    return float(np.trace(np.linalg.solve(filter_cov, cov + np.outer(mean, mean))))
