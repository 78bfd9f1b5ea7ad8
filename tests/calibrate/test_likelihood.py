"""The search for the sizes of noises begins where they could be."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from driftgate.calibrate.likelihood import Prior, maximum


def test_law_a_window_with_a_trace_of_a_noise_does_not_say_how_large_it_is():
    """Turns of a radian err by 10 mrad; straights whose gyro rounds to a microradian err by as much.

    Two noises: a walk of the heading with turning, of which the straights have a millionth, and one with
    time. By hand: all errors alike are the work of the one with time, whose variance is theirs.
    """
    rng = np.random.default_rng(2)
    turns, straights = 150, 100
    error = np.zeros((turns + straights, 3))
    error[:, 2] = 0.01 * rng.normal(size=len(error))
    noise = np.zeros((2, len(error), 3, 3))
    noise[0, :, 2, 2] = np.repeat([1.0, 1.5e-12], [turns, straights])
    noise[1, :, 2, 2] = 1.0
    stack = SimpleNamespace(
        error=error, columns=np.zeros((len(error), 3, 0)), noise=noise, weight=np.ones(len(error))
    )
    found, _, _ = maximum(stack, np.zeros(0), Prior(np.zeros(0), np.zeros(0)), None)
    assert found.sum() == pytest.approx(np.mean(error[:turns, 2] ** 2), rel=0.1)
    assert found[1] == pytest.approx(np.mean(error[:, 2] ** 2), rel=0.1)
