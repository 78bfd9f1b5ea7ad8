"""What is said of the robot's filter, from tallies written by hand."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest

from driftgate.judge.consistency import filter_consistency, shared_confidence
from driftgate.predict.filter_tally import FilterTally, empty_filter_tally

STEPS = 2


def case(sensors=("ahead",), sigmas=None, enabled=True):
    """Return what is read of a case: the robot's sensors and its gate."""
    gate = None if sigmas is None else SimpleNamespace(sigmas=sigmas)
    correction = SimpleNamespace(enabled=enabled, gate=gate, pairs=())
    robot = SimpleNamespace(correction=correction, sensors=[SimpleNamespace(id=name) for name in sensors])
    return SimpleNamespace(robot=robot)


def tally(moments=1, slots=1, **more) -> FilterTally:
    """Return an empty tally with some of its sums."""
    return dataclasses.replace(
        empty_filter_tally(slots, STEPS, moments), **{k: np.asarray(v, np.int64) for k, v in more.items()}
    )


def inside(*whole, trials=1000, worst="y"):
    """Return the counts inside the 50, 68, 90, 95 % regions: each coordinate alone, and all together."""
    each = [[500, 680, 900, 950]] * 3
    each = [[n * trials // 1000 for n in row] for row in each]
    each[["x", "y", "heading"].index(worst)][-1] -= 1
    return [[*each, list(whole)]]


def judged(whole, mean=3.0, trials=1000, certain=0, **more):
    """Return what is said of one moment, "gate" at the second step."""
    own = tally(
        inside=inside(*whole, trials=trials),
        nees=[[trials, round(mean * trials * 1000), 0]],
        certain=[certain],
        **more,
    )
    return filter_consistency(case(), (("gate", 1),), SimpleNamespace(own=own, trials=trials))


def test_law_innovations_by_hand():
    """Means, shares, their standard error and the readings' own share, from two steps' sums."""
    # 200 trials with fixes, their mean squares 0.9 and 1.1 in equal parts: mean 1, standard deviation 0.1.
    own = tally(
        tried=[[300, 100]],
        used=[[250, 50]],
        nis_tried=[[500_000_000, 100_000_000]],
        beyond=[[[20, 5], [4, 3]]],
        signed=[[-60_000_000, 20_000_000]],
        own=[[100_000_000, 60_000_000]],
        by_trial=[[200, 200_000, 100 * 810_000 + 100 * 1_210_000]],
        nees=[[1000, 3_000_000, 0]],
        inside=inside(500, 680, 900, 950),
    )
    found = filter_consistency(case(), (("gate", 1),), SimpleNamespace(own=own, trials=1000))
    (sensor,) = found.sensors
    assert (sensor.name, sensor.tried, sensor.used, sensor.word) == ("ahead", 400, 300, "consistent")
    assert sensor.mean_tried == pytest.approx(1.5, rel=1e-12)  # 600 over 400
    assert sensor.mean_used == pytest.approx(1.0, rel=1e-12)
    assert sensor.expected == 1.0
    assert sensor.error == pytest.approx(0.1 / math.sqrt(199), rel=1e-9)
    assert sensor.beyond_95 == pytest.approx(0.06, rel=1e-12)  # 24 of 400
    assert sensor.beyond_99 == pytest.approx(0.02, rel=1e-12)  # 8 of 400
    assert sensor.offset == pytest.approx(-0.1, rel=1e-12)
    assert sensor.own == pytest.approx(0.4, rel=1e-12)
    # Chi-square of 200, as a normal with the third moment (Wilson and Hilferty 1931): 0.814 and 1.205.
    assert sensor.region == pytest.approx((0.814, 1.205), abs=2e-3)


def word_of(mean, trials, sigmas=None, names=("ahead",)):
    """Return the word about innovations whose trials' mean is this."""
    slots = len(names)
    own = tally(
        slots=slots,
        tried=[[trials, 0]] * slots,
        by_trial=[[trials, round(mean * trials * 1000), round(mean**2 * trials * 1e6)]] * slots,
        nees=[[1000, 3_000_000, 0]],
        inside=inside(500, 680, 900, 950),
    )
    found = filter_consistency(case(names, sigmas), (("gate", 1),), SimpleNamespace(own=own, trials=trials))
    return found.sensors[0].word


@pytest.mark.parametrize(
    ("mean", "trials", "word"),
    [
        (5.0, 99, "cannot say"),
        (5.0, 100, "too trusting"),
        # With many trials chance is small, and what is fit for use decides: 0.92 to 1.06.
        (1.05, 1_000_000, "consistent"),
        (1.07, 1_000_000, "too trusting"),
        (0.93, 1_000_000, "consistent"),
        (0.91, 1_000_000, "too shy"),
        # With few, chance: of 100, 1 +- 1.96 sqrt(2 / 100) or so, 0.742 to 1.296.
        (1.28, 100, "consistent"),
        (1.32, 100, "too trusting"),
        (0.76, 100, "consistent"),
        (0.72, 100, "too shy"),
    ],
)
def test_law_innovations_are_held_to_use_and_chance(mean, trials, word):
    """A mean has to be outside both what is fit for use and what chance makes."""
    assert word_of(mean, trials) == word


def test_law_a_gate_lowers_what_is_expected():
    """Inside two sigmas the mean square of a normal is 0.7737: 1.07 is 1.38 of it, 0.77 is right."""
    assert word_of(0.77, 1_000_000) == "too shy"
    assert word_of(0.77, 1_000_000, sigmas=2.0) == "consistent"
    assert word_of(1.07, 1_000_000, sigmas=2.0) == "too trusting"


def test_law_sensors_share_the_chance_of_a_false_alarm():
    """1.32 of 100 trials is too much for one sensor, and chance among ten of them: 5 % are shared out."""
    assert word_of(1.32, 100, names=[f"s{i}" for i in range(10)]) == "consistent"
    assert shared_confidence(10) == pytest.approx(0.995, rel=1e-12)
    assert shared_confidence(1) == pytest.approx(0.95, rel=1e-12)
    assert shared_confidence(0) == pytest.approx(0.95, rel=1e-12)


def test_law_a_sensor_that_never_came_to_the_gate_is_not_listed():
    """Nothing is said of a sensor without readings, nor of a robot without fixes or sensors."""
    own = tally(
        slots=2, tried=[[0, 0], [3, 0]], nees=[[1000, 3_000_000, 0]], inside=inside(500, 680, 900, 950)
    )
    trials = SimpleNamespace(own=own, trials=1000)
    found = filter_consistency(case(("left", "right")), (("gate", 1),), trials)
    assert [s.name for s in found.sensors] == ["right"]
    assert found.sensors[0].mean_used is None
    assert (found.sensors[0].error, found.sensors[0].word) == (0.0, "cannot say")
    assert filter_consistency(case(enabled=False), (("gate", 1),), trials) is None
    assert filter_consistency(case(()), (("gate", 1),), trials) is None


def test_law_regions_by_hand():
    """Mean and coverage by coordinate; the worst is the one whose 95 % region holds the truth least often."""
    found = judged((510, 690, 905, 951), mean=3.05, trials=1000)
    (at,) = found.moments
    assert (at.name, at.step, at.worst, at.word) == ("gate", 1, "y", "consistent")
    assert at.mean == pytest.approx(3.05, rel=1e-12)
    assert at.coverage["x"] == pytest.approx((0.5, 0.68, 0.9, 0.95))
    assert at.coverage["y"] == pytest.approx((0.5, 0.68, 0.9, 0.949))
    assert at.coverage["all"] == pytest.approx((0.51, 0.69, 0.905, 0.951))
    # Chi-square of 3000 over 1000: 3 +- 1.96 sqrt(6000) / 1000.
    assert at.region == pytest.approx((2.850, 3.154), abs=3e-3)
    # Clopper and Pearson 1934, 951 of 1000, checked by the tails: 2.5 % beyond each end.
    from scipy.stats import binom

    low, high = at.interval_95
    assert binom.sf(950, 1000, low) == pytest.approx(0.025, rel=1e-6)
    assert binom.cdf(951, 1000, high) == pytest.approx(0.025, rel=1e-6)
    assert found.sentence == (
        "The filter is right about its own errors: "
        "its 95 % region holds the truth in 95 % of the trials or more."
    )


@pytest.mark.parametrize(
    ("whole", "mean", "word"),
    [
        ((500, 680, 900, 921), 3.0, "consistent"),  # 92 % is fit for use, whatever chance says
        ((500, 680, 900, 919), 3.0, "too trusting"),
        ((500, 680, 900, 990), 2.7, "too shy"),  # 99 %, and squares too small
        ((500, 680, 900, 990), 3.0, "consistent"),  # squares are as they should be
        ((500, 680, 900, 985), 2.7, "consistent"),  # chance may make this of 98 %
        ((650, 680, 900, 960), 2.7, "too shy"),  # its 50 % region holds 65 %
        ((620, 680, 900, 960), 2.7, "consistent"),  # 62 % may be 60 % by chance
    ],
)
def test_law_words_of_a_moment(whole, mean, word):
    """Too small a region by coverage alone; too large a one by coverage and squares."""
    found = judged(whole, mean)
    assert (found.moments[0].word, found.word) == (word, word)


def test_law_few_trials_and_perfect_knowledge_say_nothing():
    """99 trials say nothing, 100 do; more than one in a hundred that know a coordinate perfectly neither."""
    few = judged((10, 10, 10, 10), trials=99)
    assert few.word == "cannot say"
    assert few.sentence == "With 99 trials nothing can be said of the filter; it takes 100."
    assert judged((10, 10, 10, 10), trials=100).word == "too trusting"
    assert judged((500, 680, 900, 900), certain=10).word == "too trusting"
    certain = judged((500, 680, 900, 900), certain=11)
    assert certain.word == "cannot say"
    assert certain.sentence.startswith("The filter claims to know some coordinate perfectly")


def test_law_moments_share_the_chance_of_a_false_alarm():
    """With one moment 88 of 100 are too few; among twenty such moments they may be chance."""
    assert judged((50, 68, 85, 88), trials=100).word == "too trusting"
    one = inside(50, 68, 85, 88, trials=100)
    own = tally(moments=20, inside=one * 20, nees=[[100, 300_000, 0]] * 20, certain=[0] * 20)
    moments = tuple((f"m{i}", 0) for i in range(20))
    found = filter_consistency(case(), moments, SimpleNamespace(own=own, trials=100))
    assert found.word == "consistent"


def test_law_one_bad_moment_decides_and_the_sentence_names_the_worst():
    """Of three moments the least covered is named, and the first too small; innovations that would pass."""
    rows = (
        inside(500, 680, 900, 950) + inside(400, 600, 800, 900) + inside(400, 600, 700, 850, worst="heading")
    )
    own = tally(
        moments=3,
        inside=rows,
        nees=[[1000, 3_000_000, 0]] * 3,
        certain=[0] * 3,
        tried=[[1000, 0]],
        by_trial=[[1000, 1_010_000, 1_100_000_000]],
    )
    moments = (("a", 0), ("b", 4), ("end", 7))
    found = filter_consistency(case(), moments, SimpleNamespace(own=own, trials=1000))
    assert [m.word for m in found.moments] == ["consistent", "too trusting", "too trusting"]
    assert (found.word, found.hidden) == ("too trusting", True)
    assert found.sentence.startswith(
        "The filter trusts itself too much: at 'end' its 95 % region holds the truth in 85 % of the trials. "
        "Most of it in heading; first at 'b' (step 5). The innovations alone would pass (ahead 1.01; 1.00 is "
        "right, and a little more passes)"
    )
    # Innovations that show it hide nothing; without any that say something nothing would pass.
    loud = dataclasses.replace(own, by_trial=np.array([[1000, 2_000_000, 4_100_000_000]]))
    assert not filter_consistency(case(), moments, SimpleNamespace(own=loud, trials=1000)).hidden
    silent = dataclasses.replace(own, by_trial=np.array([[99, 99_000, 99_000_000]]))
    assert not filter_consistency(case(), moments, SimpleNamespace(own=silent, trials=1000)).hidden


def test_law_a_shy_filter_is_named_at_its_widest():
    """Of two moments that are too wide the one whose 50 % region holds most is named."""
    rows = inside(700, 800, 950, 990) + inside(800, 850, 960, 991)
    own = tally(moments=2, inside=rows, nees=[[1000, 2_000_000, 0]] * 2, certain=[0] * 2)
    found = filter_consistency(case(), (("a", 0), ("b", 4)), SimpleNamespace(own=own, trials=1000))
    assert found.word == "too shy"
    assert found.sentence == (
        "The filter trusts itself too little: at 'b' its 50 % region holds the truth in 80 % of the trials, "
        "its 95 % region in 99 %. It takes less from each reading than it could."
    )
