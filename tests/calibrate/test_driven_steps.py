"""What steps did, from logs: a blank cell says that nothing new was read. The logs are invented."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.calibrate.driven_steps import Wanted, driven_steps
from driftgate.logs import Log

TICK_S = 0.02
# Steps of a run, by turns: how far and by how much; every one ends at rest.
STEPS = ((0.0, 0.0), (0.5, 0.0), (0.0, 1.2), (0.4, 0.6), (0.0, -1.0), (0.0, 0.0))
WANTED = {f"s{k}": Wanted(1.2, along, turn) for k, (along, turn) in enumerate(STEPS)}
ROWS = 70


def log_of_steps() -> Log:
    """Return a run: each step moves for a second, and stands for ten rows before and after."""
    share = np.concatenate([np.zeros(10), np.full(50, 0.02), np.zeros(10)])
    forward = np.concatenate([1.003 * along * share for along, _ in STEPS])
    heading = np.cumsum(np.concatenate([1.01 * turn * share for _, turn in STEPS]))
    n = len(forward)
    return Log(
        "a.csv", "a", None, "simulated", None, None, None,
        np.arange(n) * TICK_S, tuple(f"s{i // ROWS}" for i in range(n)),
        forward, np.zeros(n), np.ones(n, dtype=bool), heading, np.full(n, np.nan), np.full((n, 3), np.nan),
    )  # fmt: skip


def blanked(log: Log, heading: np.ndarray, rolled: np.ndarray) -> Log:
    """Return a log in which some rows say nothing of the heading, and some nothing of the wheels."""
    told = np.flatnonzero(~rolled)
    sums = np.cumsum(log.forward_m)[told]
    forward = np.zeros(len(log.forward_m))
    forward[told] = np.diff(sums, prepend=0.0)
    return replace(
        log,
        heading_rad=np.where(heading, np.nan, log.heading_rad),
        forward_m=forward,
        has_odometry=~rolled,
    )


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), share=st.floats(0.0, 0.9))
def test_law_blank_cells_change_nothing_at_rest(seed, share):
    """Headings and increments that come in some rows only: every step is there, with what it did."""
    log = log_of_steps()
    rng, n = np.random.default_rng(seed), len(log.time_s)
    heading, rolled = rng.random(n) < share, rng.random(n) < share
    for blank in (heading, rolled):
        # Every eighth row says something, so that there is no gap.
        blank[::8] = False
        blank[-1] = False
    whole, thin = driven_steps([log], WANTED), driven_steps([blanked(log, heading, rolled)], WANTED)
    assert len(whole.turn_rad) == len(STEPS) - 2
    assert thin.stretch == whole.stretch
    np.testing.assert_allclose(thin.turn_rad, whole.turn_rad, atol=1e-12)
    np.testing.assert_allclose(thin.along_m, whole.along_m, atol=1e-12)


@pytest.mark.parametrize(
    ("first", "last"), [(2 * ROWS - 10, 2 * ROWS + 10), (0, 2 * ROWS), (2 * ROWS - 1, 420)]
)
def test_law_a_heading_that_is_not_there_is_not_made_up(first: int, last: int):
    """In a gap, before the first one and after the last nobody knows it: steps that end there have none."""
    log = log_of_steps()
    heading = log.heading_rad.copy()
    heading[first:last] = np.nan
    found = driven_steps([replace(log, heading_rad=heading)], WANTED)
    ends = [k for k in range(1, len(STEPS)) if first <= k * ROWS - 1 < last]
    lost = {step for end in ends for step in (end - 1, end)} & {1, 2, 3, 4}
    assert ends
    assert len(found.turn_rad) == 4 - len(lost)
    assert len(found.along_m) == 4


def test_law_a_log_without_headings_has_no_turns():
    """Its steps still have a duration and a way."""
    log = log_of_steps()
    found = driven_steps([replace(log, heading_rad=np.full(len(log.time_s), np.nan))], WANTED)
    assert (len(found.turn_rad), len(found.along_m), len(found.stretch)) == (0, 4, 4)
