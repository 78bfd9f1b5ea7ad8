"""Calls from weighted trials at the requirement itself, and the share used."""

import math

import numpy as np

from driftgate.judge.rare import RareSample, rare_looks, rare_status, rare_used
from driftgate.judge.sampling import Sampling

REQUIRED, SIGMAS = 0.9999, 3.890592  # P(|z| > 3.890592) = 1e-4, the complementary error function
LARGEST = 1.25
RULE = Sampling(0.95, 1, sequential=True)


def sample_of(count, seed):
    """Return trials of one normal error against +- 3.89 sigma, a tenth tilted to either side."""
    rng = np.random.default_rng(seed)
    part = rng.random(count)
    z = rng.standard_normal(count) + np.where(part < 0.1, SIGMAS, np.where(part < 0.2, -SIGMAS, 0.0))
    tilted = np.exp(-0.5 * SIGMAS**2) * np.cosh(SIGMAS * z) * 0.2
    return RareSample(np.abs(z) / SIGMAS, 1.0 / (0.8 + tilted))


def test_mc_calls_at_the_requirement_are_seldom_made():
    """Success exactly as required, 200 runs, nine looks each: at most 20 wrong calls of either kind.

    At a true rate of 5 % more than 20 of 200 happen once in 600 times.
    """
    assert abs(math.erfc(SIGMAS / math.sqrt(2.0)) - 1e-4) < 1e-9
    passed = failed = 0
    for seed in range(200):
        whole = sample_of(90_000, seed)
        for look in range(10_000, 90_001, 10_000):
            status = rare_status(RareSample(whole.share[:look], whole.weight[:look]), REQUIRED, LARGEST, RULE)
            if status != "undecided":
                passed += status == "pass"
                failed += status == "fail"
                break
    assert passed <= 20
    assert failed <= 20


def test_law_used_is_at_most_one_exactly_when_the_look_passes():
    """Samples on both sides of the requirement: the share used and the call agree."""
    seen = set()
    for scale in (0.9, 0.97, 1.0, 1.05, 1.2):
        sample = sample_of(60_000, 7)
        sample = RareSample(sample.share * scale, sample.weight)
        status = rare_status(sample, REQUIRED, LARGEST, RULE)
        used = rare_used(sample, REQUIRED, LARGEST, RULE)
        assert (used <= 1.0) == (status == "pass")
        seen.add(status)
    assert {"pass", "fail"} <= seen


def test_law_used_is_unknown_before_anything_could_pass():
    """With fewer trials than it takes without failures there is no share to state."""
    assert rare_used(sample_of(20_000, 1), REQUIRED, LARGEST, RULE) is None


def test_law_looks_rise_to_the_most_and_one_is_where_passing_begins():
    """Looks are whole batches that rise; the first that can pass is among them."""
    looks = rare_looks([REQUIRED], LARGEST, RULE, 20_000)
    assert looks == sorted(set(looks))
    assert looks[0] == 4096
    assert 49_152 in looks  # 12 batches: the first at or above the 46 000 that pass without a failure
    assert rare_looks([REQUIRED], LARGEST, RULE, 2_000_000)[-1] == 2_000_000
