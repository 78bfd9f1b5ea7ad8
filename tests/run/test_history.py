"""The history of nights: whole or not at all, from two writers, and never over what is damaged."""

from __future__ import annotations

import contextlib
import dataclasses
import json
import multiprocessing
import os
import sqlite3
import subprocess
import sys

import pytest

from driftgate.judge.night import Cell, Counted, Night, NightCase
from driftgate.report.write import write_once
from driftgate.run.history import History
from driftgate.run.night_file import night_text, read_night
from driftgate.run.status import InputError

HOSTILE = "a'); DROP TABLE results; --\" \u202e\n=1+1|<b>"


def counted(name="end", successes=97, half=60):
    """Return one tolerance of 100 trials."""
    return Counted(name, 0.9, 100, successes, half, "pass", 0.93, 1.0, 0.8, "x")


def night(day, run="r", successes=97, routine="routines/out.yaml", title="Out", software="s"):
    """Return a night of one case, as it is and under one fault."""
    tolerances = (counted(successes=successes), counted("contact", 100, 100))
    plain = Cell("", "", "", 0, 100, successes, 5.0, tolerances)
    faulty = dataclasses.replace(plain, fault="gyro", title="gyro drift doubled", way=title, tried=3)
    inputs = (("routine", "1"), ("robot", "2"), ("carried map", "3"), ("field", "4"))
    case = NightCase(
        routine, title, "robot.yaml", "box.yaml", "box.yaml", "as written", inputs, (plain, faulty)
    )
    return Night(day, 2**62 + 1, "0", software, run, 100, 100, 10, 0.95, (case,))


def rows(history):
    """Return the rows of the database."""
    with sqlite3.connect(history.database) as connection:
        found = connection.execute("SELECT * FROM results ORDER BY night, fault, tolerance").fetchall()
    connection.close()
    return found


def test_law_one_row_a_night_case_fault_and_tolerance(tmp_path):
    """Two nights of one case with two tolerances, as it is and under one fault, are eight rows."""
    history = History(tmp_path / "h")
    assert history.open().sound
    assert history.add(night("2026-11-01"))
    assert history.add(night("2026-11-02", successes=90))
    assert len(rows(history)) == 8
    contact, end = history.series()
    assert (contact.tolerance, end.tolerance) == ("contact", "end")
    assert end.nights == ("2026-11-01", "2026-11-02")
    assert end.successes == (97, 90)
    assert end.changed(1) == ()


def test_law_what_is_read_is_what_was_written(tmp_path):
    """A night comes back from its file exactly, strange texts and a large seed included."""
    history = History(tmp_path)
    one = night("2026-11-01", routine=HOSTILE, title=HOSTILE)
    history.add(one)
    assert history.night("2026-11-01") == one
    assert history.open().nights == ("2026-11-01",)


def test_law_hostile_names_are_values_and_no_statements(tmp_path):
    """Names that would break out of a statement come back as they are, and no table is gone."""
    history = History(tmp_path)
    history.add(night("2026-11-01", routine=HOSTILE, title=HOSTILE))
    history.add(night("2026-11-02", routine=HOSTILE))
    assert {one.routine for one in history.series()} == {HOSTILE}
    assert len(rows(history)) == 8


def test_law_a_night_is_added_once(tmp_path):
    """The same night again changes nothing; another run of that name is refused and changes nothing."""
    history = History(tmp_path)
    assert history.add(night("2026-11-01"))
    before = rows(history), history.file_of("2026-11-01").read_bytes()
    assert not history.add(night("2026-11-01"))
    with pytest.raises(InputError, match="in the history already"):
        history.add(night("2026-11-01", run="other", successes=1))
    assert (rows(history), history.file_of("2026-11-01").read_bytes()) == before


def _add_many(folder, first):
    history = History(folder)
    for day in range(first, 29, 2):
        history.add(night(f"2026-11-{day:02d}"))


