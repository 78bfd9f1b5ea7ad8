"""The model against a real robot: fitted on the first half of a public log, judged on the second.

Data: J. Djugash, B. Hamner and S. Roth, "Navigating with Ranging Radios: Five Data Sets with Ground Truth",
Journal of Field Robotics 26(9) (2009), run "Plaza 1", from the package gtsam; see `plaza.py`. Halves are by
odometry distance, and nothing is tuned on the second. The bounds are what this model must reach; beside
them is what a "textbook" model of the same noises with all constants zero, and a plain filter, reach.
"""

from __future__ import annotations

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from plaza import WHY_NOT, plaza_file, plaza_log, plaza_tables, write_plaza

from driftgate.calibrate.backtest import (
    USUAL_CONSTANTS,
    USUAL_NOISES,
    WindowPlan,
    fit_reckoning,
    score_reckoning,
)
from driftgate.calibrate.perturb import with_errors
from driftgate.calibrate.tracks import track_of
from driftgate.calibrate.windows import Track, part
from driftgate.logs import Log, read_log
from driftgate.report.backtest_model import Backtest
from driftgate.run.backtest import BacktestSettings, backtest
from driftgate.run.corrected import CorrectionPlan

LENGTHS = (5.0, 10.0, 20.0, 40.0)

FILE = plaza_file()
if os.environ.get("DRIFTGATE_EVIDENCE") == "required" and FILE is None:
    raise RuntimeError(WHY_NOT)
pytestmark = [
    pytest.mark.skipif(FILE is None, reason=WHY_NOT),
    pytest.mark.evidence(
        source="Djugash, Hamner, Roth 2009, run Plaza 1 (open data)",
        compares="predicted and actual errors, correction, on the half that nothing was fitted on",
        tolerance="bounds beside each figure",
    ),
]


@dataclass(frozen=True)
class Files:
    """The log as written, and the tables it comes from."""

    run: tuple[Path, ...]
    beacons: Path
    tables: dict[str, np.ndarray]


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> Files:
    """Write the log as three files and one for the beacons."""
    assert FILE is not None
    tables = plaza_tables(FILE)
    *run, beacons = write_plaza(tmp_path_factory.mktemp("plaza"), *plaza_log(tables))
    return Files(tuple(run), beacons, tables)


@pytest.fixture(scope="module")
def log(files: Files) -> Log:
    """Read them again."""
    findings: list = []
    found = read_log(files.run, findings, files.beacons.parent)
    assert found is not None, findings
    return found


@pytest.fixture(scope="module")
def track(log: Log) -> Track:
    """Return the odometry."""
    return track_of(log)


@pytest.fixture(scope="module")
def judged(files: Files) -> Backtest:
    """Return what `driftgate backtest` makes of it without any option but the beacons."""
    return backtest(BacktestSettings(runs=(files.run,), beacons=files.beacons))


def _corrected(files: Files, seeds: int = 1, **plan: object):
    settings = BacktestSettings(
        runs=(files.run,), beacons=files.beacons, slips=False, seeds=seeds,
        correction=CorrectionPlan(**plan),  # type: ignore[arg-type]
    )  # fmt: skip
    return [row.score for row in backtest(settings).correction]


def test_the_facts(log: Log, track: Track):
    """9658 poses, 1933.4 s, 1861.28 m, 3529 ranges to four beacons (counted in the file)."""
    assert len(track.time_s) == 9658
    assert track.time_s[-1] - track.time_s[0] == pytest.approx(1933.4, abs=0.05)
    assert track.distance_m[-1] == pytest.approx(1861.28, abs=0.01)
    assert sum(int(column.fired.sum()) for column in log.ranges.values()) == 3529
    assert sorted(log.ranges) == ["0", "1", "5", "6"]


