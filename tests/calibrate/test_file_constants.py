"""Each constant of a robot file held against further runs: right files are kept, wrong ones named."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from closing import calibration_case
from file_sets import case_with, held, logs_of, ready, written_file
from scipy import stats

from driftgate.calibrate.chain import LoggedRun
from driftgate.calibrate.file_constants import FileConstants, _factors, _Says, _searched
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.robot_model import as_uncertain, robot_model
from driftgate.calibrate.score import FALSE_ALARM, score, with_doubt
from driftgate.calibrate.shown_constants import Shown
from driftgate.calibrate.windows import Track
from driftgate.report.backtest_constants import constants_data, constants_sentences, constants_table
from driftgate.schema.robot import Robot

FITTED, JUDGED, SEED = 5, 4, 3
# As good as no noise: a run shows its own value.
SURE = 1e8


def _asked(values: np.ndarray, spread: float, error: float, freedom: float, level: float) -> FileConstants:
    """Return what runs show that show one constant each, exactly: its values, about the file's mean."""
    shown = [Shown(np.array([[SURE]]), np.array([SURE * value])) for value in values]
    model = Fit({"heading_bias": 0.0}, {}, (), np.zeros((0, 0)), 0, 0.0, np.nan)
    says = _Says(np.array([spread**2]), np.array([[error**2]]))
    factors = _factors(["heading_bias"], {"heading_bias": freedom})
    scores = _searched(["heading_bias"], np.ones(1), shown, says, factors, level, model)
    return FileConstants(len(values), scores, level, (), False)


@pytest.mark.parametrize("freedom", [2.0, 5.0, 30.0])
def test_law_without_noise_it_is_students_t_and_fishers_f(freedom: float):
    """A file from n runs: t of n - 1 degrees of freedom, and F, as scipy has both."""
    values, spread = np.array([0.9, 2.1, 1.2, 2.6]), 0.8
    error = spread / np.sqrt(freedom + 1.0)
    one = _asked(values, spread, error, freedom, 1e-9).constants[0]
    t = values.mean() / np.hypot(spread / 2.0, error)
    assert one.chance == pytest.approx(2.0 * stats.t.sf(t, freedom), rel=0.02)
    f = values.var(ddof=1) / spread**2
    assert one.differs_chance == pytest.approx(stats.f.sf(f, 3.0, freedom), rel=0.02)
    assert one.shown == pytest.approx(values.mean(), rel=1e-6)
    assert one.differs == pytest.approx(values.std(ddof=1), rel=1e-3)
    assert one.alike == 4


def test_mc_what_is_said_to_be_found_is_found():
    """A shift of the size that is stated is found in 8 of 10 sets of a known spread."""
    rng, count, hits = np.random.default_rng(4), 150, 0
    off = _asked(rng.normal(size=5), 1.0, 0.3, 1e6, 0.01).constants[0].findable
    for _ in range(count):
        values = rng.normal(size=5) + 0.3 * rng.normal() + off
        hits += _asked(values, 1.0, 0.3, 1e6, 0.01).constants[0].finding == "off to one side"
    assert hits / count == pytest.approx(0.8, abs=4.0 * np.sqrt(0.16 / count))


@pytest.fixture(scope="module")
def file_and_runs() -> tuple[Robot, list[LoggedRun]]:
    """Return a robot file from six runs of the calibration drive, and six runs more of the same robot."""
    logs = logs_of(SEED, FITTED + JUDGED)
    return written_file(logs[:FITTED]), ready(logs[FITTED:])


@pytest.fixture(scope="module")
def another_day(file_and_runs) -> tuple[float, float, list[LoggedRun]]:
    """Return a gyro's bias that is far from the file's, how far the file is from sure, and runs with it."""
    bias = file_and_runs[0].errors.heading_bias
    whole = float(np.hypot(bias.spread, bias.fitted.mean_error))
    far = bias.mean + 8.0 * whole
    case = case_with(heading_bias={"mean": far, "spread": bias.spread})
    return far, whole, ready(logs_of(SEED, FITTED + JUDGED, case)[FITTED:])


def test_law_the_robots_own_further_runs_show_no_sign(file_and_runs):
    """And the level leaves the constants their share of the false alarms, all their tests together."""
    robot, runs = file_and_runs
    found = held(robot, runs)
    assert not found.found
    assert found.rest_used
    assert len(found.rests) == JUDGED
    tests = len(found.constants) + sum(one.differs is not None for one in found.constants)
    assert found.level * tests == pytest.approx(0.5 * FALSE_ALARM)
    words = "\n".join(constants_sentences(found))
    assert (
        "no sign that one of the odometry's is off. 4 runs like these show a heading bias that is off by"
        in words
    )
    assert "At rest, before the robot moved, the gyro drifted by" in words


