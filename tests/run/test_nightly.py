"""A night from end to end: the same for any number of workers, gone on with, kept, and looked back on."""

from __future__ import annotations

import csv
import io
import json
import os
import shlex
import signal
import subprocess
import sys
import time
from dataclasses import replace
from datetime import date
from pathlib import Path

import jsonschema
import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.judge.night import AS_IT_IS
from driftgate.report.night_export import render_night_csv, render_night_json
from driftgate.report.night_markdown import render_night_markdown
from driftgate.report.night_schema import SCHEMA
from driftgate.report.night_terminal import render_night
from driftgate.report.night_words import open_words, trials_words
from driftgate.run import night as night_module
from driftgate.run import night_cells
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.night import NightSettings, scout_seed_of, seed_of
from driftgate.run.night_work import LEFT_S, KeptCells, forget_work, work_folder
from driftgate.run.nightly import nightly
from driftgate.run.status import InputError
from strict_schema import strict

FIRST = date(2026, 11, 1)


def silent(done, total, what):
    """Show no progress."""


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def settings(project, **changes):
    """Return settings of a tiny night."""
    tiny = NightSettings(FIRST, trials=60, fault_trials=30, scout_trials=10, history=project / "nights")
    return replace(tiny, **changes)


def test_law_every_case_meets_every_fault(project):
    """The routine, and its mirror image if it has one, as it is and under each fault; nothing else."""
    routine = project / "routines/out.yaml"
    routine.write_text(routine.read_text().replace("time_limit", "mirror: true\ntime_limit"))
    report = nightly(settings(project), silent)
    assert [case.side for case in report.night.cases] == ["as written", "mirrored"]
    keys = [[cell.fault for cell in case.cells] for case in report.night.cases]
    assert keys[0] == keys[1]
    assert keys[0] == [
        AS_IT_IS, "dead:front", "stuck:front", "askew:front", "gyro", "floor", "battery", "start", "build"
    ]  # fmt: skip


def test_law_workers_change_nothing(project):
    """One worker and two find the same night, figure for figure."""
    one = nightly(settings(project, history=None), silent).night
    two = nightly(settings(project, history=None, workers=2), silent).night
    assert one == two


def test_law_nights_have_luck_of_their_own():
    """Seeds hang on the day alone, and those that search never judge."""
    seeds = [seed_of(f"2026-11-{day:02d}") for day in range(1, 31)]
    seeds += [scout_seed_of(seed) for seed in seeds]
    assert len(set(seeds)) == 60
    assert all(0 <= seed < 2**63 for seed in seeds)
    assert seed_of("2026-11-26") == 6591303265527614415  # the seed of a night may never change


def test_law_a_night_goes_on_where_it_was(project, monkeypatch):
    """What was done before an interrupt is not done again, and the night is the same as in one go."""
    whole = nightly(settings(project, history=None), silent).night
    work_cell = night_cells.work_cell
    done = []

    def counts(task):
        if len(done) == 4:
            raise KeyboardInterrupt
        done.append(task.fault)
        return work_cell(task)

    monkeypatch.setattr(night_cells, "work_cell", counts)
    with pytest.raises(KeyboardInterrupt):
        nightly(settings(project), silent)
    folder = work_folder(project / "nights", whole.run)
    assert len(list(folder.iterdir())) == 4
    assert not (project / "nights/history.sqlite").exists()
    before = list(done)
    done.clear()
    monkeypatch.setattr(night_cells, "work_cell", lambda task: done.append(task.fault) or work_cell(task))
    report = nightly(settings(project), silent)
    assert report.night == whole
    assert not set(before) & set(done)
    assert not folder.exists()


