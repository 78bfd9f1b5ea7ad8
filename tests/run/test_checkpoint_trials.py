"""Checkpoints at which the engines differ: held against the trials, which are what `check` goes by."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest

from driftgate.calibrate.score import LEVELS, Score, score
from driftgate.core.pose import FloatArray
from driftgate.predict import covariance, run_trials
from driftgate.report.backtest import render_backtest
from driftgate.report.backtest_json import backtest_data
from driftgate.report.backtest_model import Backtest, CheckpointRow, TrialsBelieved
from driftgate.run.checkpoint_trials import TRIALS, Sample, against, field_errors, on_field, samples
from driftgate.run.explain import ExplainSettings, chosen_case
from driftgate.run.tasks import plan_one

ROOT = Path(__file__).resolve().parents[2]
COMMON = frozenset({"distance_scale", "heading_scale", "wall_build"})
# A board just before the east wall, which only the true field has: its echo passes for the wall's.
BOARD = (
    ("{circle: {radius: 80 mm}}", "{rectangle: {length: 20 mm, width: 900 mm}}"),
    ("at: {x: 2.85 m, y: 1.45 m}", "at: {x: 4.16 m, y: 700 mm}"),
)


@dataclass(frozen=True)
class Case:
    """The covariance engine's mean and covariance, the trials that are believed, and runs that came true."""

    mean: FloatArray
    cov: FloatArray
    sample: Sample | None
    measured: FloatArray

    def scored(self, rows: FloatArray, spread_m: float = 0.0) -> Score:
        """Return the score of measured errors against the sample."""
        (found,) = self.by_sets(rows, len(rows), spread_m)
        return found

    def by_sets(self, rows: FloatArray, size: int, spread_m: float = 0.0) -> list[Score]:
        """Return that of sets of so many errors each."""
        assert self.sample is not None
        spread = np.full((len(rows), 3), spread_m)
        mean, covs, density, (position, whole), share = against(self.sample, rows, self.cov, spread, 0)
        assert 0.0 <= share <= 1.0
        scores = []
        for at in range(0, len(rows), size):
            own = slice(at, at + size)
            found = score(
                rows[own] - mean, covs[own], float(size), density[own],
                distances=(position[own], whole[own]),
            )  # fmt: skip
            assert found is not None
            scores.append(found)
        return scores


def made(folder: Path, robot: tuple[tuple[str, str], ...] = (), board: bool = False) -> Case:
    """Return the end of the shipped dash, with edits to the robot and with or without the board."""
    for name in ("routines", "fieldmaps"):
        shutil.copytree(ROOT / name, folder / name)
    (folder / "pyproject.toml").touch()
    wren = folder / "routines/robots/wren.yaml"
    text = wren.read_text()
    for old, new in robot:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    wren.write_text(text)
    field = None
    if board:
        hall = (folder / "fieldmaps/hall.yaml").read_text()
        head, mark, tail = hall.partition("id: pot-c")
        for old, new in BOARD:
            assert old in tail
            tail = tail.replace(old, new, 1)
        field = folder / "fieldmaps/built.yaml"
        field.write_text(head + mark + tail)
    _, named, _, _ = chosen_case(ExplainSettings(folder / "routines/corner-dash.yaml", field=field))
    assert named is not None
    prepared = plan_one((named.case, named.written)).prepared
    assert prepared is not None
    result = covariance(prepared)
    (predicted,) = on_field(prepared, result)
    sample = samples(prepared, [predicted], result, COMMON, 1).get(0)
    runs = run_trials(prepared, 4000, 99)
    return Case(*predicted, sample, field_errors(prepared.moments, runs)[0])


