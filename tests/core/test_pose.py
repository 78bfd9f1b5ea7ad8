"""SE(2) held to published values and to its own algebra."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.core.pose import compose, exp, inverse, log, wrap_angle, wrap_angles

TURNS = st.floats(-6.2, 6.2)
WAYS = st.floats(-5.0, 5.0)
TWISTS = st.tuples(WAYS, WAYS, TURNS).map(np.array)


@pytest.mark.evidence(
    source="Solà et al., arXiv:1812.01537; gtsam 4.3 (values)",
    compares="SE(2) exponential and logarithm",
    tolerance="5e-8; 1e-12",
)
@pytest.mark.parametrize(
    ("twist", "pose"),
    [
        # Exp of Sola, Deray and Atchuthan, arXiv:1812.01537, example on SE(2): 2/pi by hand.
        ((1.0, 0.0, math.pi / 2), (0.6366198, 0.6366198, math.pi / 2)),
        # gtsam 4.3.0 Pose2.Expmap, run once: 0.5241708794754104, 0.010219283933140949.
        ((0.5, -0.2, 0.8), (0.5241708794754104, 0.010219283933140949, 0.8)),
    ],
)
def test_ref_exponential(twist, pose):
    """The exponential gives the published values, and the logarithm leads back."""
    assert exp(np.array(twist)) == pytest.approx(np.array(pose), abs=5e-8)
    assert log(exp(np.array(twist))) == pytest.approx(np.array(twist), abs=1e-12)


@given(TWISTS)
def test_law_log_undoes_exp(twist):
    """Log after Exp is the identity for turns below a full one."""
    # Close to a full turn the chord vanishes, and with it the digits of the way.
    room = 2 * math.pi - abs(twist[2])
    assert log(exp(twist)) == pytest.approx(twist, abs=1e-13 / room**2 + 1e-12)


@pytest.mark.parametrize("turn", [1e-6, -1e-6, 1e-9, 1e-300, 0.0])
def test_law_small_turns_are_continuous(turn):
    """Near zero turn the exponential is the straight line plus the first order of the turn."""
    assert exp(np.array([2.0, 1.0, turn])) == pytest.approx([2.0 - turn / 2, 1.0 + turn, turn], abs=1e-11)


@given(TWISTS, TWISTS, TWISTS)
def test_law_composition_is_a_group(a, b, c):
    """Composition is associative, and the inverse undoes it."""
    assert compose(compose(a, b), c) == pytest.approx(compose(a, compose(b, c)), abs=1e-12)
    assert compose(a, inverse(a)) == pytest.approx(np.zeros(3), abs=1e-13)


@given(st.floats(-100.0, 100.0))
def test_law_wrap_keeps_the_direction(angle):
    """A wrapped angle is the same direction and lies in (-pi, pi]."""
    wrapped = wrap_angle(angle)
    assert -math.pi < wrapped <= math.pi
    assert math.cos(wrapped) == pytest.approx(math.cos(angle), abs=1e-12)
    assert math.sin(wrapped) == pytest.approx(math.sin(angle), abs=1e-12)


@given(st.floats(-100.0, 100.0))
def test_law_arrays_wrap_as_numbers_do(angle):
    """Arrays of angles wrap to the same directions, in [-pi, pi)."""
    (found,) = wrap_angles(np.array([angle])).tolist()
    assert -math.pi <= found < math.pi
    assert math.remainder(found - wrap_angle(angle), math.tau) == pytest.approx(0.0, abs=1e-12)


def test_law_half_turn_wraps_to_plus_pi():
    """Both half turns are the counter-clockwise one."""
    assert wrap_angle(-math.pi) == math.pi
    assert wrap_angle(math.pi) == math.pi
