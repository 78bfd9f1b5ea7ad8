"""Every format on every kind of content, read back by an independent reader."""

from __future__ import annotations

import json
import math
import re
import unicodedata
from pathlib import Path

import jsonschema
import pytest
from lxml import etree
from made_reports import HOSTILE, case, contact, everything, moment, report

from driftgate.judge.paired_values import Loosening
from driftgate.report.as_json import render_json
from driftgate.report.as_junit import render_junit
from driftgate.report.as_markdown import MOST_BYTES, render_markdown
from driftgate.report.compare_model import Comparison
from driftgate.report.json_schema import SCHEMA
from driftgate.report.model import RunReport
from driftgate.report.terminal import render_terminal
from driftgate.report.text import markdown_code
from strict_schema import strict

PUBLISHED = Path(__file__).parent / "published"


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


@pytest.mark.evidence(
    source="JUnit schema junit-10.xsd of a common reader", compares="reports as JUnit XML", tolerance="valid"
)
def test_ref_junit_meets_a_published_schema():
    """Valid under the schema of a common reader, but for the two attributes that others want."""
    schema = etree.XMLSchema(etree.parse(PUBLISHED / "junit-10.xsd"))
    for made in (report(), everything()):
        for erosion in (None, (True, ["eroded: 1 loosening"]), (False, ["not eroded"])):
            root = etree.fromstring(render_junit(made, erosion).encode())
            for test in root.iter("testcase"):
                for name in ("file", "line"):
                    test.attrib.pop(name, None)
            schema.assertValid(root)
    root.find("testsuite/testcase").set("status", "good")
    root.find("testsuite/testcase").append(etree.Element("verdict"))
    assert not schema.validate(root)


def test_law_junit_contact_stands_at_its_own_line():
    """Contact, judged by what the routine's `final` allows, stands there; a place unknown is none."""
    for place, line in (((38, 3), "38"), ((0, 0), None)):
        root = etree.fromstring(render_junit(report(case(contact_place=place))).encode())
        (test,) = (t for t in root.iter("testcase") if t.get("name") == "contact")
        assert test.get("line") == line


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


def test_law_markdown_is_never_dropped_for_its_size():
    """However long its texts, a summary stays below what build servers take, cut at a line, and says so."""
    reason = "&" * 20_000  # five times as long once escaped
    many = tuple(
        case(path=f"routines/r{i}.yaml", moments=(moment(successes=9, reason=reason),)) for i in range(60)
    )
    text = render_markdown(report(*many, status=1))
    assert 700_000 < len(text.encode()) <= MOST_BYTES
    assert re.search(r"\n\nCut here, \d+ lines are left out: the JSON report has everything\.\n\Z", text)
    assert "Cut here" not in render_markdown(report())


def test_law_markdown_fits_a_phone():
    """No table has more than four columns, every row as many as its header, and paths stand as code."""
    text = render_markdown(everything())
    rows = [line for line in text.splitlines() if line.startswith("|")]
    assert rows
    assert max(row.count("|") for row in rows) <= 5
    assert "`routines/dash.yaml`" in text
    assert "at `routines/fast.yaml:9`: too fast" in text
    assert "Again: `driftgate check --seed 1`" in text


def test_law_markdown_code_stands_as_it_is():
    """Code is between backquotes where nothing in it could end it, and escaped otherwise."""
    assert markdown_code("driftgate check 'a b.yaml' --field=x") == "`driftgate check 'a b.yaml' --field=x`"
    for text in ("a`b", "a|b", "$x$", "<b>", " ", "", "a\\b"):
        shown = markdown_code(text)
        assert shown.startswith("<code>")
        assert shown.endswith("</code>")
        assert not set("`|$\\") & set(shown)


def test_law_markdown_leads_with_what_was_lost():
    """What was lost against a baseline stands before what passes; a comparison without a loss after it."""
    loosening = Loosening("routines/dash.yaml", 9, "final.within.x", "10 mm", "30 mm", "wider")
    kept = Comparison("main@1234567", 1, 4000, 0.95, 6, 0.02, "fail")
    lost = Comparison("main@1234567", 1, 4000, 0.95, 6, 0.02, "fail", loosenings=(loosening,))
    text = render_markdown(report(), lost)
    assert text.index("Loosened") < text.index("| passing | tightest |")
    text = render_markdown(report(), kept)
    assert text.index("not eroded") > text.index("| passing | tightest |")


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