def test_law_a_gyro_of_another_day_is_named(file_and_runs, another_day):
    """All runs on one side: the bias, its value, and no other constant; read at rest and on the way alike."""
    robot, _ = file_and_runs
    far, whole, others = another_day
    for runs in (others, [_not_rested(run) for run in others]):
        found = held(robot, runs)
        assert [(one.key, one.finding) for one in found.found] == [("heading_bias", "off to one side")]
        (one,) = found.found
        assert one.alike == JUDGED
        assert one.shown == pytest.approx(far, abs=2.5 * whole)
    found = held(robot, others)
    words = "\n".join(constants_sentences(found))
    assert "the heading bias lies off to one side: the file says" in words
    assert "all 4 of them on that side" in words
    assert any("heading bias" in line and "off to one side" in line for line in constants_table(found))
    data = constants_data(found)["constants"]
    assert [row["key"] for row in data if row["finding"]] == ["heading_bias"]


def _not_rested(run: LoggedRun) -> LoggedRun:
    """Return a run without its standstill: from a little before its first move."""
    track = run.track
    first = max(int(np.flatnonzero(track.moving)[0]) - 2, 0)
    reference = track.reference[first:].copy()
    short = Track(track.name, track.time_s[first:], track.twist[first:], reference)
    return replace(run, track=short, blind=run.blind[first:])


def test_law_a_wheel_that_was_moved_is_named(file_and_runs):
    """What is one number in all runs, too, and told from the others."""
    robot, runs = file_and_runs
    wheel = robot.errors.wheel_offset
    elsewhere = wheel.model_copy(update={"mean": wheel.mean + 0.006})
    errors = robot.errors.model_copy(update={"wheel_offset": elsewhere})
    found = held(robot.model_copy(update={"errors": errors}), runs)
    assert [(one.key, one.finding) for one in found.found] == [("wheel_offset", "off to one side")]
    assert "another one now" in "\n".join(constants_sentences(found))


def test_law_a_heading_that_is_steered_at_rest_says_nothing_of_the_gyro(file_and_runs, another_day):
    """Held where it was, the heading does not drift at rest; on the way it does: no constant is blamed."""
    robot, _ = file_and_runs
    far, _, runs = another_day
    there = robot.errors.heading_bias.model_copy(update={"mean": far})
    file = robot.model_copy(update={"errors": robot.errors.model_copy(update={"heading_bias": there})})
    assert held(file, runs).rest_used
    steered = [_steered(run) for run in runs]
    found = held(file, steered)
    assert not found.rest_used
    assert not found.found
    assert "something steers it at rest" in "\n".join(constants_sentences(found))


def _steered(run: LoggedRun) -> LoggedRun:
    """Return a run whose heading does not change as long as it rests."""
    twist = run.track.twist.copy()
    rest = int(np.flatnonzero(run.track.moving)[0])
    jitter = 1e-6 * np.random.default_rng(rest).standard_normal(rest + 1)
    twist[:rest, 2] = np.diff(jitter)
    return replace(run, track=replace(run.track, twist=twist))


def test_law_walks_that_are_too_small_are_not_blamed_on_a_constant(file_and_runs):
    """A file with walks of a tenth: errors are larger than it says, and no constant is off for that."""
    robot, runs = file_and_runs
    small = {
        "distance_walk": {"per_root_metre": 0.0003},
        "lateral_walk": {"per_root_metre": 0.0005},
        "heading_walk": {"per_root_metre": 0.0, "per_root_second": 0.0, "per_root_radian": 0.0002},
    }
    errors = robot.errors.model_copy(
        update={name: getattr(robot.errors, name).model_copy(update=v) for name, v in small.items()}
    )
    assert not held(robot.model_copy(update={"errors": errors}), runs).found


def test_law_spreads_of_few_runs_are_drawn_as_a_file_says_they_are_known(file_and_runs):
    """Scaled inverse chi-square of the degrees of freedom in the file; without any there is no doubt."""
    robot, _ = file_and_runs
    unsure = as_uncertain(robot_model(robot), robot)
    assert unsure is not None
    assert unsure.doubt is not None
    bias = robot.errors.heading_bias
    drawn = unsure.doubt.draws[:, unsure.doubt.names.index("heading_bias")] / bias.spread**2
    known = stats.chi2(bias.fitted.freedom)
    for share in (0.1, 0.5, 0.9):
        expected = bias.fitted.freedom / known.isf(share)
        assert np.quantile(drawn, share) == pytest.approx(expected, rel=0.06)
    assert {"distance_walk", "lateral_walk", "distance_scale"} <= set(unsure.doubt.names)
    guessed = calibration_case().case.robot
    assert as_uncertain(robot_model(guessed), guessed) is None


def test_law_what_doubt_explains_is_not_blamed():
    """Errors twice as large as predicted are; not if the prediction may be that much wider."""
    cov = np.tile(np.eye(3), (60, 1, 1))
    errors = 2.0 * np.random.default_rng(5).normal(size=(60, 3))
    sure, unsure, hardly = (score(errors, size * cov, 60.0) for size in (1.0, 4.0, 1.2))
    assert sure is not None
    assert (sure.word, hardly.word) == ("overconfident", "overconfident")
    assert with_doubt(sure, unsure).word == "cannot say"
    assert with_doubt(sure, hardly).word == with_doubt(sure, None).word == "overconfident"
    assert with_doubt(unsure, sure).word == unsure.word
