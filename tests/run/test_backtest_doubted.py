"""What is doubted in runs that a backtest is fitted on is left out there. All runs are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from calibrate.test_stray_poses import a_run, log_of
from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.tracks import track_of
from driftgate.run import backtest_load
from driftgate.run.backtest_load import LoadedRun, load
from driftgate.run.backtest_settings import BacktestSettings


def test_law_fitted_runs_are_trimmed_and_judged_ones_are_not(monkeypatch, tmp_path):
    """The same doubt about a pose of each: what is fitted loses it, what judges keeps it."""
    logs = {f"{name}.csv": log_of(a_run(seed), name=f"{name}.csv") for seed, name in enumerate("ab")}
    poses = {name: int(np.flatnonzero(np.isfinite(log.reference[:, 0]))[4]) for name, log in logs.items()}

    def read(paths, findings):
        log = replace(logs[paths[0].name], robot=None)
        return LoadedRun(log, paths, track_of(log))

    monkeypatch.setattr(backtest_load, "_read", read)
    monkeypatch.setattr(
        backtest_load, "check_judged", lambda *_: Doubted(poses={name: {row} for name, row in poses.items()})
    )
    loaded = load(BacktestSettings(runs=((tmp_path / "a.csv",),), fit_on=((tmp_path / "b.csv",),)), [])
    assert loaded is not None
    (judged,), (fitted,) = loaded.judged, loaded.fitted
    assert np.isfinite(judged.log.reference[poses["a.csv"], 0])
    assert not np.isfinite(fitted.log.reference[poses["b.csv"], 0])
    known = [int(np.isfinite(run.track.reference[:, 0]).sum()) for run in (judged, fitted)]
    whole = [int(np.isfinite(track_of(log).reference[:, 0]).sum()) for log in logs.values()]
    assert known == [whole[0], whole[1] - 1]
