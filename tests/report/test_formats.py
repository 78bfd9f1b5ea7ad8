"""Every format on every kind of content, read back by an independent reader."""

from __future__ import annotations

import json
import math
import re
import unicodedata

import jsonschema
import pytest
from lxml import etree
from made_reports import HOSTILE, case, contact, everything, moment, report

from driftgate.report.as_json import render_json
from driftgate.report.as_junit import render_junit
from driftgate.report.as_markdown import render_markdown
from driftgate.report.json_schema import SCHEMA
from driftgate.report.model import RunReport
from driftgate.report.terminal import render_terminal
from strict_schema import strict


def hidden(text):
    """Return the hidden characters of a text, line feeds aside."""
    return {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")}


@pytest.mark.parametrize("render", [render_terminal, render_junit, render_markdown])
def test_law_no_hidden_characters(render):
    """Control and direction characters from files reach no report that people read."""
    text = render(everything())
    assert hidden(text) == set()
    assert "::error::" not in [line[:9] for line in text.splitlines()]


def test_law_colour_is_the_only_escape():
    """With colour the only escapes are the report's own."""
    assert hidden(re.sub(r"\x1b\[[\d;]+m", "", render_terminal(everything(), colour=True))) == set()
    assert "\x1b[31mfail" in render_terminal(everything(), colour=True)


def test_law_json_meets_its_schema():
    """The JSON report is valid under the shipped schema, and the schema under its own."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    for made in (report(), everything()):
        jsonschema.validate(json.loads(render_json(made)), SCHEMA)


def test_law_json_schema_knows_every_member():
    """Every member written is described: with additions refused the report is still valid."""
    jsonschema.validate(json.loads(render_json(everything())), strict(SCHEMA))


def test_law_json_numbers_survive():
    """Floats read back as they were, texts too, and what is no number is null with its state."""
    data = json.loads(render_json(everything()), parse_constant=lambda name: pytest.fail(name))
    tolerances = data["cases"][1]["prediction"]["tolerances"]
    assert tolerances[0]["used"] == 1.43
    assert (tolerances[1]["used"], tolerances[1]["used_state"]) == (None, "unknown")
    assert (tolerances[2]["used"], tolerances[2]["used_state"]) == (None, "exceeded")
    assert data["cases"][1]["title"] == HOSTILE
    assert data["cases"][2]["prediction"] is None


def test_law_nothing_judged_is_no_pass():
    """A run that judged nothing says pass in no format."""
    empty = RunReport("0.1.0", 1, 4000, 0.95, 0, (), (), 2, "2 errors in the files", "driftgate check")
    data = json.loads(render_json(empty))
    jsonschema.validate(data, SCHEMA)
    assert data["verdict"] is None
    assert render_markdown(empty).startswith("### driftgate: status 2")


def test_law_same_report_same_bytes():
    """Two renderings of one report are the same bytes in every format."""
    for render in (render_json, render_junit, render_markdown, render_terminal):
        assert render(everything()) == render(everything())


def test_law_junit_reads_back():
    """An independent reader finds one named test per tolerance, with file, line, time and text."""
    root = etree.fromstring(render_junit(everything()).encode())
    tests = root.findall("testsuite/testcase")
    names = [(t.get("classname"), t.get("name")) for t in tests]

    assert len(names) == len(set(names))
    # One broken file, then plan + tolerances + contact: 1 + (1 + 2 + 1) + (1 + 4 + 1) + 1.
    assert len(tests) == 12
    assert ("routines.a|b on fieldmaps.hall (mirrored)", "checkpoint pot-a") in names
    suite = root.find("testsuite")
    assert (suite.get("tests"), suite.get("errors"), suite.get("failures")) == ("12", "1", "5")
    assert {t.get("time") for t in tests} == {"0"}
    for failure in root.iter("failure", "error"):
        assert failure.text.startswith(failure.get("message"))
    pot = next(t for t in tests if t.get("name") == "checkpoint pot-a" and t.find("failure") is not None)
    assert (pot.get("file"), pot.get("line")) == ("routines/a|b.yaml", "20")
    assert "61 % of the variance rests on guessed numbers" in pot.find("failure").text


def test_law_junit_passing_run_has_no_failures():
    """A run that passes has no failure and no error element."""
    root = etree.fromstring(render_junit(report()).encode())
    assert root.findall(".//failure") == root.findall(".//error") == []


def test_law_markdown_shows_texts_as_they_stand():
    """No markup of a hostile title survives: no HTML, link, mention, code or extra table cell."""
    text = render_markdown(everything())
    for bad in ("<script", "</td>", "[a](", "@team", "`x`", "]]>", "http://", "www.", "$x$"):
        assert bad not in text
    for row in (line for line in text.splitlines() if line.startswith("|")):
        assert row.count("|") in (3, 4)


def test_law_markdown_is_cut_for_its_readers():
    """A run with very many failures keeps a summary below a megabyte and says what is left out."""
    many = tuple(
        case(path=f"routines/r{i}.yaml", moments=(moment(successes=10, used=9.0),)) for i in range(4000)
    )
    text = render_markdown(report(*many, status=1, why="many"))
    assert len(text.encode()) < 1_000_000
    assert "and 3940 more" in text


def test_law_failing_comes_first():
    """Terminal and Markdown tell what fails before what passes."""
    for render in (render_terminal, render_markdown):
        text = render(
            report(case(), case(path="routines/z.yaml", title="Zed", moments=(moment(successes=9),)))
        )
        assert text.index("Zed") < text.index("Corner dash")


def test_law_terminal_line_has_what_matters():
    """A failing tolerance names its checkpoint, share, limit, bound, line, guess and reason."""
    text = render_terminal(report(case(moments=(moment(successes=2800, used=1.43),)), status=1))
    assert re.search(
        r"pot-a  x  35\.8 of 25 mm \(143 %\)  fail DG401  p <= \d+\.\d % \(need 99 %\)"
        r"  61 % guessed, line 20",
        text,
    )
    assert "The error on x is mostly spread." in text
    assert "not a safety assessment" in text


def test_law_quiet_says_nothing_when_all_is_well():
    """Quiet and passing prints nothing; quiet and failing leaves out what passes."""
    assert render_terminal(report(), quiet=True) == ""
    text = render_terminal(report(case(moments=(moment(successes=9), moment("end"))), status=1), quiet=True)
    assert "pot-a" in text
    assert " end " not in text


def test_law_contact_bound_is_stated():
    """Where none may touch and none did, the bound on what could have gone unseen is stated."""
    assert "in 0 of 4000 trials, p <= 0.11 % (none may touch)" in render_terminal(report())
    failing = render_terminal(report(case(contact=contact("fail", 5)), status=1))
    assert "in 5 of 4000 trials" in failing


def test_law_caret_points_at_the_column():
    """The caret stands below the offending column, also far out on a long line."""
    from driftgate.core.findings import Finding
    from driftgate.report.findings import render_finding
    from driftgate.report.paint import Paint

    for column, line in ((4, "abcXdef"), (301, "a" * 300 + "X" + "b" * 900)):
        lines = render_finding(Finding("f.yaml", 1, column, "DG102", "m", "error", "", line), Paint())
        assert lines[1][lines[2].index("^")] == "X"
        assert len(lines[1]) < 200


def test_law_infinite_and_nan_are_words():
    """No format prints a bare inf or nan as a share of a tolerance."""
    made = report(case(moments=(moment(successes=9, used=math.inf),)), status=1)
    for render in (render_terminal, render_markdown, render_junit):
        assert not re.search(r"\b(inf|nan) %", render(made))
