"""Predicted against measured: coverage of regions, normalised errors, RMS and likelihood, and a verdict.

Coverage alone proves nothing: a model that is wide enough covers everything. So it always stands beside the
RMS of the error, that of the prediction, and the likelihood of what was measured.

Sources: Y. Bar-Shalom, X. R. Li and T. Kirubarajan, Estimation with Applications to Tracking and Navigation
(2001), section 5.4.2 (normalised error against chi-square); C. J. Geyer, "Practical Markov chain Monte
Carlo", Statistical Science 7 (1992) 473-483, section 3.3 (as how many independent values a dependent series
counts; from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from driftgate.core.pose import FloatArray
from driftgate.judge.bounds import interval

Word = Literal["calibrated", "overconfident", "overcautious", "cannot say"]
LEVELS = (0.50, 0.68, 0.90, 0.95)

# What a model must keep to be called calibrated: shares of positions inside its 68 % and 95 % regions, and
# predicted over actual RMS, of the heading too (our choice: what a well-tuned model reaches, held out, on the
# beacon data of J. Djugash, B. Hamner and S. Roth, 2009). A model that keeps them is not blamed, however many
# errors show that it is a little off.
INSIDE_68 = (0.65, 0.92)
INSIDE_95 = (0.91, 0.98)
RMS_RATIO = (0.7, 1.6)
# The rest is a test. A model that is right is blamed in no more of the backtests than this, all their scores
# together: each score has its share (Bonferroni), in equal parts for too large and too small, by mean square
# and by coverage.
FALSE_ALARM = 0.05
# And there is no verdict unless errors so many times as large, or as small, as predicted would more often be
# named than not. However few errors there are, ones that chance hardly makes are named all the same.
NAMED_SIZE = RMS_RATIO[1]
NAMED_SHARE = 0.5


@dataclass(frozen=True)
class Score:
    """Errors of one kind, held against their predicted distribution.

    Attributes
    ----------
    count : int
        How many errors.
    independent : float
        As how many independent ones they count.
    dimensions : int
        Components of the normalised error and the likelihood: 3 with the heading, 2 without.
    rms_m, predicted_m : float
        Position: of the errors less their predicted mean, and as predicted. [m]
    p95_m : float
        95th percentile of the position error. [m]
    offset_m : tuple of float
        Mean position error, along and across or x and y. [m]
    heading_rms_rad, heading_predicted_rad : float or None
        The same of the heading. [rad]
    inside : tuple of float
        Shares of positions inside the predicted 50, 68, 90, 95 % regions.
    inside_95 : tuple of float
        Interval of the last that the verdict goes by, for so many independent errors.
    normalised : float
        Mean normalised error squared, `dimensions` for a model that is right.
    normalised_bounds : tuple of float
        Where it lies if it is, but for the false alarms that the verdict allows itself.
    nll : float
        Mean negative log-likelihood.
    word : str
        The verdict.
    """

    count: int
    independent: float
    dimensions: int
    rms_m: float
    predicted_m: float
    p95_m: float
    offset_m: tuple[float, float]
    heading_rms_rad: float | None
    heading_predicted_rad: float | None
    inside: tuple[float, ...]
    inside_95: tuple[float, float]
    normalised: float
    normalised_bounds: tuple[float, float]
    nll: float
    word: Word


def region_point(level: float, dimensions: int = 2) -> float:
    """Return the normalised squared distance that a region of such probability reaches."""
    return float(special.chdtri(dimensions, 1.0 - level))


def score(
    error: FloatArray,
    cov: FloatArray,
    independent: float,
    log_density: FloatArray | None = None,
    among: int = 1,
    distances: tuple[FloatArray, FloatArray] | None = None,
) -> Score | None:
    """Return how errors agree with their predicted distribution; None if there are none.

    Parameters
    ----------
    error : ndarray, shape (k, 3)
        Measured less predicted mean: two axes and heading; headings may be nan. [m, m, rad]
    cov : ndarray, shape (k, 3, 3)
        Predicted covariance.
    independent : float
        As how many independent errors they count.
    log_density : ndarray, shape (k,), optional
        Predicted log-density of each error, where the prediction is no normal distribution.
    among : int
        Of how many scores the verdict is made: they share the false alarms.
    distances : tuple of ndarray, shape (k,), optional
        Where it is none: the normalised errors squared, of the position and of all components.
    """
    if len(error) == 0:
        return None
    headed = bool(np.isfinite(error[:, 2]).all())
    dimensions = 3 if headed else 2
    squared = normalised(error[:, :2], cov[:, :2, :2])
    whole = normalised(error, cov) if headed else squared
    if log_density is None:
        inner = cov if headed else cov[:, :2, :2]
        log_density = -0.5 * (whole + np.linalg.slogdet(inner)[1] + dimensions * np.log(2.0 * np.pi))
    if distances is not None:
        squared, whole = distances
    position = np.hypot(error[:, 0], error[:, 1])
    inside = tuple(float(np.mean(squared <= region_point(level))) for level in LEVELS)
    found = Score(
        count=len(error),
        independent=independent,
        dimensions=dimensions,
        rms_m=float(np.sqrt(np.mean(position**2))),
        predicted_m=_root_mean(cov[:, 0, 0] + cov[:, 1, 1]),
        p95_m=float(np.percentile(position, 95.0)),
        offset_m=(float(error[:, 0].mean()), float(error[:, 1].mean())),
        heading_rms_rad=_root_mean(error[:, 2] ** 2) if headed else None,
        heading_predicted_rad=_root_mean(cov[:, 2, 2]) if headed else None,
        inside=inside,
        inside_95=(0.0, 1.0),
        normalised=float(whole.mean()),
        normalised_bounds=(0.0, np.inf),
        nll=-float(log_density.mean()),
        word="cannot say",
    )
    return with_verdict(found, among)


def with_verdict(found: Score, among: int) -> Score:
    """Return a score with the verdict that it has as one of so many."""
    counted = max(round(found.independent), 1)
    kept = kept_share(among)
    bounded = replace(
        found,
        inside_95=interval(round(found.inside[-1] * counted), counted, kept),
        normalised_bounds=chi_square_bounds(found.independent, found.dimensions, kept),
    )
    return replace(bounded, word=_word(bounded, kept))


def with_doubt(found: Score, doubted: Score | None) -> Score:
    """Return a score that blames a model only if what is uncertain of its sizes does not explain the errors.

    Parameters
    ----------
    found, doubted : Score
        With their verdicts: of the model as it stands, and of the same with its sizes as uncertain as they
        are; None where nothing is.
    """
    if doubted is None or found.word != "overconfident" or doubted.word == "overconfident":
        return found
    return replace(found, word="cannot say")


def alike_count(cov: FloatArray, common: FloatArray, count: int) -> float:
    r"""Return as how many independent errors those count that share a part of what makes them.

    As `driftgate.calibrate.backtest.independent_of_constants`, for errors of one covariance *S*, of which all
    have the draws of a part *C* in common: :math:`1 / (1/n + (1 - 1/n)\, \mathrm{tr}((S^{-1} C)^2) / d)`.

    Parameters
    ----------
    cov, common : ndarray, shape (d, d)
        *S* and *C*.
    count : int
        How many errors.
    """
    part = np.linalg.solve(cov, common)
    return as_many(min(float(np.trace(part @ part)) / len(cov), 1.0), count)


def as_many(share: float, count: int) -> float:
    """Return as how many independent values those count of which any two have such a correlation."""
    return 1.0 / (1.0 / count + (1.0 - 1.0 / count) * share)


def kept_share(among: int) -> float:
    """Return how often each of two tests of a score keeps a model that is right, as one of so many scores."""
    return 1.0 - 0.5 * FALSE_ALARM / among


def normalised(error: FloatArray, cov: FloatArray) -> FloatArray:
    """Return the normalised error squared of each error, shape (k,)."""
    return np.asarray(np.einsum("ki,ki->k", error, np.linalg.solve(cov, error[..., None])[..., 0]))


def chi_square_bounds(independent: float, dimensions: int, share: float = 0.95) -> tuple[float, float]:
    """Return where the mean of so many normalised errors lies in such a share of the cases."""
    freedom, tail = independent * dimensions, 0.5 * (1.0 - share)
    low, high = (float(special.chdtri(freedom, p)) / independent for p in (1.0 - tail, tail))
    return low, high


def effective_count(series: FloatArray) -> float:
    """Return as how many independent values a dependent series counts whose mean should be zero.

    The length over the sum of the autocorrelations, pairs of which are added while they are positive (Geyer
    1992, the initial positive sequence). Nothing is taken off: what is the same all along is one value.

    Parameters
    ----------
    series : ndarray, shape (n,) or (n, c)
        Errors in units of what is predicted; components count together.
    """
    columns = series.reshape(len(series), -1)
    n = len(columns)
    variance = float(np.sum(np.square(columns))) / max(n, 1)
    if n < 4 or variance <= 0.0:
        return float(n)
    power = np.sum(np.abs(np.fft.rfft(columns, 2 * n, axis=0)) ** 2, axis=1)
    rho = np.fft.irfft(power)[:n] / n / variance
    pairs = rho[: n - n % 2].reshape(-1, 2).sum(axis=1)
    stop = int(np.argmax(pairs <= 0.0)) if np.any(pairs <= 0.0) else len(pairs)
    return float(np.clip(n / max(2.0 * pairs[:stop].sum() - 1.0, 1.0), 1.0, n))


def worst(words: Sequence[Word]) -> Word:
    """Return the verdict of several: the worst of those that say anything.

    One that cannot say takes nothing from the others: the checkpoints of one robot may never count as enough.
    """
    order: tuple[Word, ...] = ("overconfident", "overcautious", "calibrated", "cannot say")
    for word in order:
        if word in words:
            return word
    return "cannot say"


def _root_mean(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values)))


def would_name(freedom: float, share: float) -> bool:
    """Return whether errors `NAMED_SIZE` times as large, or as small, would more often be named than not.

    Parameters
    ----------
    freedom : float
        Degrees of freedom: independent errors times their components.
    share : float
        How often the test keeps a model that is right.
    """
    low, high = chi_square_bounds(freedom, 1, share)
    size = NAMED_SIZE**2
    large = float(special.chdtrc(freedom, freedom * high / size))
    small = float(special.chdtr(freedom, freedom * low * size))
    return min(large, small) >= NAMED_SHARE


def fewest(dimensions: int, among: int = 1) -> int:
    """Return the fewest independent errors that make a verdict, of one score among so many."""
    kept = kept_share(among)
    return next(n for n in range(1, 1000) if would_name(float(n * dimensions), kept))


def _word(found: Score, kept: float) -> Word:
    """Return the verdict: wrong is what is out of the bounds by more than chance."""
    low, high = found.normalised_bounds
    half, wide = found.inside[1], found.inside[-1]
    ratios = [found.predicted_m / found.rms_m if found.rms_m > 0.0 else np.inf]
    if found.heading_rms_rad is not None and found.heading_predicted_rad is not None:
        rms = found.heading_rms_rad
        ratios.append(found.heading_predicted_rad / rms if rms > 0.0 else np.inf)
    trusting = wide < INSIDE_95[0] or half < INSIDE_68[0] or min(ratios) < RMS_RATIO[0]
    if trusting and (found.inside_95[1] < LEVELS[-1] or found.normalised > high):
        return "overconfident"
    shy = wide > INSIDE_95[1] or half > INSIDE_68[1] or max(ratios) > RMS_RATIO[1]
    if shy and (found.inside_95[0] > LEVELS[-1] or found.normalised < low):
        return "overcautious"
    enough = would_name(found.independent * found.dimensions, kept)
    return "calibrated" if enough else "cannot say"
