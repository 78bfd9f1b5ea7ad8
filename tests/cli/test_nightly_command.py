"""The command of the nights: its options, reports, and what it says of slips."""

from __future__ import annotations

import json

import pytest
from small_project import write_project

from driftgate.cli import main

TINY = ("--night", "2026-11-01", "--workers", "1")
TINY += ("--trials", "60", "--fault-trials", "30", "--scout-trials", "8")


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Return a function that runs a command line in the small project: status, stdout, stderr."""
    monkeypatch.chdir(write_project(tmp_path))
    # Whatever the clock of the machine says.
    monkeypatch.setenv("DRIFTGATE_TODAY", "2026-11-26")

    def runs(*arguments):
        status = main.run(["nightly", *arguments])
        out, err = capsys.readouterr()
        return status, out, err

    return runs


def test_law_a_night_is_shown_written_and_kept(run, tmp_path):
    """One run gives the terminal's text, three reports and a history; the last line names the status."""
    reports = (
        "--report",
        "json=n.json",
        "--report",
        "csv=n.csv",
        "--report",
        "markdown=n.md",
        "--report",
        "html=n.html",
    )
    status, out, err = run(*TINY, "--history", "nights", *reports)
    assert status == 0
    assert "What breaks first" in out
    assert "again: driftgate nightly --night 2026-11-01 --trials 60" in out
    assert "not a safety assessment" in out
    assert err.splitlines()[-1] == "driftgate: status 0: all 3 tolerances hold"
    assert json.loads((tmp_path / "n.json").read_text())["status"] == 0
    assert len((tmp_path / "n.csv").read_text().splitlines()) == 4
    text = (tmp_path / "n.md").read_text()
    assert "Every routine holds on every field and side." in text
    assert "\n| Out and stop | survives 100.0 % | " in text
    assert sorted(path.name for path in (tmp_path / "nights").iterdir()) == ["history.sqlite", "nights"]


def test_law_what_to_type_again_has_the_history_and_no_faults_that_were_not_tried(run):
    """Typed again the night is read from the history; numbers of trials that are not the default stay."""
    import shlex

    status, out, _ = run(*TINY, "--no-faults", "--history", "nights")
    (line,) = (line for line in out.splitlines() if line.startswith("again: "))
    again = "driftgate nightly --night 2026-11-01 --trials 60 --fault-trials 30 --scout-trials 8"
    assert (status, line) == (0, f"again: {again} --no-faults --history nights")
    assert run(*shlex.split(line)[3:])[1] == out
    _, plain, _ = run(*TINY[:6], "--no-faults")
    assert "again: driftgate nightly --night 2026-11-01 --trials 60 --no-faults\n" in plain
    status, _, err = run(*TINY, "--history", "nights")
    assert status == 2
    assert "after a fix on the same day leave out --history" in err


def test_law_a_kept_night_is_shown_without_running_anything(run, tmp_path):
    """The latest night, or a named one, gives the reports that its own run gave, the files being gone."""
    for day in ("2026-11-01", "2026-11-02"):
        run(*TINY[:1], day, *TINY[2:], "--history", "nights", "--no-faults", "--report", f"csv={day}.csv")
    (tmp_path / "routines/out.yaml").unlink()
    status, out, err = run("--history", "nights", "--kept", "--report", "csv=kept.csv")
    assert (status, err) == (0, "driftgate: status 0: all 3 tolerances hold\n")
    assert (tmp_path / "kept.csv").read_text() == (tmp_path / "2026-11-02.csv").read_text()
    assert "again: driftgate nightly --history nights --kept --night 2026-11-02" in out
    status, out, _ = run("--history", "nights", "--kept", "--night", "2026-11-01", "--report", "csv=k.csv")
    assert status == 0
    assert (tmp_path / "k.csv").read_text() == (tmp_path / "2026-11-01.csv").read_text()
    status, _, err = run("--history", "nights", "--kept", "--night", "2025-01-01")
    assert (status, "no night 2025-01-01 is kept" in err) == (2, True)
    assert run("--kept")[0] == 2


def test_law_without_faults_there_are_none(run):
    """Only the routines as they are."""
    status, out, _ = run(*TINY, "--no-faults")
    assert status == 0
    assert "fault" not in out.replace("--no-faults", "").replace("--fault-trials", "")


def test_law_a_history_is_made_anew(run, tmp_path):
    """A damaged database is status 2 and stays; --rebuild makes one from the files of the nights."""
    run(*TINY, "--history", "nights", "--no-faults")
    database = tmp_path / "nights/history.sqlite"
    database.write_bytes(b"nothing" * 999)
    status, out, err = run(*TINY, "--history", "nights", "--no-faults")
    assert status == 2
    assert "DG801" in out
    assert "1 error in the history" in err
    assert database.read_bytes() == b"nothing" * 999
    status, _, err = run("--history", "nights", "--rebuild")
    assert (status, err) == (0, "driftgate: status 0: the history is made anew from 1 night\n")
    assert run(*TINY, "--history", "nights", "--no-faults")[0] == 0


def test_err_a_day_to_come_is_not_kept(run, tmp_path, monkeypatch):
    """One line, and no folder; a day ahead may be today elsewhere; what is not kept may have any name."""
    few = ("--trials", "60", "--no-faults", "--workers", "1", "--history", "nights")
    monkeypatch.setenv("DRIFTGATE_TODAY", "2026-11-01")
    status, _, err = run("--night", "2026-11-03", *few)
    assert (status, len(err.splitlines())) == (2, 1)
    assert "2026-11-03 has not come yet" in err
    assert "DRIFTGATE_TODAY" in err
    assert not (tmp_path / "nights").exists()
    assert run("--night", "2026-11-02", *few)[0] == 0
    assert run("--night", "2030-01-01", *few[:-2])[0] == 0
    # Who says which day it is, is believed.
    monkeypatch.setenv("DRIFTGATE_TODAY", "9999-12-31")
    assert run(*few)[0] == 0
    monkeypatch.delenv("DRIFTGATE_TODAY")
    assert run("--night", "9999-01-01", *few)[0] == 2
    # Nothing is kept by looking back.
    status, _, err = run("--history", "nights", "--kept", "--night", "9998-01-01")
    assert (status, "no night 9998-01-01 is kept" in err) == (2, True)
    status, _, err = run("--history", "nowhere", "--kept")
    assert (status, err) == (2, "driftgate: status 2: no night is kept in nowhere, which is no folder\n")
    assert not (tmp_path / "nowhere").exists()


def test_err_a_night_is_not_written_over(run):
    """Other settings under the same name are bad usage."""
    run(*TINY, "--history", "nights", "--no-faults")
    status, _, err = run(*TINY, "--history", "nights", "--no-faults", "--seed", "5")
    assert status == 2
    assert "nights are not written over" in err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--rebuild",), "--rebuild goes with --history"),
        (("--night", "tomorrow"), "tomorrow"),
        (("--report", "yaml=x"), "FORMAT=FILE"),
        (("--report", "csv=a", "--report", "json=a"), "cannot go to one file"),
        (("nowhere",), "nowhere"),
    ],
)
def test_err_slips_of_the_command_line(run, arguments, says):
    """Each slip is one line and status 2."""
    status, out, err = run(*arguments)
    assert status == 2
    assert says in out + err
    assert "Traceback" not in err
