"""Dead reckoning fitted on some runs or stretches and judged on others, which are not looked at before."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftgate.calibrate.dead_reckoning import Segments, segments
from driftgate.calibrate.fit import (
    Fit,
    fit,
    log_density,
    of_constants,
    plain_covariance,
    possible_by_size,
    predict_end,
    squared_distances,
    typical,
)
from driftgate.calibrate.lost import common_of_constants, lost_by_sizes
from driftgate.calibrate.run_bias import BIAS, with_mean, with_own
from driftgate.calibrate.score import Score, normalised, score
from driftgate.calibrate.usual import (
    BESIDE_USUAL,
    CONSTANTS,
    FEWEST_RUNS,
    SIDEWAYS,
    all_in_words,
    drives_of,
    in_words,
)
from driftgate.calibrate.usual import NOISES as USUAL_SIZES
from driftgate.calibrate.windows import Track, Windows, windows_between, windows_of, without_jumps
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray

# What mattered on held-out stretches of the beacon data of J. Djugash, B. Hamner and S. Roth (2009);
# walks per second and per radian gave nothing more.
USUAL_CONSTANTS = ("heading_bias", "heading_scale", "crab_angle", "heading_latency")
USUAL_NOISES = ("distance_walk", "lateral_walk", "heading_walk:metre", "jitter:position", "jitter:heading")
# Constants that are like another one in size.
_LIKE = {"lateral_slip:speed": "heading_latency"}
_LEFT = "not found in what was fitted, and left at what the robot file has"
_TOGETHER = "known together from what was fitted, and not each by itself"
# A noise that is uncertain by so many times its usual size has not been found.
_WIDE = 2.0


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
    usual: Mapping[str, float] | None = None,
) -> tuple[Fit, tuple[Fit | None, ...]]:
    """Fit the error model on runs that share everything but what differs from run to run.

    A weak prior, `BESIDE_USUAL` times as wide as a constant usually is, holds what no window shows.

    Parameters
    ----------
    tracks : sequence of Track
        The runs.
    plan : WindowPlan
        The windows.
    keys, noises : sequence of str
        What is fitted.
    slips : bool
        Whether rare slips are fitted as well.
    usual : mapping, optional
        Which constants differ from run to run, and how far they usually do, which is taken for less than
        `FEWEST_RUNS` runs; None: the heading bias.

    Returns
    -------
    model : Fit
        For a further run: with several runs its constants are the means of theirs, and their errors those of
        one run's about them.
    own : tuple of Fit or None
        For each of these runs: with its own constants. None where a run has no windows.

    Raises
    ------
    ModelError
        If there are no windows, or fewer than determine what is to be fitted.
    """
    usual = {BIAS: 0.0} if usual is None else usual
    anew = tuple(key for key in keys if key in usual)
    # A run that shows nothing has no constants of its own, which would count as zero.
    cuts = [plan.of(track) for track in tracks]
    shown = [i for i, cut in enumerate(cuts) if len(cut)]
    if not shown:
        raise ModelError(f"no windows to fit on: {why_no_windows(plan, tracks)}")
    if len(shown) == 1 or not anew:
        found = fit(
            lambda values: [segments(tracks[i], cuts[i], values) for i in shown],
            keys, noises, prior=_weak_prior(keys), slips=slips,
        )  # fmt: skip
        found = replace(found, of_each_run=anew)
        return found, tuple(found if i in shown else None for i in range(len(tracks)))
    own = {i: {f"{key}@{i}": key for key in anew} for i in shown}

    def windows_at(values: Mapping[str, float]) -> list[Segments]:
        runs = []
        for i, named in own.items():
            shared = {key: value for key, value in values.items() if "@" not in key}
            at = {**shared, **{key: values[name] for name, key in named.items()}}
            run = segments(tracks[i], cuts[i], at)
            columns = {name: run.columns[key] for name, key in named.items() if key in run.columns}
            runs.append(replace(run, columns={**run.columns, **columns}))
        return runs

    every = [name for named in own.values() for name in named]
    names = [*every, *(key for key in keys if key not in anew)]
    found = fit(windows_at, names, noises, prior=_weak_prior(names), slips=slips)
    found = replace(found, of_each_run=anew)
    models = tuple(with_own(found, own[i], every) if i in own else None for i in range(len(tracks)))
    further = found
    for key in anew:
        known = usual[key] if len(shown) < FEWEST_RUNS and key != BIAS else None
        further = with_mean(further, [f"{key}@{i}" for i in shown], key, known)
    return further, models


def _weak_prior(names: Sequence[str]) -> dict[str, tuple[float, float]]:
    """Return a prior for each constant, its run left out of its name."""
    sizes = {usual.key: usual.size for usual in CONSTANTS}
    found = {}
    for name in names:
        key = name.partition("@")[0]
        found[name] = (0.0, BESIDE_USUAL * sizes[_LIKE.get(key, key)])
    return found


def poorly_shown(model: Fit) -> list[str]:
    """Return a warning for each constant or noise that the windows do not show, with the drive that would."""
    found = []
    together = {key for group in model.together for key in group}
    for usual in CONSTANTS:
        if usual.key in together:
            continue
        unsure = usual.key in model.names and model.mean_error_of(usual.key) > usual.size
        if unsure or usual.key in model.left:
            found.append((usual.key, usual.drive))
    for noise in USUAL_SIZES:
        if noise.field and noise.key in model.names and model.error_of(noise.key) > _WIDE * noise.size:
            found.append((noise.key, noise.drive))
    several = [
        f"{all_in_words(group)} are {_TOGETHER}, so that predictions are wide where they act otherwise; what "
        f"would tell them apart: {drives_of(group)}"
        for group in model.together
    ]
    return several + [
        f"{in_words(key)} is {_LEFT if key in model.left else 'hardly known from what was fitted'}, so that "
        f"predictions are wide where it acts; what would show it: {drive}"
        for key, drive in found
    ]


def scales_of(tracks: Sequence[Track]) -> tuple[str, ...]:
    """Return the scales of the wheels of runs: that of the sideways one too if any of them moves sideways."""
    sideways = any(np.any(track.twist[:, 1]) for track in tracks)
    return ("distance_scale", SIDEWAYS) if sideways else ("distance_scale",)


def why_no_windows(plan: WindowPlan, tracks: Sequence[Track]) -> str:
    """Return what keeps runs from having windows, and what to do about it."""
    placed = [np.flatnonzero(np.isfinite(track.reference).all(axis=1)) for track in tracks]
    if max((len(rows) for rows in placed), default=0) < 2:
        return "nowhere are there two reference poses with a heading; measure more of them"
    if not plan.lengths_m:
        return "the reference leaps in all of them; see --jump"
    longest = max(
        float(np.ptp(t.distance_m[rows])) for t, rows in zip(tracks, placed, strict=True) if len(rows)
    )
    shortest = min(plan.lengths_m)
    if longest >= shortest:
        return "the reference leaps in all of them; see --jump"
    return (
        f"from reference pose to reference pose it is {longest:.3g} m at most, and the shortest window "
        f"{shortest:g} m; give a shorter --length, or --between where poses are few"
    )


@dataclass(frozen=True)
class ReckoningScore:
    """Windows of one length.

    Attributes
    ----------
    length_m : float or None
        The length; None for windows between reference poses.
    poses_on : int or None
        How many reference poses on such windows end.
    model, zero_mean : Score
        The model's, and that of a model of the same noises whose constants are all zero, if there is one.
    doubted : Score or None
        That of the model with its sizes as uncertain as they are, where the model's own may blame it.
    """

    length_m: float | None
    poses_on: int | None
    model: Score
    zero_mean: Score | None
    doubted: Score | None = None


def score_reckoning(
    tracks: Sequence[Track],
    models: Sequence[Fit],
    plan: WindowPlan,
    zero_mean: Fit | None,
    doubted: Sequence[Fit] = (),
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
    doubted : sequence of Fit
        Each run's model with its sizes as uncertain as they are, if that is not in the models.
    """
    windows = [plan.of(track) for track in tracks]
    lengths = sorted({float(length) for w in windows for length in w.length_m})
    found = []
    for length in lengths:
        picked = [w.pick(w.length_m == length) for w in windows]
        # (A run without any has none of this length, or stands.)
        some = [i for i, windows_of in enumerate(picked) if len(windows_of)]
        own_tracks, picked = [tracks[i] for i in some], [picked[i] for i in some]
        own = _score(own_tracks, [models[i] for i in some], picked)
        if own is None:
            continue
        plain = None if zero_mean is None else _score(own_tracks, [zero_mean] * len(some), picked)
        named = (length, None) if plan.lengths_m else (None, int(length))
        unsure = None
        # One score alone is blamed more easily than one of several.
        if doubted and own.word == "overconfident":
            unsure = _score(own_tracks, [doubted[i] for i in some], picked)
        found.append(ReckoningScore(named[0], named[1], own, plain, unsure))
    return found