def test_the_traps(files: Files, track: Track):
    """What is in the file is not what its names say."""
    truth, increments, path, ranges = (files.tables[k] for k in ("GT", "DR", "DRp", "TD"))
    # The heading increments copy the truth's: they prove nothing.
    turned = np.remainder(np.diff(truth[:, 3]) - increments[:, 2] + np.pi, 2.0 * np.pi) - np.pi
    assert np.abs(turned).max() < 1e-14
    # The dead-reckoned path is not their integral, but that of the converted log.
    heading = truth[0, 3] + np.concatenate([[0.0], np.cumsum(increments[:, 2])])
    step = increments[:, 1:2] * np.column_stack([np.cos(heading[:-1]), np.sin(heading[:-1])])
    copied = np.concatenate([[[0.0, 0.0]], np.cumsum(step, axis=0)])
    assert np.hypot(*(copied - path[:, 1:3]).T).max() > 30.0
    own = np.diff(path[:, 1:3], axis=0)
    rows = np.concatenate([[0.0], np.cumsum(track.twist[:, 2])]) + np.interp(
        truth[0, 0], 0.5 * (truth[1:, 0] + truth[:-1, 0]), np.unwrap(np.arctan2(own[:, 1], own[:, 0]))
    )
    half = 0.5 * (rows[1:] + rows[:-1])
    step = track.twist[:, :1] * np.column_stack([np.cos(half), np.sin(half)])
    again = np.concatenate([[[0.0, 0.0]], np.cumsum(step, axis=0)])
    assert np.hypot(*(again - path[:, 1:3]).T).max() < 0.5
    # Distance has no sign, and equals the truth's step: it cannot be judged here.
    assert increments[:, 1].min() >= 0.0
    moved = np.hypot(*np.diff(truth[:, 1:3], axis=0).T)
    assert np.mean(np.abs(moved - increments[:, 1]) < 1e-3) > 0.985
    # Ranges are out of the order of time, and the truth leaps.
    assert np.any(np.diff(ranges[:, 0]) < 0.0)
    assert 10 <= track.jumps(0.1).sum() <= 25


def test_ranges_read_long(judged: Backtest):
    """About 7 % too long with half a metre of white noise: an offset alone does not fit."""
    assert judged.beacons is not None
    assert np.all(np.abs(judged.beacons.scale - 0.069) < 0.006)
    assert np.all((judged.beacons.sigma_m > 0.48) & (judged.beacons.sigma_m < 0.60))
    assert np.all(judged.beacons.scale > 10.0 * judged.beacons.scale_error)


def test_what_was_fitted(judged: Backtest):
    """Gyro scale +1.3 % per radian turned, crab about -1 deg, latency 0.07 s, lateral walk 3 to 5 cm."""
    model = judged.reckoning[0].model
    assert model.constants["heading_scale"] == pytest.approx(-0.013, abs=0.001)
    assert np.degrees(model.constants["crab_angle"]) == pytest.approx(-1.1, abs=0.25)
    assert model.constants["heading_latency"] == pytest.approx(-0.07, abs=0.015)
    assert 0.03 < model.noise["lateral_walk"] < 0.05
    assert model.noise["heading_walk:metre"] < 0.001


@pytest.mark.parametrize(("length", "rms", "nll", "textbook"), [
    (5.0, 0.085, -7.5, (0.117, -6.0)),
    (10.0, 0.125, -5.9, (0.194, -3.7)),
    (20.0, 0.170, -5.4, (0.373, -2.5)),
    (40.0, 0.220, -4.7, (0.882, -0.9)),
])  # fmt: skip
def test_dead_reckoning(judged: Backtest, length: float, rms: float, nll: float, textbook: tuple):
    """Error at the end of windows: RMS and likelihood beside coverage, which alone proves nothing."""
    (row,) = (s for s in judged.reckoning[0].scores if s.length_m == length)
    model, plain = row.model, row.zero_mean
    assert model.rms_m <= rms
    assert model.nll <= nll
    assert 0.7 <= model.predicted_m / model.rms_m <= 1.6
    assert 0.65 <= model.inside[1] <= 0.92
    assert 0.91 <= model.inside[3] <= 0.98
    assert model.word == "calibrated"
    # The zero-mean model covers as well and is far less likely.
    assert plain is not None
    assert plain.rms_m == pytest.approx(textbook[0], rel=0.06)
    assert plain.nll == pytest.approx(textbook[1], abs=0.7)
    assert plain.inside[3] > 0.91
    assert model.nll < plain.nll - 1.5


