"""What makes ranges wrong at once: poses of another point, readings that are late, a cable. All simulated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.log_checks import reckoned
from driftgate.calibrate.range_causes import common_causes
from driftgate.calibrate.range_data import Sighted, sighted
from driftgate.calibrate.silences import check_silences
from driftgate.core.rules import RULES
from driftgate.load import load_routine
from driftgate.logs.values import Log, RangeColumn
from driftgate.predict import prepare
from driftgate.predict.logged import Reference, sample_runs
from driftgate.run.log_columns import check_columns
from driftgate.schema.case import Case
from driftgate.schema.robot import Robot
from driftgate.world.build import build_world
from run.test_mixed_logs import ROOT, hall


@pytest.fixture(scope="module")
def driven() -> tuple[list[Log], Robot]:
    """Return two runs of a routine in the hall, and their robot."""
    loaded = load_routine(ROOT / "routines" / "three-bench-run.yaml")
    field = loaded.field.field_map
    case = prepare(Case(loaded.document.routine, loaded.robot.robot, believed=field, true=field))
    runs = sample_runs(case, 2, 5, Reference("tape", (0.002, 0.002, math.radians(0.4))))
    return [replace(run.log, path=f"{i}.csv") for i, run in enumerate(runs)], loaded.robot.robot


def seen(logs: list[Log], robot: Robot) -> Sighted:
    """Return logs with what their sensors read."""
    return sighted(list(zip(logs, reckoned(logs), strict=True)), robot.sensors, build_world(hall()))


def measured_at(log: Log, ahead_m: float, left_m: float = 0.0) -> Log:
    """Return a log whose poses are those of another point of the robot."""
    x, y, th = log.reference.T
    c, s = np.cos(th), np.sin(th)
    moved = np.stack([x + c * ahead_m - s * left_m, y + s * ahead_m + c * left_m, th], axis=1)
    return replace(log, reference=moved)


def late(log: Log, by_s: float) -> Log:
    """Return a log in which readings stand in a later row."""
    rows = round(by_s / float(np.median(np.diff(log.time_s))))

    def later(column: RangeColumn) -> RangeColumn:
        reading, fired = np.roll(column.reading_m, rows), np.roll(column.fired, rows)
        reading[:rows], fired[:rows] = np.nan, False
        return RangeColumn(reading, fired)

    return replace(log, ranges={name: later(column) for name, column in log.ranges.items()})


def causes(log: Log, robot: Robot) -> list[str]:
    """Return what would mend the ranges of a log."""
    held = seen([log], robot)
    (_, run), own = held.runs[0], held.readings[0]
    known = [(sensor, own[sensor.id]) for sensor in robot.sensors if sensor.id in own]
    return [cause.words for cause in common_causes(log, run, known, held.world)]


@pytest.mark.parametrize(
    ("point", "words"),
    [
        ((0.15, 0.0), "about 150 mm ahead of the robot's own"),
        ((-0.2, 0.0), "about 200 mm behind the robot's own"),
    ],
)
def test_err_another_point_of_the_robot_was_measured(driven, point, words):
    """One error, at the poses and not at each sensor, with how far off the point is."""
    logs, robot = driven
    wrong = [measured_at(log, *point) for log in logs]
    (found,) = check_columns(wrong, [hall()] * 2, robot)
    assert (found.code, found.level) == ("DG618", "error")
    assert words in found.message
    assert "(and so in 1 log more: 1.csv)" in found.message
    assert found.suggestion.startswith("was an edge of it measured?")


def test_err_readings_that_are_late(driven):
    """They fit by so much earlier; the same of nothing else, and sound ones have no cause."""
    logs, robot = driven
    (words,) = causes(late(logs[0], 0.3), robot)
    assert words.startswith("they are 0.3 s older than the row")
    assert causes(logs[0], robot) == []


def test_law_a_mount_that_is_wrong_is_no_point_and_not_late(driven):
    """One sensor 150 mm off its place, the others right: nothing mends all."""
    logs, robot = driven
    first, *others = robot.sensors
    mount = first.mount.model_copy(update={"x": first.mount.x - 0.15})
    moved = robot.model_copy(update={"sensors": [first.model_copy(update={"mount": mount}), *others]})
    assert causes(logs[0], moved) == []


def silent(log: Log, sensor: str, low: float, high: float) -> Log:
    """Return a log in which nothing came back for a share of its time."""
    column = log.ranges[sensor]
    rows = np.arange(len(log.time_s)) / len(log.time_s)
    off = (rows >= low) & (rows < high)
    lost = RangeColumn(np.where(off, np.nan, column.reading_m), column.fired)
    return replace(log, ranges={**log.ranges, sensor: lost})


def test_err_a_sensor_is_silent_for_a_stretch(driven):
    """Said with its times; every such row is left out of what is fitted, and no other."""
    logs, robot = driven
    known = seen(logs, robot).readings[0]
    sensor = max(known, key=lambda name: len(known[name]))
    doubted = Doubted()
    assert check_silences(seen(logs, robot), robot, doubted) == []
    mixed = [silent(logs[0], sensor, 0.4, 1.0), logs[1]]
    (found,) = check_silences(seen(mixed, robot), robot, doubted)
    assert (found.code, found.level) == ("DG627", "warning")
    assert found.code in RULES
    rows = doubted.silent["0.csv", sensor]
    times = logs[0].time_s[sorted(rows)]
    assert f"no echo for '{sensor}' from {times[0]:.4g} s to {times[-1]:.4g} s of this run" in found.message
    n = len(logs[0].time_s)
    assert set(np.flatnonzero(logs[0].ranges[sensor].fired & (np.arange(n) >= 0.4 * n))) <= rows
    left = doubted.without(mixed[0]).ranges[sensor]
    assert not left.fired[sorted(rows)].any()
    assert np.isfinite(mixed[0].ranges[sensor].reading_m[list(rows)]).sum() == 0
    # What both have is the sensor's own, or a wall's.
    both = [silent(log, sensor, 0.4, 1.0) for log in logs]
    assert check_silences(seen(both, robot), robot, Doubted()) == []


def test_law_readings_that_are_lost_now_and_then_are_no_silence(driven):
    """A fifth of them, wherever."""
    logs, robot = driven
    rng = np.random.default_rng(1)

    def thinned(log: Log) -> Log:
        ranges = {
            name: RangeColumn(np.where(rng.random(len(log.time_s)) < 0.2, np.nan, c.reading_m), c.fired)
            for name, c in log.ranges.items()
        }
        return replace(log, ranges=ranges)

    assert check_silences(seen([thinned(log) for log in logs], robot), robot, Doubted()) == []
