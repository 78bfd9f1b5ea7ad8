"""Numbers that no robot can have written are questioned, real ones are not."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from logs.made_logs import log_text, places, read

DT = 0.02


def _drive(scale: float = 1.0, unit: str = "m", time: str = "s", time_scale: float = 1.0) -> str:
    """Return the log of a robot that speeds up to 1.5 m/s, in numbers of one unit under another's name."""
    rows, x = ["0,0,0,0,0"], 0.0
    for i in range(1, 100):
        step = 1.5 * DT * min(1.0, i / 25)
        x += step
        rows.append(f"{time_scale * i * DT:.6f},{step * scale:.9f},{x:.6f},0,0")
    return log_text(
        f"time [{time}],forward [{unit}],believed x [m],believed y [m],believed heading [deg]", rows
    )


@pytest.mark.parametrize(
    ("scale", "unit"), [(1.0, "m"), (1000.0, "mm"), (100.0, "cm"), (1 / 0.0254, "in"), (1 / 0.3048, "ft")]
)
def test_law_right_units_raise_no_doubt(tmp_path: Path, scale: float, unit: str):
    """Numbers in the unit that the header names are taken as they are."""
    log, findings = read(tmp_path, _drive(scale, unit))
    assert findings == []
    assert log is not None
    assert log.forward_m.sum() == pytest.approx(log.believed[-1, 0], abs=1e-5)


@pytest.mark.parametrize(
    ("scale", "unit", "words"),
    [
        (1000.0, "m", "no robot drives"),
        (100.0, "m", "no robot drives"),
        (1 / 0.0254, "m", "no robot drives"),
        (1.0, "mm", "the believed pose"),
        (1.0, "cm", "the believed pose"),
        (1.0, "in", "the believed pose"),
    ],
)
def test_err_distance_in_another_unit(tmp_path: Path, scale: float, unit: str, words: str):
    """Numbers in another unit than the header names are questioned, once, in the column in doubt."""
    log, findings = read(tmp_path, _drive(scale, unit))
    assert log is None
    (finding,) = findings
    assert finding.code == "DG610"
    assert finding.message.startswith(words)
    assert "unit" in finding.suggestion or "header says" in finding.suggestion


@pytest.mark.parametrize(("time", "scale", "code"), [("s", 1000.0, "DG610"), ("ms", 1.0, "DG610")])
def test_err_time_in_another_unit(tmp_path: Path, time: str, scale: float, code: str):
    """Milliseconds under the name of seconds, and the other way round."""
    log, findings = read(tmp_path, _drive(time=time, time_scale=scale))
    assert log is None
    assert [f.code for f in findings] == [code]
    assert "time" in findings[0].suggestion or time in findings[0].suggestion


def _wheel(steps: list[float]) -> str:
    rows = [f"{i * DT:.2f},{step:.6f}" for i, step in enumerate(steps)]
    return log_text("time [s],forward [m]", rows)


STEPS = [0.0] * 20 + [0.001 * min(i, 20, 120 - i) for i in range(120)] + [0.0] * 20


def test_err_a_counter_since_the_start(tmp_path: Path):
    """It stays where it is when the robot stands; increments go back to zero, in whatever unit."""
    counted = [sum(STEPS[: i + 1]) for i in range(len(STEPS))]
    log, (found,) = read(tmp_path, _wheel(counted))
    assert log is None
    assert found.code == "DG610"
    assert "the counter since the start" in found.suggestion
    log, (found,) = read(tmp_path, _wheel([1000.0 * step for step in STEPS]))
    assert "counter" not in found.suggestion
    assert "It would drive 1 m/s in [mm]" in found.suggestion


def test_err_one_impossible_row(tmp_path: Path):
    """A single increment of 30 m in 20 ms is found where it stands."""
    rows = [f"{i * DT:.2f},{30 if i == 7 else 0.02}" for i in range(20)]
    log, findings = read(tmp_path, log_text("time [s],forward [m]", rows))
    assert log is None
    assert places(findings) == [(4 + 7, 6, "DG610")]
    assert "30 m in 0.02 s" in findings[0].message


def _turn(degrees: list[float], unit: str = "deg") -> str:
    return log_text(f"time [s],heading [{unit}]", [f"{i * DT:.2f},{h:.6f}" for i, h in enumerate(degrees)])


def test_law_a_wrap_is_no_jump(tmp_path: Path):
    """Three turns at 400 deg/s, wrapped either way, come out whole."""
    turned = [400.0 * DT * i for i in range(140)]
    for wrap in (lambda h: h, lambda h: h % 360.0, lambda h: (h + 180.0) % 360.0 - 180.0):
        log, findings = read(tmp_path, _turn([wrap(h) for h in turned]))
        assert findings == []
        assert log is not None
        assert math.degrees(log.heading_rad[-1] - log.heading_rad[0]) == pytest.approx(turned[-1], abs=1e-4)


