"""`driftgate explain --trial`: one trial's story on the command line."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.report.story import _mark

TELL = ("explain", "routines/out.yaml", "--trial")


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_law_a_trial_is_told(project, capsys):
    """The story names trial, seed, what drifted, checkpoints, readings and steps, in at most 60 lines."""
    status, out, err = run(capsys, *TELL, 12, "--seed", 3)
    assert status == 0
    assert "trial 12 of seed 3: succeeds" in out
    assert "What makes the error" in out
    assert "half-way" in out
    assert "taken" in out
    assert len(out.splitlines()) <= 60
    assert err.splitlines()[-1] == "driftgate: status 0: told trial 12, which keeps every tolerance"


def test_law_a_failing_trial_is_told_with_its_cause(project, capsys):
    """A trial that fails says at what and why; the status is still 0."""
    write_project(project, "0.1 mm")
    status, out, _ = run(capsys, *TELL, 5)
    assert status == 0
    assert "trial 5 of seed 1: fails at half-way" in out
    assert "! main cause: " in out
    assert "; ! where it went wrong" in out


def test_law_details_show_every_reading(project, capsys):
    """With --details there are all steps and readings, on either side."""
    short = run(capsys, *TELL, 5, "--mirrored")[1]
    status, out, _ = run(capsys, *TELL, 5, "--mirrored", "--details")
    assert status == 0
    assert "side: mirrored" in out
    assert "Every reading that was tried" in out
    assert len(out.splitlines()) > len(short.splitlines())


@pytest.mark.parametrize(
    ("more", "says"),
    [
        (("-1",), "-1 is too small: at least 0"),
        (("x",), "'x' is no whole number"),
        (("3", "--filter"), "--filter is about all trials"),
    ],
)
def test_err_trials_that_are_none(project, capsys, more, says):
    """A number that is none, and options that do not go together, are usage errors."""
    status, _, err = run(capsys, *TELL, *more)
    assert status == 2
    assert says in err


def test_err_details_of_all_trials(project, capsys):
    """--details is for one trial."""
    status, _, err = run(capsys, "explain", "routines/out.yaml", "--details")
    assert status == 2
    assert "--details needs --trial" in err


def test_err_bad_files_are_findings(project, capsys):
    """A fault in the files is told at its place, as by the other commands."""
    (project / "routines" / "out.yaml").write_text("kind: routine\n")
    status, out, _ = run(capsys, *TELL, 1)
    assert status == 2
    assert "routines/out.yaml:1" in out


def test_law_nothing_after_the_failure_is_marked():
    """The step in which the error grew most before the first failing checkpoint, not the later worse one."""
    steps = [SimpleNamespace(index=i, truth=(x, 0.0, 0.0), wrong=0) for i, x in enumerate((0.01, 0.04, 0.2))]
    points = [SimpleNamespace(step=1, success=False), SimpleNamespace(step=2, success=False)]
    failing = SimpleNamespace(steps=steps, points=points, touched=None)
    assert [_mark(failing, step) for step in steps] == ["", "!", ""]
    sound = SimpleNamespace(steps=steps, points=[], touched=None)
    assert [_mark(sound, step) for step in steps] == ["", "", "!"]
