"""Dead reckoning fitted on some runs or stretches and judged on others, which are not looked at before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftgate.calibrate.dead_reckoning import NOISES, Segments, segments
from driftgate.calibrate.fit import Fit, fit, log_density, of_constants, predict_end
from driftgate.calibrate.score import Score, score
from driftgate.calibrate.tracks import bias_at_rest
from driftgate.calibrate.windows import Track, Windows, windows_between, windows_of, without_jumps
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.predict.doubt import fitted_numbers
from driftgate.predict.increments import DRIFT_KEYS
from driftgate.predict.sources import drift_sources
from driftgate.schema.robot import Robot

# What mattered on held-out stretches of the beacon data of J. Djugash, B. Hamner and S. Roth (2009);
# walks per second and per radian gave nothing more.
USUAL_CONSTANTS = ("heading_bias", "heading_scale", "crab_angle", "heading_latency")
USUAL_NOISES = ("distance_walk", "lateral_walk", "heading_walk:metre", "jitter:position", "jitter:heading")
BIAS = "heading_bias"


@dataclass(frozen=True)
class WindowPlan:
    """Over which windows errors are taken.

    Attributes
    ----------
    lengths_m : tuple of float
        Lengths; none: from each reference pose to the next ones, for references that are few.
    every_m : float
        Distance from start to start. [m]
    jump_m : float or None
        Windows over a sideways leap of the reference by more than this are left out; None: none is. [m]
    """

    lengths_m: tuple[float, ...]
    every_m: float
    jump_m: float | None = None

    def of(self, track: Track) -> Windows:
        """Return the windows of a track."""
        found = self.all_of(track)
        return found if self.jump_m is None else without_jumps(track, found, self.jump_m)

    def all_of(self, track: Track) -> Windows:
        """Return the windows of a track, those over leaps too."""
        return windows_of(track, self.lengths_m, self.every_m) if self.lengths_m else windows_between(track)


def fit_reckoning(
    tracks: Sequence[Track],
    plan: WindowPlan,
    keys: Sequence[str],
    noises: Sequence[str],
    slips: bool = False,
) -> tuple[Fit, tuple[float, ...]]:
    """Fit the error model on runs that share everything but their heading bias.

    Returns
    -------
    model : Fit
        With several runs its bias is the mean of theirs, and the bias's error is that of another run's.
    biases : tuple of float
        The bias of each run; empty if none was asked for. [rad/s]

    Raises
    ------
    ModelError
        If there are no windows.
    """
    # A run that shows nothing has no bias of its own, which would count as one of zero.
    shown = [(track, cut) for track in tracks if len(cut := plan.of(track))]
    tracks, windows = [track for track, _ in shown], [cut for _, cut in shown]
    if not tracks:
        raise ModelError("no windows to fit on")
    if len(tracks) == 1 or BIAS not in keys:
        found = fit(
            lambda values: [segments(t, w, values) for t, w in zip(tracks, windows, strict=True)],
            keys,
            noises,
            slips=slips,
        )
        return found, (found.constants[BIAS],) if BIAS in found.constants else ()
    own = [f"{BIAS}:{i}" for i in range(len(tracks))]

    def windows_at(values: Mapping[str, float]) -> list[Segments]:
        runs = []
        for track, some, name in zip(tracks, windows, own, strict=True):
            shared = {key: value for key, value in values.items() if not key.startswith(BIAS)}
            run = segments(track, some, {**shared, BIAS: values[name]})
            runs.append(replace(run, columns={**run.columns, name: run.columns[BIAS]}))
        return runs

    found = fit(windows_at, [*own, *(key for key in keys if key != BIAS)], noises, slips=slips)
    return _with_mean_bias(found, own), tuple(found.constants[name] for name in own)


def _with_mean_bias(found: Fit, own: Sequence[str]) -> Fit:
    """Return a fit with one bias in place of one for each run: what is known of a further run's."""
    biases = np.array([found.constants[name] for name in own])
    constants = {BIAS: float(biases.mean())}
    constants |= {key: value for key, value in found.constants.items() if key not in own}
    keep = [i for i, name in enumerate(found.names) if name not in own]
    covariance = np.zeros((len(keep) + 1, len(keep) + 1))
    covariance[0, 0] = float(biases.var(ddof=1)) * (1.0 + 1.0 / len(own))
    covariance[1:, 1:] = found.covariance[np.ix_(keep, keep)]
    names = (BIAS, *(found.names[i] for i in keep))
    return replace(found, constants=constants, names=names, covariance=covariance)


def with_bias(model: Fit, value: float, error: float) -> Fit:
    """Return a model with another heading bias and what is not known of it. [rad/s]"""
    if BIAS not in model.names:
        return model
    i = model.names.index(BIAS)
    covariance = model.covariance.copy()
    covariance[i, :] = covariance[:, i] = 0.0
    covariance[i, i] = error**2
    return replace(model, constants={**model.constants, BIAS: value}, covariance=covariance)


def for_another_run(model: Fit, biases: Sequence[float], track: Track) -> tuple[Fit, str]:
    """Return the model for a run that it was not fitted on, and a warning; empty if all is well.

    Scales, latency and lateral walk carry over from run to run, a gyro's bias does not. It is that of the
    run's own standstill; else a draw from those of the fitted runs, if they are three or more;
    else it is unknown but for its size.
    """
    if BIAS not in model.constants:
        return model, ""
    rest = bias_at_rest(track)
    if rest is not None:
        return with_bias(model, *rest), ""
    if len(biases) >= _FEWEST_RUNS:
        return model, ""
    size = float(np.sqrt(np.mean(np.square(biases)))) if len(biases) else 0.0
    words = f"run '{track.name}' does not stand still before it starts, so that its heading bias is unknown; "
    return with_bias(model, 0.0, size), words + "the prediction is widened by the bias of the fitted run"


