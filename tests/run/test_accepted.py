"""Accepted exceptions: what they accept, what they do not, and when they are worth a finding."""

from __future__ import annotations

import json
from datetime import date
from typing import get_args

import jsonschema
import pytest
from lxml import etree
from small_project import write_project

from driftgate.core.rules import RULES
from driftgate.report.as_json import render_json
from driftgate.report.as_junit import render_junit
from driftgate.report.as_markdown import render_markdown
from driftgate.report.json_schema import SCHEMA
from driftgate.report.terminal import render_terminal
from driftgate.run.accepted import entry_for
from driftgate.run.check import CheckSettings, check_routines
from driftgate.schema.accepted import Accepted
from driftgate.schema.routine import Routine

TODAY = date(2026, 11, 25)


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def check(project, *entries, today=TODAY, replace=(), **settings):
    """Check the small project with these exceptions and replacements in its routine."""
    path = write_project(project) / "routines/out.yaml"
    text = path.read_text()
    for old, new in replace:
        assert old in text
        text = text.replace(old, new)
    listed = "".join(f"  - {{{entry}}}\n" for entry in entries)
    path.write_text(text + (f"accepted:\n{listed}" if entries else ""))
    return check_routines(CheckSettings(trials=60, sample="fixed", today=today, **settings))


# The robot's own limit is 1 m/s, and its motor gives about 1.7 m/s.
TOO_LATE = [("time_limit: 10 s", "time_limit: 1 s")]
TOO_FAST = [("do: drive, to: [1.4 m, 1 m]", "do: drive, to: [1.4 m, 1 m], speed: 1.5 m/s")]
UNREACHABLE = [("do: drive, to: [1.4 m, 1 m]", "do: drive, to: [1.4 m, 1 m], speed: 9 m/s")]
FAST = 'code: DG201, step: out, reason: it was faster, until: "2026-11-25"'


def codes(report):
    """Return the codes of the run's own findings."""
    return [finding.code for finding in report.findings]


def test_law_accepted_warning_is_listed_apart(project):
    """An accepted warning is no finding of the case any more, keeps its place, and brings its reason."""
    plain = check(project, replace=TOO_FAST)
    found = check(project, FAST, replace=TOO_FAST)
    (warning,) = plain.cases[0].findings

    assert (warning.code, warning.level) == ("DG201", "warning")
    assert found.cases[0].findings == ()
    assert [(a.finding, a.reason, a.until) for a in found.cases[0].accepted] == [
        (warning, "it was faster", "2026-11-25")
    ]
    assert (found.status, found.findings) == (plain.status, ())


def test_law_last_day_is_included(project):
    """The exception holds on its last day; the day after it is a finding and what it accepted is back."""
    after = check(project, FAST, replace=TOO_FAST, today=date(2026, 11, 26))
    assert codes(after) == ["DG901"]
    assert after.findings[0].line == 18
    assert "2026-11-25: it was faster" in after.findings[0].message
    assert [f.code for f in after.cases[0].findings] == ["DG201"]
    assert after.cases[0].accepted == ()


def test_law_accepted_error_is_predicted(project):
    """An accepted infeasibility does not stop the prediction, and its verdicts count as ever."""
    entry = 'code: DG202, level: error, reason: limit under review, until: "2026-12-01"'
    refused = check(project, replace=TOO_LATE)
    found = check(project, entry, replace=TOO_LATE)

    assert refused.cases[0].verdict is None
    assert found.cases[0].feasible
    assert found.cases[0].verdict.moments[-1].status == "fail"
    assert found.cases[0].verdict.moments[-1].late == 60
    assert found.status == 1


def test_law_accepted_error_lets_the_build_pass(project):
    """What fails for nothing but an accepted infeasibility passes."""
    entry = 'code: DG201, step: out, level: error, reason: new motor is faster, until: "2026-12-01"'
    assert check(project, replace=UNREACHABLE).status == 1
    found = check(project, entry, replace=UNREACHABLE)
    assert (found.status, found.findings) == (0, ())


def test_law_entry_for_a_warning_does_not_accept_the_error(project):
    """A warning that has grown into an error counts, and the entry says that it covers nothing."""
    found = check(project, FAST, replace=UNREACHABLE)
    assert found.status == 1
    assert found.cases[0].verdict is None
    assert codes(found) == ["DG902"]
    assert "there is an error DG201 on line 11" in found.findings[0].suggestion


def test_law_unused_is_a_finding_at_its_line(project):
    """An exception that accepts nothing is a warning at its own line, and changes no status."""
    entry = 'code: DG204, step: out, reason: foam, until: "2026-12-01"'
    found = check(project, entry)
    (finding,) = found.findings
    assert (finding.code, finding.level, finding.line) == ("DG902", "warning", 18)
    assert found.status == 0


def test_law_used_in_one_case_is_used(project):
    """One case of several that needs the exception is enough: no cry of wolf for the others."""
    report = check(project, FAST, replace=[*TOO_FAST, ("time_limit", "mirror: true\ntime_limit")])
    assert len(report.cases) == 2
    assert all(len(case.accepted) == 1 for case in report.cases)
    assert report.findings == ()


def test_law_sight_is_not_called_unused_where_nobody_looked(project):
    """An infeasible plan has no sight lines: whether a look's exception is used is then unknown."""
    look = [("  - {name: half", "  - {name: peek, do: look, time: 200 ms}\n  - {name: half")]
    entry = 'code: DG302, step: peek, reason: sensor to come, until: "2026-12-01"'
    assert codes(check(project, entry, replace=look)) == ["DG902"]
    assert codes(check(project, entry, replace=[*look, *TOO_LATE])) == []


