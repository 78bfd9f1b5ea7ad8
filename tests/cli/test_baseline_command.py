"""`driftgate check` against other versions: statuses, reports, what is left out."""

from __future__ import annotations

import json
import shlex
from pathlib import Path

import pytest
from lxml import etree
from small_history import edit, write_history
from small_project import write_project

from driftgate.cli import main

ROUTINE = Path("routines/out.yaml")
ROBOT = Path("routines/robots/small.yaml")


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project with a history, as the current folder."""
    monkeypatch.chdir(write_history(tmp_path))
    return tmp_path


def run(capsys, *arguments):
    """Run a check in this process; return status, stdout and the last line on stderr."""
    words = ("check", "--trials", "1024", "--workers", "1", *arguments)
    status = main.run([str(word) for word in words])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return status, out, err.splitlines()[-1]


AGAINST = ("--baseline", "pin", "--baseline-trials", "300")


def worsen():
    """Make the heading wander more, with every tolerance still held."""
    edit(ROBOT, ("0.2 deg/sqrt(m)", "0.4 deg/sqrt(m)"))


def test_law_unchanged_passes(project, capsys):
    """Against itself nothing is eroded, and what is unchanged is named."""
    status, out, last = run(capsys, *AGAINST, "--erosion", "fail", "--report", "markdown=o.md")
    assert (status, last) == (0, "driftgate: status 0: all 3 tolerances hold")
    words = "unchanged, so every trial comes out as it did: routines/out.yaml (1 case)"
    assert words in out
    assert "not eroded" in out
    assert "trials of each side" not in out
    assert "unchanged, so every trial" in Path("o.md").read_text()


def test_law_what_to_type_again_has_the_baseline(project, capsys):
    """With what is not the default, and nothing of it where there is no baseline."""
    _, out, _ = run(capsys, *AGAINST, "--erosion", "fail", "--allowed-loss", "5%")
    again = "again: driftgate check --trials 1024 --seed 1 --baseline pin --baseline-trials 300"
    assert f"{again} --erosion fail --allowed-loss 5%\n" in out
    _, out, _ = run(capsys, "--baseline", "pin")
    assert "again: driftgate check --trials 1024 --seed 1 --baseline pin\n" in out
    _, out, _ = run(capsys)
    assert "again: driftgate check --trials 1024 --seed 1\n" in out


def test_law_a_small_change_says_what_would_have_shown(project, capsys):
    """Where trials were run, the smallest loss that would have shown is told."""
    edit(ROBOT, ("sigmas: 3.0", "sigmas: 2.99"))
    status, out, _ = run(capsys, *AGAINST, "--erosion", "fail")
    assert status == 0
    assert "no difference seen" in out
    assert "would have been seen" in out


def test_law_quiet_with_nothing_to_tell_prints_nothing(project, capsys):
    """Quietly, a comparison without a loss has no header either."""
    _, out, _ = run(capsys, *AGAINST, "-q")
    assert out == ""
    worsen()
    _, out, _ = run(capsys, *AGAINST, "-q")
    assert out.startswith("\nagainst pin")


def test_law_trials_of_a_baseline_to_keep(project, capsys):
    """The number of trials may be given for keeping alone."""
    status, _, _ = run(capsys, "--keep-baseline", "pin.json", "--baseline-trials", "40")
    assert status == 0
    assert json.loads(Path("pin.json").read_text())["trials"] == 40


@pytest.mark.parametrize(("policy", "expected"), [("off", 0), ("warn", 0), ("fail", 1)])
def test_law_policy_decides_the_status(project, capsys, policy, expected):
    """Every tolerance holds and margin is lost: off says nothing, warn a word, fail is status 1."""
    worsen()
    status, out, last = run(capsys, *AGAINST, "--erosion", policy)
    assert status == expected
    assert "worse" in out
    assert ("eroded against pin" in last) == (policy != "off")
    assert ("warning" in last) == (policy == "warn")
    assert last.startswith(f"driftgate: status {expected}: all 3 tolerances hold")


def test_law_allowed_loss_lets_through(project, capsys):
    """What is within the allowed loss does not fail the build."""
    worsen()
    status, _, _ = run(capsys, *AGAINST, "--erosion", "fail", "--allowed-loss", "90%")
    assert status == 0
    status, _, _ = run(capsys, *AGAINST, "--erosion", "fail", "--allowed-loss", "0")
    assert status == 1


def test_law_loosening_comes_first(project, capsys):
    """A wider tolerance stands before every figure, with its line, and fails the build by itself."""
    edit(ROUTINE, ("x: 50 mm", "x: 60 mm"))
    status, out, last = run(capsys, *AGAINST, "--erosion", "fail")
    assert status == 1
    told = out[out.index("against pin") :]
    line = "routines/out.yaml:12 steps.half-way.within.x: 50 mm -> 60 mm (a tolerance is wider)"
    assert told.index(line) < told.index("no difference seen")
    assert last.endswith("1 loosening")


def test_law_reports_hold_the_comparison(project, capsys):
    """JSON has it as a member, Markdown as a section, JUnit as a test case that fails."""
    worsen()
    status, _, last = run(
        capsys, *AGAINST, "--erosion", "fail",
        "--report", "json=o.json", "--report", "markdown=o.md", "--report", "junit=o.xml",
    )  # fmt: skip
    found = json.loads(Path("o.json").read_text())
    assert status == found["status"] == 1
    assert found["why"] in last
    assert found["comparison"]["eroded"]
    assert found["comparison"]["cases"][0]["changes"][0]["name"] == "half-way"
    assert "eroded against pin" in Path("o.md").read_text()
    tests = etree.parse("o.xml").xpath("//testcase[@name='erosion']/failure")
    assert len(tests) == 1


def test_law_without_a_baseline_reports_stay(project, capsys):
    """No baseline, no comparison in any report."""
    run(capsys, "--report", "json=o.json", "--report", "junit=o.xml")
    assert "comparison" not in json.loads(Path("o.json").read_text())
    assert not etree.parse("o.xml").xpath("//testcase[@name='erosion']")


def test_law_kept_baseline_round_trip(project, capsys):
    """A baseline that is kept is what a later run is compared with, outside of any repository too."""
    status, _, _ = run(capsys, "--keep-baseline", "pin.json", "--baseline-trials", "300", "--baseline", "pin")
    assert status == 0
    worsen()
    status, out, last = run(capsys, "--baseline", "pin.json", "--baseline-trials", "300", "--erosion", "fail")
    assert status == 1
    assert "kept by driftgate" in out
    assert "eroded against pin.json" in last


def test_law_nothing_changed_is_status_zero(project, capsys):
    """With nothing changed nothing is run, which is said, and asked-for reports are written all the same."""
    status, out, last = run(capsys, "--changed-since", "pin", "--report", "json=o.json")
    assert status == 0
    assert "half-way" not in out
    assert "nothing to check: 1 routine left out" in last
    kept = json.loads(Path("o.json").read_text())
    assert kept["cases"] == []
    # Without the option all routines would be run.
    assert kept["command"].endswith("--changed-since pin")


def test_law_changed_routines_are_run(project, capsys):
    """With two routines and one changed, one is run and one is left out."""
    Path("routines/more.yaml").write_text(ROUTINE.read_text().replace("Out and stop", "More"))
    status, out, last = run(capsys, "--changed-since", "pin", *AGAINST)
    assert status == 0
    assert "routines/more.yaml" in out
    assert "routines/out.yaml  Out" not in out
    assert "1 routine left out: nothing they read has changed since pin" in last
    (again,) = (line for line in out.splitlines() if line.startswith("again: "))
    assert "routines/" not in again
    assert again.endswith(f" --changed-since pin {shlex.join(AGAINST)}")
    # Typed again it gives the same, and so it does with the paths that were given.
    words = shlex.split(again)[3:]
    assert run(capsys, *words, "--workers", "1")[1] == out
    _, given, _ = run(capsys, "routines", "--changed-since", "pin")
    assert "again: driftgate check routines --trials" in given


def test_law_bad_files_come_first(project, capsys):
    """Files with errors are status 2, whatever has changed and whatever the baseline."""
    edit(ROBOT, ("mass: 2 kg", "mass: 2"))
    for options in (AGAINST, ("--changed-since", "pin")):
        status, out, _ = run(capsys, *options)
        assert status == 2
        assert "DG111" in out


@pytest.mark.parametrize(
    "arguments",
    [
        ("--erosion", "fail"),
        ("--allowed-loss", "1%"),
        ("--baseline-trials", "10"),
        ("--baseline", "pin", "--allowed-loss", "100%"),
        ("--baseline", "pin", "--allowed-loss", "-1%"),
        ("--baseline", "pin", "--erosion", "never"),
        ("--baseline", "nowhere"),
        ("--baseline", "--help"),
        ("--baseline", "routines/out.yaml"),
        ("--changed-since", "nowhere"),
        ("--baseline", "a.json", "--keep-baseline", "./a.json"),
        ("--keep-baseline", "routines/out.yaml"),
        ("--keep-baseline", "nowhere/a.json"),
    ],
)
def test_err_usage(project, capsys, arguments):
    """What makes no sense is status 2 with one line."""
    status, _, last = run(capsys, *arguments)
    assert status == 2
    assert last.startswith("driftgate: status 2: ")


@pytest.mark.parametrize("option", ["--baseline", "--changed-since"])
def test_err_no_repository(tmp_path, monkeypatch, capsys, option):
    """Outside a repository the error is one line."""
    monkeypatch.chdir(write_project(tmp_path))
    monkeypatch.setenv("GIT_CEILING_DIRECTORIES", str(tmp_path.parent))
    status, _, last = run(capsys, option, "main")
    assert status == 2
    assert "no git repository" in last


def test_err_a_report_is_no_baseline(project, capsys):
    """The JSON report holds no single trials, and the way to a baseline is named."""
    run(capsys, "--report", "json=o.json")
    status, _, last = run(capsys, "--baseline", "o.json")
    assert status == 2
    assert "--keep-baseline" in last
