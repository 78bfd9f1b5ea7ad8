"""Checkpoints of a robot that slips now and then: judged as the mixture that it makes."""

from __future__ import annotations

import math
import shutil
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from driftgate.calibrate.chain import RARE_SLIP
from driftgate.calibrate.score import Score, score
from driftgate.calibrate.tracks import track_of
from driftgate.cli import main
from driftgate.load.single import load_single
from driftgate.logs import read_log
from driftgate.run import routine_logs
from driftgate.run.routine_logs import checkpoint_rows, routine_runs

ROOT = Path(__file__).resolve().parents[2]
RUNS = 120
WREN = (ROOT / "routines/robots/wren.yaml").read_text()
# One run in ten slips, and then by a lot.
SLIPS = "  rare_slip: {rate: 0.03 1/m, along: 250 mm, basis: guess, constant_over: tick}\n"


@pytest.fixture(scope="module")
def end(tmp_path_factory: pytest.TempPathFactory) -> Score:
    """Return the score of the end of a routine driven without fixes, from its own simulated runs."""
    folder = tmp_path_factory.mktemp("slips")
    for name in ("routines", "fieldmaps"):
        shutil.copytree(ROOT / name, folder / name)
    (folder / "pyproject.toml").touch()
    robot = WREN.replace("errors:\n", "errors:\n" + SLIPS, 1).replace("enabled: true", "enabled: false")
    assert robot.count("rare_slip") == 1
    assert "enabled: false" in robot
    (folder / "routines/robots/wren.yaml").write_text(robot)
    words = ["sample-logs", str(folder / "routines/corner-dash.yaml"), "--runs", str(RUNS), "--seed", "8"]
    assert main.run([*words, "--other-robots", "--out", str(folder / "runs")]) == 0
    files = sorted((folder / "runs").glob("*.csv"))
    logs = [read_log([path], [], folder) for path in files]
    document = load_single(folder / "routines/robots/wren.yaml", "robot").document
    runs = routine_runs([(log, track_of(log)) for log in logs], [[folder]] * len(logs), document.model, [])
    (found,) = checkpoint_rows(runs)
    return found.score


def test_law_closed_loop_runs_that_slip_are_as_predicted(end: Score):
    """As many inside each region as it says, within binomial bounds of 1 in 10 000; heading and all: 1."""
    assert end.count == RUNS
    for share, level in zip(end.inside, (0.5, 0.68, 0.9, 0.95), strict=True):
        assert share == pytest.approx(level, abs=4.0 * math.sqrt(level * (1.0 - level) / RUNS))
    assert end.normalised / end.dimensions == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / 3.0 / RUNS))
    assert np.isfinite(end.nll)


@pytest.mark.parametrize("lasting_m", [1.0, 10.0])
def test_mc_slips_before_a_square_up_are_gone_and_those_after_it_are_whole(lasting_m: float):
    """A model that is right is named wrong in about 1 of 20 sets of runs, wherever the way was squared up.

    Ten metres, of which the slips of the last one or of all ten last, drawn as the model says: by hand, the
    variance that they leave is rate x metres that last x size squared. Of 200 sets 10 are expected, 25 would
    come once in 30 000.
    """
    rng = np.random.default_rng(5)
    runs, sets, driven_m, rate, along, quiet = 60, 200, 10.0, 0.05, 0.3, 0.005
    part = np.diag([rate * lasting_m * along**2, 0.0, 0.0])
    whole = np.broadcast_to(np.eye(3) * quiet**2 + part, (runs, 3, 3)).copy()
    robot = SimpleNamespace(
        errors=SimpleNamespace(rare_slip=SimpleNamespace(rate=rate, along=along, fitted=None))
    )
    moment = SimpleNamespace(by_source={RARE_SLIP: part})
    wrong, normalised = 0, []
    for _ in range(sets):
        error = rng.normal(size=(runs, 3)) * quiet
        slips = rng.poisson(rate * lasting_m, runs)
        error[:, 0] += np.sqrt(slips) * along * rng.normal(size=runs)
        mixed = routine_logs._by_mixture(robot, moment, error, whole, np.full(runs, driven_m), 3)
        found = score(error, whole, runs, *mixed)
        wrong += found.word != "calibrated"
        normalised.append(found.normalised / found.dimensions)
    assert wrong <= 25
    assert np.mean(normalised) == pytest.approx(1.0, abs=0.03)
