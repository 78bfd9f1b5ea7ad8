"""Rest-to-rest profiles held to published times and to their own derivative."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.core.errors import ModelError
from driftgate.plan.profile import rest_to_rest

SIZES = st.floats(0.01, 20.0)


@pytest.mark.evidence(
    source="Lynch and Park 2017, 9.2 (from memory)",
    compares="rest to rest: duration, peak speed; a straight curve",
    tolerance="1e-6; 1 ms",
)
@pytest.mark.parametrize(
    ("distance", "speed", "acceleration", "duration", "peak"),
    [
        # Worked values of the trapezoidal profile, Siciliano et al. 2009 section 4.2, Lynch and Park
        # 2017 section 9.2 (attribution from memory, values derived): T = 2 sqrt(D/A), or D/V + V/A.
        (1.0, 2.0, 3.0, 1.154701, 1.732051),
        (4.0 / 3.0, 2.0, 3.0, 1.333333, 2.0),
        (4.0, 2.0, 3.0, 2.666667, 2.0),
        (0.3, 1.5, 2.5, 0.692820, math.sqrt(0.75)),
    ],
)
def test_ref_durations(distance, speed, acceleration, duration, peak):
    """Durations and peak speeds are the published ones."""
    profile = rest_to_rest(distance, speed, acceleration)

    assert profile.duration_s == pytest.approx(duration, abs=1e-6)
    assert profile.peak == pytest.approx(peak, abs=1e-6)


@given(SIZES, SIZES, SIZES)
def test_law_speed_is_the_derivative_and_within_limits(distance, speed, acceleration):
    """The way starts at zero, ends at the distance, and is the integral of a speed within the limits."""
    profile = rest_to_rest(distance, speed, acceleration)
    t = np.linspace(0.0, profile.duration_s, 2001)
    way, rate = profile.sample(t)

    assert way[0] == 0.0
    assert way[-1] == pytest.approx(distance, rel=1e-12)
    assert rate[0] == pytest.approx(0.0, abs=1e-12)
    assert rate[-1] == pytest.approx(0.0, abs=1e-12)
    assert rate.max() <= speed * (1 + 1e-12)
    assert np.abs(np.diff(rate)).max() <= acceleration * t[1] * (1 + 1e-6) + 1e-12
    trapezoid = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) * np.diff(t))])
    # Exact but in the cells with a corner, which are off by at most a step of speed times a step of time.
    assert way == pytest.approx(trapezoid, abs=2 * acceleration * t[1] ** 2)


@given(SIZES, SIZES)
def test_law_no_jump_between_the_two_shapes(speed, acceleration):
    """At the distance where the triangle turns into a trapezoid the duration does not jump."""
    border = speed**2 / acceleration
    below = rest_to_rest(border * (1 - 1e-9), speed, acceleration).duration_s
    above = rest_to_rest(border * (1 + 1e-9), speed, acceleration).duration_s

    assert below == pytest.approx(above, rel=1e-8)


def test_law_rests_outside_its_time():
    """Before its start and after its end the profile rests at its ends, and no way takes no time."""
    way, rate = rest_to_rest(1.0, 2.0, 3.0).sample(np.array([-1.0, 99.0]))

    assert way.tolist() == [0.0, 1.0]
    assert rate.tolist() == [0.0, 0.0]
    assert rest_to_rest(0.0, 1.0, 1.0).duration_s == 0.0


@pytest.mark.parametrize(
    "bad", [(-1.0, 1.0, 1.0), (math.nan, 1.0, 1.0), (1.0, 0.0, 1.0), (1.0, 1.0, math.inf)]
)
def test_err_outside_the_domain(bad):
    """What is no distance, speed or acceleration is refused."""
    with pytest.raises(ModelError, match="must be finite"):
        rest_to_rest(*bad)
