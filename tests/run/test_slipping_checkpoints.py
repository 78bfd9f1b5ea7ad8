"""Checkpoints of a robot that slips now and then: held against the trials, of which some slip."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from driftgate.calibrate.tracks import track_of
from driftgate.cli import main
from driftgate.load.single import load_single
from driftgate.logs import read_log
from driftgate.report.backtest_model import CheckpointRow
from driftgate.run.checkpoint_scores import checkpoint_rows
from driftgate.run.routine_logs import routine_runs

ROOT = Path(__file__).resolve().parents[2]
RUNS = 120
WREN = (ROOT / "routines/robots/wren.yaml").read_text()
# One run in ten slips, and then by a lot.
SLIPS = "  rare_slip: {rate: 0.03 1/m, along: 250 mm, basis: guess, constant_over: tick}\n"
SLIPPING = WREN.replace("errors:\n", "errors:\n" + SLIPS, 1).replace("enabled: true", "enabled: false")


@pytest.fixture(scope="module")
def scored(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], CheckpointRow]:
    """Return what scores simulated runs of a routine without fixes, at its end, by a robot file."""
    folder = tmp_path_factory.mktemp("slips")
    for name in ("routines", "fieldmaps"):
        shutil.copytree(ROOT / name, folder / name)
    (folder / "pyproject.toml").touch()
    assert SLIPPING.count("rare_slip") == 1
    assert "enabled: false" in SLIPPING
    (folder / "routines/robots/wren.yaml").write_text(SLIPPING)
    words = ["sample-logs", str(folder / "routines/corner-dash.yaml"), "--runs", str(RUNS), "--seed", "8"]
    assert main.run([*words, "--other-robots", "--out", str(folder / "runs")]) == 0
    files = sorted((folder / "runs").glob("*.csv"))
    logs = [read_log([path], [], folder) for path in files]

    def score_by(text: str) -> CheckpointRow:
        (folder / "routines/robots/other.yaml").write_text(text)
        document = load_single(folder / "routines/robots/other.yaml", "robot").document
        runs = routine_runs(
            [(log, track_of(log)) for log in logs], [[folder]] * len(logs), document.model, []
        )
        (found,) = checkpoint_rows(runs)
        assert found.score.count == RUNS
        return found

    return score_by


def test_law_closed_loop_runs_that_slip_are_as_predicted(scored: Callable[[str], CheckpointRow]):
    """As many inside each region as it says, within binomial bounds of 1 in 10 000; heading and all: 1."""
    row = scored(SLIPPING)
    end = row.score
    assert row.believed is not None
    for share, level in zip(end.inside, (0.5, 0.68, 0.9, 0.95), strict=True):
        assert share == pytest.approx(level, abs=4.0 * math.sqrt(level * (1.0 - level) / RUNS))
    assert end.normalised / end.dimensions == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / 3.0 / RUNS))
    assert np.isfinite(end.nll)
    assert end.word == "calibrated"


def test_law_closed_loop_a_robot_file_that_promises_too_much_is_blamed(
    scored: Callable[[str], CheckpointRow],
):
    """The same slips, and everything else a third of what it was when the runs were driven."""
    better = re.sub(
        r"(spread|per_root_metre|per_root_radian): ([\d.]+)",
        lambda m: f"{m[1]}: {float(m[2]) / 3.0:.4g}",
        SLIPPING,
    )
    assert better != SLIPPING
    row = scored(better)
    assert row.believed is not None
    assert row.score.word == "overconfident"
    assert row.score.inside[1] < 0.4
