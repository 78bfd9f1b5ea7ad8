"""What replays say of the robot's filter: how often a right one is blamed, and a wrong one named."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from driftgate.calibrate.correction_score import CorrectionScore, score_correction
from driftgate.calibrate.filter_claim import NORMALISED, FilterClaim, filter_claim
from driftgate.calibrate.replay import Replayed
from driftgate.calibrate.shared_errors import share_between, shared_of
from driftgate.calibrate.windows import Track
from driftgate.report.backtest_filter import claim_sentence

SD_M = 0.006
POSES = 13
KEYS = BIAS, WALL = ("bias", 0), ("offset", 3)


class Practice:
    """Runs of made robots that are measured in pauses, and whose filter says what it says of its errors.

    Errors of a run go together from pose to pose, and those of all runs of a robot by its sensor's bias and a
    wall, along directions that change on the way: `common` of each, beside 1.6 of their own.
    """

    def __init__(self, seed: int, common: float = 0.25, along: float = 0.5) -> None:
        self.rng = np.random.default_rng(seed)
        turn = np.linspace(0.0, 2.0 * np.pi, POSES)
        self.rows = [np.stack([np.cos(turn), np.sin(turn)]), np.stack([np.sin(2.0 * turn), np.cos(turn)])]
        self.rows = [math.sqrt(common) * SD_M * row for row in self.rows]
        self.along = along

    def robot(self, runs: int, size: float = 1.0, bad: int = 0) -> list[CorrectionScore]:
        """Return the scores of a robot's runs, errors so many times as large as its filter says.

        `bad` runs of them are far off.
        """
        luck = self.rng.normal(size=2)
        return [self._run(luck, 5.0 if i < bad else size) for i in range(runs)]

    def _run(self, luck: np.ndarray, size: float) -> CorrectionScore:
        shared = sum(u * row for u, row in zip(luck, self.rows, strict=True))
        cov = sum(np.einsum("ip,jp->pij", row, row) for row in self.rows)
        left = SD_M**2 * 1.6 * np.eye(2)
        walk = np.empty((2, POSES))
        walk[:, 0] = self.rng.normal(size=2)
        fresh = math.sqrt(1.0 - self.along**2)
        for k in range(1, POSES):
            walk[:, k] = self.along * walk[:, k - 1] + fresh * self.rng.normal(size=2)
        error = size * (shared + math.sqrt(1.6) * SD_M * walk)
        whole = cov + left
        covs = np.zeros((POSES, 6, 1))
        for place, (i, j) in ((0, (0, 0)), (1, (0, 1)), (3, (1, 1))):
            covs[:, place, 0] = whole[:, i, j]
        beliefs = np.zeros((POSES, 3, 1))
        beliefs[:, :2, 0] = error.T
        linked = {
            k: {key: (float(row[0, k]), float(row[1, k])) for key, row in zip(KEYS, self.rows, strict=True)}
            for k in range(POSES)
        }
        return scored(beliefs, covs, linked)


def scored(beliefs: np.ndarray, covs: np.ndarray, linked: dict, measured=None) -> CorrectionScore:
    """Return the score of a replay that is measured after every half metre, at the origin by the truth."""
    count = len(beliefs)
    driven = np.tile([0.5, 0.0, 0.0], (count - 1, 1))
    track = Track("made", np.arange(count, dtype=float), driven, np.zeros((count, 3)))
    nothing = np.zeros((0, 1))
    done = Replayed(
        beliefs, covs, nothing.astype(int), nothing, np.zeros(1, bool), np.zeros(1, int), linked
    )  # fmt: skip
    return score_correction(track, done, None, np.zeros((count, 2)), measured)


def words(
    seed: int, robots: int, make: Callable[[Practice], list[CorrectionScore]], common: float = 0.25
) -> list[str]:
    """Return the verdicts on so many robots."""
    practice = Practice(seed, common)
    found = [filter_claim(make(practice)) for _ in range(robots)]
    return [claim.word for claim in found if claim is not None]


@pytest.mark.parametrize(("runs", "common"), [(1, 0.25), (6, 0.25), (6, 1.0), (12, 1.0)])
def test_mc_a_right_filter_is_seldom_blamed(runs: int, common: float) -> None:
    """In no more than 5 % of backtests, of too much and too little together: 200 robots, three errors."""
    said = words(runs, 200, lambda practice: practice.robot(runs), common)
    blamed = sum(word in ("overconfident", "overcautious") for word in said)
    assert blamed <= 200 * 0.05 + 3.0 * math.sqrt(200 * 0.05 * 0.95)
    assert said.count("calibrated" if runs > 3 else "cannot say") > 170


def test_mc_a_filter_that_claims_too_much_is_named() -> None:
    """Errors 1.6 times as large as it says, over six runs: most often; 2.5 times as large, always."""
    assert words(1, 100, lambda practice: practice.robot(6, 1.6)).count("overconfident") > 70
    assert words(2, 50, lambda practice: practice.robot(6, 2.5)).count("overconfident") == 50


def test_mc_a_filter_that_claims_too_little_is_named() -> None:
    """Errors of a third of what it says."""
    assert words(3, 50, lambda practice: practice.robot(6, 1.0 / 3.0)).count("overcautious") > 40


def test_mc_one_bad_run_is_not_the_filter() -> None:
    """Of six runs one is far off, as where somebody pushed the robot: the regions of the others are sound."""
    practice = Practice(4)
    found = [filter_claim(practice.robot(6, bad=1)) for _ in range(100)]
    assert sum(claim is not None and claim.holds_too_few for claim in found) <= 5


def test_law_too_little_is_said_with_how_many_runs_would_do() -> None:
    """One or two runs say nothing, and name a number of runs that then mostly says something."""
    practice = Practice(5)
    for runs in (1, 2):
        found = [claim for _ in range(20) if (claim := filter_claim(practice.robot(runs))) is not None]
        assert sum(claim.word == "cannot say" for claim in found) >= 18
        assert all(3 < claim.enough_runs < 9 for claim in found)
    more = [filter_claim(practice.robot(found[-1].enough_runs)) for _ in range(40)]
    assert sum(claim is not None and claim.word == "cannot say" for claim in more) < 20
    assert filter_claim([]) is None
    # One that is measured all along is judged by itself.
    several = [filter_claim(practice.robot(1), long=True) for _ in range(20)]
    assert any(claim is not None and claim.word == "calibrated" for claim in several)


def test_law_a_share_of_92_per_cent_is_a_size_of_errors() -> None:
    """What is fit for use by coverage and by size is the same: exp(-c/2) with 95 % at c = 5.99."""
    point = -2.0 * math.log(0.05)
    assert 1.0 - math.exp(-point / NORMALISED[1] / 2.0) == pytest.approx(0.92, rel=1e-12)
    assert 1.0 - math.exp(-point / NORMALISED[0] / 2.0) == pytest.approx(0.98, rel=1e-12)


def test_mc_what_runs_share_is_how_their_squares_go_together() -> None:
    """The correlation of two runs' normalised squares, by sampling, and the mean over all pairs by hand."""
    rng = np.random.default_rng(6)
    cov = np.array([[3.0, 0.5, 2.0], [2.0, -0.3, 4.0]])
    linked = [{BIAS: (1.0, 0.2), WALL: (0.3, 1.0)}, {BIAS: (-0.8, 0.5)}]
    whole = [np.array([[xx, xy], [xy, yy]]) for xx, xy, yy in cov]
    parts = [np.array([row.get(key, (0.0, 0.0)) for key in (BIAS, WALL)]) for row in linked]
    roots = [np.linalg.cholesky(p) for p in whole]
    white = [np.linalg.solve(root, c.T) for root, c in zip(roots, parts, strict=True)]
    by_hand = np.mean([0.5 * np.sum((a @ b.T) ** 2) for a in white for b in white])
    shared = shared_of(linked, cov)
    assert share_between(shared, shared) == pytest.approx(by_hand, rel=1e-12)
    assert share_between(shared, shared_of([{}], cov[:1])) == 0.0
    # One pose of either run: errors are what both share, and the rest of the covariance by itself.
    u = rng.normal(size=(2, 400_000))
    squares = []
    for c, p in zip(parts, whole, strict=True):
        rest = np.linalg.cholesky(p - c.T @ c) @ rng.normal(size=(2, u.shape[1]))
        error = c.T @ u + rest
        squares.append(np.einsum("in,in->n", error, np.linalg.solve(p, error)))
    one, other = (shared_of([row], cov[i : i + 1]) for i, row in enumerate(linked))
    sampled = np.corrcoef(squares)[0, 1]
    assert sampled == pytest.approx(share_between(one, other), abs=5.0 / math.sqrt(u.shape[1]))


