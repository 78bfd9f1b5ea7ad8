"""A last row that was cut off: never a number that nobody measured, and no whole row lost without a word."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.core.findings import Finding
from driftgate.logs import Log
from driftgate.logs.part import read_part
from driftgate.logs.read import _joined
from driftgate.logs.table import table_of
from driftgate.run.log_files import once
from logs.made_logs import PREAMBLE, log_text, places, read

ODOMETRY = "time [s],forward [m]"
WHOLE = ["0.00,0.0012", "0.02,0.0013", "0.04,0.0011", "0.06,0.0014"]
FORMATS = ("{:.2f}", "{:.4f}", "{!r}", "{:.0f}", '"{:.3f}"')


def _read(text: str) -> tuple[Log | None, list[Finding]]:
    table = table_of(text, "a.csv")
    part = read_part(table)
    return (None if part is None else _joined([part], [])), table.page.findings


@settings(max_examples=150, deadline=None)
@given(
    values=st.lists(st.floats(0.0, 0.3), min_size=4, max_size=8),
    form=st.sampled_from(FORMATS),
    last=st.sampled_from(["range left [m]", "heading [deg]", "step", "mine"]),
    cut=st.integers(0, 40),
)
def test_law_no_number_is_made_of_a_part_of_one(values, form, last, cut):
    """Wherever the last row breaks off: what is read of it is what was written, or nothing is."""
    rows = [
        f"{0.1 * i:.2f},{form.format(v)},{('go', 'go', 'turn')[i % 3] if last == 'step' else form.format(v)}"
        for i, v in enumerate(values)
    ]
    text = log_text(f"{ODOMETRY},{last}", rows)
    whole, _ = _read(text)
    broken, found = _read(text[: len(text) - min(cut, len(rows[-1]))])
    assert whole is not None
    assert broken is not None, found
    n = len(broken.time_s)
    assert n in (len(rows), len(rows) - 1)
    if n < len(rows):
        assert [f.level for f in found if f.code == "DG606"] in (["warning"], [])
    if n < len(rows) and cut < len(rows[-1]):
        assert [f.line for f in found if f.code == "DG606"] == [3 + len(rows)]
    for title in ("time_s", "forward_m", "heading_rad"):
        was, now = getattr(whole, title)[:n], getattr(broken, title)
        assert np.all((was == now) | np.isnan(now)), title
    if last.startswith("range"):
        was, now = whole.ranges["left"].reading_m[:n], broken.ranges["left"].reading_m
        assert np.all((was == now) | np.isnan(now))
    if last == "step":
        assert set(broken.step or ()) <= {"go", "turn", ""}


@pytest.mark.parametrize(
    ("header", "rows"),
    [
        (ODOMETRY, WHOLE),
        ("time [s],range left [m]", ["0.0,", "0.1,0.5", "0.2,none"]),
        ("time [s],reference x [m],reference y [m],reference by", ["0,1,1,tape", "5,1.5,1,tape"]),
        ("time [s],forward [m],step", ["0,0,go", "1,0.123,go"]),
        ("time [s],forward [m],step", ["0,0,go", "1,0.123,turn"]),
        ("time [s],forward [m],range left [m]", ["0,0,1.25", "1,0.1,"]),
        ("time [s],forward [m],battery", ["0,0,12", "1,0.1,1"]),
    ],
)
def test_law_a_whole_row_needs_no_line_end(tmp_path: Path, header: str, rows: list[str]):
    """Where its last cell can be no part of another one, as in poses typed by hand, it counts."""
    log, findings = read(tmp_path, log_text(header, rows).rstrip("\n"))
    assert log is not None
    assert not [f for f in findings if f.code == "DG606"]
    assert len(log.time_s) == len(rows)


@pytest.mark.parametrize(
    ("last", "words"),
    [
        ("0.08,0.001", "'0.001' may be a part"),
        ("0.08,0.", "'0.' may be a part"),
        ("0.08,-", "'-' may be a part"),
        ("0.08,0.00", "'0.00' may be a part"),
        ("0.0", "it has 1 cell, the header 2"),
        ('0.08,"0.00', "without a line end"),
    ],
)
def test_law_a_row_cut_off_is_left_out_with_a_word(tmp_path: Path, last: str, words: str):
    """A warning at its end says what is there, and that it is left out."""
    log, (found,) = read(tmp_path, log_text(ODOMETRY, [*WHOLE, last]).rstrip("\n"))
    assert log is not None
    assert log.forward_m.tolist() == [0.0012, 0.0013, 0.0011, 0.0014]
    assert places([found]) == [(8, len(last) + 1, "DG606")]
    assert found.level == "warning"
    assert words in found.message
    assert "left out" in found.message
    assert "if it is whole" in found.suggestion


def test_law_a_short_last_row_is_cut_off_though_an_editor_ended_it(tmp_path: Path):
    """One that is short elsewhere is an error, and so is a log that is nothing but a part of a row."""
    log, (found,) = read(tmp_path, log_text(ODOMETRY, [*WHOLE, "0.08"]))
    assert (log is not None, found.code, found.level, found.line) == (True, "DG606", "warning", 8)
    for rows in ([*WHOLE[:2], "0.03", *WHOLE[2:]], ["0.08"]):
        log, (found,) = read(tmp_path, log_text(ODOMETRY, rows))
        assert (log, found.code, found.level) == (None, "DG606", "error")
        assert "cut off" in found.suggestion


def test_law_zero_bytes_at_the_end_were_never_written(tmp_path: Path):
    """A card that lost power has them behind the last row; anywhere else they are refused."""
    text = log_text(ODOMETRY, WHOLE)
    log, findings = read(tmp_path, text.encode() + b"\0" * 512)
    assert log is not None
    assert findings == []
    log, (found,) = read(tmp_path, text[:-3].encode() + b"\0" * 512)
    assert log is not None
    assert (len(log.time_s), found.code, found.level) == (3, "DG606", "warning")
    log, (found,) = read(tmp_path, (PREAMBLE + "\0" + ODOMETRY + "\n0,0\n").encode())
    assert (log, found.code, found.line) == (None, "DG101", 3)


def test_law_several_logs_cut_off_are_said_once(tmp_path: Path):
    """A robot that is switched off while it writes does so in every run."""
    found: list[Finding] = []
    for i in range(3):
        rows = [*WHOLE, *(f"0.0{7 + k},0.0011" for k in range(i)), "0.1,0.00"]
        found += read(tmp_path, log_text(ODOMETRY, rows).rstrip("\n"))[1]
    (one,) = once(found)
    assert one.message.endswith("(and so 2 logs more)")