def test_heading_at_40_m(judged: Backtest):
    """0.005 rad; the zero-mean model has 0.041."""
    last = judged.reckoning[0].scores[-1]
    assert last.length_m == 40.0
    assert last.model.heading_rms_rad is not None
    assert last.model.heading_rms_rad <= 0.005
    assert last.zero_mean is not None
    assert last.zero_mean.heading_rms_rad == pytest.approx(0.041, abs=0.003)


def test_with_the_leaps_of_the_truth(judged: Backtest):
    """Shown as well: nothing predicts a satellite fix that changes, and of the longest windows it is said.

    In short ones the rare slips of the distance make room for some of it, and the errors are as much larger.
    """
    scores = judged.reckoning[0].with_jumps
    assert all(
        s.model.count > own.model.count for s, own in zip(scores, judged.reckoning[0].scores, strict=True)
    )
    assert scores[-1].model.word == "overconfident"
    assert all(s.model.predicted_m / s.model.rms_m < 0.7 for s in scores)


def test_known_errors_are_found(track: Track):
    """Scale +3 %, walks of 0.04 m and 0.01 rad per root metre on top, 12 seeds: found on the first half."""
    plan = WindowPlan(LENGTHS, 2.0, 0.1)
    half = track.distance_m[-1] / 2.0
    keys = ("distance_scale", *USUAL_CONSTANTS)
    scales, distances, headings, inside = [], [], [], []
    added = {"distance_scale": 0.03, "distance_walk": 0.04, "heading_walk": 0.01}
    for seed in range(12):
        worse = with_errors(track, added, seed)
        middle = float(np.interp(half, track.distance_m, worse.distance_m))
        early, late = part(worse, 0.0, middle), part(worse, middle, np.inf)
        model, _ = fit_reckoning([early], plan, keys, USUAL_NOISES)
        scales.append(model.constants["distance_scale"])
        distances.append(model.noise["distance_walk"])
        headings.append(model.noise["heading_walk:metre"])
        inside.append([s.model.inside[3] for s in score_reckoning([late], [model], plan, None)])
    assert np.abs(np.array(scales) - 0.03).max() <= 0.005
    # Increments are lengthened with the walk on top of them.
    assert np.mean(distances) == pytest.approx(0.04, rel=0.15)
    assert np.mean(headings) == pytest.approx(0.01, rel=0.15)
    assert np.all((np.mean(inside, axis=0) >= 0.92) & (np.mean(inside, axis=0) <= 0.97))


def test_another_run_without_a_new_bias(files: Files, track: Track):
    """A model that is used on a run whose bias is not known warns, and widens."""
    settings = BacktestSettings(runs=(files.run,), fit_on=(files.run,), slips=False)
    found = backtest(settings)
    assert any("heading bias is unknown" in words for words in found.warnings)
    own = backtest(BacktestSettings(runs=(files.run,), slips=False))
    for other, same in zip(found.reckoning[0].scores, own.reckoning[0].scores, strict=True):
        assert other.model.heading_predicted_rad is not None
        assert same.model.heading_predicted_rad is not None
        assert other.model.heading_predicted_rad > 1.2 * same.model.heading_predicted_rad


def test_correction(judged: Backtest):
    """3-sigma gate: RMSE 0.27 m, 95 % within 0.46 m (a plain filter: 0.33, 0.59), and its regions hold."""
    (row,) = judged.correction
    score = row.score
    assert score.rmse_m.max() <= 0.27
    assert score.p95_m <= 0.46
    assert 0.92 <= score.inside[3] <= 0.98
    assert 0.92 <= score.normalised_used <= 1.06
    assert score.strayed == 0
    assert score.word == "calibrated"
    assert judged.word == "calibrated"
    assert judged.status == 0