def test_law_a_tape_is_off_too() -> None:
    """Errors of 2 mm by a filter that is sure to 1 mm: with a tape good to 2 mm they are no wonder."""
    beliefs = np.zeros((4, 3, 1))
    beliefs[:, 0, 0] = (2e-3, -2e-3, 2e-3, -2e-3)
    covs = np.zeros((4, 6, 1))
    covs[:, 0], covs[:, 3] = 1e-6, 1e-6
    assert scored(beliefs, covs, {}).normalised == pytest.approx(0.5 * 4.0, rel=1e-9)
    taped = scored(beliefs, covs, {}, (2e-3, 2e-3, 0.01))
    assert taped.normalised == pytest.approx(0.5 * 4.0 / 5.0, rel=1e-9)


MADE = FilterClaim(6, 78, 31.0, 0.81, (0.64, 0.92), 1.96, (0.4, 2.2), "overconfident", 3)


def test_law_the_sentence_says_what_to_do() -> None:
    """Which of the two showed it, how much, and the command or the numbers to change."""
    said = claim_sentence(MADE, False, False)
    assert said.startswith(
        "it claims to know more than it does: its own 95 % regions hold 81.0 % of 78 measured"
    )
    assert "in the long run no more than 92.0 %" in said
    assert "errors are 1.40 times as large as it says;" in said
    assert "'driftgate calibrate LOGS --robot FILE --out NEW'" in said
    assert said.endswith("1.4 times as large.")
    by_size = claim_sentence(replace(MADE, inside=0.93, normalised=4.0), False, False)
    assert "in the long run" not in by_size
    assert "2.00 times as large as it says (by chance no more than 1.48)" in by_size
    shy = replace(MADE, word="overcautious", inside=1.0, normalised=0.2)
    assert "correct in the robot's code what its file has as means" in claim_sentence(shy, True, False)
    assert claim_sentence(shy, False, False).endswith("0.4 times as large.")
    assert "--fit" in claim_sentence(MADE, False, True)
    unsaid = replace(MADE, word="cannot say", runs=2, enough_runs=5)
    assert claim_sentence(unsaid, False, False).endswith("about 5 runs like these would do.")
    right = claim_sentence(replace(MADE, word="calibrated", inside=0.95), False, False)
    assert right.startswith("right about itself on this robot and field")
    for sentence in (said, by_size, right):
        assert len(re.findall(r"\.(?: |$)", sentence)) == 1


def test_law_the_factor_is_the_size_of_the_errors() -> None:
    """What the sentence says to make larger: regions as many times as wide hold what they claim."""
    practice = Practice(7)
    scores = [run for _ in range(40) for run in practice.robot(6, 1.4)]
    assert math.sqrt(np.mean([s.normalised for s in scores])) == pytest.approx(1.4, abs=0.1)
