"""Runs that end when everything is decided, through the command's own path."""

from __future__ import annotations

import dataclasses
import math

import pytest
from known_routine import HALF_WIDTH_SD, write_known
from small_project import write_project

from driftgate.judge import anytime
from driftgate.report.as_json import render_json
from driftgate.run.check import CheckSettings, check_routines


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


@pytest.fixture
def known(tmp_path, monkeypatch):
    """Return a function that writes the project of known success probability into the current folder."""
    monkeypatch.chdir(tmp_path)
    return lambda *args, **more: write_known(tmp_path, *args, **more)


def only(report):
    """Return the verdict on the only case."""
    (case,) = report.cases
    return case.verdict


def test_law_clear_case_ends_early(project):
    """With room to spare a case passes at the first look, and as none may touch it ends at the second."""
    found = only(check_routines(CheckSettings()))
    assert found.status == "pass"
    assert {m.decided_at for m in found.moments} == {1024}
    assert found.looks == (1024, 2048)


def test_law_stop_takes_the_first_trials(project):
    """What a stopped run says of its trials is what a run with just so many says."""
    early = only(check_routines(CheckSettings()))
    same = only(check_routines(CheckSettings(trials=2048)))
    fixed = only(check_routines(CheckSettings(trials=2048, sample="fixed")))
    assert early == same
    for a, b in zip(early.moments, fixed.moments, strict=True):
        assert a.estimate.successes == b.estimate.successes
        assert [x.mean for x in a.axes] == [x.mean for x in b.axes]
        assert a.lower < b.lower


def test_law_workers_change_no_byte(known):
    """Cases that end at different looks: one worker, two and three give the same bytes."""
    for name, half_width in (("clear", 3.5), ("close", 1.72), ("breaks", 1.0)):
        known(0.9, half_width_sd=half_width, name=name, pieces=2)
    settings = CheckSettings(trials=6000)
    alone = check_routines(settings)
    ended = {case.path: case.verdict.looks[-1] for case in alone.cases}
    assert ended["routines/clear.yaml"] == ended["routines/breaks.yaml"] == 1024
    assert ended["routines/close.yaml"] > 1024
    for workers in (2, 3):
        together = check_routines(dataclasses.replace(settings, workers=workers))
        assert render_json(together) == render_json(alone)


def test_law_case_ends_at_the_look_that_decides_it(known):
    """Close calls end at the very look at which the last verdict is reached, not before and not after."""
    known(0.9, half_width_sd=1.76)
    ended = []
    for seed in range(8):
        found = only(check_routines(CheckSettings(seed=seed)))
        assert found.status == "pass"
        assert found.looks[-1] == max(moment.decided_at for moment in found.moments)
        ended.append(found.looks[-1])
    assert max(ended) > 2048


def test_law_undecided_takes_the_most(known):
    """A call too close for the most trials takes them all, stays undecided, and says so."""
    known(0.9)
    report = check_routines(CheckSettings(trials=1500))
    found = only(report)
    assert (report.status, found.status, found.looks) == (1, "undecided", (1024, 1500))
    assert "run more trials" in found.moments[-1].note


def test_law_more_trials_go_on_where_fewer_ended(known):
    """A run with more trials looks where the shorter one did and reaches its verdicts too."""
    known(0.9, half_width_sd=1.71)
    short, long = (only(check_routines(CheckSettings(trials=most))) for most in (2048, 20_000))
    assert short.status == "undecided"
    assert long.status == "pass"
    assert long.looks[:2] == short.looks == (1024, 2048)


def test_law_known_probability_is_met(known):
    """The routine's success probability is the one worked on paper, P(|z| < k) = erf(k / sqrt 2)."""
    known(0.9)
    found = only(check_routines(CheckSettings(trials=40_000, sample="fixed"))).moments[-1].estimate
    assert math.erf(HALF_WIDTH_SD[0.9] / math.sqrt(2.0)) == pytest.approx(0.9, abs=1e-6)
    # Five standard errors.
    assert found.probability == pytest.approx(0.9, abs=5.0 * math.sqrt(0.09 / 40_000))


@pytest.mark.parametrize("required", [0.5, 0.95])
def test_mc_false_verdicts_of_the_command_stay_below_alpha(known, required):
    """150 seeds of the command at exactly the required probability: few pass, fewer fail."""
    known(required)
    statuses = [
        only(check_routines(CheckSettings(trials=4096, seed=seed, confidence=0.8))).moments[-1].status
        for seed in range(150)
    ]
    # Alpha is 20 % for passes and shared by two tolerances for failures; the exact rates are lower
    # (tests/judge/test_anytime.py), so that 150 seeds hardly reach it by chance.
    assert statuses.count("pass") <= 0.20 * 150
    assert statuses.count("fail") <= 0.10 * 150
    # The seeds differ, so the above is no constant.
    assert statuses.count("pass") > 0
    assert statuses.count("undecided") > 75


@pytest.mark.parametrize(("factor", "status"), [(1.25, "pass"), (0.75, "fail")])
def test_mc_clear_cases_are_decided_rightly(known, factor, status):
    """Away from the requirement every one of 20 seeds gets the right verdict, at an early look."""
    known(0.9, half_width_sd=factor * HALF_WIDTH_SD[0.9])
    for seed in range(20):
        found = only(check_routines(CheckSettings(seed=seed)))
        assert found.moments[-1].status == status
        assert found.looks[-1] <= 2048


def test_law_zero_contact_bound_is_that_of_the_stop(known):
    """Where none may touch, a clear case ends when contact in one run of 500 would have shown."""
    known(0.9, half_width_sd=3.5, contact_allowed="0 %")
    found = only(check_routines(CheckSettings())).contact
    assert (found.status, found.estimate.successes) == ("pass", 0)
    assert found.upper == anytime.upper_bound(0, 2048, 0.95) < 0.002


def test_law_what_breaks_anyway_takes_no_trials_for_contact(known):
    """A case that fails at the first look ends there, though none may touch."""
    known(0.9, half_width_sd=1.0, contact_allowed="0 %")
    found = only(check_routines(CheckSettings()))
    assert (found.status, found.looks) == ("fail", (1024,))


def test_law_a_case_works_out_what_its_batches_share_once(known, monkeypatch):
    """Several looks at one case make its shared plan once, and a second run makes its own."""
    from driftgate.run import tasks

    made = []
    before = tasks.trials_plan
    monkeypatch.setattr(tasks, "trials_plan", lambda prepared: made.append(prepared) or before(prepared))
    known(0.9)
    first = only(check_routines(CheckSettings(trials=4096)))
    assert first.looks == (1024, 2048, 4096)
    assert len(made) == 1
    assert only(check_routines(CheckSettings(trials=4096))) == first
    assert len(made) == 2
    assert len(tasks._SHARED) <= 4
