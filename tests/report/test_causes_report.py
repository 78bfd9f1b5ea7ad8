"""Failing trials by cause in the reports, and the commands that tell a trial."""

from __future__ import annotations

import json

import pytest
from made_reports import GROUPS, case, everything, moment, report

from driftgate.judge.cause_values import FailureCauses, FailureGroup
from driftgate.report.as_json import render_json
from driftgate.report.as_markdown import render_markdown
from driftgate.report.causes import group_words, whole_percents, worst_words
from driftgate.report.terminal import render_terminal

TELL = "driftgate explain routines/dash.yaml --mirrored"


def failing_case():
    """Return a case with one failing tolerance, its worst trials and its causes."""
    groups = (FailureGroup("contact", "touched pot-b in step 2", 151, 7), *GROUPS)
    causes = FailureCauses(900, 201, groups)
    return case(
        moments=(moment("pot-a", successes=3000, used=1.4, worst=(17, 3, 2041)), moment("end", used=0.2)),
        causes=causes,
        tell=TELL,
    )


@pytest.mark.parametrize(
    "counts", [[1, 1, 1], [2, 1], [200], [0], [67, 67, 66, 0], [1] * 7, [199, 1], [333, 1]]
)
def test_law_whole_shares_add_up(counts):
    """Whole per cents add up to 100, and none is off by one or more."""
    shares = whole_percents(counts)
    total = sum(counts)
    assert sum(shares) == (100 if total else 0)
    assert all(
        abs(share - 100 * count / max(total, 1)) < 1.0 for share, count in zip(shares, counts, strict=True)
    )


def test_law_groups_that_are_left_out_are_summed_up():
    """Of many groups the largest are named, and what is left is one line; all shares together are 100 %."""
    lines = group_words(failing_case().verdict.causes, 3)
    assert len(lines) == 3
    assert lines[0].startswith("75 % touched pot-b in step 2, for example trial 7")
    assert "4 other causes" in lines[2]
    assert sum(int(line.split(" ")[0]) for line in lines) == 100
    assert len(group_words(failing_case().verdict.causes, 6)) == 6


def test_law_a_rare_cause_is_not_none():
    """One trial of two hundred is under 1 %, not 0 %."""
    groups = (FailureGroup("contact", "touched pot-b", 199, 7), FailureGroup("late", "too late", 1, 9))
    lines = group_words(FailureCauses(200, 200, groups), 5)
    assert lines[1].startswith("under 1 % too late") or lines[1].startswith("1 % too late")
    groups = (FailureGroup("contact", "touched pot-b", 332, 7), FailureGroup("late", "too late", 1, 9))
    assert group_words(FailureCauses(333, 333, groups), 5)[1].startswith("under 1 % too late")


def test_law_reports_name_causes_and_worst_trials():
    """Terminal and Markdown name the largest causes, how many trials they are of, and what to type."""
    made = report(failing_case(), status=1)
    for text in (render_terminal(made), render_markdown(made).replace("`", "")):
        assert "the first 201 of 900 failing trials" in text
        assert "touched pot-b in step 2" in text
        assert f"{TELL} --trial 17 --seed 1 (then 3, 2041)" in text


def test_law_json_holds_causes_and_commands():
    """The JSON report has all groups, whose shares add up to 1, and a command for each worst trial."""
    found = json.loads(render_json(report(failing_case())))["cases"][0]["prediction"]
    assert sum(group["share"] for group in found["failures"]["groups"]) == pytest.approx(1.0, abs=1e-12)
    assert found["failures"]["groups"][0]["kind"] == "contact"
    assert found["tolerances"][0]["worst_trials"][1] == {"trial": 3, "command": f"{TELL} --trial 3 --seed 1"}
    assert found["tolerances"][1]["worst_trials"] == []


def test_law_passing_cases_say_nothing_of_failures():
    """A case that passes has no causes in any report."""
    assert "failing trial" not in render_terminal(report())
    assert "worst at" not in render_terminal(report()) + render_markdown(report())
    assert json.loads(render_json(report()))["cases"][0]["prediction"]["failures"] is None
    assert worst_words(case(), 1) == ""


def test_law_hostile_causes_are_escaped():
    """Texts in causes and commands cannot break out of a table, a line, or steer the terminal."""
    shown = render_markdown(everything())
    assert "<script>" not in shown
    assert "@team" not in shown
    assert "\x1b" not in shown + render_terminal(everything())