def test_law_two_writers_lose_no_row(tmp_path):
    """Two processes add fourteen nights each, at once; all 28 are there."""
    context = multiprocessing.get_context("spawn")
    writers = [context.Process(target=_add_many, args=(tmp_path, first)) for first in (1, 2)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert [writer.exitcode for writer in writers] == [0, 0]
    history = History(tmp_path)
    opened = history.open()
    assert opened.sound
    assert len(opened.nights) == 28
    assert len(rows(history)) == 28 * 4


def test_law_a_night_that_was_cut_off_is_completed(tmp_path):
    """A file without its rows, as a run leaves it that ends between the two, gets them at the next look."""
    history = History(tmp_path)
    history.add(night("2026-11-01"))
    write_once(history.file_of("2026-11-02"), night_text(night("2026-11-02")))
    assert len(rows(history)) == 4
    assert history.open().sound
    assert len(rows(history)) == 8


def test_law_a_transaction_that_fails_leaves_nothing(tmp_path):
    """A night with a row that the table refuses leaves no row of it, nor the night itself."""
    history = History(tmp_path)
    history.add(night("2026-11-01"))
    bad = night("2026-11-02")
    (case,) = bad.cases
    twice = dataclasses.replace(case, cells=(case.cells[0], case.cells[1], case.cells[1]))
    with pytest.raises(InputError, match="damaged"):
        history.add(dataclasses.replace(bad, cases=(twice,)))
    with sqlite3.connect(history.database) as connection:
        assert connection.execute("SELECT count(*) FROM nights").fetchone() == (1,)
    connection.close()
    assert len(rows(history)) == 4


def _spoil_header(path):
    path.write_bytes(b"no database" * 200)


def _spoil_middle(path):
    data = bytearray(path.read_bytes())
    data[4096 : 4096 + 3000] = os.urandom(3000)
    path.write_bytes(data)


def _spoil_owner(path):
    path.unlink()
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE notes (text TEXT)")
    connection.close()


def _spoil_version(path):
    with sqlite3.connect(path) as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()


def _spoil_trigger(path):
    with sqlite3.connect(path) as connection:
        connection.execute(
            "CREATE TRIGGER t AFTER INSERT ON nights BEGIN DELETE FROM results; DELETE FROM nights; END"
        )
    connection.close()


def _spoil_view(path):
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TABLE results")
        connection.execute(
            "CREATE VIEW results AS WITH RECURSIVE n(i) AS "
            "(SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i FROM n"
        )
    connection.close()


def _spoil_log(path):
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode = WAL")
    connection.close()


_SPOILT = [
    _spoil_header,
    _spoil_middle,
    _spoil_owner,
    _spoil_version,
    _spoil_trigger,
    _spoil_view,
    _spoil_log,
]


@pytest.mark.parametrize("spoil", _SPOILT)
def test_err_a_damaged_database_is_reported_and_left_alone(tmp_path, spoil):
    """What is damaged, foreign or newer is a finding; no byte of it changes, a rebuild sets it aside."""
    history = History(tmp_path)
    for day in range(1, 20):
        history.add(night(f"2026-11-{day:02d}"))
    good = rows(history)
    spoil(history.database)
    before = history.database.read_bytes()
    opened = history.open()
    assert [(f.code, f.level) for f in opened.findings] == [("DG801", "error")]
    assert "--rebuild" in opened.findings[0].suggestion
    with pytest.raises(InputError):
        history.add(night("2026-11-25"))
    assert history.database.read_bytes() == before
    history.file_of("2026-11-25").unlink()
    assert history.rebuild().sound
    assert rows(history) == good
    assert history.database.with_name("history.sqlite.damaged-1").read_bytes() == before


def test_err_a_changed_file_of_a_night_is_reported(tmp_path):
    """A figure that was mended by hand does not pass, and no database is made from it."""
    history = History(tmp_path)
    history.add(night("2026-11-01"))
    path = history.file_of("2026-11-01")
    path.chmod(0o644)
    whole = json.loads(path.read_text())
    whole["night"]["cases"][0]["cells"][0]["together"] = 100
    path.write_text(json.dumps(whole))
    before = history.database.read_bytes()
    for opened in (history.open(), history.rebuild()):
        assert [f.code for f in opened.findings] == ["DG802"]
        assert "changed after" in opened.findings[0].message
    assert history.database.read_bytes() == before


@pytest.mark.parametrize(
    "text", ["", "{", "[]", "[" * 5000, '{"driftgate_night": 2}', '{"driftgate_night": 1}']
)
def test_err_what_is_no_night(tmp_path, text):
    """Anything else under a night's name is one finding."""
    path = tmp_path / "2026-11-01.json"
    path.write_text(text)
    assert read_night(path).code == "DG802"


def test_err_a_night_under_another_name(tmp_path):
    """A copy of a night under another day's name is found out."""
    history = History(tmp_path)
    history.add(night("2026-11-01"))
    history.file_of("2026-11-02").write_bytes(history.file_of("2026-11-01").read_bytes())
    assert [f.message for f in history.open().findings] == ["the night's file holds the night 2026-11-01"]


def test_law_a_lost_file_is_a_warning(tmp_path):
    """Figures whose file is gone are still used; it is said that they could not be made again."""
    history = History(tmp_path)
    history.add(night("2026-11-01"))
    history.file_of("2026-11-01").unlink()
    opened = history.open()
    assert opened.sound
    assert [(f.code, f.level) for f in opened.findings] == [("DG803", "warning")]


def test_err_a_link_in_the_place_of_the_database(tmp_path):
    """What a symbolic link points at is not written to."""
    other = tmp_path / "other"
    other.write_bytes(b"")
    folder = tmp_path / "h"
    folder.mkdir()
    (folder / "history.sqlite").symlink_to(other)
    with pytest.raises(InputError, match="no regular file"):
        History(folder).add(night("2026-11-01"))
    assert other.read_bytes() == b""


def _journal_naming(victim):
    """Return a rollback journal whose super-journal is a file; as pager.c of SQLite writes and reads it."""
    head = bytes.fromhex("d9d505f920a163d7") + (0).to_bytes(4) + bytes(4) + (1).to_bytes(4)
    head += (512).to_bytes(4) + (4096).to_bytes(4)
    name = os.fsencode(victim)
    end = (2**30 // 4096 + 1).to_bytes(4) + name + len(name).to_bytes(4) + sum(name).to_bytes(4)
    return head.ljust(512, b"\0") + end + bytes.fromhex("d9d505f920a163d7")


def test_err_a_journal_deletes_no_other_file(tmp_path):
    """SQLite deletes the file that a journal names as its super-journal; so it is not let near one."""
    victim, folder = tmp_path / "victim", tmp_path / "h"
    history = History(folder)
    history.add(night("2026-11-01"))
    journal, good = folder / "history.sqlite-journal", history.database.read_bytes()
    victim.write_bytes(b"precious")
    journal.write_bytes(_journal_naming(victim))
    connection = sqlite3.connect(history.database)
    with contextlib.suppress(sqlite3.DatabaseError):
        connection.execute("SELECT count(*) FROM nights")
    connection.close()
    assert not victim.exists()  # the attack works where nothing guards against it
    history.database.write_bytes(good)
    victim.write_bytes(b"precious")
    journal.write_bytes(_journal_naming(victim))
    assert [f.code for f in history.open().findings] == ["DG801"]
    assert victim.exists()
    assert history.rebuild().sound
    assert victim.exists()
    assert len(rows(history)) == 4
    assert (folder / "history.sqlite.damaged-1-journal").exists()


@pytest.mark.parametrize("ending", ["-journal", "-wal", "-shm"])
def test_err_links_beside_the_database(tmp_path, ending):
    """What SQLite would open beside the database is no link to elsewhere."""
    history = History(tmp_path / "h")
    history.add(night("2026-11-01"))
    other = tmp_path / "other"
    other.write_bytes(b"x" * 600)
    (tmp_path / f"h/history.sqlite{ending}").symlink_to(other)
    assert [f.code for f in history.open().findings] == ["DG801"]
    assert other.read_bytes() == b"x" * 600


def test_law_a_transaction_that_was_cut_off_is_rolled_back(tmp_path):
    """The journal of driftgate's own that a killed process leaves is played back, as it must be."""
    history = History(tmp_path / "h")
    history.add(night("2026-11-01"))
    script = f"""
import os, sqlite3
c = sqlite3.connect({str(history.database)!r}, isolation_level=None)
c.execute("PRAGMA cache_size = 1")
c.execute("PRAGMA cache_spill = 1")
c.execute("BEGIN IMMEDIATE")
c.execute("DELETE FROM results")
c.executemany("INSERT INTO nights VALUES (?, '', '', '', '', 0.5)", [(str(i) * 300,) for i in range(300)])
os._exit(9)
"""
    subprocess.run([sys.executable, "-c", script], check=False)
    assert history.database.with_name("history.sqlite-journal").stat().st_size > 0
    assert history.open().sound
    assert len(rows(history)) == 4


def test_err_too_many_nights_and_too_large(tmp_path, monkeypatch):
    """A folder of a million nights, and a database that fills the disk, are not read."""
    history = History(tmp_path / "h")
    for day in ("2026-11-01", "2026-11-02", "2026-11-03"):
        history.add(night(day))
    monkeypatch.setattr("driftgate.run.history.MOST_NIGHTS", 2)
    assert "3 nights, more than 2" in history.open().findings[0].message
    monkeypatch.undo()
    monkeypatch.setattr("driftgate.run.history.MOST_BYTES", 4096)
    assert "its nights are larger than" in history.open().findings[0].message
    for day in ("2026-11-01", "2026-11-02", "2026-11-03"):
        history.file_of(day).unlink()
    with pytest.raises(InputError, match="it is larger than"):
        history.add(night("2026-11-04"))


def test_err_a_night_of_empty_objects(tmp_path, monkeypatch):
    """What is small as a text and large in memory is not read."""
    path = tmp_path / "2026-11-01.json"
    path.write_text('{"driftgate_night": 1, "night": [' + "{}," * 2000 + "0]}")
    monkeypatch.setattr("driftgate.run.night_file.MOST_VALUES", 1000)
    assert "more than 1000 values" in read_night(path).message


def test_err_special_files_for_a_night(tmp_path):
    """A pipe in the place of a night does not stop the run."""
    path = tmp_path / "2026-11-01.json"
    os.mkfifo(path)
    assert "not a regular file" in read_night(path).message


@pytest.mark.parametrize(
    "wrong",
    [
        {"inputs": (("routine", "1"), ("field", "4"))},
        {"inputs": (("field", "4"), ("robot", "2"), ("carried map", "3"), ("routine", "1"))},
        {"tried": 2**70},
        {"together": 101},
        {"trials": 0, "together": 0},
        {"tolerances": (dataclasses.replace(counted(), trials=0, successes=0, half=0),)},
        {"tolerances": (dataclasses.replace(counted(), half=98),)},
        {"tolerances": (dataclasses.replace(counted(), trials=2**63),)},
    ],
)
def test_pin_a_night_that_cannot_be_is_refused(tmp_path, wrong):
    """A night whose hash fits and whose figures do not is one finding."""
    sound = night("2026-11-01")
    (case,) = sound.cases
    if "inputs" in wrong:
        case = dataclasses.replace(case, **wrong)
    else:
        case = dataclasses.replace(case, cells=(dataclasses.replace(case.cells[0], **wrong),))
    path = tmp_path / "nights" / "2026-11-01.json"
    path.parent.mkdir()
    path.write_text(night_text(dataclasses.replace(sound, cases=(case,))))
    (found,) = History(tmp_path).open().findings
    assert "no night can have found" in found.message


def test_pin_a_damaged_schema_that_is_no_text(tmp_path):
    """SQLite's own words about a damaged database may not even be text."""
    history = History(tmp_path)
    history.add(night("2026-11-01"))
    data = history.database.read_bytes()
    at = data.index(b"CREATE TABLE nights")
    history.database.write_bytes(data[: at + 8] + b"\xd4" + data[at + 9 :])
    assert [f.code for f in history.open().findings] == ["DG801"]


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE results SET successes = 100 WHERE tolerance = 'end'",
        "DELETE FROM results WHERE fault = ''",
        "UPDATE results SET routine = 'x' WHERE night = '2026-11-02'",
        "UPDATE results SET side = CAST(x'6173ff' AS TEXT)",
    ],
)
def test_err_rows_that_are_not_the_files(tmp_path, change):
    """Figures that were changed in the database alone are found out, and bytes that are no text."""
    history = History(tmp_path)
    for day in ("2026-11-01", "2026-11-02"):
        history.add(night(day))
    assert history.open().sound
    connection = sqlite3.connect(history.database)
    connection.execute(change)
    connection.commit()
    connection.close()
    assert [f.code for f in history.open().findings] == ["DG801"]


def test_pin_rows_of_a_lost_night_that_are_no_text(tmp_path):
    """What cannot be read of a night without a file is bad input, and no fault of driftgate."""
    history = History(tmp_path)
    history.add(night("2026-11-01"))
    history.file_of("2026-11-01").unlink()
    connection = sqlite3.connect(history.database)
    connection.execute("UPDATE results SET side = CAST(x'6173ff' AS TEXT)")
    connection.commit()
    connection.close()
    assert history.open().sound
    with pytest.raises(InputError, match="UTF-8"):
        history.series()
