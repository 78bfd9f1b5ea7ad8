"""Logs as they should be: every value where it belongs."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from driftgate.core.findings import Finding
from driftgate.logs import read_beacons
from logs.made_logs import PREAMBLE, log_text, read, write

WHOLE = """\
# driftgate log: 1
# run: 2026-11-03 no 4
# day: 2026-11-03
# robot: routines/robots/wren.yaml
# routine: routines/corner-dash.yaml
# field: fieldmaps/hall.yaml
# origin: measured
# reference spread: 2 mm, 3 mm, 0.2 deg
# note: invented
# note: two notes
range left [mm],time [ms],step,forward [in],heading [deg],speed [cm/s],fix left,\
believed x [m],believed y [m],believed heading [rad],reference x [m],reference y [m],reference heading [deg],\
reference by
,0,cross,0,350,0,,1,2,0.5,1.001,2.002,28,tape
none,20,cross,1,355,50,no-echo,1.0254,2,0.5,,,,
850.5,35,"cross, still",,5,,used,1.0254,2,0.5,1.03,2,,camera
"""


def test_law_every_column_in_si(tmp_path: Path):
    """All columns, in any order and in other units, come out in metres, seconds and radians."""
    log, findings = read(tmp_path, WHOLE)
    assert findings == []
    assert log is not None
    assert (log.path, log.run, log.day) == ("run.csv", "2026-11-03 no 4", date(2026, 11, 3))
    assert (log.origin, log.robot, log.routine, log.field) == (
        "measured",
        "routines/robots/wren.yaml",
        "routines/corner-dash.yaml",
        "fieldmaps/hall.yaml",
    )
    assert log.reference_spread == pytest.approx((0.002, 0.003, math.radians(0.2)), abs=1e-15)
    assert log.time_s.tolist() == [0.0, 0.020, 0.035]
    assert log.step == ("cross", "cross", "cross, still")
    assert log.forward_m == pytest.approx([0.0, 0.0254, 0.0], abs=1e-15)
    assert log.has_odometry.tolist() == [True, True, False]
    assert log.sideways_m.tolist() == [0.0, 0.0, 0.0]
    assert np.degrees(log.heading_rad) == pytest.approx([350.0, 355.0, 365.0], abs=1e-9)
    assert log.speed_mps[:2].tolist() == [0.0, 0.5]
    assert math.isnan(log.speed_mps[2])
    assert log.believed[1] == pytest.approx([1.0254, 2.0, 0.5])
    left = log.ranges["left"]
    assert left.fired.tolist() == [False, True, True]
    assert np.isnan(left.reading_m).tolist() == [True, True, False]
    assert left.reading_m[2] == 0.8505
    assert left.fix == ("", "no-echo", "used")
    assert log.reference[0] == pytest.approx([1.001, 2.002, math.radians(28.0)])
    assert np.isnan(log.reference[1]).all()
    assert np.isnan(log.reference[2]).tolist() == [False, False, True]
    assert log.reference_by == ("tape", "", "camera")


def test_law_same_log_however_it_is_written(tmp_path: Path):
    """Line ends, a byte order mark, blanks, blank lines, quotes and padding change nothing."""
    plain = log_text("time [s],forward [m],step", ["0,0.1,a", "0.1,0.2,b"])
    spaced = log_text('"time [s]" , forward  [m],step', ['0, 0.1 , "a"', "", ' "0.1",.2,b', ""])
    expected, _ = read(tmp_path, plain)
    assert expected is not None
    sheet = "".join(f"{line}{',' * (2 - line.count(','))}\r\n" for line in plain.splitlines())
    sheet = "\ufeff" + sheet.replace("time", ",,\r\ntime", 1) + ",,\r\n,,\r\n"
    for text in (plain.replace("\n", "\r\n"), "\ufeff" + plain, spaced, plain.rstrip("\n"), sheet):
        log, findings = read(tmp_path, text)
        assert log is not None, findings
        assert log.time_s.tolist() == expected.time_s.tolist()
        assert log.forward_m.tolist() == expected.forward_m.tolist()
        assert log.step == expected.step
        assert log.origin == expected.origin


def test_law_a_comma_at_the_end_of_a_name_is_its_own(tmp_path: Path):
    """Only where the first line is padded are commas at the ends of others a spreadsheet's."""
    text = "# driftgate log: 1\n# origin: measured\n# run: first,\ntime [s],step\n0,a\n"
    log, _ = read(tmp_path, text)
    assert log is not None
    assert log.run == "first,"