_FEWEST_RUNS = 3


@dataclass(frozen=True)
class ReckoningScore:
    """Windows of one length.

    Attributes
    ----------
    length_m : float
        The length, or how many reference poses the windows go on.
    model, zero_mean : Score
        The model's, and that of a model of the same noises whose constants are all zero, if there is one.
    """

    length_m: float
    model: Score
    zero_mean: Score | None


def score_reckoning(
    tracks: Sequence[Track], models: Sequence[Fit], plan: WindowPlan, zero_mean: Fit | None
) -> list[ReckoningScore]:
    """Return how the models of runs predict the errors of their windows, by length.

    Parameters
    ----------
    tracks, models : sequence
        The runs, and each one's model.
    plan : WindowPlan
        The windows.
    zero_mean : Fit, optional
        The model to compare with.
    """
    windows = [plan.of(track) for track in tracks]
    lengths = sorted({float(length) for w in windows for length in w.length_m})
    found = []
    for length in lengths:
        picked = [w.pick(w.length_m == length) for w in windows]
        own = _score(tracks, models, picked)
        if own is None:
            continue
        plain = None if zero_mean is None else _score(tracks, [zero_mean] * len(tracks), picked)
        found.append(ReckoningScore(length, own, plain))
    return found


def _score(tracks: Sequence[Track], models: Sequence[Fit], windows: Sequence[Windows]) -> Score | None:
    errors: list[FloatArray] = []
    covs: list[FloatArray] = []
    logs: list[FloatArray] = []
    shared: list[FloatArray] = []
    headed = all(
        np.isfinite(track.reference[w.end, 2]).all() for track, w in zip(tracks, windows, strict=True)
    )
    for track, model, some in zip(tracks, models, windows, strict=True):
        at = segments(track, some, model.constants)
        mean, cov = predict_end(at, model)
        errors.append(at.error - mean)
        covs.append(cov)
        logs.append(log_density(at, model, 3 if headed else 2))
        shared.append(of_constants(at, model)[0])
    weight = sum(float(w.weight.sum()) for w in windows)
    size = 3 if headed else 2
    independent = independent_of_constants(weight, covs, shared, size)
    return score(np.concatenate(errors), np.concatenate(covs), independent, np.concatenate(logs))


def independent_of_constants(
    weight: float, covs: Sequence[FloatArray], factors: Sequence[FloatArray], size: int
) -> float:
    r"""Return as how many independent errors those count that share unknown constants within a run.

    A run's bias is one draw, however many windows show it. The mean of the normalised errors squared of
    *K* windows has the variance :math:`2 K^{-2} \sum_{kl} \mathrm{tr}(S_k^{-1} C_{kl} S_l^{-1} C_{lk})` if
    they are normal, with :math:`S` the predicted covariances and :math:`C_{kl}` what two windows share;
    *N* independent errors of *d* components have :math:`2 d / N` (JCGM 101:2008 needs no more: variance of
    a quadratic form). What overlapping windows share besides the constants is in `weight` already.

    Parameters
    ----------
    weight : float
        As how many the windows would count but for the constants.
    covs : sequence of ndarray, shape (k, 3, 3)
        Predicted covariance of each window's error, by run.
    factors : sequence of ndarray, shape (k, 3, c)
        A factor of the part of it that the constants make.
    size : int
        Components that are scored.
    """
    count = sum(len(cov) for cov in covs)
    if not count or not weight > 0.0:
        return weight
    shared = 0.0
    for cov, factor in zip(covs, factors, strict=True):
        part = factor[:, :size]
        each = part.transpose(0, 2, 1) @ np.linalg.solve(cov[:, :size, :size], part)
        shared += float(np.sum(np.square(each.sum(axis=0))) - np.sum(np.square(each)))
    return 1.0 / (1.0 / weight + max(shared, 0.0) / (size * count**2))


def robot_model(robot: Robot) -> Fit:
    """Return the error model of a robot file as a fit: means, and spreads over runs as their errors.

    Where the file says how well a mean is known (`fitted`), that is part of the error too.
    """
    sources, noise = drift_sources(robot)
    known = [c for c in sources if c.key in DRIFT_KEYS]
    constants = {c.key: c.mean for c in known}
    mean_error = {number.key: number.mean_error for number in fitted_numbers(robot)}
    spread = np.array([np.hypot(c.spread, mean_error.get(c.key, 0.0)) for c in known])
    sds = {
        "distance_walk": noise.distance_per_root_m,
        "lateral_walk": noise.lateral_per_root_m,
        "heading_walk:metre": noise.heading_per_root_m,
        "heading_walk:second": noise.heading_per_root_s,
        "heading_walk:radian": noise.heading_per_root_rad,
    }
    names = (*constants, *(name for name in NOISES if name in sds))
    covariance = np.zeros((len(names), len(names)))
    covariance[: len(spread), : len(spread)] = np.diag(np.square(spread))
    return Fit(constants, sds, names, covariance, 0, 0.0, float("nan"))


def with_reference_spread(model: Fit, spread: tuple[float, float, float] | None) -> Fit:
    """Return a model that knows how well the reference was measured: jitter at both ends of a window.

    A fitted model has found it out for itself.
    """
    if spread is None:
        return model
    x, y, heading = spread
    jitter = {"jitter:position": float(np.sqrt(0.5 * (x * x + y * y))), "jitter:heading": heading}
    return replace(model, noise={**model.noise, **jitter})