def _score(tracks: Sequence[Track], models: Sequence[Fit], windows: Sequence[Windows]) -> Score | None:
    errors: list[FloatArray] = []
    covs: list[FloatArray] = []
    logs: list[FloatArray] = []
    squared: list[FloatArray | None] = []
    whole: list[FloatArray | None] = []
    shared: list[FloatArray] = []
    common: list[FloatArray] = []
    doubts: list[FloatArray] = []
    plains: list[FloatArray] = []
    headed = all(
        np.isfinite(track.reference[w.end, 2]).all() for track, w in zip(tracks, windows, strict=True)
    )
    size = 3 if headed else 2
    for track, model, some in zip(tracks, models, windows, strict=True):
        at = segments(track, some, model.constants)
        by_size = possible_by_size(at, model)
        mean, cov = predict_end(at, model, by_size)
        errors.append(at.error - mean)
        covs.append(cov)
        logs.append(log_density(at, model, size, by_size))
        squared.append(squared_distances(at, model, 2, by_size))
        whole.append(squared_distances(at, model, size, by_size))
        known = typical(model)
        shared.append(of_constants(at, known)[0])
        common.append(common_of_constants(at, known))
        plains.append(plain_covariance(at, model))
        doubts.append(lost_by_sizes(at, model, plains[-1], size, by_size))
    weight = sum(float(w.weight.sum()) for w in windows)
    independent = independent_of_constants(weight, plains, shared, size, common)
    if independent > 0.0:
        # The sizes of the noises are known as well as so many errors tell, and are the same in all windows.
        lost = np.square(np.concatenate(doubts).mean(axis=0))
        independent = 1.0 / (1.0 / independent + float(lost.sum()))
    distances = None
    if any(own is not None for own in squared):
        distances = _joined(squared, errors, covs, 2), _joined(whole, errors, covs, size)
    return score(
        np.concatenate(errors), np.concatenate(covs), independent, np.concatenate(logs), distances=distances
    )


