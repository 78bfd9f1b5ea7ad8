"""Trials that are replayed: the same as in a run of all, and what is kept of them is what happened."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from driftgate.core.errors import ModelError
from driftgate.predict import run_trials
from driftgate.predict.recorder import FALSE_RETURN, NO_ECHO, NOT_TRIED
from driftgate.predict.story import replay
from driftgate.predict.streams import Streams
from driftgate.predict.values import Outcome

from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run, tick

TRIALS = 300
CHOSEN = np.array([0, 3, 4, 5, 17, 18, 99, 100, 101, 257, 299])


def busy_case(**side: Any):
    """Return a case in which everything draws: walks, strays, false returns, pairs, pushing, taking.

    `side` changes the sensor that looks to the side.
    """
    noisy = {
        "noise": {"at_zero": "4 mm", "per_range": "1 %", "constant_over": "reading", **GUESS},
        "bias": run(mean="0 mm", spread="3 mm"),
        "dropout": {"probability": "10 %", "constant_over": "reading", **GUESS},
        "short_return": {"probability": "10 %", "run_length": 3, "constant_over": "reading", **GUESS},
    }
    sensors = [
        range_sensor("left", 0.1, 0.1, 0.0, errors=noisy),
        range_sensor("right", 0.1, -0.1, 0.0, errors=noisy),
        range_sensor("side", 0.0, 0.0, 90.0, errors=noisy, **side),
    ]
    errors = {
        "distance_scale": run(mean="0 %", spread="1 %"),
        "heading_bias": run(mean="0 deg/s", spread="0.5 deg/s"),
        "distance_walk": tick(per_root_metre="5 mm/sqrt(m)"),
        "heading_walk": tick(per_root_metre="1 deg/sqrt(m)"),
    }
    pots = [
        {
            "id": name,
            "at": {"x": x, "y": y},
            "shape": {"circle": {"radius": "60 mm"}},
            "height": {"low": "0 m", "high": "0.3 m"},
            "pushable": True,
            "scatter": {"x": "10 mm", "y": "10 mm", "heading": "0 deg", **run()},
            "stray": {"probability": "30 %", **run()},
        }
        for name, x, y in (("pot-a", "1.2 m", "0.2 m"), ("pot-b", "2 m", "-1 m"))
    ]
    field = field_map((-1.0, 3.0), (-2.0, 2.0), elements=pots)
    correction = {
        "when": "always",
        "gate": {"sigmas": 2.0},
        "way_back": {"refusals": 4, "factor": 4.0, "lost_after": 8},
        "pairs": [{"sensors": ["left", "right"]}],
    }
    steps = [
        {"do": "advance", "distance": "0.8 m"},
        {**mark("half", x="20 mm", y="20 mm"), "takes": ["pot-b"]},
        {"do": "rotate", "angle": "20 deg"},
        {"do": "drive", "to": ["1.6 m", "0.6 m"]},
    ]
    return prepared(steps, robot(errors, sensors, correction), field, spread=("10 mm", "10 mm", "2 deg"))


def same_as_in_the_run(found, whole, chosen):
    """Assert that replayed trials are those of a run of all, bit for bit."""
    for mine, all_of_them in zip(found.moments, whole.moments, strict=True):
        for name in vars(mine):
            assert np.array_equal(getattr(mine, name), getattr(all_of_them, name)[chosen]), name
    for name in ("touch_step", "touch_obstacle", "lost"):
        assert np.array_equal(getattr(found, name), getattr(whole, name)[chosen]), name


def test_law_replayed_trials_are_those_of_the_run():
    """Any set of trials, alone or not, comes out bit for bit as in a run of all trials."""
    case = busy_case()
    whole = run_trials(case, TRIALS, seed=5)
    for chosen in (CHOSEN, CHOSEN[-1:], np.arange(TRIALS)):
        same_as_in_the_run(replay(case, chosen, seed=5).trials, whole, chosen)


def test_law_drawn_phases_are_recorded():
    """A sensor whose phase is drawn reads in each trial at its own, and what is kept adds up."""
    case = busy_case(random_phase=True)
    found = replay(case, CHOSEN, seed=5)
    same_as_in_the_run(found.trials, run_trials(case, TRIALS, seed=5), CHOSEN)
    side = case.plan.timeline.readings.sensor == 2
    tried = (found.record.outcome[side] != NOT_TRIED).sum(axis=0)
    assert tried.sum() == found.trials.counts[2].sum()
    assert (tried < side.sum()).all()


def test_law_far_trials_are_those_of_the_run():
    """Numbers further apart than one stretch of draws are drawn as they are in their own batch."""
    chosen = np.array([2, 9_999, 10_000, 1_000_003])
    found = Streams.of_trials(3, chosen)
    for row, number in enumerate(chosen.tolist()):
        alone = Streams(3, number, 1)
        assert found.normals("heading_walk", "leg", 7)[row] == alone.normals("heading_walk", "leg", 7)[0]
        assert found.uniforms("dropout", "leg", 2)[1][row] == alone.uniforms("dropout", "leg", 2)[1][0]


def test_law_a_record_adds_up_to_the_counts():
    """Outcomes, wrong readings and moves of the record are those that the engine counts."""
    case = busy_case()
    found = replay(case, CHOSEN, seed=5)
    readings, record = case.plan.timeline.readings, found.record
    counts = np.zeros_like(found.trials.counts)
    wrong = np.zeros_like(found.trials.wrongly_accepted)
    moved_nm = np.zeros(len(counts))
    # Of a pair each reading is wrong where one of the two is.
    for r, (sensor, step) in enumerate(zip(readings.sensor, readings.step, strict=True)):
        tried = record.outcome[r] != NOT_TRIED
        counts[sensor, step] += np.bincount(record.outcome[r][tried], minlength=len(Outcome))
        wrong[sensor, step] += np.count_nonzero((record.outcome[r] == Outcome.ACCEPTED) & ~found.right()[r])
        moved_nm[sensor] += 1e9 * np.hypot(*record.move[r, :2]).sum()
    assert np.array_equal(counts, found.trials.counts)
    assert counts[:, :, Outcome.GATE].sum() > 0 < counts[:, :, Outcome.NO_ECHO].sum()
    assert np.array_equal(wrong[2], found.trials.wrongly_accepted[2])
    assert wrong[2].sum() > 0
    assert moved_nm[2] == pytest.approx(
        found.trials.fix_move_nm[2].sum(), abs=len(readings.knot) * len(CHOSEN)
    )
    assert (record.origin == FALSE_RETURN).any()
    assert (record.origin == NO_ECHO).any()


def test_law_a_record_ends_where_the_trial_does():
    """The poses kept at the last step are those of the end."""
    case = busy_case()
    found = replay(case, CHOSEN, seed=5)
    assert np.array_equal(found.record.truth[-1].T, found.trials.moments[-1].error)
    assert np.array_equal(found.record.clock_s[-1], found.trials.moments[-1].clock_s)
    assert np.abs(found.drawn()).max() < 7.0
    assert found.drawn().shape == (len(found.table.constants), len(CHOSEN))


def test_law_strays_of_a_record_are_a_third():
    """Elements stray in about the share of the trials that the map says, each somewhere."""
    found = replay(busy_case(), np.arange(TRIALS), seed=5).record.strayed
    assert [name for name, *_ in found] == ["pot-a", "pot-b"]
    for _, strayed, x, _y in found:
        assert 0.2 < strayed.mean() < 0.4
        assert np.ptp(x[strayed]) > 1.0


@pytest.mark.parametrize("numbers", [[], [3, 3], [4, 2], [-1, 2]])
def test_err_numbers_that_do_not_rise(numbers):
    """Trial numbers that do not rise from zero are refused."""
    with pytest.raises(ModelError, match="must rise"):
        Streams.of_trials(1, np.array(numbers, dtype=np.intp))
