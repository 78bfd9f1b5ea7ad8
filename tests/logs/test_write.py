"""What is written is read back."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import numpy as np
import pytest

from driftgate.core.errors import ModelError
from driftgate.logs import Log, RangeColumn, write_log
from logs.made_logs import read
from logs.test_read import WHOLE


def _log(**changes: object) -> Log:
    n = 5
    rng = np.random.default_rng(7)
    values: dict[str, object] = {
        "path": "run.csv",
        "run": "run",
        "day": None,
        "origin": "simulated",
        "robot": None,
        "routine": None,
        "field": None,
        "time_s": np.arange(n) * 0.02,
        "step": None,
        "forward_m": np.array([0.0, 0.01, 0.0, 0.02, 0.0123456]),
        "sideways_m": np.zeros(n),
        "has_odometry": np.array([True, True, False, True, True]),
        "heading_rad": rng.normal(0.0, 0.1, n),
        "speed_mps": np.full(n, np.nan),
        "believed": np.full((n, 3), np.nan),
    }
    return Log(**{**values, **changes})  # type: ignore[arg-type]


def _same(a: Log, b: Log) -> None:
    for name in ("run", "day", "origin", "robot", "routine", "field", "step", "reference_by"):
        assert getattr(a, name) == getattr(b, name), name
    for name in ("time_s", "forward_m", "sideways_m", "heading_rad", "speed_mps", "believed", "reference"):
        # Metres to a micrometre, headings to a millionth of a degree, by the format written.
        np.testing.assert_allclose(getattr(a, name), getattr(b, name), atol=6e-7, rtol=0)
    assert a.has_odometry.tolist() == b.has_odometry.tolist()
    assert list(a.ranges) == list(b.ranges)
    for one, other in zip(a.ranges.values(), b.ranges.values(), strict=True):
        np.testing.assert_allclose(one.reading_m, other.reading_m, atol=6e-7, rtol=0)
        assert one.fired.tolist() == other.fired.tolist()
        assert one.fix == other.fix


def test_law_round_trip(tmp_path: Path):
    """Every value of a log with all columns survives writing and reading."""
    log, _ = read(tmp_path, WHOLE)
    assert log is not None
    back, findings = read(tmp_path, write_log(log, ["invented"]))
    assert findings == []
    assert back is not None
    _same(log, back)
    assert back.reference_spread == pytest.approx(log.reference_spread, abs=1e-12)


def test_law_round_trip_of_hard_words(tmp_path: Path):
    """Commas, quotes and formulas in names and words survive, and blanks stay blank."""
    n = 5
    fired = np.array([True, False, True, True, False])
    reading = np.array([1.0, np.nan, np.nan, 2.5, np.nan])
    log = _log(
        step=('a "b", c', "", "=1+1", '"x"', "x"),
        sideways_m=np.array([0.0, 0.001, 0.0, -0.002, 0.0]),
        ranges={'l,"1"': RangeColumn(reading, fired, ("used", "", "no-echo", "gate", "")), "b": RangeColumn(
            np.full(n, np.nan), np.zeros(n, dtype=bool))},
        day=date(2026, 11, 3),
        run="no 4: second try",
    )  # fmt: skip
    back, findings = read(tmp_path, write_log(log))
    assert findings == []
    assert back is not None
    _same(log, back)


def test_law_writing_is_exact_from_the_second_time_on(tmp_path: Path):
    """A log that was read writes the same text again."""
    log, _ = read(tmp_path, WHOLE)
    assert log is not None
    once = write_log(log)
    again, _ = read(tmp_path, once)
    assert again is not None
    assert write_log(again) == once


def test_err_a_line_end_in_a_name():
    """A name that would break out of its line is refused."""
    with pytest.raises(ModelError, match="one line"):
        write_log(_log(run="a\n# origin: measured"))


def test_err_columns_of_different_lengths():
    """A log whose columns differ in length, or whose time stands, is none."""
    with pytest.raises(ModelError, match="length"):
        _log(forward_m=np.zeros(4))
    with pytest.raises(ModelError, match="increase"):
        _log(time_s=np.zeros(5))
