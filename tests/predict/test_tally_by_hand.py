"""What is counted and kept of trials, beside what a recorder keeps of every reading."""

from __future__ import annotations

import numpy as np
import pytest

from driftgate.core.errors import ModelError
from driftgate.predict import merge_trials, run_trials
from driftgate.predict.places import places_of_strays
from driftgate.predict.recorder import DIFFERENCE, MEAN
from driftgate.predict.story import replay
from driftgate.sight.pairs import slots

from .test_story import busy_case

TRIALS, SEED = 60, 5
# The gate of the case; the 95 % and 99 % points of chi-square with one degree of freedom.
SIGMAS, POINTS = 2.0, (3.841458820694124, 6.634896601021214)


def test_law_the_tally_of_innovations_adds_up_from_the_readings() -> None:
    """By sensor and step, for readings alone and what is made of pairs: how many, and sums of squares."""
    case = busy_case()
    found = replay(case, np.arange(TRIALS), seed=5)
    record, own, readings = found.record, found.trials.own, case.plan.timeline.readings
    names = slots(case.case.robot)
    of_slot = np.where(record.of_pair == DIFFERENCE, names.difference(0), readings.sensor[:, None])
    of_slot = np.where(record.of_pair == MEAN, names.mean(0), of_slot)
    tried = ~np.isnan(record.innovation_m)
    ratio = np.where(tried, record.innovation_m / record.predicted_m, 0.0)
    squared = np.minimum(ratio**2, 1e3)
    used = tried & (np.abs(ratio) <= SIGMAS)
    assert set(of_slot[tried].tolist()) == set(range(len(names.names)))
    for slot in range(len(names.names)):
        fixes = used & (of_slot == slot)
        for step in range(len(case.plan.steps)):
            here = (of_slot == slot) & (readings.step[:, None] == step)
            mine = tried & here
            assert own.tried[slot, step] == mine.sum()
            assert own.used[slot, step] == (fixes & here).sum()
            sums = own.nis_tried[slot, step], own.nis_used[slot, step], own.signed[slot, step]
            signed = np.sign(ratio) * np.sqrt(squared)
            wanted = squared[mine].sum(), squared[fixes & here].sum(), signed[mine].sum()
            # Each term is rounded to a millionth.
            assert np.array(sums) * 1e-6 == pytest.approx(wanted, abs=1e-6 * (1 + mine.sum()))
            assert own.beyond[slot, step].tolist() == [(squared[mine] > point).sum() for point in POINTS]
        count = fixes.sum(axis=0)
        mean = np.where(fixes, squared, 0.0).sum(axis=0)[count > 0] / count[count > 0]
        assert own.by_trial[slot, 0] == (count > 0).sum()
        assert own.by_trial[slot, 1] * 1e-3 == pytest.approx(mean.sum(), abs=1e-3 * TRIALS)
        assert own.by_trial[slot, 2] * 1e-6 == pytest.approx((mean**2).sum(), rel=1e-2)


def test_law_ranges_of_trials_merge_into_one() -> None:
    """Arrays one after the other, counts added, and what is of the case or the seed as it was."""
    case = busy_case()
    whole, parts = (
        run_trials(case, 12, SEED),
        [run_trials(case, n, SEED, first=at) for at, n in ((0, 7), (7, 5))],
    )
    merged = merge_trials(parts)
    assert merge_trials(parts[:1]) is parts[0]
    assert (merged.trials, merged.seed, merged.obstacles) == (12, SEED, whole.obstacles)
    assert merged.weight is None
    for name in (
        "counts",
        "wrongly_accepted",
        "wrongly_refused",
        "fix_move_nm",
        "touch_step",
        "touch_obstacle",
        "lost",
    ):
        assert np.array_equal(getattr(merged, name), getattr(whole, name)), name
    for mine, all_of_them in zip(merged.moments, whole.moments, strict=True):
        for name, values in vars(all_of_them).items():
            assert np.array_equal(getattr(mine, name), values), name
    for name, values in vars(whole.own).items():
        assert np.array_equal(getattr(merged.own, name), values), name
    with pytest.raises(ModelError, match="no trials"):
        merge_trials([])


def test_law_where_a_strayed_thing_lies() -> None:
    """As a record of the chosen trials has it, the trials being those of the run."""
    case, chosen = busy_case(), np.array([1, 4, 5, 9, 20])
    trials, x, y, strayed = places_of_strays(case, "pot-b", chosen, SEED)
    found = replay(case, chosen, SEED)
    ((_, did, at_x, at_y),) = (row for row in found.record.strayed if row[0] == "pot-b")
    assert strayed.tolist() == did.tolist()
    assert 0 < did.sum() < len(chosen)
    assert (x.tolist(), y.tolist()) == (at_x.tolist(), at_y.tolist())
    assert np.array_equal(trials.moments[-1].error, found.trials.moments[-1].error)