def test_correction_with_false_readings(files: Files):
    """A fifth replaced by uniform(0, true range), 10 seeds (a plain filter: mean 0.36, worst 0.39)."""
    (score,) = _corrected(files, seeds=10, false_share=0.2)
    assert score.rmse_m.mean() <= 0.29
    assert score.rmse_m.max() <= 0.32
    assert score.strayed == 0
    assert score.false_refused is not None
    assert score.good_refused is not None
    assert score.false_refused >= 0.97
    assert score.good_refused <= 0.006


def test_correction_with_few_readings(files: Files):
    """Every tenth reading (a plain filter: 0.60 clean, 0.76 with a fifth false)."""
    (clean,) = _corrected(files, every_nth=10)
    (false,) = _corrected(files, seeds=10, every_nth=10, false_share=0.2)
    assert clean.rmse_m.max() <= 0.42
    assert false.rmse_m.mean() <= 0.46
    assert clean.strayed == false.strayed == 0


def test_correction_from_a_wrong_start(files: Files):
    """3 m and 15 deg off, 8 directions: back within 1.5 m, or it says that it is lost (locked out: 3.8)."""
    scores = _corrected(files, seeds=8, off_m=3.0, off_rad=np.radians(15.0))
    (score,) = scores
    assert np.count_nonzero(score.rmse_m > 1.5) <= score.said_lost
    assert np.median(score.rmse_m) <= 1.5


def test_other_settings_on_the_same_readings(files: Files):
    """A tighter gate refuses more good readings; without a way back a wrong start is locked out."""
    wide, tight = _corrected(files, gates=(3.0, 2.0))
    assert tight.good_refused is not None
    assert wide.good_refused is not None
    assert tight.good_refused > 5.0 * wide.good_refused
    (locked,) = _corrected(files, seeds=4, ways_back=(None,), off_m=3.0, off_rad=np.radians(15.0))
    assert locked.rmse_m.min() > 1.5
    assert locked.word != "calibrated"


def _row(text: str, table: str, name: str, nth: int = 0) -> list[float]:
    """Return the numbers of a row of a table in README."""
    part = text[text.index(f"<!-- evidence: {table} -->") :]
    rows = [line for line in part.splitlines() if line.startswith(f"| {name} |")]
    return [float(cell.split()[0]) for cell in rows[nth].strip("|").split("|")[1:]]


def test_the_tables_in_the_readme(files: Files, judged: Backtest):
    """README shows what is reached here."""
    text = (Path(__file__).resolve().parents[2] / "README.md").read_text()
    scores = judged.reckoning[0].scores
    plain = [s.zero_mean for s in scores if s.zero_mean is not None]
    reckoned = "dead reckoning"
    assert _row(text, reckoned, "position RMS") == pytest.approx([s.model.rms_m for s in scores], abs=0.002)
    ratio = [s.model.predicted_m / s.model.rms_m for s in scores]
    assert _row(text, reckoned, "predicted over measured RMS") == pytest.approx(ratio, abs=0.03)
    for name, level in (("inside the 68 % region", 1), ("inside the 95 % region", 3)):
        share = [100.0 * s.model.inside[level] for s in scores]
        assert _row(text, reckoned, name) == pytest.approx(share, abs=0.9)
    nll = [s.model.nll for s in scores]
    assert _row(text, reckoned, "mean negative log-likelihood") == pytest.approx(nll, abs=0.04)
    zero = "of the zero-mean model"
    assert _row(text, reckoned, zero) == pytest.approx([s.rms_m for s in plain], abs=0.003)
    assert _row(text, reckoned, zero, 1) == pytest.approx([s.nll for s in plain], abs=0.04)
    settings = ({}, {"false_share": 0.2}, {"every_nth": 10}, {"every_nth": 10, "false_share": 0.2})
    reached = [_corrected(files, seeds=10, **more)[0].rmse_m.mean() for more in settings]
    shown = [
        _row(text, "correction", name)[0]
        for name in (
            "all, 3-sigma gate", "a fifth false, mean of ten seeds", "every tenth",
            "every tenth, a fifth of these false",
        )
    ]  # fmt: skip
    assert shown == pytest.approx(reached, abs=0.004)
