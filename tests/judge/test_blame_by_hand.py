"""What makes up one trial's error, on two constants and a known offset worked out by hand."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from made_cases import covariance_of, moment

from driftgate.judge.blame import KNOWN, RANDOM, Blame, blame, tightest_axis
from driftgate.predict.tolerance import AxisShare, limits_of

TABLE = SimpleNamespace(
    constants=(
        SimpleNamespace(source="heading_bias"),
        SimpleNamespace(source="wall_build"),
        SimpleNamespace(source="wall_build"),
    )
)


def made(axis="x", error=(10e-3, -4e-3, 0.0), heading=0.0):
    """Return the blame of the second of two trials: constants of 3, 2, 1 mm along x, 0, 1, 2 along y."""
    end = moment("end", plan_heading=heading, **{axis: "20 mm"})
    at = dataclasses.replace(
        covariance_of(1, mean=(1e-3, 0.5e-3, 0)).moments[0],
        columns=np.array([[3e-3, 2e-3, 1e-3], [0.0, 1e-3, 2e-3], [0.0, 0.0, 0.0]]),
        cov=np.diag([14e-6 + 4e-6, 5e-6 + 1e-6, 0.0]),
        mean_by_source={KNOWN: np.array([1e-3, 0.5e-3, 0]), "wall_build": np.array([-0.25e-3, 0, 0])},
    )
    errors = np.array([(0.0, 0.0, 0.0), error])
    drawn = np.array([[9.0, 2.0], [9.0, -0.5], [9.0, 1.0]])
    along = {"x": errors[:, 0], "y": errors[:, 1], "radial": np.hypot(errors[:, 0], errors[:, 1])}[axis]
    share = AxisShare(limits_of(end.within)[0], along, np.abs(along) / 20e-3)
    return blame(end, at, TABLE, drawn, share, errors, 1)


def test_law_parts_by_source_add_up():
    """10 mm: 6 of the bias, -1 + 1 - 0.25 of the walls, 1 known, and the rest, whose spread is 2 mm."""
    found = made()
    assert (found.axis, found.error, found.share) == ("x", 10e-3, 0.5)
    assert found.by_constant == pytest.approx((6e-3, -1e-3, 1e-3), rel=1e-12)
    assert found.parts == pytest.approx(
        {"heading_bias": 6e-3, "wall_build": -0.25e-3, KNOWN: 1e-3, RANDOM: 3.25e-3}, rel=1e-9
    )
    assert math.fsum(found.parts.values()) == pytest.approx(10e-3, rel=1e-12)
    assert found.random_sd == pytest.approx(2e-3, rel=1e-9)  # 18 - 9 - 4 - 1 = 4 mm²
    assert [source for source, _ in found.ranked()] == ["heading_bias", RANDOM, KNOWN, "wall_build"]


def test_law_parts_along_y_and_towards_the_error():
    """Along y the bias has no part; radially parts are taken where the error points, here along (3, 4)/5."""
    found = made("y")
    assert found.parts == pytest.approx(
        {"heading_bias": 0.0, "wall_build": 1.5e-3, KNOWN: 0.5e-3, RANDOM: -6e-3}, abs=1e-12
    )
    found = made("radial", (6e-3, 8e-3, 0.0))
    assert found.error == pytest.approx(10e-3, rel=1e-12)
    # 0.6 * 6; 0.6 * (-1 + 1 - 0.25) + 0.8 * (-0.5 + 2); 0.6 * 1 + 0.8 * 0.5
    assert found.parts["heading_bias"] == pytest.approx(3.6e-3, rel=1e-9)
    assert found.parts["wall_build"] == pytest.approx(1.05e-3, rel=1e-9)
    assert found.parts[KNOWN] == pytest.approx(1.0e-3, rel=1e-9)


@pytest.mark.parametrize(
    ("error", "rest", "sd", "unexpected"),
    [
        (10e-3, 3.25e-3, 1e-3, True),
        (10e-3, 3.0e-3, 1e-3, False),  # no more than three of its spreads
        (10e-3, 2.9e-3, 0.1e-3, False),  # no good part of the error
        (10e-3, 3.0e-3, 0.1e-3, True),  # 30 % is a good part
        (-10e-3, -4e-3, 1e-3, True),  # on the error's own side
        (-10e-3, 4e-3, 1e-3, False),  # the rest is against the error
    ],
)
def test_law_what_is_more_than_noise(error, rest, sd, unexpected):
    """A rest is unexpected beyond three of its spreads, from 30 % of the error on, on the error's side."""
    assert Blame("x", error, 0.5, {RANDOM: rest}, (), sd).unexpected is unexpected


def test_law_equal_parts_stand_in_alphabetical_order():
    """The largest by size, whichever its sign; of equals in alphabetical order."""
    found = Blame("x", 1.0, 0.5, {"b": 1.0, "c": -2.0, "a": -1.0}, (), 0.0)
    assert found.ranked() == [("c", -2.0), ("a", -1.0), ("b", 1.0)]


def test_law_the_tightest_axis_is_by_trial():
    """Each trial has its own; none without a tolerance on the pose."""
    limits = limits_of(moment("end", x="10 mm", y="10 mm").within)
    x = AxisShare(limits[0], np.zeros(2), np.array([0.5, 0.1]))
    y = AxisShare(limits[1], np.zeros(2), np.array([0.2, 0.3]))
    shares = SimpleNamespace(axes=(x, y))
    assert tightest_axis(shares, 0) is x
    assert tightest_axis(shares, 1) is y
    assert tightest_axis(SimpleNamespace(axes=()), 0) is None
