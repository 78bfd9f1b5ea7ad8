"""Which number of the filter is looked at first, from results written by hand."""

import dataclasses

import numpy as np
import pytest
from made_cases import covariance_of

from driftgate.judge import tuning
from driftgate.predict.filter_model import FilterModel, SensorConstants
from driftgate.predict.sources import TITLES


def test_law_the_moment_that_advice_is_about():
    """For a filter too sure of itself where 95 % hold least, for a shy one where 50 % hold most."""
    coverage = [(0.40, 0.60, 0.80, 0.85), (0.45, 0.55, 0.70, 0.90), (0.30, 0.65, 0.85, 0.88)]
    assert min(range(3), key=lambda i: tuning._rank(coverage[i], True)) == 0
    assert min(range(3), key=lambda i: tuning._rank(coverage[i], False)) == 1


def test_law_numbers_stand_for_sources_that_there_are():
    """Every source is one of the model's, every number one that can be changed."""
    assert set(tuning._OF_SOURCE) <= set(TITLES)
    keys = {number.key for number in tuning._NUMBERS}
    assert {key for found in tuning._OF_SOURCE.values() for key in found} <= keys


SENSORS = SensorConstants(0.02, 0.03, 0.04), SensorConstants(0.01, 0.05, 0.06)
MODEL = FilterModel((0.1, 0.2, 0.3), 0.4, 0.5, 0.6, 0.7, 0.8, (0.9, 1.0), (1.1, 0.2), 1.2, 1.3, SENSORS)


def test_law_numbers_of_a_filter_by_their_keys():
    """As the robot file calls them; of one for each sensor the largest, nothing where there is none."""
    found = {number.key: tuning._value(MODEL, number) for number in tuning._NUMBERS}
    wanted = {
        "start_x": 0.1, "start_y": 0.2, "start_heading": 0.3, "along": 0.4, "across": 0.5,
        "heading_per_root_metre": 0.6, "heading_per_root_second": 0.7, "heading_per_root_radian": 0.8,
        "range_at_zero": 1.0, "range_per_range": 1.1, "range_bias": 0.02, "range_scale": 0.05,
        "mount_angle": 0.06, "wall": 1.2, "wall_tilt": 1.3,
    }  # fmt: skip
    assert {key: found[key] for key in wanted} == wanted
    bare = dataclasses.replace(MODEL, range_at_zero_m=(), range_per_range=(), constants=())
    of_sensors = ("range_at_zero", "range_per_range", "range_bias", "range_scale", "mount_angle")
    assert [tuning._value(bare, n) for n in tuning._NUMBERS if n.key in of_sensors] == [0.0] * 5


@pytest.mark.parametrize(
    ("walk", "bias", "numbers"),
    [
        # Variances of x, y [mm²] and heading; covariances do not count.
        ((3.0, 1.0), (1.0, 2.0), ("along",)),
        ((1.0, 2.0), (0.0, 4.0), ("heading_per_root_second",)),
        ((0.0, 4.0), (3.0, 0.5), ("along",)),
    ],
)
def test_law_the_largest_source_is_that_of_the_position(monkeypatch, walk, bias, numbers):
    """By the sum of its variances in x and y, whatever it does to the heading."""
    parts = {}
    for name, (xx, yy), heading in (("distance_walk", walk, 0.0), ("heading_bias", bias, 9.0)):
        parts[name] = np.array([[xx, -xx, 0.0], [-xx, yy, 0.0], [0.0, 0.0, heading]]) * 1e-6
    parts["range_bias"] = np.zeros((3, 3))
    monkeypatch.setattr(tuning, "covariance", lambda prepared: covariance_of(1, by_source=parts))
    assert tuning._of_largest_source(None, 0) == numbers
