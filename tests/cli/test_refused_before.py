"""What cannot be written is refused before the work: minutes of it would be lost."""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest

from driftgate.cli import main

ROOT = Path(__file__).resolve().parents[2]
WREN = ROOT / "routines/robots/wren.yaml"
SHEET = ROOT / "routines/calibration/wren-tape.yaml"
DASH = ROOT / "routines/corner-dash.yaml"

# What is typed before the place to write to, and what does the work.
WRITERS = (
    (("calibrate", "runs", "--robot", WREN, "--out"), "run.from_logs.calibrate_logs"),
    (("calibrate", "--tape", SHEET, "--robot", WREN, "--out"), "run.tape.calibrate_tape"),
    (("backtest", "a.csv", "--report", "json="), "run.backtest.backtest"),
    (("budget", DASH, "--report", "json="), "run.budget.budget_routine"),
    (("check", DASH, "--report", "svg="), "run.check.check_routines"),
    (("check", DASH, "--report", "json="), "run.check.check_routines"),
    (("check", DASH, "--keep-baseline"), "run.check.check_routines"),
    (("compare", DASH, "--without-correction", "--report", "json="), "run.compare.compare_variants"),
    (("export", DASH, "--out"), "run.export.export_routines"),
    (("freeze", DASH, "--out"), "run.freeze.freeze_routines"),
    (("nightly", DASH, "--report", "json="), "run.nightly.run_night"),
    (("settings", DASH, "--report", "json="), "run.settings.effective_settings"),
    (("validate", DASH, "--report", "sarif="), "run.validate.validate_files"),
    (("verify", "--report", "json="), "run.verify.verify"),
)


def _worked(*_: object, **__: object) -> None:
    raise AssertionError("the work was begun")


@pytest.mark.parametrize(("words", "work"), WRITERS, ids=lambda value: value if "." in value else "")
def test_err_no_work_is_begun(words, work, tmp_path, monkeypatch, capsys):
    """A folder that is not there, over a link out of the repository, or a file in the way of a folder."""
    module, name = work.rsplit(".", 1)
    monkeypatch.setattr(importlib.import_module(f"driftgate.{module}"), name, _worked)
    (tmp_path / "here" / ".git").mkdir(parents=True)
    (tmp_path / "here" / "link").symlink_to(tmp_path)
    monkeypatch.chdir(tmp_path / "here")
    for target, why in (("none/out.txt", "there is no directory"), ("link/out.txt", "leads out of")):
        *before, last = map(str, words)
        typed = [*before, f"{last}{target}"] if last.endswith("=") else [*before, last, target]
        assert main.run(typed) == 2
        said = capsys.readouterr().err
        assert why in said


@pytest.mark.parametrize(("words", "work"), WRITERS[:2], ids=["logs", "tape"])
def test_err_a_file_that_is_there_is_refused_at_once(words, work, tmp_path, monkeypatch, capsys):
    """A robot file is never written over, and nothing is worked out for it; a link to nowhere counts."""
    module, name = work.rsplit(".", 1)
    monkeypatch.setattr(importlib.import_module(f"driftgate.{module}"), name, _worked)
    taken, link = tmp_path / "taken.yaml", tmp_path / "link.yaml"
    taken.write_text("mine\n")
    link.symlink_to(tmp_path / "nowhere.yaml")
    for target in (taken, link):
        assert main.run([*map(str, words), str(target)]) == 2
        assert f"{target}: is there already; name a new file" in capsys.readouterr().err
    assert taken.read_text() == "mine\n"


def test_err_a_file_of_somebody_else_is_refused_before_the_export(tmp_path, monkeypatch, capsys):
    """What every export writes must not be in the way."""
    from driftgate.run import export

    names = list(export.common_files())
    monkeypatch.setattr(export, "export_routines", _worked)
    for name in (names[0], names[-1]):
        (tmp_path / name).write_text("mine\n")
        assert main.run(["export", str(DASH), "--out", str(tmp_path)]) == 2
        assert f"{name}: was not written by driftgate" in capsys.readouterr().err
        (tmp_path / name).unlink()


@pytest.mark.parametrize("name", ["corner-dash-hall-mirrored-close-end.svg", "corner-dash-hall-field.svg"])
def test_err_a_picture_of_somebody_else_is_refused_before_the_check(name, tmp_path, monkeypatch, capsys):
    """A file that has the name of a picture, and is none of ours, stops the run; others do not."""
    from driftgate.run import check

    monkeypatch.setattr(check, "check_routines", _worked)
    monkeypatch.chdir(ROOT)
    words = ["check", "routines/corner-dash.yaml", "--no-cache", "--report", f"svg={tmp_path}"]
    for other in ("corner-dash-hall-sketch.svg", "corner-dash-hall-field.txt", "long-round-field.svg"):
        (tmp_path / other).write_text("mine\n")
    with pytest.raises(AssertionError, match="the work was begun"):
        _check_by_itself(words)
    (tmp_path / name).write_text("mine\n")
    assert main.run(words) == 2
    assert f"{name}: was not written by driftgate" in capsys.readouterr().err
    assert (tmp_path / name).read_text() == "mine\n"
    (tmp_path / name).write_text("<svg><desc>driftgate picture</desc></svg>\n")
    with pytest.raises(AssertionError, match="the work was begun"):
        _check_by_itself(words)


def _check_by_itself(words):
    """Run without the boundary that turns every fault into a status."""
    from driftgate.cli.check import command

    command.main(words[1:], standalone_mode=False)


def test_err_a_baseline_and_a_report_are_two_files(tmp_path, capsys):
    """One would be lost behind the other."""
    file = str(tmp_path / "a.json")
    assert main.run(["check", str(DASH), "--keep-baseline", file, "--report", f"json={file}"]) == 2
    assert "cannot go to one file" in capsys.readouterr().err
