"""Every fault of a log is one finding at its line and column."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from driftgate.core.findings import Finding
from driftgate.core.rules import RULES
from driftgate.logs import read_log
from driftgate.logs.table import LARGEST_BYTES, MOST_ROWS, RowError, split_row
from logs.made_logs import PREAMBLE, log_text, places, read, write

ODOMETRY = "time [s],forward [m]"
TAPED = "time [s],reference x [m],reference y [m],reference by"
POSE = "believed x [m],believed y [m],believed heading [deg]"


@pytest.mark.parametrize(
    ("text", "expected", "words"),
    [
        ("", (1, 1, "DG601"), "driftgate log"),
        ("time [s],forward [m]\n0,0\n", (1, 1, "DG601"), "driftgate log"),
        ("# driftgate log: 2\n", (1, 18, "DG601"), "format 1"),
        ("# driftgate log: 1\n" + ODOMETRY + "\n0,0\n", (1, 1, "DG602"), "origin"),
        (PREAMBLE + "# orign: measured\n" + ODOMETRY + "\n0,0\n", (3, 3, "DG602"), "orign"),
        (PREAMBLE + "# origin: measured\n" + ODOMETRY + "\n0,0\n", (3, 3, "DG602"), "already"),
        (PREAMBLE + "# day: 3.11.2026\n" + ODOMETRY + "\n0,0\n", (3, 8, "DG602"), "no day"),
        (PREAMBLE + "# day: 2026-02-30\n" + ODOMETRY + "\n0,0\n", (3, 8, "DG602"), "no day"),
        (PREAMBLE + "# robot: ../w.yaml\n" + ODOMETRY + "\n0,0\n", (3, 10, "DG602"), "no path"),
        (PREAMBLE + "# robot: /etc/x\n" + ODOMETRY + "\n0,0\n", (3, 10, "DG602"), "no path"),
        (PREAMBLE + "# run:\n" + ODOMETRY + "\n0,0\n", (3, 7, "DG602"), "no value"),
        (PREAMBLE + "# run: " + "x" * 201 + "\n" + ODOMETRY + "\n0,0\n", (3, 8, "DG602"), "201"),
        (PREAMBLE + "# reference spread: 2, 2, 1\n" + ODOMETRY + "\n0,0\n", (3, 21, "DG602"), "unit"),
        (PREAMBLE + "# reference spread: 2 mm\n" + ODOMETRY + "\n0,0\n", (3, 21, "DG602"), "three"),
        (PREAMBLE + "# reference spread: 0 m, 0 m, 0 deg\n" + ODOMETRY, (3, 21, "DG602"), "than 0"),
        (PREAMBLE + "#nonsense\n" + ODOMETRY + "\n0,0\n", (3, 1, "DG602"), "key: value"),
        (PREAMBLE, (1, 1, "DG603"), "header"),
        (log_text("time [s],forwrd [m]", ["0,0"]), (3, 10, "DG603"), "forwrd"),
        (log_text("time [s],forward [m],forward [mm]", ["0,0,0"]), (3, 22, "DG603"), "twice"),
        (log_text("forward [m]", ["0"]), (3, 1, "DG603"), "time"),
        (log_text("time [s],", ["0,0"]), (3, 10, "DG603"), "without a name"),
        (log_text("time [s],range [m]", ["0,0"]), (3, 10, "DG603"), "which sensor"),
        (log_text("time [s];forward [m]", ["0;0"]), (3, 1, "DG603"), "time [s];forward"),
        (log_text("time [s],forward", ["0,0"]), (3, 10, "DG604"), "unit"),
        (log_text("time [s],forward [deg]", ["0,0"]), (3, 18, "DG604"), "'deg' is no unit of length"),
        (log_text("time [s],step [1]", ["0,0"]), (3, 10, "DG604"), "no unit"),
        (log_text("time [s],believed x [m]", ["0,0"]), (3, 10, "DG605"), "believed y"),
        (log_text("time [s],reference x [m],reference y [m]", ["0,0,0"]), (3, 10, "DG605"), "reference by"),
        (log_text("time [s],forward [m],fix left", ["0,0,used"]), (3, 22, "DG605"), "range left"),
        (log_text("time [s]", ["0"]), (3, 1, "DG605"), "time alone"),
        (log_text(ODOMETRY, ["0,0", "0.1", "0.2,0"]), (5, 4, "DG606"), "has 1 cell,"),
        (log_text(ODOMETRY, ["0,0", "0.1,1,5"]), (5, 7, "DG606"), "3 cells"),
        (log_text(ODOMETRY, ["0,0", '0.1,"1']), (5, 5, "DG606"), "not closed"),
        (log_text(ODOMETRY, ["0,0", '0.1,"1"2']), (5, 8, "DG606"), "behind"),
        (log_text(ODOMETRY, ["0,0", '0.1,1"2']), (5, 6, "DG606"), "inside"),
        (log_text(ODOMETRY, ["0,0", "# day: 2026-11-03"]), (5, 1, "DG606"), "before the header"),
        (log_text(ODOMETRY, []), (3, 1, "DG606"), "no rows"),
        (log_text(ODOMETRY, ["0,nan"]), (4, 3, "DG607"), "nan"),
        (log_text(ODOMETRY, ["0,inf"]), (4, 3, "DG607"), "inf"),
        (log_text(ODOMETRY, ["0,1e999"]), (4, 3, "DG607"), "too large"),
        (log_text(ODOMETRY, ["0,1e12"]), (4, 3, "DG607"), "too large"),
        (log_text(ODOMETRY, ["0,1_0"]), (4, 3, "DG607"), "1_0"),
        (log_text(ODOMETRY, ["0,0x10"]), (4, 3, "DG607"), "0x10"),
        (log_text(ODOMETRY, ['0,"0,5"']), (4, 3, "DG607"), "0,5"),
        (log_text(ODOMETRY, ["0,0.1 m"]), (4, 3, "DG607"), "0.1 m"),
        (log_text(ODOMETRY, ["0,=1+1"]), (4, 3, "DG607"), "=1+1"),
        (log_text(ODOMETRY, ["0,٣"]), (4, 3, "DG607"), "no number"),
        (log_text(ODOMETRY, ["0," + "1" * 101]), (4, 3, "DG607"), "101"),
        (log_text(ODOMETRY, [",0"]), (4, 1, "DG607"), "time is missing"),
        (log_text("time [s],range left [m]", ["0,-1"]), (4, 3, "DG607"), "below zero"),
        (log_text("time [s],range left [m]", ["0,None"]), (4, 3, "DG607"), "None"),
        (log_text(TAPED, ["0,1,1,ruler"]), (4, 7, "DG607"), "tape"),
        (log_text(ODOMETRY, ["0.2,0", "0.1,0"]), (5, 1, "DG608"), "back by 0.1 s"),
        (log_text(ODOMETRY, ["0.2,0", "0.2,0"]), (5, 1, "DG608"), "once more"),
        (log_text(ODOMETRY, ["0.2,0", "0.2,0.1"]), (5, 1, "DG608"), "row before"),
        (log_text("time [s],range left [m],fix left", ["0,,used"]), (4, 4, "DG612"), "no reading"),
        (log_text(f"time [s],{POSE}", ["0,1,,2"]), (4, 5, "DG612"), "believed y"),
        (
            log_text(TAPED, ["0,1,1,"]),
            (4, 7, "DG612"),
            "by what",
        ),
    ],
)  # fmt: skip
def test_err_exact_place(tmp_path: Path, text: str, expected: tuple[int, int, str], words: str):
    """One fault is one finding, where it stands, in words that name it."""
    log, findings = read(tmp_path, text)
    assert log is None
    assert places(findings) == [expected]
    assert words in findings[0].message
    assert findings[0].code in RULES
    assert findings[0].level == "error"


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        (log_text("time [s],forwrd [m]", ["0,0"]), "did you mean 'forward'?"),
        (log_text("time [s],forward", ["0,0"]), "write 'forward [m]'"),
        (log_text("time [s],heading [°]", ["0,0"]), "write 'heading [deg]'"),
        (log_text(ODOMETRY, ["0,nan"]), "leave it blank"),
        (log_text(ODOMETRY, ["0,OUT"]), "write a number, or leave it blank"),
        (log_text(ODOMETRY, ["0,0.1 m"]), "the header says the unit"),
        (log_text("time [s],range left [m]", ["0,12 cm"]), "the header says the unit"),
        *((log_text("time [s],range left [m]", [f"0,{word}"]), "(no echo) write none, where the sensor did")
          for word in ("OUT", "OOR", "inf", "-1", "-", "NaN", "None", "timeout", ">4")),
        (log_text("time [s],range left [m]", ["0,9999"]), "if it stands for no echo, write none; if not: "),
        (log_text(ODOMETRY, ['0,"0,5"']), "with a decimal point: 0.5"),
        (log_text(ODOMETRY, ['0,"-,5e-3"']), "with a decimal point: -0.5e-3"),
        (log_text("time [s],range left [m]", ['0,"1,23"']), "with a decimal point: 1.23"),
        (log_text(ODOMETRY, ["0,5,0,1"]), "is there a decimal comma? numbers have a decimal point (1.23)"),
        (log_text(ODOMETRY, ["0,0,"]), "delete the comma at its end"),
        (log_text(ODOMETRY, ["0"]), "left blank, with its comma"),
        (log_text("time [s];forward [m]", ["0;0,5"]), "not by semicolons, and numbers have a decimal point"),
        (log_text("time;forward", ["0;0,5"]), "commas, not by semicolons"),
        (log_text("time [s]\tforward [m]", ["0\t0"]), "commas, not by tabs"),
        (log_text("time\tforward", ["0\t0"]), "commas, not by tabs"),
        (log_text("time [s] forward [m]", ["0 0"]), "commas, not by blanks"),
        (log_text('"time [s],forward [m]"', ['"0,0"']), "a row as a whole stands in no quotes"),
        (log_text(ODOMETRY, ["0\t0"]), "commas, not by tabs"),
        ("# driftgate log: 1;;\n# origin: measured;;\ntime [s];step;\n0;a;\n", "commas, not by semicolons"),
        (log_text(ODOMETRY, [",0"]), "every row has its time by the robot's clock"),
        (log_text(ODOMETRY, ["nan,0"]), "every row has its time by the robot's clock"),
        (log_text(ODOMETRY, ["12:01:03,0"]), "write seconds, in one number"),
        (PREAMBLE + "# day: 3.11.2026\n" + ODOMETRY + "\n0,0\n", "year-month-day, for example 2026-11-23"),
        (PREAMBLE + "# orign: measured\n" + ODOMETRY + "\n0,0\n", "did you mean 'origin'?"),
    ],
)  # fmt: skip
def test_err_says_what_to_write(tmp_path: Path, text: str, hint: str):
    """The usual slips, those of spreadsheets and sensors too, are answered with what to write."""
    log, findings = read(tmp_path, text)
    assert log is None
    assert len(findings) == 1
    assert hint in findings[0].suggestion


@pytest.mark.parametrize(
    ("extra", "known", "meant"),
    [
        ("forwrad [mm]", "heading [deg]", "forward"),
        ("Heading [deg]", "forward [m]", "heading"),
        ("ref x [m]", "forward [m]", "reference x"),
        ("range_left [m]", "forward [m]", "range NAME"),
        ("ranges left [m]", "forward [m]", "range NAME"),
    ],
)
def test_err_a_column_like_a_known_one_that_is_missing(tmp_path: Path, extra: str, known: str, meant: str):
    """Its numbers would be lost, so that it is refused, with the column that it is like."""
    log, findings = read(tmp_path, log_text(f"time [s],{known},{extra}", ["0,0,0"]))
    assert log is None
    assert places(findings) == [(3, len(f"time [s],{known},") + 1, "DG603")]
    assert f"did you mean '{meant}'?" in findings[0].suggestion


@pytest.mark.parametrize(
    "extra", ["battery [V]", "comment", "gyro [deg]", "state", "left power [1]", "volts", "heading rate", "y"]
)
def test_law_a_column_of_the_teams_own_is_ignored_and_named(tmp_path: Path, extra: str):
    """A log is as good with it as without, whatever its cells hold, and one warning says so."""
    long = '"first, ' + "very " * 30 + 'long"'
    plain, _ = read(tmp_path, log_text("time [s],forward [m],heading [deg]", ["0,0,0", "1,1,0"]))
    rows = [f"0,{long},0,0", "1,=1+1,1,0"]
    log, findings = read(tmp_path, log_text(f"time [s],{extra},forward [m],heading [deg]", rows))
    assert [(f.line, f.column, f.code, f.level) for f in findings] == [(3, 10, "DG603", "warning")]
    assert "ignored" in findings[0].message
    assert log is not None
    assert plain is not None
    assert log.forward_m.tolist() == plain.forward_m.tolist()
    assert extra.split(" [")[0] not in log.titles
    assert (log.titles["forward"].line, log.titles["forward"].column) == (3, 11 + len(extra))


def test_law_several_columns_of_the_teams_own_are_one_warning(tmp_path: Path):
    """Named together, at the first of them; a known column that is there twice is still an error."""
    header = "time [s],battery [V],forward [m],comment"
    _, findings = read(tmp_path, log_text(header, ["0,12.1,0,start"]))
    assert [(f.column, f.level) for f in findings] == [(10, "warning")]
    assert "2 columns are not known here and ignored: 'battery', 'comment'" in findings[0].message
    log, findings = read(tmp_path, log_text(header + ",forward [m]", ["0,12.1,0,start,0"]))
    assert log is None
    assert places(findings) == [(3, 42, "DG603")]


def test_err_all_faults_at_once(tmp_path: Path):
    """Faults of several rows are reported together, in order, and not without end."""
    _, findings = read(tmp_path, log_text(ODOMETRY, ["0,x", "0.1,0", "0.2,y"]))
    assert places(findings) == [(4, 3, "DG607"), (6, 5, "DG607")]
    _, findings = read(tmp_path, log_text(ODOMETRY, [f"{i},x" for i in range(5000)]))
    assert len(findings) == 101
    assert {f.code for f in findings} == {"DG607", "DG114"}


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        (PREAMBLE.encode() + b"time [s],heading [\xb0]\n0,0\n", (3, 19, "DG101")),
        (log_text(ODOMETRY, ["0,0"]).encode("utf-16"), (1, 1, "DG101")),
        (log_text(ODOMETRY, ["0,0\x00"]).encode(), (4, 4, "DG101")),
        (log_text(ODOMETRY, ["0,\x1b[31m0"]).encode(), (4, 3, "DG101")),
        (log_text(ODOMETRY, ["0," + "1" * 3000]).encode(), (4, 2001, "DG101")),
        (b"#" * (LARGEST_BYTES + 1), (0, 0, "DG101")),
    ],
)
def test_err_hostile_bytes(tmp_path: Path, raw: bytes, expected: tuple[int, int, str]):
    """Other encodings, control characters and too much of anything are refused."""
    log, findings = read(tmp_path, raw)
    assert log is None
    assert places(findings) == [expected]


def test_err_too_many_rows_and_columns(tmp_path: Path):
    """The limits of rows, columns and files hold, and the last row within them is read."""
    rows = [f"{i},0" for i in range(MOST_ROWS + 1)]
    assert read(tmp_path, log_text("time [ms],forward [m]", rows[:-1]))[1] == []
    assert places(read(tmp_path, log_text("time [ms],forward [m]", rows))[1]) == [(MOST_ROWS + 4, 1, "DG614")]
    wide = ",".join(["time [s]", *(f"range {i} [m]" for i in range(64))])
    assert places(read(tmp_path, log_text(wide, ["0" + ",1" * 64]))[1])[0][2] == "DG614"
    talk = PREAMBLE + "# note: x\n" * 199 + ODOMETRY + "\n0,0\n"
    assert places(read(tmp_path, talk)[1]) == [(201, 1, "DG614")]
    one = log_text(ODOMETRY, ["0,0"])
    assert [f.code for f in read(tmp_path, *[one] * 17)[1]] == ["DG614"]


def test_err_files_that_are_none(tmp_path: Path):
    """What is missing, a folder, a pipe, or outside the repository, is said and not waited for."""
    inner = tmp_path / "repository"
    inner.mkdir()
    os.mkfifo(inner / "pipe.csv")
    (inner / "link.csv").symlink_to(write(tmp_path, log_text(ODOMETRY, ["0,0"])))
    for name in ("missing.csv", "pipe.csv", "link.csv", ".", "a\0b"):
        findings: list[Finding] = []
        assert read_log([inner / name], findings, inner) is None
        assert [f.code for f in findings] == ["DG101"]


def test_law_a_formula_is_only_a_text(tmp_path: Path):
    """What a spreadsheet would compute is a word like any other."""
    log, findings = read(tmp_path, log_text("time [s],step", ["0,\"=cmd|' /C calc'!A0\"", "1,@SUM(1)"]))
    assert findings == []
    assert log is not None
    assert log.step == ("=cmd|' /C calc'!A0", "@SUM(1)")


_CELLS = st.sampled_from(
    ["0", "0.1", "", '"', '""', ",", "\n", "#", "# origin: measured\n", "time [s]", "forward [m]",
     "range a [m]", "none", "1e400", "-1", "\r", " ", "é", "used", "fix a", "step", "reference by",
     "tape", ";"]
)  # fmt: skip


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(_CELLS, max_size=40), st.booleans())
@example(["time [s]", ",", '"'], True)
def test_law_no_text_is_a_surprise(tmp_path: Path, pieces: list[str], proper: bool):
    """Whatever the text, there is a log or an error with a place in the file, and no exception."""
    text = (log_text("time [s],forward [m]", [""]) if proper else PREAMBLE) + "".join(pieces)
    log, findings = read(tmp_path, text)
    errors = [f for f in findings if f.level == "error"]
    assert (log is None) == bool(errors)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    for finding in findings:
        assert finding.code in RULES
        assert finding.line <= len(lines)
        assert not finding.line or finding.column <= len(lines[finding.line - 1]) + 1


@given(
    st.lists(st.text(st.characters(blacklist_categories=("Cc", "Cs", "Zl", "Zp")), max_size=8), min_size=1)
)
def test_law_quoted_cells_come_back(cells: list[str]):
    """RFC 4180: a quoted cell may hold commas and doubled quotes."""
    line = ",".join('"' + cell.replace('"', '""') + '"' for cell in cells)
    assert [cell.text for cell in split_row(line)] == [cell.strip() for cell in cells]


@pytest.mark.evidence(source="library csv of Python (RFC 4180)", compares="cells of a row", tolerance="exact")
def test_ref_rows_as_the_standard_library_reads_them():
    """The same cells as Python's csv module in strict mode, which follows RFC 4180."""
    import csv

    for line in ("a,b", '"a","b"', '"a""b",c', '"a,b",', ",,", '"",""', '1,"x ""y"" z",3'):
        assert [cell.text for cell in split_row(line)] == next(csv.reader([line], strict=True))
    for line in ('"a', '"a"b,c'):
        with pytest.raises(RowError):
            split_row(line)
        with pytest.raises(csv.Error):
            next(csv.reader([line], strict=True))


@pytest.mark.parametrize("count", [3, 400])
def test_err_decimal_commas_are_one_fault(tmp_path: Path, count: int):
    """However many rows have them; a single row is its own fault."""
    rows = [f"{i},5,0,1" for i in range(count)]
    _, (found,) = read(tmp_path, log_text(ODOMETRY, rows))
    assert (found.code, found.line, found.level) == ("DG606", 4, "error")
    assert found.message == "the rows do not fit the header: this one has 4 cells, the header 2"
    assert found.suggestion.endswith("write 0.5, not 0,5")
    _, findings = read(tmp_path, log_text(ODOMETRY, ["0,0", *rows[:2], "0.3,0"]))
    assert [f.line for f in findings] == [5, 6]
