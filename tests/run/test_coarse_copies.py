"""A run logged twice is known again in coarse data; separate runs are not taken for one. Invented runs."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from driftgate.cli import main
from driftgate.logs import Log, read_log
from driftgate.logs.values import RangeColumn
from driftgate.run.same_grid import quantum_of
from driftgate.run.same_rows import rows_of, same_run

DASH = Path(__file__).resolve().parents[2] / "routines" / "corner-dash.yaml"
DEG = float(np.pi / 180.0)
# What a robot's program writes: clock, distance and heading to so much; distances from a counter that is
# rounded, or each rounded by itself; and ranges.
LEVELS = {
    "fine": {"clock": 1e-6, "way": 1e-6, "heading": 1e-6, "beam": 1e-6},
    "middle": {"clock": 1e-3, "way": 1e-4, "heading": 0.01 * DEG, "beam": 1e-3, "counter": False},
    "coarse": {"clock": 0.01, "way": 1e-3, "heading": 0.01 * DEG, "beam": 1e-3},
    "coarser": {"clock": 0.01, "way": 1e-3, "heading": 0.1 * DEG, "beam": 0.01 * 0.0254},
    "counts": {"clock": 0.01, "way": 75.4e-6, "heading": 0.01 * DEG, "beam": 0.1 * 0.0254},
}
AGAIN = {
    "another name": {},
    "another clock": {"clock_s": 12.34},
    "another clock and gyro zero": {"clock_s": 3.217, "turned": 0.4321},
    "cut at both ends": {"clock_s": -7.0, "part": (0.2, 0.8)},
    "rows lost": {"clock_s": 5.0, "lost": 0.02},
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory) -> list[Log]:
    """Return six simulated runs of one robot on one field."""
    folder = tmp_path_factory.mktemp("runs")
    assert main.run(["sample-logs", str(DASH), "--runs", "6", "--out", str(folder)]) == 0
    found = [read_log([path], [], folder) for path in sorted(folder.glob("*.csv"))]
    return [log for log in found if log is not None]


def rounded(values: np.ndarray, step: float) -> np.ndarray:
    """Return numbers as a file with so many decimals gives them back."""
    return np.round(np.round(values / step) * step, 9)


def written(
    log: Log, clock: float, way: float, heading: float, beam: float, counter: bool = True,
    ranges: bool = True,
    clock_s: float = 0.0, turned: float = 0.0, part: tuple[float, float] = (0.0, 1.0), lost: float = 0.0,
) -> Log:  # fmt: skip
    """Return a log as another program would have written it."""
    n = len(log.time_s)
    kept = np.zeros(n, dtype=bool)
    kept[int(part[0] * n) : int(part[1] * n)] = True
    kept &= np.random.default_rng(n).random(n) >= lost
    time = rounded(log.time_s + clock_s, clock)
    kept &= np.diff(time, prepend=-np.inf) > 0.5 * clock
    ways = [log.forward_m, log.sideways_m]
    ways = [
        np.round(np.diff(rounded(np.cumsum(w), way), prepend=0.0), 9) if counter else rounded(w, way)
        for w in ways
    ]
    columns = {
        name: RangeColumn(rounded(column.reading_m, beam)[kept], column.fired[kept])
        for name, column in log.ranges.items()
        if ranges and column.fired[kept].any()
    }
    return replace(
        log,
        time_s=time[kept],
        step=None,
        forward_m=ways[0][kept],
        sideways_m=ways[1][kept],
        has_odometry=log.has_odometry[kept],
        heading_rad=rounded(log.heading_rad + turned, heading)[kept],
        speed_mps=log.speed_mps[kept],
        believed=log.believed[kept],
        reference=log.reference[kept],
        reference_by=tuple(np.array(log.reference_by)[kept].tolist()),
        ranges=columns,
    )


@pytest.mark.parametrize("again", AGAIN)
@pytest.mark.parametrize("level", LEVELS)
def test_law_a_copy_is_known_again_however_coarse(runs: list[Log], level: str, again: str):
    """By its ranges and jolts, also if the copy is written finer or coarser."""
    log = runs[0]
    one = rows_of(written(log, **LEVELS[level]))
    for other in {level, "middle", "coarse"}:
        copy = rows_of(written(log, **{**LEVELS[other], **AGAIN[again]}))
        assert same_run(one, copy), other
        assert same_run(copy, one), other


@pytest.mark.parametrize("again", ["another name", "another clock", "another clock and gyro zero"])
@pytest.mark.parametrize("level", LEVELS)
def test_law_odometry_alone_tells_a_copy(runs: list[Log], level: str, again: str):
    """Where there are no range sensors."""
    one = rows_of(written(runs[1], **LEVELS[level], ranges=False))
    assert same_run(one, rows_of(written(runs[1], **LEVELS[level], ranges=False, **AGAIN[again])))


@pytest.mark.parametrize("ranges", [True, False])
def test_law_separate_runs_are_separate_however_coarse(runs: list[Log], ranges: bool):
    """No pair of runs of one robot, routine and field is taken for one, at any pair of levels."""
    rows = {
        level: [rows_of(written(log, **kind, ranges=ranges)) for log in runs]
        for level, kind in LEVELS.items()
    }
    pairs = 0
    for one, other in combinations([*LEVELS, *LEVELS], 2):
        for i, k in combinations(range(len(runs)), 2):
            pairs += 1
            assert not same_run(rows[one][i], rows[other][k]), (one, other, i, k)
    assert pairs == 45 * 15


def test_law_copied_ranges_do_not_make_one_run_of_two(runs: list[Log]):
    """What was driven decides; ranges only tell where the odometry is too even."""
    for level, kind in LEVELS.items():
        one, other = (written(log, **kind) for log in runs[:2])
        n = min(len(one.time_s), len(other.time_s))
        ranges = {}
        for name, column in one.ranges.items():
            # Fired or not, row by row, as in the run that they are copied from.
            reading, fired = np.full(len(other.time_s), np.nan), np.zeros(len(other.time_s), dtype=bool)
            reading[:n], fired[:n] = column.reading_m[:n], column.fired[:n]
            ranges[name] = RangeColumn(reading, fired)
        assert not same_run(rows_of(one), rows_of(replace(other, ranges=ranges))), level


@pytest.mark.parametrize("step", [75.4e-6, 1e-3, 2.3e-4])
def test_law_counts_are_known_by_the_gaps_between_them(step: float):
    """Written with six decimals they are rounded to a micrometre, and yet come in steps."""
    counts = np.random.default_rng(1).poisson(30.0, 500)
    assert quantum_of(np.round(counts * step, 6), 1e-6) == pytest.approx(step, abs=1.1e-6)
    assert quantum_of(np.random.default_rng(1).normal(0.0, 1e-3, 4000).round(6), 1e-6) < 5e-6
