"""Comparisons as people and programs read them."""

from __future__ import annotations

import json

import jsonschema
import pytest

from driftgate.core.findings import Finding
from driftgate.judge.paired_values import Difference
from driftgate.report.compare_json import render_side_by_side_json
from driftgate.report.compare_markdown import render_side_by_side_markdown
from driftgate.report.compare_model import AxisFigure, Figure, MomentFigures, SideBySide, VariantReport
from driftgate.report.compare_terminal import render_side_by_side
from driftgate.report.compare_text import error_interval, interval_words, share_figure, signed
from driftgate.report.record_schema import side_by_side_schema
from strict_schema import strict

HOSTILE = "x\x1b[31m|`<b>\u202e"


def _variant(name="as written", changes="", difference=None, error=0.0123):
    def figure(value):
        return Figure(value, difference)

    moment = MomentFigures(
        "end",
        figure(0.98),
        (AxisFigure("x", figure(error)), AxisFigure("heading", figure(0.02))),
    )
    readings = {name: figure(1.5) for name in ("fixes", "wrongly_accepted", "wrongly_refused")}
    return VariantReport(
        name,
        changes,
        "r.yaml",
        "f.yaml",
        "f.yaml",
        (),
        figure(0.9),
        figure(0.0),
        moments=(moment,),
        **readings,
    )


def _report(*variants, title="Made"):
    return SideBySide(
        "0", "routines/a.yaml", title, "as written", 1, 400, 0.95, variants, (), 0, "all well", "driftgate"
    )


@pytest.mark.parametrize(
    ("difference", "words"),
    [
        (Difference(0.1, 0.08, 0.123), "off: succeeds more often, in 8.0 to 12.3 more of 100 runs"),
        (Difference(-0.6, -0.625, -0.545), "off: succeeds less often, in 54.5 to 62.5 fewer of 100 runs"),
        (
            Difference(0.0, -0.002, 0.0051),
            "off: no difference in success is shown: it is between 0.20 fewer and 0.51 more of 100 runs",
        ),
        (
            Difference(0.0, 0.0, 0.001),
            "off: no difference in success is shown: it is between 0.00 fewer and 0.10 more of 100 runs",
        ),
        (Difference(0.0, None, None), "off: too few trials to say whether success differs"),
    ],
)
def test_law_what_it_comes_to_is_said_in_words(difference, words):
    """Who knows no intervals reads whether a variant is better, worse, or not shown to be either."""
    report = _report(_variant(), _variant("off", "a=b", difference))
    assert words in render_side_by_side(report).splitlines()
    assert f"- {words}".replace(":", "&#58;") in render_side_by_side_markdown(report).splitlines()


def test_law_table_has_every_figure():
    """Every variant has a row, errors are in mm and degrees, differences stand in brackets."""
    text = render_side_by_side(_report(_variant(), _variant("off", "a=b", Difference(0.01, -0.002, 0.03))))
    assert "90.0 %" in text
    assert "12.3 (-2.0 to +30.0)" in text
    assert "1.15 (-0.11 to +1.72)" in text
    # An interval of three points says nothing of hundredths; one of half a point does.
    assert "90.0 % (-0.2 to +3.0)" in text
    assert share_figure(Figure(0.9, Difference(0.0, -0.002, 0.003))) == "90.0 % (-0.20 to +0.30)"
    assert "off: a=b" in text
    assert "not a safety assessment" in text


def test_law_infeasible_variant_has_a_row():
    """A variant that cannot be driven says so instead of figures."""
    empty = VariantReport("slow", "x=y", "r.yaml", "f.yaml", "f.yaml", ())
    for text in (
        render_side_by_side(_report(_variant(), empty)),
        render_side_by_side_markdown(_report(_variant(), empty)),
    ):
        assert "infeasible" in text


def test_law_hostile_names_steer_nothing():
    """Names from files and the command line are harmless in each format."""
    report = _report(_variant(), _variant(HOSTILE, HOSTILE), title=HOSTILE)
    assert "\x1b" not in render_side_by_side(report)
    marked = render_side_by_side_markdown(report)
    assert "\x1b" not in marked
    assert "<b>" not in marked
    rows = [line for line in marked.splitlines() if line.startswith("| x")]
    assert rows
    assert len({row.count("|") for row in rows}) <= 2
    assert json.loads(render_side_by_side_json(report))["variants"][1]["name"] == HOSTILE


def test_law_json_is_finite_and_the_same_again():
    """What is no number is null, and two renderings are one text."""
    report = _report(_variant(error=float("inf")))
    text = render_side_by_side_json(report)
    assert text == render_side_by_side_json(report)
    found = json.loads(text)
    assert found["schema"] == "driftgate-side-by-side/1"
    assert found["variants"][0]["moments"][0]["axes"][0]["error"]["value"] is None


def test_law_signs():
    """Differences carry their sign, zero has none, and too few trials say so."""
    assert [signed(v, digits=1) for v in (1.25, -1.25, 0.0, -0.01)] == ["+1.2", "-1.2", "0.0", "0.0"]
    assert interval_words(None) == ""
    assert interval_words(Difference(1.0, None, None)) == "too few trials"
    assert interval_words(Difference(0.0, 0.0, 0.0), " mm") == "0.0 mm"
    assert error_interval(Difference(0.0, -0.1, 0.1), "x") == "-100.0 to +100.0"
    assert error_interval(Difference(0.0, -0.1, 0.1), "heading") == "-5.73 to +5.73"


def test_law_json_meets_its_schema_member_by_member():
    """With additions refused a report is valid under its schema, and not without one of its members."""
    schema = strict(side_by_side_schema())
    jsonschema.Draft202012Validator.check_schema(schema)
    refused = VariantReport(
        "slow", "x=y", "r.yaml", "f.yaml", "f.yaml", (Finding("r.yaml", 1, 1, "DG201", "no"),)
    )
    other = _variant("off", "a=b", Difference(0.01, -0.002, None), error=float("inf"))
    found = json.loads(render_side_by_side_json(_report(_variant(), other, refused)))
    jsonschema.validate(found, schema)
    del found["variants"][1]["moments"][0]["axes"][0]["error"]["difference"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, schema)
