r"""Each constant of a robot file, held against what the runs judged show of it.

The mean square of many windows hardly sees that one constant is off: most of each window's error is
something else, and windows of a run share its constants, so that six runs count as a few errors. So each
constant is asked by itself, in the direction in which it would act, with all others as uncertain as the file
has them:

- is its **mean** off, to one side in all runs? The score test of a shift :math:`\delta` of the errors
  :math:`e \sim N(x \delta, V)` is :math:`t = x^T V^{-1} e / \sqrt{x^T V^{-1} x}`, standard normal if the
  file is right (D. R. Cox and D. V. Hinkley, Theoretical Statistics, 1974, section 9.3; from memory, checked
  by simulation). *V* has the noises, the spreads between runs and how well the means are known;
- does it **differ more** between runs than its spread says? The weighted sum of squares of the runs' own
  values about their mean is chi-square of one degree of freedom less than runs.

Spreads known from few runs are drawn as the trials draw them (`driftgate.predict.doubt`), the errors of the
means with them, and the chance of what was seen is the mean over all draws: where noise is small that is
Student's t of the file's degrees of freedom, and Fisher's F. Noise is taken as large as the runs themselves
show where that is more than the file says, so that no constant is blamed for walks that are too small.

What a run shows, its standstill with it, is in `driftgate.calibrate.shown_constants`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy import special

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.run_bias import BIAS, REST_CHANCE
from driftgate.calibrate.score import FALSE_ALARM
from driftgate.calibrate.shown_constants import TINY, RestRate, Shown, rests_of, shown_by, with_rest
from driftgate.calibrate.usual import CONSTANTS, SIDEWAYS
from driftgate.core.pose import FloatArray
from driftgate.predict.doubt import MOST_FACTOR

Finding = Literal["", "off to one side", "differs more"]
# Of the false alarms that a backtest allows itself this share is that of the constants, all tests together.
SHARE = 0.5
# How often what so many runs are said to show would be found.
FOUND_SHARE = 0.8
_DRAWS, _SEED = 4096, 11
# The variance, in usual sizes, of one that is set free; how often a range is halved.
_FREE, _HALVINGS = 1e4, 40


@dataclass(frozen=True)
class ConstantScore:
    """A constant of the file, and what the runs show of it.

    Attributes
    ----------
    key : str
        The constant.
    mean, spread, error : float
        Of the file: mean, how far runs lie from it, and how well it is known for all of them.
    shown : float
        The mean that these runs show, given all that the file says of the others.
    alike : int
        In how many of the runs it lies on that side of the file's mean.
    chance : float
        How often chance makes a mean that is as far off, if the file is right.
    findable : float
        How far off its mean must be to be found in `FOUND_SHARE` of such sets of runs.
    differs : float or None
        The spread between runs that these runs show; None of what is one number in all runs, or of one run.
    differs_chance : float
        How often chance makes one as large.
    finding : str
        What is found of it.
    """

    key: str
    mean: float
    spread: float
    error: float
    shown: float
    alike: int
    chance: float
    findable: float
    differs: float | None
    differs_chance: float
    finding: Finding = ""


@dataclass(frozen=True)
class FileConstants:
    """What runs show of the constants of a robot file.

    Attributes
    ----------
    runs : int
        How many runs show anything.
    constants : tuple of ConstantScore
        Those that they show.
    level : float
        The chance below which something is found: that of all tests together, shared out evenly.
    rests : tuple of RestRate
        The runs' standstills.
    rest_used : bool
        Whether these agree with the rest of the runs, and are used.
    """

    runs: int
    constants: tuple[ConstantScore, ...]
    level: float
    rests: tuple[RestRate, ...]
    rest_used: bool

    @property
    def found(self) -> tuple[ConstantScore, ...]:
        """What is off, the surest first."""
        off = [one for one in self.constants if one.finding]
        return tuple(sorted(off, key=lambda one: min(one.chance, one.differs_chance)))


@dataclass(frozen=True)
class _Says:
    """What the file says of p constants, in units of their usual sizes.

    `between` has the variances of what each run has anew, shape (p,), and `common` the covariance of what all
    runs have alike, shape (p, p).
    """

    between: FloatArray
    common: FloatArray


@dataclass(frozen=True)
class _OfRuns:
    """Scores and information of r runs under n draws of the spreads, shapes (r, n, p) and (r, n, p, p)."""

    score: FloatArray
    told: FloatArray


def hold_constants(
    runs: Sequence[LoggedRun], model: Fit, freedom: Mapping[str, float]
) -> FileConstants | None:
    """Hold the constants of a robot file against runs.

    Parameters
    ----------
    runs : sequence of LoggedRun
        The runs judged.
    model : Fit
        The file's error model (`driftgate.calibrate.robot_model`).
    freedom : mapping
        Degrees of freedom of the spreads of constants, where the file says them.

    Returns
    -------
    FileConstants or None
        None if no run has two reference poses.
    """
    used = [run for run in runs if run.poses >= 2]
    keys = _asked(model)
    if not used or not keys:
        return None
    sizes = _sizes(keys, model)
    shown = shown_by(used, keys, sizes, model)
    seen = [k for k, key in enumerate(keys) if sum(one.information[k, k] for one in shown) > TINY]
    if not seen:
        return None
    keys, sizes = [keys[k] for k in seen], sizes[seen]
    shown = [Shown(one.information[np.ix_(seen, seen)], one.score[seen]) for one in shown]
    says = _file_says(keys, sizes, model)
    factors = _factors(keys, freedom)
    rests, used_at_rest = rests_of(used), False
    if BIAS in keys and any(rest is not None for rest in rests):
        k = keys.index(BIAS)
        with_rests = [
            one if rest is None else with_rest(one, k, rest, model, float(sizes[k]))
            for one, rest in zip(shown, rests, strict=True)
        ]
        used_at_rest = _agree(shown, rests, k, model, float(sizes[k]), says)
        shown = with_rests if used_at_rest else shown
    tests = len(keys) + (int(np.sum(says.between > 0.0)) if len(used) > 1 else 0)
    level = SHARE * FALSE_ALARM / tests
    scores = _searched(keys, sizes, shown, says, factors, level, model)
    known = tuple(rest for rest in rests if rest is not None)
    return FileConstants(len(used), scores, level, known, used_at_rest)


def _asked(model: Fit) -> list[str]:
    """Return the constants asked for: those usually asked, and what else the file has."""
    usual = [c.key for c in CONSTANTS if c.key != SIDEWAYS or c.key in model.constants]
    others = [key for key in model.constants if key not in usual and model.error_of(key) > 0.0]
    return [*usual, *others]


def _sizes(keys: Sequence[str], model: Fit) -> FloatArray:
    usual = {c.key: c.size for c in CONSTANTS}
    return np.array([usual.get(key, 0.0) or model.error_of(key) or 1.0 for key in keys])


def _file_says(keys: Sequence[str], sizes: FloatArray, model: Fit) -> _Says:
    whole, common = np.zeros((len(keys), len(keys))), np.zeros((len(keys), len(keys)))
    known = [k for k, key in enumerate(keys) if key in model.names]
    pick = [model.names.index(keys[k]) for k in known]
    whole[np.ix_(known, known)] = model.covariance[np.ix_(pick, pick)]
    if model.common is not None:
        common[np.ix_(known, known)] = model.common[np.ix_(pick, pick)]
    unit = np.outer(sizes, sizes)
    between = np.maximum(np.diag((whole - common) / unit), 0.0)
    between[between < TINY] = 0.0
    return _Says(between, common / unit)


def _factors(keys: Sequence[str], freedom: Mapping[str, float]) -> FloatArray:
    """Return by what each spread may be larger than the file has it, shape (n, p): as the trials draw it."""
    rng = np.random.default_rng(_SEED)
    even = (np.argsort(rng.random((_DRAWS, len(keys))), axis=0) + 0.5) / _DRAWS
    factors = np.ones((_DRAWS, len(keys)))
    for k, key in enumerate(keys):
        if key in freedom:
            squares = freedom[key] / special.chdtri(freedom[key], even[:, k])
            factors[:, k] = np.minimum(np.sqrt(squares), MOST_FACTOR)
    return factors


def _agree(
    shown: Sequence[Shown],
    rests: Sequence[RestRate | None],
    k: int,
    model: Fit,
    size: float,
    says: _Says,
) -> bool:
    """Return whether the standstills are those of the gyro that the runs were driven with."""
    others = np.diag(says.between) + says.common
    others[k, :] = others[:, k] = 0.0
    square, count = 0.0, 0
    for one, rest in zip(shown, rests, strict=True):
        carried = np.linalg.inv(np.eye(len(others)) + one.information @ others)
        told = float((carried @ one.information)[k, k])
        if rest is None or told <= TINY:
            continue
        own = float((carried @ one.score)[k]) / told
        off = own - (rest.value - model.constants.get(BIAS, 0.0)) / size
        square += off**2 / (1.0 / told + (rest.error / size) ** 2)
        count += 1
    return count == 0 or float(special.chdtrc(count, square)) > REST_CHANCE


def _searched(
    keys: Sequence[str],
    sizes: FloatArray,
    shown: Sequence[Shown],
    says: _Says,
    factors: FloatArray,
    level: float,
    model: Fit,
) -> tuple[ConstantScore, ...]:
    """Return what is found of each constant: the surest first, then the others with that one set free.

    One that is off bends what the others seem to be, so each is asked again once that is known.
    """
    drawn = _of_runs(shown, says.between, factors)
    typical = _of_runs(shown, says.between, np.ones((1, len(keys))))
    free: dict[str, ConstantScore] = {}
    while True:
        loose = replace(says, common=says.common + np.diag([_FREE * (key in free) for key in keys]))
        scores = [
            free.get(one.key, one) for one in _scored(keys, sizes, drawn, typical, loose, factors, model)
        ]
        surest = min((one for one in scores if one.key not in free), key=_chance, default=None)
        if surest is None or _chance(surest) >= level:
            break
        finding: Finding = "off to one side" if surest.chance <= surest.differs_chance else "differs more"
        free[surest.key] = replace(surest, finding=finding)
    ends = _findable(drawn, typical, says, factors, level) * sizes
    return tuple(replace(one, findable=float(end)) for one, end in zip(scores, ends, strict=True))


def _chance(one: ConstantScore) -> float:
    return min(one.chance, one.differs_chance)


def _scored(
    keys: Sequence[str],
    sizes: FloatArray,
    drawn: _OfRuns,
    typical: _OfRuns,
    says: _Says,
    factors: FloatArray,
    model: Fit,
) -> list[ConstantScore]:
    score, variance = _together(drawn, says.common, factors)
    chance = special.erfc(np.abs(score) / np.sqrt(2.0 * variance)).mean(axis=0)
    best, its_variance = _together(typical, says.common, np.ones_like(factors[:1]))
    shift = (best / its_variance)[0]
    values, errors = (a[:, 0] for a in _values(typical))
    runs = len(values)
    differs_chance = np.ones(len(keys))
    if runs > 1:
        about, variances = _values(drawn)
        weights = 1.0 / variances
        middle = (weights * about).sum(axis=0) / weights.sum(axis=0)
        square = (weights * (about - middle) ** 2).sum(axis=0)
        differs_chance = special.chdtrc(runs - 1.0, square).mean(axis=0)
    found = []
    for k, key in enumerate(keys):
        anew, mean = float(says.between[k]), model.constants.get(key, 0.0)
        varies = anew > 0.0 and runs > 1
        # What is left of their scatter, the run's own errors taken off.
        own = float(values[:, k].var(ddof=1) - (errors[:, k] - anew).mean()) if varies else 0.0
        found.append(
            ConstantScore(
                key=key,
                mean=mean,
                spread=float(np.sqrt(anew)) * float(sizes[k]),
                error=float(np.sqrt(max(says.common[k, k], 0.0))) * float(sizes[k]),
                shown=mean + float(shift[k] * sizes[k]),
                alike=int(np.sum(values[:, k] * shift[k] > 0.0)),
                chance=float(chance[k]),
                findable=0.0,
                differs=float(np.sqrt(max(own, 0.0)) * sizes[k]) if varies else None,
                differs_chance=float(differs_chance[k]) if varies else 1.0,
            )
        )
    return found


def _of_runs(shown: Sequence[Shown], between: FloatArray, factors: FloatArray) -> _OfRuns:
    """Return what each run shows with its own draws of the constants taken for noise."""
    size = len(between)
    spread = np.square(factors) * between
    scores, told = [], []
    for one in shown:
        left = np.eye(size) + one.information * spread[:, None, :]
        right = np.column_stack([one.information, one.score])
        both = np.linalg.solve(left, np.broadcast_to(right, (len(left), *right.shape)))
        told.append(both[:, :, :size])
        scores.append(both[:, :, size])
    return _OfRuns(np.array(scores), np.array(told))


def _values(runs: _OfRuns) -> tuple[FloatArray, FloatArray]:
    """Return each run's own value of each constant, from the file's, and its variance, shapes (r, n, p)."""
    weights = np.maximum(np.diagonal(runs.told, axis1=2, axis2=3), TINY)
    return runs.score / weights, 1.0 / weights


def _together(runs: _OfRuns, common: FloatArray, factors: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the scores of shifts that all runs have alike, and their variances, shapes (n, p)."""
    information, score = runs.told.sum(axis=0), runs.score.sum(axis=0)
    alike = common * factors[:, :, None] * factors[:, None, :]
    left = np.eye(len(common)) + information @ alike
    both = np.linalg.solve(left, np.concatenate([information, score[..., None]], axis=-1))
    return both[..., -1], np.maximum(np.diagonal(both[..., :-1], axis1=1, axis2=2), TINY)


def _findable(drawn: _OfRuns, typical: _OfRuns, says: _Says, factors: FloatArray, level: float) -> FloatArray:
    """Return which shift of each constant is found so often, in usual sizes, shape (p,)."""
    roots = np.sqrt(_together(drawn, says.common, factors)[1] / 2.0)
    usual = np.sqrt(_together(typical, says.common, np.ones_like(factors[:1]))[1][0])
    low, high = np.zeros(len(usual)), 100.0 / usual
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        above = special.erfc(middle * roots).mean(axis=0) > level
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.asarray(high + float(special.ndtri(FOUND_SHARE)) / usual)
