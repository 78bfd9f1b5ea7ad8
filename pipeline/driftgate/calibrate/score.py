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
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import special

from driftgate.core.pose import FloatArray
from driftgate.judge.bounds import interval

Word = Literal["calibrated", "overconfident", "overcautious", "cannot say"]
LEVELS = (0.50, 0.68, 0.90, 0.95)

# What a model must keep to be called calibrated: shares inside its 68 % and 95 % regions, and predicted over
# actual RMS (our choice: what a well-tuned model reaches, held out, on the beacon data of J. Djugash,
# B. Hamner and S. Roth, 2009).
INSIDE_68 = (0.65, 0.92)
INSIDE_95 = (0.91, 0.98)
RMS_RATIO = (0.7, 1.6)
# Outside those bounds, but no more than chance does with so many independent errors, a model that is right
# is not blamed. With fewer of them than this there is no verdict, unless errors are so large that chance
# would do that but once in ten thousand times: all windows of one run share its constants and count as one
# or two errors, and a model that is wrong by far must not pass for that.
CONFIDENCE = 0.95
FEWEST = 8.0
_SURELY = 0.0001


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
        Interval of the last at 95 % confidence, for so many independent errors.
    normalised : float
        Mean normalised error squared, `dimensions` for a model that is right.
    normalised_bounds : tuple of float
        Where it lies in 95 % of the cases if it is.
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
    error: FloatArray, cov: FloatArray, independent: float, log_density: FloatArray | None = None
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
    position = np.hypot(error[:, 0], error[:, 1])
    counted = max(round(independent), 1)
    inside = tuple(float(np.mean(squared <= region_point(level))) for level in LEVELS)
    bounds = interval(round(inside[-1] * counted), counted, CONFIDENCE)
    rms, predicted = float(np.sqrt(np.mean(position**2))), _root_mean(cov[:, 0, 0] + cov[:, 1, 1])
    return Score(
        count=len(error),
        independent=independent,
        dimensions=dimensions,
        rms_m=rms,
        predicted_m=predicted,
        p95_m=float(np.percentile(position, 95.0)),
        offset_m=(float(error[:, 0].mean()), float(error[:, 1].mean())),
        heading_rms_rad=_root_mean(error[:, 2] ** 2) if headed else None,
        heading_predicted_rad=_root_mean(cov[:, 2, 2]) if headed else None,
        inside=inside,
        inside_95=bounds,
        normalised=float(whole.mean()),
        normalised_bounds=chi_square_bounds(independent, dimensions),
        nll=-float(log_density.mean()),
        word=_word(inside, bounds, squared, predicted / rms if rms > 0.0 else np.inf, independent),
    )


def normalised(error: FloatArray, cov: FloatArray) -> FloatArray:
    """Return the normalised error squared of each error, shape (k,)."""
    return np.asarray(np.einsum("ki,ki->k", error, np.linalg.solve(cov, error[..., None])[..., 0]))


def chi_square_bounds(independent: float, dimensions: int) -> tuple[float, float]:
    """Return where the mean of so many normalised errors lies in 95 % of the cases."""
    freedom, tail = independent * dimensions, 0.5 * (1.0 - CONFIDENCE)
    low, high = (float(special.chdtri(freedom, p)) / independent for p in (1.0 - tail, tail))
    return low, high


def effective_count(series: FloatArray) -> float:
    """Return as how many independent values a dependent series counts.

    The length over the sum of the autocorrelations, pairs of which are added while they are positive (Geyer
    1992, the initial positive sequence).
    """
    n = len(series)
    centred = series - series.mean()
    variance = float(centred @ centred) / max(n, 1)
    if n < 4 or variance <= 0.0:
        return float(n)
    power = np.abs(np.fft.rfft(centred, 2 * n)) ** 2
    rho = np.fft.irfft(power)[:n] / n / variance
    pairs = rho[: n - n % 2].reshape(-1, 2).sum(axis=1)
    stop = int(np.argmax(pairs <= 0.0)) if np.any(pairs <= 0.0) else len(pairs)
    return float(np.clip(n / max(2.0 * pairs[:stop].sum() - 1.0, 1.0), 1.0, n))


def worst(words: Sequence[Word]) -> Word:
    """Return the verdict of several: the worst of them."""
    order: tuple[Word, ...] = ("overconfident", "overcautious", "cannot say", "calibrated")
    for word in order:
        if word in words:
            return word
    return "cannot say"


def _root_mean(values: FloatArray) -> float:
    return float(np.sqrt(np.mean(values)))


def _word(
    inside: tuple[float, ...],
    bounds: tuple[float, float],
    squared: FloatArray,
    ratio: float,
    independent: float,
) -> Word:
    """Return the verdict: wrong is what is out of the bounds by more than chance."""
    mean = float(squared.mean())
    if independent < FEWEST:
        surely = float(special.chdtri(2.0 * independent, _SURELY)) / independent
        return "overconfident" if mean > surely else "cannot say"
    half, wide = inside[1], inside[-1]
    low, high = chi_square_bounds(independent, 2)
    if wide < INSIDE_95[0] or half < INSIDE_68[0] or ratio < RMS_RATIO[0]:
        if bounds[1] < LEVELS[-1] or mean > high:
            return "overconfident"
        return "calibrated" if mean >= low else "cannot say"
    shy = wide > INSIDE_95[1] or half > INSIDE_68[1] or ratio > RMS_RATIO[1]
    return "overcautious" if shy and (bounds[0] > LEVELS[-1] or mean < low) else "calibrated"
