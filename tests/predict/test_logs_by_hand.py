"""What a simulated log begins with, and the words that it has for what became of readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.predict.logged import FIX_WORDS, Jitter, Reference, sample_runs
from driftgate.predict.values import Outcome

from .scenes import prepared, robot


@pytest.mark.parametrize("drive", ["differential", "holonomic"])
def test_law_a_robot_zeroes_its_counters_where_it_starts(drive: str) -> None:
    """Jitter is in every row but the first; what is logged of the way adds up to the counters' own."""
    case = prepared([{"do": "advance", "distance": "0.4 m"}], robot(drive=drive))
    tape, size = Reference("tape", (0.0, 0.0, 0.0)), Jitter(0.002, math.radians(0.2))
    plain, noisy = (sample_runs(case, 20, 1, tape, jitter) for jitter in (None, size))
    for without, with_it in zip(plain, noisy, strict=True):
        a, b = without.log, with_it.log
        assert (b.forward_m[0], b.sideways_m[0], b.heading_rad[0]) == (0.0, 0.0, 0.0)
        assert np.cumsum(a.forward_m)[-1] == pytest.approx(0.4, abs=1e-12)
        # Beside the way that there was, each row's own: from the first after the start on.
        off = np.cumsum(b.forward_m - a.forward_m)
        assert (off[1:] != 0.0).all()
        assert (b.heading_rad[1:] != a.heading_rad[1:]).all()
        assert (b.sideways_m[1:] != 0.0).all() == (drive == "holonomic")


def test_law_words_for_what_became_of_a_reading() -> None:
    """One for each outcome of a reading that was tried: its name, but for three."""
    other = {Outcome.ACCEPTED: "used", Outcome.NO_SURFACE: "association", Outcome.HELD_BACK: "persistence"}
    tried = [o for o in Outcome if o not in (Outcome.SWITCHED_OFF, Outcome.IN_CONTACT)]
    assert {o: other.get(o, o.name.lower().replace("_", "-")) for o in tried} == FIX_WORDS
