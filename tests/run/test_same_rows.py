"""Copies of a run are known again by their values; two runs of one routine never are."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.logs.part import read_part
from driftgate.logs.read import _joined
from driftgate.logs.table import table_of
from driftgate.logs.values import Log
from driftgate.run.same_rows import rows_of, same_run

COUNT = 300
SECONDS = {"s": 1.0, "ms": 1e3}
LENGTHS = {"m": 1.0, "cm": 1e2, "mm": 1e3, "in": 1 / 0.0254}
ANGLES = {"rad": 1.0, "deg": 180.0 / np.pi}


def drive(seed: int, noise_m: float = 3e-4, noise_rad: float = 1e-4) -> np.ndarray:
    """Return time, forward and heading of one routine, driven anew: stand, speed up, turn, slow down."""
    rng = np.random.default_rng(seed)
    time = 0.02 * np.arange(COUNT)
    speed = 0.6 * np.clip(np.minimum(time - 0.4, 5.6 - time), 0.0, 1.0)
    moving = speed > 0.0
    forward = (0.02 * speed * rng.normal(1.0, 0.006) + rng.normal(0.0, noise_m, COUNT)) * moving
    heading = np.cumsum((0.01 * (time > 2.0) + rng.normal(0.0, noise_rad, COUNT)) * moving)
    return np.column_stack([time, forward, heading])


def logged(
    rows: np.ndarray, units: tuple[str, str, str] = ("s", "m", "rad"), places: tuple[int, ...] = (3, 5, 5)
) -> Log:
    """Write and read a log of rows in units, with so many decimals."""
    factors = (SECONDS[units[0]], LENGTHS[units[1]], ANGLES[units[2]])
    title = "time [{}],forward [{}],heading [{}]\n".format(*units)
    lines = [",".join(f"{v * f:.{p}f}" for v, f, p in zip(row, factors, places, strict=True)) for row in rows]
    table = table_of("# driftgate log: 1\n# origin: simulated\n" + title + "\n".join(lines) + "\n", "a.csv")
    part = read_part(table)
    assert part is not None, table.page.findings
    return _joined([part], [])


def same(one: Log, other: Log) -> bool:
    """Say whether they are of one run; the order says nothing."""
    found = {same_run(rows_of(a), rows_of(b)) for a, b in ((one, other), (other, one))}
    assert len(found) == 1
    return found.pop()


WRITTEN = [
    (("ms", "mm", "rad"), (0, 2, 5)),
    (("s", "cm", "deg"), (3, 3, 3)),
    (("s", "in", "deg"), (4, 4, 2)),
    (("ms", "m", "rad"), (1, 4, 4)),
]


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    written=st.sampled_from(WRITTEN),
    clock=st.sampled_from([0.0, 1.0, 12.3457, 86400.0]),
    first=st.integers(0, 150),
    last=st.integers(0, 80),
    lost=st.integers(0, 10),
    turned=st.sampled_from([0.0, 1.5708]),
)
def test_law_a_copy_is_known_again(seed, written, clock, first, last, lost, turned):
    """In other units, rounded otherwise, by another clock or gyro zero, cut at both ends, with rows lost."""
    rows = drive(seed)
    kept = np.delete(rows, np.random.default_rng(seed).choice(COUNT, lost, replace=False), axis=0)
    copy = kept[first : len(kept) - last] + np.array([clock, 0.0, turned])
    assert same(logged(rows), logged(copy, *written))


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10**6),
    one=st.sampled_from([(("s", "m", "rad"), (3, 5, 5)), *WRITTEN]),
    other=st.sampled_from([(("s", "m", "rad"), (3, 5, 5)), *WRITTEN, (("s", "m", "deg"), (2, 3, 1))]),
    noise=st.sampled_from([(3e-4, 1e-4), (1e-4, 1e-5), (1e-6, 1e-7), (1e-3, 1e-3)]),
    cut=st.integers(0, 200),
)
def test_law_two_runs_of_one_routine_are_two(seed, one, other, noise, cut):
    """However fine or coarse they are written, and however alike they were driven."""
    before, now = drive(seed, *noise), drive(seed + 1, *noise)
    assert not same(logged(before, *one), logged(now[cut:], *other))


def test_law_a_robot_that_stands_proves_nothing():
    """Equal logs are one run; parts in which nothing happens, or all is even, are of any run."""
    still, even = np.zeros((100, 3)), np.full((100, 3), 0.01)
    for rows in (still, even):
        rows[:, 0] = 0.02 * np.arange(100)
        assert same(logged(rows), logged(rows))
        assert not same(logged(rows), logged(rows[20:]))
    assert not same(logged(drive(1)), logged(drive(1)[:15]))


@pytest.mark.parametrize("column", [1, 2])
def test_law_every_column_counts(column):
    """A run with one column of another run is another run."""
    mixed = drive(1)
    mixed[:, column] = drive(2)[:, column]
    assert not same(logged(drive(1)), logged(mixed))


def quiet(seed: int, count_m: float, noise_m: float) -> np.ndarray:
    """Return time, forward and heading of twelve straights driven by a robot that repeats itself."""
    rng = np.random.default_rng(seed)
    fastest = np.repeat(np.linspace(0.31, 0.67, 12), 150)
    beat = np.tile(np.arange(150), 12)
    speed = np.minimum(fastest, 0.0213137 * np.clip(np.minimum(beat, 130 - beat), 0, None))
    way = np.cumsum(0.01 * speed + rng.normal(0.0, noise_m, len(speed)) * (speed > 0.0))
    counted = np.round(way / count_m) * count_m if count_m else way
    return np.column_stack([0.01 * np.arange(len(way)), np.diff(counted, prepend=0.0), np.zeros(len(way))])


@pytest.mark.parametrize(("count_m", "noise_m"), [(75.4e-6, 3e-8), (1e-3, 3e-7), (0.0, 3e-8)])
def test_law_a_robot_that_repeats_itself_is_not_told_by_its_speeds(count_m: float, noise_m: float):
    """The corners of a routine, and the counts in which speeds come, are those of every run."""
    logs = [logged(quiet(seed, count_m, noise_m), places=(3, 6, 5)) for seed in range(4)]
    for i, log in enumerate(logs):
        for other in logs[:i]:
            agree = np.mean(np.abs(log.forward_m - other.forward_m) < 1e-7)
            assert 0.95 < agree < 1.0
            assert not same(log, other)
