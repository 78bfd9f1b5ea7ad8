"""The heading bias of a run: its own, that of its standstill, or what the spread between runs leaves open.

Scales, latency and lateral walk carry over from run to run, a gyro's bias does not: it is found anew at each
standstill. What a prediction may know of it depends on what is asked:

- *the rest of a run*, after its first part was looked at: its own bias, as well as that part shows it;
- *a run not yet seen* that stands still before it starts: the heading rate at that standstill, which the
  robot has as well before it moves;
- *a run not yet seen* otherwise: one draw more of what differs between the runs that were seen, so that
  their spread is part of the prediction.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from driftgate.calibrate.component import least
from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.mixed import Block, fit_mixed
from driftgate.calibrate.tracks import bias_at_rest
from driftgate.calibrate.usual import CONSTANTS, FEWEST_RUNS
from driftgate.calibrate.windows import Track

BIAS = "heading_bias"
# Standstills that agree so badly with the rest of their runs say nothing of the gyro: something steers there.
REST_CHANCE = 0.005
# No gyro's bias is known better. [rad/s]
_FLOOR = 1e-7


@dataclass(frozen=True)
class RunBias:
    """What a prediction takes for the heading bias of a run.

    Attributes
    ----------
    run : str
        The run.
    value, error : float
        The bias and what is not known of it, a standard deviation. [rad/s]
    known_by : str
        How it is known, in words.
    """

    run: str
    value: float
    error: float
    known_by: str


def run_bias(model: Fit, track: Track, known_by: str) -> RunBias | None:
    """Return the bias that a model has for a run; None if it has none."""
    if BIAS not in model.names:
        return None
    return RunBias(track.name, model.constants[BIAS], model.error_of(BIAS), known_by)


def with_own(found: Fit, own: Mapping[str, str], every: Iterable[str]) -> Fit:
    """Return a fit of several runs as one of them has it: with its own constants, and the errors they share.

    Parameters
    ----------
    found : Fit
        With constants for each run.
    own : mapping
        The constants, by the names that this run has for them.
    every : iterable of str
        The names that all runs have for theirs.
    """
    others = set(every) - set(own)
    keep = [i for i, name in enumerate(found.names) if name not in others]
    named = own
    constants = {named.get(k, k): v for k, v in found.constants.items() if k not in others}
    names = tuple(named.get(found.names[i], found.names[i]) for i in keep)
    return replace(found, constants=constants, names=names, covariance=found.covariance[np.ix_(keep, keep)])


def with_mean(found: Fit, own: Sequence[str], key: str = BIAS, usual: float | None = None) -> Fit:
    """Return a fit with one constant in place of one for each run: what is known of a further run's.

    Runs differ, and each one's is known as well as the run shows it: a short one says little. So they
    count by the inverse of both variances together, what they differ by beyond their own errors having been
    found by restricted likelihood (`driftgate.calibrate.mixed`). The error is such that a normal distribution
    has the 95 % interval of a further draw (Student's t).

    Parameters
    ----------
    found : Fit
        With a constant for each run.
    own : sequence of str
        Their names for it.
    key : str
        Which constant.
    usual : float, optional
        How far runs are taken to differ, where they are too few to show it.
    """
    biases = np.array([found.constants[name] for name in own])
    at = [found.names.index(name) for name in own]
    keep = [i for i, name in enumerate(found.names) if name not in own]
    errors = found.covariance[np.ix_(at, at)]
    count = len(own)
    ones = np.ones((count, 1))
    known = errors + _FLOOR**2 * np.eye(count)
    block = Block(biases, ones, known, np.eye(count)[None])
    size = max(float(biases.std()), _FLOOR)
    # As wide a prior as makes no difference: a turn a second, six times the range.
    between = fit_mixed([block], np.array([2.0 * np.pi]), np.zeros(1), np.array([size]))
    best = least(float(between.variance[0]), float(between.of_variance[0])) if usual is None else usual**2
    weights = np.linalg.solve(known + best * np.eye(count), ones)[:, 0]
    weights /= weights.sum()
    # As many runs as would tell as much if all counted alike (L. Kish, Survey Sampling, 1965; from memory).
    mean = float(weights @ (known + best * np.eye(count)) @ weights)
    freedom = max(1.0 / float(weights @ weights) - 1.0, 1.0)
    # That runs differ as usual is not known from so few.
    wider = 1.0 if usual is not None else t_widening(freedom)
    constants = {key: float(weights @ biases)}
    constants |= {key: value for key, value in found.constants.items() if key not in own}
    covariance = np.zeros((len(keep) + 1, len(keep) + 1))
    covariance[0, 0] = wider**2 * (best + mean)
    covariance[0, 1:] = covariance[1:, 0] = weights @ found.covariance[np.ix_(at, keep)]
    covariance[1:, 1:] = found.covariance[np.ix_(keep, keep)]
    names = (key, *(found.names[i] for i in keep))
    return replace(found, constants=constants, names=names, covariance=covariance)


def with_bias(model: Fit, value: float, error: float) -> Fit:
    """Return a model with another heading bias and what is not known of it. [rad/s]"""
    if BIAS not in model.names:
        return model
    i = model.names.index(BIAS)
    covariance = model.covariance.copy()
    covariance[i, :] = covariance[:, i] = 0.0
    covariance[i, i] = error**2
    common = model.common
    if common is not None:
        common = common.copy()
        common[i, :] = common[:, i] = 0.0
    constants = {**model.constants, BIAS: value}
    spread = {key: size for key, size in model.spread.items() if key != BIAS}
    return replace(model, constants=constants, covariance=covariance, common=common, spread=spread)


def rests_agree(models: Sequence[Fit | None], tracks: Sequence[Track]) -> bool:
    """Return whether the standstills of runs show the heading bias that they were driven with.

    They do not where something steers the heading at rest, as a controller that holds it, or where the gyro
    is set to zero there. Asked of the runs that were fitted, whose own bias is known from the way.

    Parameters
    ----------
    models, tracks : sequence
        The runs fitted, each with its own constants; None where a run shows nothing.
    """
    square, count = 0.0, 0
    for model, track in zip(models, tracks, strict=True):
        rest = bias_at_rest(track)
        if model is None or rest is None or BIAS not in model.names:
            continue
        square += (model.constants[BIAS] - rest[0]) ** 2 / (model.error_of(BIAS) ** 2 + rest[1] ** 2)
        count += 1
    return count == 0 or float(special.chdtrc(count, square)) > REST_CHANCE


def for_another_run(
    model: Fit, biases: Sequence[float], track: Track, rested: bool = True
) -> tuple[Fit, RunBias | None, str]:
    """Return the model for a run that it was not fitted on, its bias, and a warning; empty if all is well.

    The bias is that of the run's own standstill; else a draw from those of the fitted runs, if they are three
    or more; else it is unknown but for its size.

    Parameters
    ----------
    model : Fit
        As `with_mean` returns it, or that of a single run.
    biases : sequence of float
        Those of the fitted runs. [rad/s]
    track : Track
        The run.
    rested : bool
        Whether a standstill shows the bias (`rests_agree`).
    """
    if BIAS not in model.constants:
        return model, None, ""
    rest = bias_at_rest(track) if rested else None
    if rest is not None:
        stood = with_bias(model, *rest)
        return stood, run_bias(stood, track, "its own standstill"), ""
    why = "does not stand still before it starts" if rested else "shows nothing at its standstill"
    words = f"run '{track.name}' {why}, so that its heading bias is unknown; "
    if len(biases) >= FEWEST_RUNS:
        words += f"the prediction is widened by the spread between the {len(biases)} fitted runs"
        return model, run_bias(model, track, "spread between the fitted runs"), words
    words += "the prediction is widened by what so few fitted runs leave open of its size"
    size = _size_of_few(biases)
    unknown = with_bias(model, 0.0, size)
    return unknown, run_bias(unknown, track, "not known but for its size"), words


def _size_of_few(biases: Sequence[float]) -> float:
    """Return a standard deviation of a bias of which few others were seen.

    Of n draws about zero with the root mean square r, one more is r times a Student's t of n degrees of
    freedom. And it is no smaller than a gyro's usually is: one run whose bias is near zero shows nothing.
    """
    usual = next(constant.size for constant in CONSTANTS if constant.key == BIAS)
    count = len(biases)
    if not count:
        return usual
    wider = t_widening(float(count))
    return max(usual, wider * float(np.sqrt(np.mean(np.square(biases)))))