def test_law_accepted_look_without_a_fix(project):
    """The sight stage's warning can be accepted too."""
    # From the start the east wall is out of the sensor's reach.
    look = [("steps:\n", "steps:\n  - {name: peek, do: look, time: 200 ms}\n")]
    entry = 'code: DG302, step: peek, reason: sensor to come, until: "2026-12-01"'
    assert "DG302" in [f.code for f in check(project, replace=look).cases[0].findings]
    found = check(project, entry, replace=look)
    assert [a.finding.code for a in found.cases[0].accepted] == ["DG302"]
    assert found.findings == ()


def routine_with(*entries):
    """Return a routine with nested repetitions and these exceptions."""
    ahead = {"do": "advance", "name": "ahead", "distance": "0.1 m"}
    steps = [
        {"do": "pause", "time": "1 s", "name": "first"},
        {
            "do": "repeat",
            "name": "round",
            "times": 2,
            "steps": [ahead, {"do": "pause", "time": "1 s"}],
        },
    ]
    data = {
        "kind": "routine",
        "format": 1,
        "title": "t",
        "robot": "r",
        "field": "f",
        "time_limit": "9 s",
        "start": {
            "pose": {"x": "1 m", "y": "1 m"},
            "spread": {"x": "0 m", "y": "0 m", "heading": "0 deg", "basis": "guess", "constant_over": "run"},
        },
        "steps": steps,
        "final": {"within": {"x": "1 m"}, "required": "90 %"},
        "accepted": [{"reason": "r", "until": "2026-12-01", "code": "DG204", **entry} for entry in entries],
    }
    return Routine.model_validate(data)


@pytest.mark.parametrize(
    ("step", "doc_path", "covered"),
    [
        ("first", ("steps", 0), True),
        ("first", ("steps", 0, "speed"), True),
        ("first", ("steps", 1), False),
        ("ahead", ("steps", 1, "steps", 0, "distance"), True),
        ("ahead", ("steps", 1, "steps", 1), False),
        ("round", ("steps", 1, "steps", 1), True),
        ("round", ("steps", 0), False),
        ("first", ("time_limit",), False),
        (None, ("time_limit",), True),
        (None, ("robot",), True),
        (None, ("steps", 0), False),
        (None, ("steps",), False),
    ],
)
def test_law_an_entry_covers_its_step_alone(step, doc_path, covered):
    """A step's entry covers the step and what is in it; an entry without one covers no step."""
    routine = routine_with({"step": step} if step else {})
    assert (entry_for(routine, "DG204", "warning", doc_path) is not None) == covered
    assert entry_for(routine, "DG202", "warning", doc_path) is None
    assert entry_for(routine, "DG204", "error", doc_path) is None


def test_law_rules_and_schema_name_the_same_codes():
    """What the schema lets a routine accept is what the rules mark acceptable."""
    named = set(get_args(Accepted.model_fields["code"].annotation))
    assert named == {code for code, rule in RULES.items() if rule.acceptable}
    assert not any(code.startswith(("DG1", "DG4", "DG9")) for code in named)


def test_law_every_format_lists_the_accepted(project):
    """Terminal, JSON, JUnit and Markdown show finding, reason and last day; the day is in the command."""
    entry = 'code: DG201, step: out, level: error, reason: "<b>|fast", until: "2026-12-01"'
    report = check(project, entry, replace=UNREACHABLE)

    text = render_terminal(report)
    assert "accepted until 2026-12-01: <b>|fast\n      routines/out.yaml:11:" in text
    assert "--today 2026-11-25" in text
    assert "accepted until" not in render_terminal(report, quiet=True)

    data = json.loads(render_json(report))
    jsonschema.validate(data, SCHEMA)
    (accepted,) = data["cases"][0]["accepted"]
    assert (accepted["code"], accepted["reason"], accepted["until"]) == ("DG201", "<b>|fast", "2026-12-01")
    assert accepted["entry"] == 1
    assert data["cases"][0]["findings"] == []

    plan = etree.fromstring(render_junit(report).encode()).find("testsuite/testcase[@name='plan']")
    assert plan.find("failure") is None
    assert plan.find("skipped").get("message") == "accepted until 2026-12-01: <b>|fast"
    assert "DG201" in plan.find("system-out").text

    assert "DG201 at `routines/out.yaml:11`" in render_markdown(report)
    assert "until 2026-12-01: &#60;b&#62;&#124;fast" in render_markdown(report)


def test_law_build_servers_hear_of_exceptions_too(project):
    """JUnit has a test case for an exception that has expired or accepts nothing; it fails nothing."""
    entry = 'code: DG204, step: out, reason: foam, until: "2026-11-01"'
    suite = etree.fromstring(render_junit(check(project, entry)).encode()).find("testsuite")
    (test,) = suite.findall("testcase[system-out]")[-1:]
    assert test.get("name").startswith("warning DG901 at 18:")
    assert "ended on 2026-11-01" in test.find("system-out").text
    assert suite.get("failures") == suite.get("errors") == "0"


def test_law_day_is_in_the_command_only_where_it_matters(project):
    """Without exceptions the same input gives the same bytes on any day."""
    assert render_json(check(project)) == render_json(check(project, today=date(2030, 1, 1)))
