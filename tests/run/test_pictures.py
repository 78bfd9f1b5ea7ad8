"""What the pictures show: the very trials of the verdicts, the engines' own numbers, whatever the workers."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from small_project import write_project

from driftgate.predict import covariance, run_trials
from driftgate.predict.values import Outcome
from driftgate.report.as_html import render_html
from driftgate.report.as_svg import render_svg
from driftgate.report.svg import Labels
from driftgate.run.cases import cases_of
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.inputs import load_inputs
from driftgate.run.pictures import pictures_of
from driftgate.run.tasks import plan_one


def quiet(done, total, what):
    """Hear of progress and say nothing."""


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path, "4 mm"))
    return tmp_path


def checked(**more):
    """Check the small project and return settings, report and picture."""
    settings = CheckSettings(trials=1024, **more)
    report = check_routines(settings)
    return settings, report, pictures_of(settings, report, quiet)


def prepared():
    """Return the one case of the small project, prepared."""
    (loaded,) = load_inputs([]).routines
    named = cases_of(loaded)[0]
    return plan_one((named.case, named.written)).prepared


def test_law_the_sample_is_the_first_trials_of_the_verdict(project):
    """Errors, successes, failing trials and the 95 % curve are those of trials 0 to 399 run by themselves."""
    _, report, (picture,) = checked()
    assert report.status == 1
    case = prepared()
    trials = run_trials(case, picture.sampled, seed=1)
    assert picture.sampled == 400
    first = picture.targets[0]
    assert not first.turned
    found = np.array([error[:2] for error in first.errors])
    assert found == pytest.approx(trials.moments[0].error[:250, :2])
    missed = np.abs(trials.moments[0].error[:, 0]) > 0.004
    assert [error[3] for error in first.errors] == (~missed[:250]).tolist()
    assert picture.failing == np.count_nonzero(missed)
    end = picture.instants[-1]
    sizes = np.sort(np.hypot(*trials.moments[-1].error[:, :2].T))
    # The record for pictures has single precision.
    assert end.sampled[0] == pytest.approx(sizes[379], rel=1e-5)


def test_law_the_curve_and_the_ellipse_are_the_covariance_engines(project):
    """At the end they follow from its mean and covariance there."""
    _, _, (picture,) = checked()
    linear = covariance(prepared()).moments[-1]
    end = picture.instants[-1]
    variance, axes = np.linalg.eigh(linear.cov[:2, :2])
    assert np.square(end.semi_m) / -2.0 / math.log(0.05) == pytest.approx(variance[::-1])
    along = np.array([math.cos(end.angle_rad), math.sin(end.angle_rad)])
    assert abs(along @ axes[:, 1]) == pytest.approx(1.0)
    heading = math.sqrt(linear.cov[2, 2])
    assert end.linear[1] == pytest.approx(1.959964 * heading, rel=1e-6)


def test_law_failed_trials_fail_where_they_are_marked(project):
    """Each shown one really misses there, lies where it really was, and has a cause."""
    _, report, (picture,) = checked()
    trials = run_trials(prepared(), 1024, seed=1)
    named = set(report.cases[0].verdict.moments[0].worst[:1])
    assert named <= {failed.number for failed in picture.failed}
    for failed in picture.failed:
        assert failed.at == "half-way"
        error = trials.moments[0].error[failed.number]
        assert abs(error[0]) > 0.004
        assert failed.place == pytest.approx((1.4 + error[0], 1.0 + error[1]), abs=1e-6)
        assert failed.cause


@pytest.mark.parametrize("fixes", ["", ", fixes: none"])
def test_law_strips_count_every_reading_of_the_sample(project, fixes):
    """Used and refused readings are those that the trials engine counts; fixes those of the schedule."""
    path = project / "routines/out.yaml"
    path.write_text(path.read_text().replace("to: [2.2 m, 1 m]", f"to: [2.2 m, 1 m]{fixes}"))
    _, _, (picture,) = checked()
    case = prepared()
    trials = run_trials(case, 400, seed=1)
    (strip,) = picture.strips
    counts = trials.counts[0].sum(axis=0)
    assert sum(b.used for b in strip.bins) == counts[Outcome.ACCEPTED]
    refused = counts[[Outcome.NO_ECHO, Outcome.GATE, Outcome.HELD_BACK]].sum()
    assert sum(b.refused for b in strip.bins) == refused
    total = sum(b.used + b.refused + b.not_tried for b in strip.bins)
    assert total == 400 * len(case.plan.timeline.readings.knot)
    assert len(strip.fixes) == covariance(case).accepted.sum()
    assert sum(v.readings for v in strip.views) == len(case.plan.timeline.readings.knot)


def test_law_paths_of_trials_pass_through_where_they_were(project):
    """The drawn path of a trial begins and ends within what a line may leave out of the true poses."""
    _, _, (picture,) = checked()
    trials = run_trials(prepared(), 30, seed=1)
    for path in picture.paths:
        error = trials.moments[-1].error[path.number]
        assert path.path[-1] == pytest.approx((2.2 + error[0], 1.0 + error[1]), abs=1e-5)


def test_law_the_same_bytes_whatever_the_workers(project):
    """Page and picture files do not depend on how many processes draw them, nor on answers that were kept."""
    text = (project / "routines/out.yaml").read_text()
    text = text.replace("Out and stop", "More").replace("time_limit", "mirror: true\ntime_limit")
    (project / "routines/more.yaml").write_text(text)
    pages = []
    for workers in (1, 2):
        _, report, pictures = checked(workers=workers)
        assert len(report.cases) == 3
        pages.append((render_html(report, pictures), render_svg(report, pictures)))
    assert pages[0] == pages[1]


def test_law_nothing_is_drawn_of_files_that_have_changed(project):
    """A case that is no longer there, or has other steps, has no picture instead of a wrong one."""
    settings, report, _ = checked()
    text = Path("routines/out.yaml").read_text()
    Path("routines/out.yaml").write_text(text.replace("final:", "  - {do: pause, time: 1 s}\nfinal:"))
    assert pictures_of(settings, report, quiet) == (None,)
    moved = replace(report.cases[0], path="routines/gone.yaml")
    assert pictures_of(settings, replace(report, cases=(moved,)), quiet) == (None,)


def test_law_an_infeasible_plan_is_drawn_without_a_prediction(project):
    """The field and the way are shown; nothing about errors is."""
    path = project / "routines/out.yaml"
    path.write_text(path.read_text().replace("time_limit: 10 s", "time_limit: 1 s"))
    _, report, (picture,) = checked()
    assert report.cases[0].verdict is None
    assert [leg.moves for leg in picture.legs] == [True, False, True]
    assert not picture.instants
    page = render_html(report, (picture,))
    assert "infeasible" in page
    assert '<svg class="drawing" viewBox' in page
    assert "Along the plan" not in page


def test_law_a_label_takes_the_form_that_finds_room():
    """In one line where there is room for it, in two where only these fit, and never over what is there."""
    wide, high = (60.0, 10.0, [(0.0, 0.0)]), (30.0, 20.0, [(0.0, 0.0), (0.0, 20.0)])
    assert Labels().place_one_of([wide, high]) == (0, (0.0, 0.0))
    labels = Labels()
    labels.block(40.0, 0.0, 10.0, 10.0)
    assert labels.place_one_of([wide, high]) == (1, (0.0, 0.0))
    assert labels.place_one_of([wide, high]) == (1, (0.0, 20.0))
