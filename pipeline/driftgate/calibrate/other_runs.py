"""What several runs tell of themselves and of a run not yet seen: one estimation for both questions.

A scale, a crab angle or a slip that is constant over a run is another one in the next. Fitted as one number
for all runs it is known ever better the more windows there are, and a prediction from it trusts a number that
the next run does not have. So runs are fitted with a spread between them for each constant that differs. Then
a run of which a part was looked at has constants of its own, drawn towards the mean of all as far as that
part shows little and runs differ little; and a further run's are one draw more.

Runs measured at places one by one are fitted as `driftgate calibrate` does (`driftgate.calibrate.drift_fit`).
Of more places than it takes of a run, windows of several lengths are fitted
(`driftgate.calibrate.backtest.fit_reckoning`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from driftgate.calibrate.backtest import WindowPlan, fit_reckoning, why_no_windows
from driftgate.calibrate.chain import MOST_POSES, LoggedRun, logged_run
from driftgate.calibrate.drift_fit import DriftFit, fit_drift, over_what, usual_spread
from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.fit import Fit, enough
from driftgate.calibrate.known_together import with_kept
from driftgate.calibrate.left_alone import leaving
from driftgate.calibrate.mixed import of_each
from driftgate.calibrate.size_doubt import Doubt, drawn
from driftgate.calibrate.slips import Slips
from driftgate.calibrate.usual import CONSTANTS
from driftgate.calibrate.windows import Track
from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.schema.drift import ErrorSources

Spread = tuple[float, float, float] | None


@dataclass(frozen=True)
class RunsFit:
    """The models that several runs give.

    Attributes
    ----------
    further : Fit
        For a run that is none of these.
    own : tuple of Fit or None
        For the rest of each of these; None where it shows nothing.
    stated : bool
        Whether how well the reference was measured is not in the models, as the logs state it.
    """

    further: Fit
    own: tuple[Fit | None, ...]
    stated: bool


def placed_one_by_one(tracks: Sequence[Track]) -> bool:
    """Return whether no run has more reference poses than all of them can be fitted together."""
    return max((_poses(track) for track in tracks), default=0) <= MOST_POSES


def _poses(track: Track) -> int:
    return int(np.isfinite(track.reference).all(axis=1).sum())


def differing(keys: Sequence[str], errors: ErrorSources) -> dict[str, float]:
    """Return the constants that are another one in each run, and how far runs usually differ in them."""
    return {
        usual.key: usual_spread(usual, errors)
        for usual in CONSTANTS
        if usual.key in keys and over_what(usual, errors) == "run"
    }


def fit_runs(
    tracks: Sequence[Track],
    spreads: Sequence[Spread],
    plan: WindowPlan,
    errors: ErrorSources,
    keys: Sequence[str],
    noises: Sequence[str],
    slips: bool,
) -> RunsFit:
    """Fit several runs, whether a further one is asked for or the rest of these.

    Parameters
    ----------
    tracks, spreads : sequence
        The runs, or what of them is fitted, and how well each one's reference was measured.
    plan : WindowPlan
        The windows, for runs with more places than can be fitted together.
    errors : ErrorSources
        What is constant over a run, and what over the robot.
    keys, noises : sequence of str
        What is fitted on windows.
    slips : bool
        Whether rare slips are fitted.

    Raises
    ------
    ModelError
        If there are no windows, or too few for so many numbers.
    """
    if placed_one_by_one(tracks):
        _enough(tracks, plan, len(keys) + len(noises))
        return fit_of_runs(tracks, spreads, errors, plan.jump_m, slips)
    usual = differing(keys, errors)
    further, own = fit_reckoning(tracks, plan, keys, noises, slips, usual)
    if sum(model is not None for model in own) == 1:
        further = with_usual_spreads(further, usual)
    return RunsFit(further, own, False)


def _enough(tracks: Sequence[Track], plan: WindowPlan, numbers: int) -> None:
    """Raise unless the windows from each place to the next tell more than there is to fit."""
    count = sum(max(_poses(track) - 1, 0) for track in tracks)
    if not count:
        raise ModelError(f"no windows to fit on: {why_no_windows(plan, tracks)}")
    enough(count, float(count), numbers)


def fit_of_runs(
    tracks: Sequence[Track],
    spreads: Sequence[Spread],
    errors: ErrorSources,
    jump_m: float | None,
    slips: bool,
) -> RunsFit:
    """Fit runs that were measured at places one by one.

    The covariance of a further run's constants is how well the means are known, and the spread between runs;
    of one or two runs, which show none, the usual one. `Fit.common` is the part that all runs share that are
    judged by this fit, and `Fit.doubt` is what so few runs leave possible of the spreads and walks: whether
    one came out too large or too small is the same for all of them.

    Parameters
    ----------
    tracks : sequence of Track
        The runs.
    spreads : sequence
        How well each one's reference was measured, where its log says so.
    errors : ErrorSources
        What is constant over a run, and what over the robot.
    jump_m : float or None
        Stretches over a sideways leap of the reference by more than this are left out.
    slips : bool
        Whether rare slips are fitted.

    Raises
    ------
    ModelError
        If no run has two reference poses with a heading.
    """
    runs = [chained(track, spread, jump_m) for track, spread in zip(tracks, spreads, strict=True)]
    drift = fit_drift(runs, errors, 0.95, slips)
    further = _further(drift)
    shown = iter(_own(drift, further))
    # The rest of a run goes on as its first part did, also by constants that only act together.
    further = with_kept(further, drift.kept)
    unknown = [c.usual.key for c in drift.constants if not c.known and not c.together]
    further = leaving(further, unknown, errors)
    return RunsFit(further, tuple(next(shown) if run.poses >= 2 else None for run in runs), True)


def _further(drift: DriftFit) -> Fit:
    """Return the model of a further run."""
    assert drift.fitted is not None
    mixed = drift.fitted.mixed
    names = tuple(c.usual.key for c in drift.constants)
    shown = tuple(c.usual.key for c in drift.constants if c.spread is not None)
    noises = tuple(noise.usual.key for noise in drift.noises)
    sds = dict(zip((*noises, *shown), np.sqrt(mixed.variance).tolist(), strict=False))
    spread = {c.usual.key: c.assumed for c in drift.constants if c.assumed is not None}
    spread |= {key: sds[key] for key in shown}
    every = (*names, *noises)
    between = np.square([spread.get(key, 0.0) for key in names])
    found, slipping = drift.slips, None
    if found is not None:
        slipping = Slips(found.rate_per_m, found.size.sd * t_widening(found.size.freedom))
    return Fit(
        constants={c.usual.key: c.mean.value for c in drift.constants},
        noise={key: sds[key] for key in noises},
        names=every,
        covariance=_whole(mixed.covariance + np.diag(between), len(every)),
        windows=0,
        independent=float(drift.runs),
        nll=float("nan"),
        slips=slipping,
        common=_whole(mixed.covariance, len(every)),
        spread=spread,
        doubt=_doubt(drift, noises, shown),
    )


def _doubt(drift: DriftFit, noises: Sequence[str], shown: Sequence[str]) -> Doubt:
    assert drift.fitted is not None
    mixed, first, last = drift.fitted.mixed, len(noises), len(noises) + len(shown)
    # What differs between runs shows once in each run, noise in every window.
    freedom = float(max(drift.poses - drift.runs, 1))
    return drawn(
        (noises, mixed.variance[:first], freedom),
        (shown, mixed.variance[first:last], drift.runs - 1.0),
        mixed.between_variances[first:last, first:last],
        1.0 / drift.runs,
    )


def _own(drift: DriftFit, further: Fit) -> list[Fit]:
    """Return the models of the runs that were fitted, each with its own constants.

    They are drawn towards the mean as if runs differed as much as is typical of what is possible: where the
    spread came out as nothing it need not be.
    """
    fitted, doubt = drift.fitted, further.doubt
    assert fitted is not None
    assert doubt is not None
    sizes = dict(zip(doubt.names, doubt.typical.tolist(), strict=True))
    variance = fitted.mixed.variance.copy()
    first = len(drift.noises)
    for i, name in enumerate(doubt.names[first:], first):
        variance[i] = sizes[name]
    keys = [c.usual.key for c in drift.constants]
    between = np.array([sizes.get(key, further.spread.get(key, 0.0) ** 2) for key in keys])
    found = of_each(fitted.blocks, drift.prior_sd, fitted.taken, variance, between)
    return [
        replace(
            further,
            constants=dict(zip(keys, (fitted.taken + mean).tolist(), strict=True)),
            covariance=_whole(covariance, len(further.names)),
            common=None,
            spread={},
            of_each_run=tuple(further.spread),
        )
        for mean, covariance in found
    ]


def chained(track: Track, spread: Spread, jump_m: float | None) -> LoggedRun:
    """Return a run as a chain of windows, those left out in which the reference leaps sideways."""
    run = logged_run(track, spread)
    if jump_m is None or not track.jumps(jump_m).any():
        return run
    leaps = np.concatenate([[0], np.cumsum(track.jumps(jump_m))])
    known = np.flatnonzero(np.isfinite(run.track.reference).all(axis=1))
    return replace(run, kept=np.diff(leaps[known]) == 0)


def _whole(of_constants: FloatArray, size: int) -> FloatArray:
    whole = np.zeros((size, size))
    whole[: len(of_constants), : len(of_constants)] = of_constants
    return whole


def with_usual_spreads(model: Fit, usual: Mapping[str, float]) -> Fit:
    """Return a model of one run as wide as runs usually differ, in all but the heading bias.

    Parameters
    ----------
    model : Fit
        With one value of each constant.
    usual : mapping
        Which constants differ, and how far they usually do (`differing`).
    """
    covariance = model.covariance.copy()
    spread = {}
    for key, size in usual.items():
        if key != "heading_bias" and key in model.constants:
            i = model.names.index(key)
            covariance[i, i] += size**2
            spread[key] = size
    return replace(model, covariance=covariance, common=model.covariance.copy(), spread=spread)