def _joined(
    own: Sequence[FloatArray | None], errors: Sequence[FloatArray], covs: Sequence[FloatArray], size: int
) -> FloatArray:
    """Return the normalised errors squared of all runs, normal ones where a model has no slips."""
    return np.concatenate(
        [
            normalised(error[:, :size], cov[:, :size, :size]) if squared is None else squared
            for squared, error, cov in zip(own, errors, covs, strict=True)
        ]
    )


def independent_of_constants(
    weight: float,
    covs: Sequence[FloatArray],
    factors: Sequence[FloatArray],
    size: int,
    common: Sequence[FloatArray] = (),
) -> float:
    r"""Return as how many independent errors those count that share unknown constants.

    A run's bias is one draw, however many windows show it, and a scale of one fit is one draw for all runs.
    The mean of the normalised errors squared of
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
    common : sequence of ndarray, shape (k, 3, c), optional
        A factor of what all runs share, the same draws in each; none: nothing.
    """
    count = sum(len(cov) for cov in covs)
    if not count or not weight > 0.0:
        return weight
    shared = 0.0
    for cov, factor in zip(covs, factors, strict=True):
        each = _seen_of(cov, factor, size)
        shared += float(np.sum(np.square(each.sum(axis=0))) - np.sum(np.square(each)))
    if common:
        runs = [_seen_of(cov, part, size).sum(axis=0) for cov, part in zip(covs, common, strict=True)]
        shared += float(np.sum(np.square(sum(runs))) - sum(np.sum(np.square(run)) for run in runs))
    return 1.0 / (1.0 / weight + max(shared, 0.0) / (size * count**2))


def _seen_of(cov: FloatArray, factor: FloatArray, size: int) -> FloatArray:
    """Return what each window's normalised error shows of the draws of a factor, shape (k, c, c)."""
    part = factor[:, :size]
    return np.asarray(part.transpose(0, 2, 1) @ np.linalg.solve(cov[:, :size, :size], part))
