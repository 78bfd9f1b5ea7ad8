"""One vocabulary: what is calibrated is called as in the robot file, and so in every report."""

from __future__ import annotations

import math

import pytest

from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.range_sources import is_found
from driftgate.calibrate.usual import CONSTANTS, NOISES, in_words
from driftgate.predict.sources import TITLES
from driftgate.report.backtest import NAMES


@pytest.mark.parametrize("usual", [*CONSTANTS, *(n for n in NOISES if n.field)], ids=lambda u: u.key)
def test_law_what_is_fitted_is_called_by_its_keys_in_the_robot_file(usual):
    """The key of the source in plain words, then that of the number where the source has several."""
    words = in_words(usual.key)
    key = usual.names[0] if hasattr(usual, "names") else usual.name
    assert TITLES[usual.field] == usual.field.replace("_", " ")
    assert words.startswith(TITLES[usual.field])
    if ":" in usual.key:
        assert words == f"{TITLES[usual.field]} {key.replace('_', ' ')}"
    assert NAMES[usual.key][0] == words


@pytest.mark.parametrize(
    ("name", "widest"), [("bias", 0.01), ("scale", 0.02), ("mount_angle", math.radians(2.0))]
)
def test_law_found_is_what_is_known_well_enough(name, widest):
    """By the half width of the interval, whatever the number."""
    assert is_found(name, Estimate(0.5, 0.9 * widest / 1.96, math.inf), 0.95)
    assert not is_found(name, Estimate(0.5, 1.1 * widest / 1.96, math.inf), 0.95)