@pytest.fixture(scope="module")
def board(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """Return the dash before a board that passes for the wall."""
    return made(tmp_path_factory.mktemp("board"), board=True)


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """Return the same by a robot file whose distance scale is a sixth of what it is."""
    edit = ("distance_scale: {spread: 0.6 %", "distance_scale: {spread: 0.1 %")
    return made(tmp_path_factory.mktemp("small"), (edit,), board=True)


def test_law_wrong_fixes_make_the_trials_the_prediction(board: Case):
    """The reason is that of `check`, with its code."""
    assert board.sample is not None
    assert board.sample.code == "DG405"
    assert "of the accepted readings came from a wrong surface" in board.sample.why


def test_mc_true_predictions_have_nominal_coverage(board: Case):
    """Runs as predicted: by the trials as many inside as each region says; by the normal distribution not.

    4000 runs against 2048 ranks: four standard errors of a share of 50 % are 0.054, of 95 % 0.024.
    """
    found = board.scored(board.measured)
    for share, level in zip(found.inside, LEVELS, strict=True):
        assert share == pytest.approx(level, abs=4.0 * np.sqrt(level * (1.0 - level) * (1 / 4000 + 1 / 2048)))
    assert found.normalised / 3.0 == pytest.approx(1.0, abs=0.1)
    normal = score(board.measured - board.mean, np.broadcast_to(board.cov, (4000, 3, 3)), 4000.0)
    assert normal is not None
    assert max(abs(share - level) for share, level in zip(normal.inside, LEVELS, strict=True)) > 0.06
    assert normal.word != "calibrated"
    # What came is likelier by the trials.
    assert found.nll < normal.nll


def test_mc_a_right_file_is_seldom_blamed_and_a_wrong_one_mostly(board: Case, small: Case):
    """Sets of 20 runs: 1 in 20 is blamed at most, 16 of 200 would be 1 in 50; by the wrong file most."""
    words = [found.word for found in board.by_sets(board.measured, 20)]
    assert len(words) == 200
    assert sum(word in ("overconfident", "overcautious") for word in words) <= 16
    assert words.count("calibrated") >= 180
    wrong = [found.word for found in small.by_sets(board.measured, 20)]
    assert wrong.count("overconfident") > 160


def test_law_a_tape_that_is_off_is_in_the_regions(board: Case):
    """Errors measured 20 mm roughly are as predicted if that is said, and far off if not."""
    rough = board.measured[:1000] + np.random.default_rng(1).normal(size=(1000, 3)) * 0.02
    said, unsaid = board.scored(rough, 0.02), board.scored(rough)
    assert said.inside[-1] == pytest.approx(0.95, abs=0.035)
    assert unsaid.inside[-1] < 0.8


def test_law_ranks_do_not_hang_on_the_other_errors(board: Case):
    """One alone, several, and several measured each in its own way: the same distances."""
    rows = board.measured[:6]
    together = against(board.sample, rows, board.cov, np.zeros((6, 3)), 0)
    spread = np.zeros((6, 3))
    spread[3:] = 0.004
    mixed = against(board.sample, rows, board.cov, spread, 0)
    alone = against(board.sample, rows[:1], board.cov, np.zeros((1, 3)), 0)
    for k in (0, 1):
        assert together[3][k][0] == alone[3][k][0]
        assert np.array_equal(together[3][k][:3], mixed[3][k][:3])


def test_law_as_many_runs_count_as_are_not_alike(board: Case):
    """Runs that have all luck in common count as one, those that have none as they are: 4096 pairs, 0.1."""
    rows, spread = board.measured[:2], np.zeros((2, 3))
    same = replace(board.sample, again=board.sample.error)
    assert against(same, rows, board.cov, spread, 0)[-1] == pytest.approx(1.0, abs=0.02)
    other = replace(board.sample, again=np.roll(board.sample.error, 1, axis=0))
    assert against(other, rows, board.cov, spread, 0)[-1] < 0.1
    assert 0.1 < against(board.sample, rows, board.cov, spread, 0)[-1] < 0.9


def test_law_report_says_what_is_held_against_trials(board: Case):
    """A mark at the row, the reason below the table, and all of it in the JSON."""
    believed = TrialsBelieved(TRIALS, 1, board.sample.why, board.sample.code)
    rows = tuple(
        CheckpointRow("a.yaml", n, board.scored(board.measured[:30]), believed) for n in ("one", "two")
    )
    plain = CheckpointRow("a.yaml", "three", rows[0].score)
    found = Backtest((), (), "", (), None, (), (*rows, plain), (), "calibrated", 0, "")
    text = render_backtest(found)
    assert [name for name in ("one", "two", "three") if f"\n  {name} *" in text] == ["one", "two"]
    assert "  * Held against 4096 trials" in text
    assert f"    'one', 'two': {board.sample.why} (DG405)\n" in text
    assert "* Held" not in render_backtest(replace(found, checkpoints=(plain,)))
    first, _, last = backtest_data(found)["checkpoints"]
    assert first["held_against"] == {
        "engine": "trials", "trials": TRIALS, "seed": 1, "code": "DG405", "why": board.sample.why,
    }  # fmt: skip
    assert last["held_against"]["engine"] == "covariance"


def test_law_without_a_heading_positions_are_judged(board: Case):
    """The heading of a run that nobody measured takes no part."""
    rows = board.measured[:500].copy()
    rows[:, 2] = np.nan
    found = board.scored(rows)
    assert found.dimensions == 2
    assert found.normalised / 2.0 == pytest.approx(1.0, abs=0.25)


def test_law_engines_that_agree_leave_the_normal_distribution(tmp_path: Path):
    """Without the board there is nothing to believe the trials for."""
    assert made(tmp_path).sample is None
