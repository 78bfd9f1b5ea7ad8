"""A robot that says it is lost is no silent pass: every report says in how many trials."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from small_project import ROBOT, write_project

from driftgate.report.as_html import render_html
from driftgate.report.as_markdown import render_markdown
from driftgate.report.explain import render_explanation
from driftgate.report.model import RunReport
from driftgate.report.terminal import render_terminal
from driftgate.run import assemble
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.explain import ExplainSettings, explain_routine

_LOST = "way_back: {refusals: 1, factor: 1.01, lost_after: 1}"


def _checked(folder: Path, sigmas: str, way_back: str = _LOST) -> RunReport:
    """Return the report of the small project with another gate and a way back that soon gives up."""
    write_project(folder)
    robot = ROBOT.replace("gate: {sigmas: 3.0}", f"gate: {{sigmas: {sigmas}}}\n  {way_back}")
    (folder / "routines/robots/small.yaml").write_text(robot)
    return check_routines(CheckSettings(trials=400))


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty folder, the current one."""
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_law_a_lost_robot_is_told_by_every_report(folder: Path) -> None:
    """Above 1 % it is a warning at the way back; it changes neither verdict nor status."""
    report = _checked(folder, "1.0")
    (case,) = report.cases
    assert case.verdict is not None
    assert case.verdict.lost > 40
    assert report.status == 0
    words = f"in {case.verdict.lost} of 400 trials ({100.0 * case.verdict.lost / 400:.1f} %)"
    (finding,) = case.findings
    assert (finding.code, finding.level, finding.path) == ("DG408", "warning", "routines/robots/small.yaml")
    assert finding.excerpt.strip() == _LOST
    assert words in finding.message
    assert finding.suggestion == "see what the gate refuses: driftgate explain routines/out.yaml"

    assert f"lost      the robot says that it is, {words}" in render_terminal(report)
    assert f"says that it is lost {words}" in render_markdown(report)
    page = render_html(report, (None,))
    assert f"<b>lost</b>: the robot says that it is, {words}" in page
    settings = ExplainSettings(folder / "routines/out.yaml", trials=400, sample="fixed")
    told = render_explanation(explain_routine(settings, lambda *_: None).explained)
    assert "lost: the robot says that it is, in " in told
    assert "warning DG408" in told


def test_law_few_lost_trials_are_a_line_and_no_finding(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Up to the share that is told as a finding there is the line alone."""
    monkeypatch.setattr(assemble, "LOST_TOLD", 1.0)
    report = _checked(folder, "1.0")
    assert report.cases[0].findings == ()
    assert "lost      the robot says that it is" in render_terminal(report)


def test_law_nobody_lost_is_no_line(folder: Path) -> None:
    """Where no trial raises the flag nothing is said, in what passes or in what fails."""
    report = _checked(folder, "3.0", "way_back: {refusals: 90, factor: 2, lost_after: 90}")
    (case,) = report.cases
    assert case.verdict is not None
    assert case.verdict.lost == 0
    assert "lost" not in render_terminal(report)
    assert "lost" not in render_markdown(report)


def test_law_a_failing_case_says_so_too(folder: Path) -> None:
    """In Markdown a case that fails has the line among its reasons."""
    report = _checked(folder, "1.0")
    (case,) = report.cases
    assert case.verdict is not None
    moments = tuple(dataclasses.replace(m, status="fail", reason="") for m in case.verdict.moments)
    failing = dataclasses.replace(case, verdict=dataclasses.replace(case.verdict, moments=moments))
    text = render_markdown(dataclasses.replace(report, cases=(failing,)))
    assert "lost: the robot says that it is, in " in text
