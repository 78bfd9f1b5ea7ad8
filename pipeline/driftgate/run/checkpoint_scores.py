"""Checkpoints of logged runs held against their prediction from the files."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from driftgate.calibrate.score import Score, alike_count, as_many, score
from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, covariance
from driftgate.predict.doubt import SOURCE as POORLY_KNOWN
from driftgate.predict.values import CovarianceResult
from driftgate.report.backtest_model import CheckpointRow, TrialsBelieved
from driftgate.run.checkpoint_trials import TRIALS, Sample, against, on_field, samples
from driftgate.run.routine_logs import RoutineRun, by_routine, measured_at


def checkpoint_rows(runs: Sequence[RoutineRun], seed: int = 1) -> list[CheckpointRow]:
    """Return how measured poses at checkpoints agree with their prediction from the files.

    Compared is the pose on the field, also where the tolerance is relative to an element. What is constant
    over the robot or the field is one draw in all runs, which so count as fewer. They are held against the
    covariance engine's normal distribution, or against the trials where these are not as it says: after wrong
    fixes, mishaps, rare slips.

    Parameters
    ----------
    runs : sequence of RoutineRun
        The runs.
    seed : int
        Of the trials.
    """
    rows = []
    for group in by_routine(runs):
        measured = [_measured(group, i) for i in range(len(group[0].prepared.moments))]
        if any(len(error) for error, _ in measured):
            rows += _rows_of(group[0].prepared, group[0].log.routine or "", measured, seed)
    return rows


def _measured(group: Sequence[RoutineRun], moment: int) -> tuple[FloatArray, FloatArray]:
    """Return true less wanted pose at a moment, and its standard deviations, shapes (k, 3)."""
    found = [(measured_at(run, run.prepared.moments[moment]), run.log.reference_spread) for run in group]
    known = [(error, spread or (0.0, 0.0, 0.0)) for error, spread in found if error is not None]
    return (
        np.array([error for error, _ in known]).reshape(-1, 3),
        np.array([spread for _, spread in known]).reshape(-1, 3),
    )


def _rows_of(
    prepared: Prepared, routine: str, measured: Sequence[tuple[FloatArray, FloatArray]], seed: int
) -> list[CheckpointRow]:
    result = covariance(prepared)
    alike = frozenset(
        info.name for info in result.sources if {"robot", "field"} & set(info.constant_over.split(", "))
    ) | {POORLY_KNOWN}
    predicted = on_field(prepared, result)
    believed = samples(prepared, predicted, result, alike, seed)
    rows = []
    for i, (moment, (error, spread)) in enumerate(zip(prepared.moments, measured, strict=True)):
        if not len(error):
            continue
        mean, cov = predicted[i]
        covs = cov + np.stack([np.diag(np.square(sizes) + 1e-12) for sizes in spread])
        size = 3 if np.isfinite(error[:, 2]).all() else 2
        common = _common(result, i, alike)
        independent = alike_count(covs[0][:size, :size], common[:size, :size], len(error))
        sample = believed.get(i)
        if sample is None:
            found, why = score(error - mean, covs, independent), None
        else:
            found = _by_trials(sample, error, spread, cov, independent, i)
            why = TrialsBelieved(TRIALS, sample.seed, sample.why, sample.code)
        if found is not None:
            rows.append(CheckpointRow(routine, moment.name, found, why))
    return rows


def _by_trials(
    sample: Sample,
    error: FloatArray,
    spread: FloatArray,
    cov: FloatArray,
    independent: float,
    moment: int,
) -> Score | None:
    """Return the score against the trials; errors count as no more than by the covariance engine."""
    held = against(sample, error, cov, spread, moment)
    fewer = min(independent, as_many(held.alike, len(error)))
    return score(error - held.mean, held.covs, fewer, held.log_density, distances=held.distances)


def _common(predicted: CovarianceResult, moment: int, alike: frozenset[str]) -> FloatArray:
    """Return that part of a moment's covariance that is the same draw in all runs of a robot on a field."""
    of = predicted.moments[moment].by_source
    none = np.zeros((3, 3))
    return np.asarray(sum((cov for name, cov in of.items() if name in alike), none))
