"""Which number of the filter is looked at first, from results written by hand."""

import numpy as np
import pytest
from made_cases import covariance_of

from driftgate.judge import filter_numbers, tuning, tuning_screen
from driftgate.judge.consistency import Consistency, RegionVerdict
from driftgate.predict.sources import TITLES


def test_law_the_moment_that_advice_is_about():
    """For a filter too sure of itself where 95 % hold least, for a shy one where 50 % hold most."""
    coverage = [(0.40, 0.60, 0.80, 0.85), (0.45, 0.55, 0.70, 0.90), (0.30, 0.65, 0.85, 0.88)]
    assert min(range(3), key=lambda i: tuning._rank(coverage[i], True)) == 0
    assert min(range(3), key=lambda i: tuning._rank(coverage[i], False)) == 1


def test_law_numbers_stand_for_sources_that_there_are():
    """Every source is one of the model's, every number one that can be changed."""
    assert set(filter_numbers.OF_SOURCE) <= set(TITLES)
    keys = {number.key for number in filter_numbers.NUMBERS}
    assert {key for found in filter_numbers.OF_SOURCE.values() for key in found} <= keys


@pytest.mark.parametrize(
    ("walk", "bias", "numbers"),
    [
        # Variances of x, y [mm²] and heading; covariances do not count.
        ((3.0, 1.0), (1.0, 2.0), ("along",)),
        ((1.0, 2.0), (0.0, 4.0), ("heading_per_root_second",)),
        ((0.0, 4.0), (3.0, 0.5), ("along",)),
    ],
)
def test_law_the_largest_source_is_that_of_the_position(walk, bias, numbers):
    """By the sum of its variances in x and y, whatever it does to the heading."""
    parts = {}
    for name, (xx, yy), heading in (("distance_walk", walk, 0.0), ("heading_bias", bias, 9.0)):
        parts[name] = np.array([[xx, -xx, 0.0], [-xx, yy, 0.0], [0.0, 0.0, heading]]) * 1e-6
    parts["range_bias"] = np.zeros((3, 3))
    assert tuning_screen.of_largest_source(covariance_of(1, by_source=parts), 0) == numbers


@pytest.mark.parametrize(
    ("before", "now", "axis"),
    [
        # Share inside the 95 % region in x, y and heading.
        ((0.95, 0.95, 1.0), (0.95, 0.80, 1.0), "y"),
        ((0.95, 0.95, 1.0), (0.93, 0.925, 0.92), ""),
        # What was too small before is not the change's making.
        ((0.95, 0.90, 1.0), (0.95, 0.85, 1.0), ""),
        ((0.95, 0.90, 0.97), (0.95, 0.85, 0.91), "heading"),
    ],
)
def test_law_one_number_does_not_make_up_for_another(before, now, axis):
    """A change that mends all together by a coordinate that was right is none."""

    def found(shares):
        axes = dict(zip(("x", "y", "heading"), shares, strict=True))
        coverage = {name: (0.5, 0.68, 0.9, share) for name, share in axes.items()}
        coverage["all"] = (0.5, 0.68, 0.9, 0.95)
        moment = RegionVerdict("end", 0, 3.0, (2.8, 3.2), coverage, (0.93, 0.97), "x", "consistent")
        return Consistency("consistent", 400, (), (moment,), False, "")

    assert tuning.Tried(None, found(now), (0.02, 0.02)).bends(found(before)) == axis
