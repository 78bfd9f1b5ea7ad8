"""The whole run through its Python interface, on a small project."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from small_project import FIELD, write_project

from driftgate.report.as_json import render_json
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.predict import predictions
from driftgate.run.tasks import plan_one
from driftgate.run.workers import Workers


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def test_law_passing_project(project):
    """A project with room to spare passes, and the report has every tolerance and its line."""
    report = check_routines(CheckSettings(trials=400))
    case = report.cases[0]

    assert (report.status, report.why) == (0, "all 3 tolerances hold")
    assert [m.name for m in case.verdict.moments] == ["half-way", "end"]
    assert [line for line, _ in case.places] == [12, 15]
    assert case.path == "routines/out.yaml"
    assert case.verdict.full_points == 5
    assert {name for name, _ in case.readings[0].outcomes} >= {"accepted"}


def test_law_tight_tolerance_fails(project):
    """The same routine with a tenth of a millimetre breaks, and says how many tolerances do."""
    write_project(project, "0.1 mm")
    report = check_routines(CheckSettings(trials=400))

    assert (report.status, report.why) == (1, "1 of 3 tolerances breaks")
    assert report.cases[0].verdict.moments[0].codes[0] == "DG401"
    assert "The error on x is mostly spread" in report.cases[0].verdict.moments[0].reason


def test_law_too_few_trials_stay_undecided(project):
    """Twenty trials cannot show 90 %: undecided does not pass."""
    report = check_routines(CheckSettings(trials=20))
    assert report.status == 1
    assert "undecided" in report.why


def test_law_workers_and_batches_change_no_digit(project):
    """One worker, two workers and odd batch sizes give the same bytes."""
    settings = CheckSettings(trials=300)
    alone = check_routines(settings)
    together = check_routines(dataclasses.replace(settings, workers=2))
    assert render_json(alone) == render_json(together)

    from driftgate.load.project import load_routine
    from driftgate.run.cases import cases_of

    named = cases_of(load_routine(project / "routines/out.yaml"))[0]
    planned = plan_one((named.case, named.written))
    answers = []
    for count, batch in ((1, 300), (2, 77)):
        with Workers(count) as workers:
            answers += predictions(workers, [planned], 1, 300, lambda *_: None, batch)
    (_, whole), (_, cut) = answers
    for a, b in zip(whole.moments, cut.moments, strict=True):
        assert (a.error == b.error).all()
        assert (a.clock_s == b.clock_s).all()
    assert (whole.counts == cut.counts).all()
    assert (whole.fix_move_nm == cut.fix_move_nm).all()
    assert (whole.touch_step == cut.touch_step).all()


def test_law_other_seed_other_numbers(project):
    """Another seed gives other trials, so the invariance above is not that of a constant."""
    first, second = (check_routines(CheckSettings(trials=100, seed=seed)) for seed in (1, 2))
    assert first.cases[0].verdict.moments[0].axes[0].mean != second.cases[0].verdict.moments[0].axes[0].mean


def test_law_mirrored_side_is_judged_too(project):
    """A routine that says mirror is judged on both sides."""
    path = project / "routines/out.yaml"
    path.write_text(path.read_text().replace("time_limit", "mirror: true\ntime_limit"))
    report = check_routines(CheckSettings(trials=50))
    assert [case.side for case in report.cases] == ["as written", "mirrored"]


def test_law_field_override_moves_the_truth(project):
    """A wall 30 mm off on the true map moves the end with it, and not once the robot carries that map."""
    moved = FIELD.replace("[3 m, 0 m]", "[3.03 m, 0 m]").replace("[3 m, 2 m]", "[3.03 m, 2 m]")
    other = project / "measured.yaml"
    other.write_text(moved)

    def offset(**more):
        report = check_routines(CheckSettings(trials=400, field=Path("measured.yaml"), **more))
        assert [case.true_map for case in report.cases] == ["fieldmaps/box.yaml", "measured.yaml"]
        end = report.cases[1].verdict.moments[-1]
        return next(axis.mean for axis in end.axes if axis.axis == "along")

    # Not the whole 30 mm: the last part is driven without steering, and the start holds back too.
    assert 0.015 < offset() <= 0.031
    assert offset(carry_field=True) == pytest.approx(0.0, abs=0.004)


def test_law_bad_files_are_status_two(project):
    """A broken file stops the run before anything is predicted, with its findings."""
    (project / "routines/robots/small.yaml").write_text("kind: robot\n")
    report = check_routines(CheckSettings())
    assert report.status == 2
    assert report.cases == ()
    assert all(finding.path == "routines/robots/small.yaml" for finding in report.findings)


def test_law_bad_override_is_status_two(project):
    """A field map of the command line is checked like any other, in itself and against the routines."""
    (project / "other.yaml").write_text(FIELD.replace("id: south", "id: floor"))
    report = check_routines(CheckSettings(field=Path("other.yaml")))
    assert report.status == 2
    assert "DG141" in {finding.code for finding in report.findings}
    assert check_routines(CheckSettings(field=Path("routines/out.yaml"))).status == 2
    assert check_routines(CheckSettings(field=Path("missing.yaml"))).status == 2


def test_law_infeasible_plan_is_status_one(project):
    """A plan that cannot be driven is a statement about the routine: status 1, nothing predicted."""
    path = project / "routines/out.yaml"
    path.write_text(path.read_text().replace("time_limit: 10 s", "time_limit: 1 s"))
    report = check_routines(CheckSettings(trials=50))
    assert (report.status, report.why) == (1, "1 plan infeasible")
    assert report.cases[0].verdict is None
    assert report.cases[0].findings[0].line > 0


def test_law_nothing_matched(tmp_path, monkeypatch):
    """No folder, and a folder without routines, are a status of their own."""
    monkeypatch.chdir(tmp_path)
    assert check_routines(CheckSettings()).status == 5
    (tmp_path / "routines").mkdir()
    assert check_routines(CheckSettings()).status == 5


def test_law_command_reproduces(project):
    """The command in the report names everything that changes a number."""
    settings = CheckSettings((Path("a b.yaml"),), 7, 3, 0.9, 2, Path("f.yaml"), True)
    assert settings.command() == (
        "driftgate check 'a b.yaml' --trials 7 --seed 3 --confidence 90% --field f.yaml --carry-field"
    )


@pytest.mark.parametrize("stage", ["judge", "report", "run"])
def test_law_public_names_resolve(stage):
    """Every name that a stage lists can be had, and is no module."""
    from importlib import import_module
    from types import ModuleType

    package = import_module(f"driftgate.{stage}")
    for name in package.__all__:
        assert not isinstance(getattr(package, name), ModuleType)
