"""Rows that were lost with what was rolled in them. All logs are invented."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.logs.lost_rows import lost_share
from logs.made_logs import log_text, read

TICK = 0.01


def made(rows, lose, seed, jitter=0.05, counter=False):
    """Return times and increments of a drive with stops of which a share of the rows was lost.

    With `counter` each row has what was rolled since the last row that is there.
    """
    rng = np.random.default_rng(seed)
    time = TICK * (np.arange(rows) + jitter * rng.uniform(-1.0, 1.0, rows))
    speed = np.clip(1.2 * np.sin(np.arange(rows) / 60.0), 0.0, 0.9)
    step = np.round((speed * TICK + 2e-4 * rng.normal(size=rows) * (speed > 0.0)) / 8e-5) * 8e-5
    there = np.concatenate([[True], rng.random(rows - 1) >= lose])
    if not counter:
        return time[there], step[there]
    return time[there], np.diff(np.concatenate([[0.0], np.cumsum(step)[there]]))


@settings(max_examples=30, deadline=None)
@given(st.floats(0.05, 0.6), st.integers(0, 10**6), st.floats(0.0, 0.08))
def test_err_a_share_of_the_rows_is_lost(lose, seed, jitter):
    """Found with about that share, whichever rows they are."""
    share = lost_share(*made(1500, lose, seed, jitter))
    assert share == pytest.approx(lose, abs=0.05)


@settings(max_examples=30, deadline=None)
@given(st.floats(0.0, 0.6), st.integers(0, 10**6), st.floats(0.0, 0.3))
def test_law_rows_that_lose_nothing_are_sound(lose, seed, jitter):
    """The difference of the counter from row to row has all of it."""
    assert lost_share(*made(1500, lose, seed, jitter, counter=True)) is None


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10**6), st.floats(0.0, 0.5))
def test_law_no_row_lost_and_a_clock_that_wanders(seed, jitter):
    """However unsteady the loop is."""
    assert lost_share(*made(1000, 0.0, seed, jitter)) is None


def test_law_counters_that_jitter_more_than_a_tick_drives():
    """Rows at uneven times, half of them twice as long as the others, each with all that was rolled."""
    for seed in range(5):
        time, step = made(3000, 0.6, seed, counter=True)
        noise = 0.002 * np.random.default_rng(seed).normal(size=len(step) + 1)
        assert lost_share(time, step + np.diff(noise)) is None
        assert lost_share(time, np.diff(noise)) is None


def test_law_a_clock_of_long_and_short_steps():
    """Three steps in four are three times as long as the fourth, and the wheel only jitters."""
    rng = np.random.default_rng(0)
    time = np.cumsum(np.tile([3.0, 3.0, 3.0, 1.0], 500)) * 0.0067
    assert lost_share(time, 0.003 * rng.normal(size=2000)) is None


def test_law_too_few_rows_say_nothing():
    """Nor does a wheel that stands."""
    assert lost_share(*made(40, 0.4, 0)) is None
    time, _ = made(1500, 0.4, 0)
    assert lost_share(time, np.zeros_like(time)) is None


def test_err_said_at_the_first_of_them(tmp_path: Path):
    """With the share, the step and what to log; no factor is advised."""
    time, step = made(1500, 0.3, 4)
    rows = [f"{t:.4f},{s:.6f}" for t, s in zip(time, step, strict=True)]
    log, findings = read(tmp_path, log_text("time [s],forward [m]", rows))
    assert log is None
    (found,) = findings
    first = int(np.argmax(np.diff(time) > 1.5 * TICK)) + 1
    assert (found.code, found.line, found.level) == ("DG609", first + 4, "error")
    assert re.match(r"(29|30|31) % of the rows are missing", found.message)
    assert "its step of 0.01 s" in found.message
    assert "no factor mends it" in found.suggestion