def test_err_gyro_set_back(tmp_path: Path):
    """A gyro that is set back to zero during the run is found where it happens."""
    log, findings = read(tmp_path, _turn([90.0] * 5 + [0.0] * 5))
    assert log is None
    assert places(findings) == [(9, 6, "DG611")]
    assert "90 deg in 0.02 s" in findings[0].message
    assert "set back to zero: add 90 deg to all headings from this row on" in findings[0].suggestion
    _, (lost,) = read(tmp_path, _turn([90.0] * 5 + [30.0] * 5))
    assert "was the gyro set back, or lost for a while?" in lost.suggestion


def test_err_degrees_called_radians(tmp_path: Path):
    """Degrees under the name of radians are a question of the unit."""
    log, findings = read(tmp_path, _turn([200.0 * DT * i for i in range(50)], "rad"))
    assert log is None
    assert [f.code for f in findings] == ["DG610"]


def test_err_range_in_another_unit(tmp_path: Path):
    """A reading of 1.2 km is in millimetres."""
    log, findings = read(tmp_path, log_text("time [s],range left [m]", ["0,1200", "0.1,1190"]))
    assert log is None
    assert places(findings) == [(4, 3, "DG610")]
    assert findings[0].suggestion == "the header says [m]: is that what the robot wrote?"


def test_err_a_number_for_no_echo(tmp_path: Path):
    """A reading that no sensor has, always the same, may be the robot's word for no echo."""
    rows = [f"{0.1 * i:.1f},{9999 if i % 3 else 0.5 + i}" for i in range(12)]
    log, findings = read(tmp_path, log_text("time [s],range left [m]", rows))
    assert log is None
    assert places(findings) == [(5, 5, "DG610")]
    assert "9999 m, and in 7 rows more" in findings[0].message
    assert "if it stands for no echo, write none; if not: the header says [m]" in findings[0].suggestion


def gap(tmp_path: Path, before: float, after_gap: float, title: str = "forward [m]", gap_s: float = 1.5):
    """Return what is said of a log that drives so much a tick, and has so much in the row after a gap."""
    times = [i * DT for i in range(20)] + [gap_s + i * DT for i in range(20)]
    steps = [before] * 20 + [after_gap] + [before] * 19
    rows = [f"{t:.3f},{step:.4f}" for t, step in zip(times, steps, strict=True)]
    return read(tmp_path, log_text(f"time [s],{title}", rows))


@pytest.mark.parametrize("title", ["forward [m]", "sideways [m]"])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_err_a_gap_in_which_what_was_rolled_is_lost(tmp_path: Path, title: str, sign: float):
    """The row after it has one tick's distance, driven on at the same speed: 1.1 s at 0.5 m/s are gone."""
    log, (found,) = gap(tmp_path, sign * 0.01, sign * 0.01, title)
    assert (log, found.line, found.code, found.level) == (None, 4 + 20, "DG609", "error")
    assert "no odometry for 1.12 s, else every 0.02 s" in found.message
    assert "about 0.55 m that were driven in the gap" in found.message


@pytest.mark.parametrize(
    ("before", "after_gap", "gap_s", "words"),
    [
        # All that was rolled since the row before, and more or less of it: the robot was pushed, or stopped.
        (0.01, 0.56, 1.5, "known only in sum"),
        (0.01, 0.4, 1.5, "known only in sum"),
        (0.0, 0.3, 1.5, "known only in sum"),
        # It stood: nothing tells which of the two the column holds.
        (0.0, 0.0, 1.5, "the robot stood before and after the gap"),
        # So little is a slip, not a hole.
        (0.0005, 0.0005, 1.5, "about 27 mm that were driven in the gap are lost"),
    ],
)
def test_law_a_gap_that_loses_little_is_a_warning(
    tmp_path: Path, before: float, after_gap: float, gap_s: float, words: str
):
    """It is said, with what is known of it, and the log is read."""
    log, findings = gap(tmp_path, before, after_gap, gap_s=gap_s)
    assert log is not None
    assert [(f.line, f.code, f.level) for f in findings] == [(4 + 20, "DG609", "warning")]
    assert "1.12 s" in findings[0].message
    assert words in findings[0].suggestion


def test_law_a_gap_of_a_heading_alone_is_known_in_sum(tmp_path: Path):
    """A gyro's heading counts on, whatever is written."""
    times = [i * DT for i in range(20)] + [1.5 + i * DT for i in range(20)]
    rows = [f"{t:.3f},{i:.1f}" for i, t in enumerate(times)]
    _, (found,) = read(tmp_path, log_text("time [s],heading [deg]", rows))
    assert (found.level, found.suggestion) == ("warning", "what happened in the gap is known only in sum")


def test_law_odometry_at_a_tenth_of_the_rate_is_no_gap(tmp_path: Path):
    """Rows of other columns between those of the odometry are no gaps."""
    rows = [f"{i * DT:.2f},{0.01 if i % 10 == 0 else ''},1.0" for i in range(100)]
    _, findings = read(tmp_path, log_text("time [s],forward [m],range left [m]", rows))
    assert findings == []
