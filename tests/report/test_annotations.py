"""Workflow commands, read back by the rules of the servers that obey them."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_reports import HOSTILE, case, contact, everything, moment, report

from driftgate.core.findings import Finding
from driftgate.core.render import render_finding
from driftgate.report.as_annotations import MOST, escape_data, escape_property, render_annotations
from driftgate.report.model import AcceptedFinding
from driftgate.report.terminal import render_terminal
from driftgate.report.text import plain

COMMANDS = (
    "::error::stop",
    "  ::stop-commands::x",
    "\u2003::add-mask::a",
    "##[add-mask]a",
    "x ##[set-output name=a]b",
    "##vso[task.setvariable variable=a]b",
    "###[error]",
    "%0A::error::x",
    "\r\n::error::x",
    "a,line=9::b",
)


def commands(text):
    """Return (command, properties, message) of every line that a server would obey.

    As servers read a log (from memory): a line is trimmed and begins with "::", or holds "##[" or
    "##name[" anywhere.
    """
    found = []
    for line in re.split(r"[\r\n]", text):
        if re.search(r"##\w*\[", line):
            found.append(("##", {}, line))
        if not line.strip().startswith("::"):
            continue
        head, _, message = line.strip()[2:].partition("::")
        name, _, properties = head.partition(" ")
        pairs = dict(part.partition("=")[::2] for part in properties.split(",") if part)
        values = {
            key: value.replace("%2C", ",").replace("%3A", ":").replace("%0A", "\n").replace("%0D", "\r")
            for key, value in pairs.items()
        }
        values = {key: value.replace("%25", "%") for key, value in values.items()}
        shown = message.replace("%0D", "\r").replace("%0A", "\n").replace("%25", "%")
        found.append((name, values, shown))
    return found


@given(st.text())
def test_law_escapes_read_back(text):
    """What is escaped holds nothing that ends a message or property, and reads back the same."""
    data, value = escape_data(text), escape_property(text)
    assert not set("\r\n") & set(data)
    assert not set("\r\n:,") & set(value)
    assert data.replace("%0D", "\r").replace("%0A", "\n").replace("%25", "%") == text
    back = value.replace("%2C", ",").replace("%3A", ":").replace("%0D", "\r").replace("%0A", "\n")
    assert back.replace("%25", "%") == text


@pytest.mark.evidence(
    source="workflow commands of build servers (from memory)",
    compares="escapes of messages and properties",
    tolerance="exact",
)
def test_ref_escapes_are_the_servers_own():
    """The escapes of a message and of a property, written out (from memory of the servers' rules)."""
    assert escape_data("50 % a:b,c\r\n") == "50 %25 a:b,c%0D%0A"
    assert escape_property("50 % a:b,c\r\n") == "50 %25 a%3Ab%2Cc%0D%0A"


def test_law_a_tolerance_that_breaks_is_an_error_at_its_line():
    """File, line, column and title are properties, the whole reason is the message."""
    failing = case(moments=(moment("pot-a", successes=2800, used=1.43),))
    ((name, properties, message),) = commands(render_annotations(report(failing)))
    assert name == "error"
    assert properties == {
        "file": "routines/dash.yaml",
        "line": "20",
        "col": "5",
        "title": "DG401 tolerance breaks",
    }
    assert message.startswith("pot-a fail: x 35.8 of 25 mm (143 %), p <= ")
    assert "The error on x is mostly spread." in message.splitlines()


def test_law_worst_first_and_capped():
    """Failing before undecided before warnings; ten, and then how many more there are."""
    warnings = tuple(Finding("a.yaml", n, 1, "DG208", "slips", "warning") for n in range(1, 40))
    cases = [
        case(moments=(moment("pot-a", successes=3960),)),
        case(path="routines/b.yaml", moments=(moment("pot-a", successes=3000, used=1.2),)),
        case(path="routines/c.yaml", moments=(moment("pot-a", successes=1000, used=4.0),)),
    ]
    found = commands(render_annotations(report(*cases, findings=warnings)))
    assert [p.get("file") for _, p, _ in found[:4]] == [
        "routines/c.yaml",
        "routines/b.yaml",
        "routines/dash.yaml",
        "a.yaml",
    ]
    assert [name for name, _, _ in found] == ["error"] * 3 + ["warning"] * (MOST - 3) + ["notice"]
    assert found[-1][2].startswith("+32 more")
    assert len(commands(render_annotations(report(findings=warnings[:MOST])))) == MOST


def test_law_nothing_to_say_says_nothing():
    """A run in which all is well, or accepted, prints no command."""
    accepted = AcceptedFinding(Finding("a.yaml", 4, 7, "DG204", "m"), "foam", "2026-12-01", 0)
    assert render_annotations(report(case(accepted=(accepted,)))) == ""


@pytest.mark.parametrize("text", COMMANDS)
def test_law_no_text_smuggles_a_command(text):
    """A text from a file, wherever it stands, adds no command of its own to the log."""
    finding = Finding(text, 3, 7, "DG205", text, "error", text, text)
    made = report(
        case(
            path=text,
            title=text,
            moments=(moment(text, successes=9, reason=text, note=text),),
            true_map=text,
            findings=(finding,),
            contact=contact("fail", 5),
            contact_place=(30, 3),
            tell=text,
        ),
        findings=(finding,),
        status=1,
    )
    printed = render_annotations(made)
    found = commands(printed)
    assert len(found) == len(printed.splitlines()) == 3
    assert {name for name, _, _ in found} == {"error"}
    assert {tuple(p) for _, p, _ in found} == {("file", "line", "col", "title")}
    assert sorted(p["line"] for _, p, _ in found) == ["20", "3", "30"]
    # Neither does it in what people read.
    assert commands(render_terminal(made)) == []
    assert commands(render_finding(finding, False)) == []
    assert commands(plain(text)) == []


@given(st.text(alphabet=":#[]a \t\n\u2003%,", max_size=12))
def test_law_no_printed_text_is_a_command(text):
    """Nothing made of what commands are made of is one, at the beginning of a line or behind blanks."""
    assert commands(plain(text)) == []
    assert commands(f"    {plain(text)}") == []
    finding = Finding(text, 3, 1, "DG205", text, "error", text, text)
    assert commands(render_finding(finding, False)) == []


def test_law_hostile_reports_have_their_own_commands_only():
    """On a report full of hostile texts every command is one of ours, and none hides anything."""
    text = render_annotations(everything())
    assert {name for name, _, _ in commands(text)} <= {"error", "warning", "notice"}
    assert len(commands(text)) == len(text.splitlines())
    assert "\x1b" not in text


def test_law_long_messages_are_cut():
    """A message of many thousand characters is cut, with a mark."""
    made = report(findings=(Finding("a.yaml", 1, 1, "DG102", HOSTILE * 200),))
    ((_, _, message),) = commands(render_annotations(made))
    assert len(message) == 2000
    assert message.endswith("…")
