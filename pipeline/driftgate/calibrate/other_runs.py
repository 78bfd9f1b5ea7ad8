"""What several runs tell of a run not yet seen: means, how far runs differ, and how well so few tell either.

A scale, a crab angle or a slip that is constant over a run is another one in the next. Fitted as one number
for all runs it is known ever better the more windows there are, and a prediction from it trusts a number that
the next run does not have. So the runs are fitted as `driftgate calibrate` does, with a spread between runs
for each constant that differs (`driftgate.calibrate.drift_fit`), and a further run's constants are one draw
more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from driftgate.calibrate.chain import LoggedRun, logged_run
from driftgate.calibrate.drift_fit import fit_drift, over_what, usual_spread
from driftgate.calibrate.estimate import t_widening
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.left_alone import leaving
from driftgate.calibrate.slips import Slips
from driftgate.calibrate.usual import CONSTANTS, FEWEST_RUNS
from driftgate.calibrate.windows import Track
from driftgate.core.pose import FloatArray
from driftgate.schema.drift import ErrorSources

Spread = tuple[float, float, float] | None


def enough_runs(tracks: Sequence[Track]) -> bool:
    """Return whether so many runs show how much runs differ."""
    return sum(int(np.isfinite(t.reference).all(axis=1).sum()) > 1 for t in tracks) >= FEWEST_RUNS


def fit_of_runs(
    tracks: Sequence[Track],
    spreads: Sequence[Spread],
    errors: ErrorSources,
    jump_m: float | None,
    slips: bool,
) -> Fit:
    """Return the model for a run that is none of these.

    Its covariance of the constants is that of a further run: how well the means are known, and the spread
    between runs. Both are as much wider as Student's t has it for so few runs. `Fit.common` is the part that
    all runs share that are judged by this fit, and `Fit.sized` has the spreads too: whether one came out too
    large or too small is the same for all of them.

    Parameters
    ----------
    tracks : sequence of Track
        The runs, as many as `enough_runs` asks for.
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
    runs = [_run(track, spread, jump_m) for track, spread in zip(tracks, spreads, strict=True)]
    drift = fit_drift(runs, errors, 0.95, slips)
    assert drift.mixed is not None
    names = tuple(c.usual.key for c in drift.constants)
    differing = tuple(c.usual.key for c in drift.constants if c.spread is not None)
    noises = tuple(noise.usual.key for noise in drift.noises)
    sds = dict(zip((*noises, *differing), np.sqrt(drift.mixed.variance).tolist(), strict=False))
    spread = {key: sds[key] for key in differing}
    every, count = (*names, *noises), len(noises) + len(differing)
    between = np.square([spread.get(key, 0.0) for key in names])
    found, slipping = drift.slips, None
    if found is not None:
        slipping = Slips(found.rate_per_m, found.size.sd * t_widening(found.size.freedom))
    found_all = Fit(
        constants={c.usual.key: c.mean.value for c in drift.constants},
        noise={key: sds[key] for key in noises},
        names=every,
        covariance=_whole(drift.mixed.covariance + np.diag(between), len(every)),
        windows=0,
        independent=float(drift.runs),
        nll=float("nan"),
        slips=slipping,
        common=_whole(drift.mixed.covariance, len(every)),
        spread=spread,
        doubt=((*noises, *differing), drift.mixed.between_variances[:count, :count]),
    )
    return leaving(found_all, [c.usual.key for c in drift.constants if not c.known], errors)


def _run(track: Track, spread: Spread, jump_m: float | None) -> LoggedRun:
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


def with_usual_spreads(model: Fit, errors: ErrorSources) -> Fit:
    """Return a model of too few runs as wide as runs usually differ, in all but the heading bias.

    Parameters
    ----------
    model : Fit
        Of one run or two, with one value of each constant for all.
    errors : ErrorSources
        What is constant over a run.
    """
    covariance = model.covariance.copy()
    common = model.covariance.copy()
    spread = {}
    for usual in CONSTANTS:
        if (
            usual.key == "heading_bias"
            or usual.key not in model.constants
            or over_what(usual, errors) != "run"
        ):
            continue
        size = usual_spread(usual, errors)
        i = model.names.index(usual.key)
        covariance[i, i] += size**2
        spread[usual.key] = size
    return replace(model, covariance=covariance, common=common, spread=spread)