def test_law_a_night_that_is_killed_goes_on(project):
    """A run killed outright in the middle leaves what it has done; the next one ends as if in one go."""
    big = settings(project, trials=2000, fault_trials=600)
    whole = nightly(replace(big, history=None), silent).night
    folder = work_folder(project / "nights", whole.run)
    paths = filter(None, (str(Path(main.__file__).parents[2]), os.environ.get("PYTHONPATH")))
    killed = subprocess.Popen(
        [sys.executable, "-m", "driftgate", *shlex.split(big.command())[1:], "--history", "nights"],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(paths)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    while killed.poll() is None and not (folder.exists() and len(list(folder.iterdir())) >= 2):
        time.sleep(0.01)
    killed.kill()
    assert killed.wait() == -signal.SIGKILL
    assert not (project / "nights/nights").exists()
    assert nightly(big, silent).night == whole
    assert sorted(path.name for path in (project / "nights").iterdir()) == ["history.sqlite", "nights"]


def test_law_nothing_is_left_of_a_night_that_was_killed_when_it_was_kept(project):
    """What is left of the work on a night that was kept just before the end is cleared away."""
    first = nightly(settings(project), silent)
    left = work_folder(project / "nights", first.night.run)
    left.mkdir(parents=True)
    nightly(settings(project), silent)
    assert not left.exists()


def work_of(project, run, age_s=0.0, name="cell"):
    """Return the work folder of a run, with something in it, last touched so long ago."""
    folder = work_folder(project / "nights", run)
    folder.mkdir(parents=True, mode=0o700)
    (folder / name).write_text("x")
    then = time.time() - age_s
    os.utime(folder, (then, then))
    return folder


def test_law_work_that_nobody_goes_on_with_is_deleted(project):
    """With the next night that is kept; what is younger, or no work of a night, stays."""
    old = work_of(project, "a" * 64, LEFT_S + 3600)
    young = work_of(project, "b" * 64, LEFT_S - 3600)
    foreign = project / "nights/work/mine"
    foreign.mkdir()
    (project / "nights/work" / ("c" * 32)).symlink_to(foreign)
    killed = project / "nights/work/.left-half"
    killed.mkdir()
    for folder in (foreign, killed):
        os.utime(folder, (0.0, 0.0))
    nightly(settings(project, faults=False), silent)
    assert not old.exists()
    assert not killed.exists()
    assert sorted(path.name for path in (project / "nights/work").iterdir()) == [young.name, "c" * 32, "mine"]
    assert (young / "cell").read_text() == "x"


def test_law_work_that_somebody_goes_on_with_stays(project):
    """A run that takes up old work claims it before another one clears what is left."""
    old = work_of(project, "a" * 64, LEFT_S + 3600)
    KeptCells(project / "nights", {}, (), "a" * 64)
    forget_work(project / "nights", "b" * 64)
    assert old.exists()


def test_law_a_run_whose_work_is_cleared_goes_on(project, monkeypatch):
    """Cells that go away under a run are worked out again; two that clear at once do so once."""
    whole = nightly(settings(project, faults=False, history=None), silent).night
    mine, theirs = work_folder(project / "nights", whole.run), work_of(project, "a" * 64, LEFT_S + 3600)
    real = os.rename

    def beaten(source, target):
        """Another run has moved it away an instant before."""
        real(source, project / "taken")
        real(source, target)

    with monkeypatch.context() as other:
        other.setattr(os, "rename", beaten)
        forget_work(project / "nights", "b" * 64)
    assert (project / "taken").exists()
    assert not theirs.exists()

    def gone(done, total, what):
        """Have the work cleared after each cell."""
        if what == "cases and faults worked out" and mine.exists():
            real(mine, project / f"cleared-{done}")

    found = nightly(settings(project, faults=False), gone)
    assert found.night == whole
    assert (project / "cleared-1").exists()


def test_law_very_high_requirements_are_decided_by_weighted_trials(project):
    """What requires 99.99 % is judged as by a check, to the last digit; counts stay those of plain trials."""
    routine = project / "routines/out.yaml"
    routine.write_text(
        routine.read_text().replace(
            "heading: 10 deg}\n  required: 90 %", "heading: 10 deg}\n  required: 99.99 %"
        )
    )
    night = nightly(settings(project, faults=False, history=None, seed=5), silent).night
    end = night.cases[0].as_it_is.tolerances[1]
    (case,) = check_routines(CheckSettings(trials=60, seed=5)).cases
    checked = case.verdict.moments[1]
    assert (checked.name, checked.status, checked.tilted is not None) == ("end", "pass", True)
    assert (end.status, end.lower, end.upper, end.used) == (
        checked.status, checked.lower, checked.upper, checked.used
    )  # fmt: skip
    assert (end.trials, end.successes) == (60, 60)
    assert "weighted ones for what requires 99.99 % or more" in trials_words(night)


def test_law_reports_say_which_trials_decided(project):
    """Beside counts, which are of plain trials, stands what verdict and bounds are of; contact goes along."""
    routine = project / "routines/out.yaml"
    routine.write_text(
        routine.read_text().replace(
            "heading: 10 deg}\n  required: 90 %", "heading: 10 deg}\n  required: 99.99 %"
        )
    )
    report = nightly(settings(project, history=None), silent)
    expected = {"half-way": "plain trials", "end": "weighted trials", "contact": "weighted trials"}
    rows = csv.DictReader(io.StringIO(render_night_csv(report)))
    assert {row["tolerance"]: row["decided_by"] for row in rows} == expected
    cells = json.loads(render_night_json(report))["night"]["cases"][0]["cells"]
    plain, *faulty = ({one["name"]: one["decided_by"] for one in cell["tolerances"]} for cell in cells)
    assert plain == expected
    assert faulty
    assert all(set(cell.values()) == {"plain trials"} for cell in faulty)


def test_law_a_report_says_what_its_trials_cannot_show(project):
    """Requirements that the trials under a fault are too few for are named, with how many would do."""
    night = nightly(settings(project), silent).night
    assert open_words(night) == ""
    few = replace(night, fault_trials=28)
    assert open_words(few).startswith("28 trials cannot show 90 %: ")
    assert "--fault-trials 29" in open_words(few)


def test_law_a_kept_night_is_not_run_again(project, monkeypatch):
    """The same night again is read from its file."""
    first = nightly(settings(project), silent)
    monkeypatch.setattr(night_module, "run_night", None)
    again = nightly(settings(project), silent)
    assert again.night == first.night
    assert again.status == first.status


def test_err_a_night_with_other_inputs_is_refused(project):
    """A night is not written over, and nothing is run for it."""
    nightly(settings(project), silent)
    with pytest.raises(InputError, match="other inputs or settings"):
        nightly(settings(project, trials=61), silent)


def test_law_a_loss_is_seen_and_its_input_named(project):
    """Three nights, then the robot's gyro walks far more: seen from that night on, with the robot named."""
    tiny = settings(project, trials=200, faults=False)
    for day in (1, 2, 3):
        report = nightly(replace(tiny, day=date(2026, 11, day)), silent)
        assert report.changes == ()
    robot = project / "routines/robots/small.yaml"
    robot.write_text(robot.read_text().replace("0.2 deg/sqrt(m)", "2 deg/sqrt(m)"))
    for day in (4, 5):
        report = nightly(replace(tiny, day=date(2026, 11, day)), silent)
        worst = report.changes[0]
        assert (worst.since, worst.shift.worse, worst.inputs) == ("2026-11-04", True, ("robot",))
        assert worst.series.tolerance == "end"
    assert report.before.night == "2026-11-04"
    assert "since 2026-11-04" in render_night(report)
    assert "changed that night&#58; robot" in render_night_markdown(report)
    # The report of an earlier night does not know of later ones.
    robot.write_text(robot.read_text().replace("2 deg/sqrt(m)", "0.2 deg/sqrt(m)"))
    report = nightly(replace(tiny, day=date(2026, 11, 2)), silent)
    assert report.changes == ()
    assert report.before.night == "2026-11-01"


def test_law_exports_hold_every_night(project):
    """The CSV has a row for every night and tolerance, the JSON the same and the changes."""
    tiny = settings(project, faults=False)
    for day in (1, 2):
        report = nightly(replace(tiny, day=date(2026, 11, day)), silent)
    table = list(csv.DictReader(io.StringIO(render_night_csv(report))))
    assert [(row["night"], row["tolerance"]) for row in table] == [
        (f"2026-11-0{day}", name) for name in ("contact", "end", "half-way") for day in (1, 2)
    ]
    assert all(float(row["share"]) == int(row["successes"]) / int(row["trials"]) for row in table)
    whole = json.loads(render_night_json(report))
    jsonschema.validate(whole, strict(SCHEMA))
    assert whole["night"]["night"] == "2026-11-02"
    assert [one["tolerance"] for one in whole["series"]] == ["contact", "end", "half-way"]


def test_law_titles_are_escaped(project):
    """A title that is markup in Markdown, a formula or a control is shown as it stands."""
    hostile = "=1+1 <img src=x onerror=alert(1)> [a](b)"
    routine = project / "routines/out.yaml"
    routine.write_text(routine.read_text().replace("title: Out and stop", f"title: '{hostile}'"))
    report = nightly(settings(project, history=None), silent)
    text = render_night_markdown(report)
    assert "<img" not in text
    assert "[a](b)" not in text
    assert "<img" in render_night(report)


def test_law_an_infeasible_plan_is_said(project):
    """A plan that cannot be driven has no cells; the night fails."""
    routine = project / "routines/out.yaml"
    routine.write_text(routine.read_text().replace("time_limit: 10 s", "time_limit: 1 s"))
    report = nightly(settings(project), silent)
    assert report.status == 1
    assert report.why.endswith("1 plan infeasible")
    assert report.night.cases[0].cells == ()
    assert "infeasible" in render_night(report)
    assert "infeasible" in render_night_markdown(report)


def test_err_a_damaged_history_stops_the_night(project):
    """Nothing is run and nothing written where the history is damaged."""
    (project / "nights").mkdir()
    (project / "nights/history.sqlite").write_bytes(b"x" * 3000)
    report = nightly(settings(project), silent)
    assert (report.status, report.night) == (2, None)
    assert [finding.code for finding in report.findings] == ["DG801"]
    assert sorted(path.name for path in (project / "nights").iterdir()) == ["history.sqlite"]