def test_law_run_is_named_after_its_file(tmp_path: Path):
    """Without a name of its own, a run has that of its file."""
    log, _ = read(tmp_path, log_text("time [s],forward [m]", ["0,0"]))
    assert log is not None
    assert log.run == "run"


def test_law_several_files_join_on_time(tmp_path: Path):
    """Odometry, readings and reference of one run may be in files of their own."""
    odometry = log_text("time [s],forward [m],step", ["0,0,go", "0.1,0.1,go", "0.2,0.1,stop"])
    ranges = log_text("time [ms],range left [m]", ["50,1.5", "200,none"])
    reference = log_text("time [s],reference x [m],reference y [m],reference by", ["0.15,1,2,camera"])
    log, findings = read(tmp_path, odometry, ranges, reference)
    assert findings == []
    assert log is not None
    assert log.time_s.tolist() == [0.0, 0.05, 0.1, 0.15, 0.2]
    assert log.has_odometry.tolist() == [True, False, True, False, True]
    assert log.forward_m.tolist() == [0.0, 0.0, 0.1, 0.0, 0.1]
    assert log.step == ("go", "go", "go", "go", "stop")
    assert log.ranges["left"].fired.tolist() == [False, True, False, False, True]
    assert log.reference_by == ("", "", "", "camera", "")
    swapped, _ = read(tmp_path, reference, odometry, ranges)
    assert swapped is not None
    assert swapped.forward_m.tolist() == log.forward_m.tolist()


def test_law_rounded_times_of_two_files_meet(tmp_path: Path):
    """One instant written in two units is one row."""
    log, _ = read(
        tmp_path,
        log_text("time [s],forward [m]", ["0.0351,0", "0.07,0"]),
        log_text("time [ms],heading [deg]", ["35.1,1", "70.0,2"]),
    )
    assert log is not None
    assert len(log.time_s) == 2


@pytest.mark.parametrize(
    ("second", "column"),
    [
        (log_text("time [s],forward [m]", ["0,1"]), 10),
        (log_text("time [s],heading [deg]", ["99,1"]), 1),
        ("# driftgate log: 1\n# origin: simulated\ntime [s],heading [deg]\n0,1\n", 11),
        ("# driftgate log: 1\n# origin: measured\n# robot: b.yaml\ntime [s],heading [deg]\n0,1\n", 10),
    ],
)
def test_err_files_of_two_runs(tmp_path: Path, second: str, column: int):
    """Files that cannot be of one run are refused, at the place that says so."""
    first = log_text("time [s],forward [m]", ["0,0", "1,0.1"], PREAMBLE + "# robot: a.yaml\n")
    log, findings = read(tmp_path, first, second)
    assert log is None
    (finding,) = findings
    assert (finding.path, finding.column, finding.code) == ("run1.csv", column, "DG613")


def test_law_beacons(tmp_path: Path):
    """A list of beacons has names and places."""
    text = "# driftgate beacons: 1\n# note: invented\nx [in],beacon,y [m]\n10,b 1,2\n-1,1,0\n"
    findings: list[Finding] = []
    beacons = read_beacons(write(tmp_path, text), findings, tmp_path)
    assert findings == []
    assert beacons is not None
    assert beacons.name == ("b 1", "1")
    assert beacons.position == pytest.approx(np.array([[0.254, 2.0], [-0.0254, 0.0]]))


@pytest.mark.parametrize(
    ("rows", "expected"),
    [
        ("a,1,2\na,3,4\n", (4, 1, "DG130")),
        (",1,2\n", (3, 1, "DG607")),
        ("a,1,\n", (3, 5, "DG607")),
        ("a,1e99,2\n", (3, 3, "DG607")),
        ("", (2, 1, "DG606")),
    ],
)
def test_err_beacons(tmp_path: Path, rows: str, expected: tuple[int, int, str]):
    """A beacon without name or place, or there twice, is refused."""
    text = f"# driftgate beacons: 1\nbeacon,x [m],y [m]\n{rows}"
    findings: list[Finding] = []
    assert read_beacons(write(tmp_path, text), findings, tmp_path) is None
    assert [(f.line, f.column, f.code) for f in findings] == [expected]
