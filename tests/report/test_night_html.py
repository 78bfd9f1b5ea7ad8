"""The page of a night: whole, escaped, nothing fetched, plots that say what the figures say."""

from __future__ import annotations

import itertools
import json
import re
from dataclasses import replace

import jsonschema
import pytest
from lxml import etree, html
from made_nights import HOSTILE, cell, night, report, series

from driftgate.core.findings import Finding
from driftgate.judge.trend import Shift
from driftgate.report.as_markdown import MOST_BYTES
from driftgate.report.night_export import render_night_json
from driftgate.report.night_html import render_night_html
from driftgate.report.night_markdown import render_night_markdown
from driftgate.report.night_model import Change, NightReport
from driftgate.report.night_plot import HEIGHT, trend_plot
from driftgate.report.night_schema import SCHEMA
from driftgate.report.night_terminal import render_night
from driftgate.report.night_words import input_changes, ranking, verdict_changes, worst_faults
from strict_schema import strict


def test_law_the_page_is_whole_and_fetches_nothing():
    """It parses, and names no address but those of no resource."""
    text = render_night_html(report())
    page = html.fromstring(text)
    assert page.xpath("/html/head/title/text()") == ["driftgate night 2026-11-02"]
    assert not page.xpath("//@src | //script | //link | //img | //iframe")
    assert page.xpath("//@href") == ["#main"]
    assert "http" not in re.sub(r"http-equiv", "", text)
    assert "default-src 'none'" in text


def test_law_texts_of_strangers_stay_texts():
    """A title that would end the style, start a script or turn the reading round is shown as it stands."""
    hostile = night(title=HOSTILE)
    one = replace(series(), routine=HOSTILE)
    text = render_night_html(report(night=hostile, series=(one,), changes=()))
    page = html.fromstring(text)
    assert not page.xpath("//script")
    assert "\u202e" not in text
    assert any("<script>alert(1)</script>" in found for found in page.xpath("//th/text()"))
    assert "<script>" not in render_night_markdown(report(night=hostile))


def test_law_the_heat_table_says_in_words_what_its_colours_say():
    """Each cell has effect, share and what breaks first; worse cells are hotter, worse columns come first."""
    page = html.fromstring(render_night_html(report()))
    (table,) = page.xpath("//table[.//td[contains(@class,'heat')]]")
    assert table.xpath("./thead/tr/th/text()") == ["routine", "gyro drift doubled", "a sensor dead"]
    gyro, dead = table.xpath("./tbody/tr/td")
    assert list(gyro.itertext()) == ["✗ breaks", "40.0 %", "end"]
    assert gyro.get("class") == "heat heat2"
    assert list(dead.itertext()) == ["✓ survives", "99.0 %", "margin ", "20 %"]
    assert dead.get("class") == "heat heat5"


def test_law_tolerances_stand_in_columns():
    """Name, axis, margin, verdict and probability begin below each other, as in a check."""
    text = render_night(report(night=night(cells=(cell(status="fail", used=1.25),))))
    end, contact = (line for line in text.splitlines() if line.startswith("      "))
    assert end == "      end      x  margin -25 %  fail  p <= 99.0 % (need 90 %)"
    assert contact == "      contact" + " " * 19 + "pass  in 0 of 100 trials, p <= 1.00 % (1 % allowed)"
    assert end.index("fail") == contact.index("pass")


def test_law_a_plot_is_drawn_to_scale():
    """Higher shares lie higher, the required line between 97 and 80 %, the change between its nights."""
    one = series()
    root = etree.fromstring(trend_plot(one, [Change(one, False, Shift(2, 0, 3, 0.965, 0.8, 1e-6))]))
    y = [float(dot.get("cy")) for dot in root.iter("circle")]
    x = [float(dot.get("cx")) for dot in root.iter("circle")]
    need = float(root.find("line[@class='need']").get("y1"))
    assert y[0] < y[1] < need < y[2] < HEIGHT
    # Linear: 97 to 80 is 17 parts, 97 to 90 is 7 of them.
    assert (need - y[0]) / (y[2] - y[0]) == pytest.approx(7 / 17, abs=0.02)
    assert x[1] < float(root.find("line[@class='worse']").get("x1")) < x[2]
    assert "80.00 % on 2026-11-03" in root.get("aria-label")


def test_law_axes_of_a_plot_are_round_and_nights_stand_at_their_days():
    """Ticks are round and inside 0 to 100 %, no two words overlap, a night that is missing leaves a gap."""
    one = series()
    gap = replace(one, nights=("2026-11-01", "2026-11-02", "2026-11-05"))
    root = etree.fromstring(trend_plot(gap, []))
    x = [float(dot.get("cx")) for dot in root.iter("circle")]
    assert (x[2] - x[1]) / (x[1] - x[0]) == pytest.approx(3.0, abs=0.02)
    left = float(root.find("line[@class='need']").get("x1"))
    assert x[0] > left + 2.5
    ticks = [t for t in root.iter("text") if t.get("text-anchor") == "end" and t.text.endswith(" %")]
    values = [float(t.text.removesuffix(" %")) for t in ticks]
    assert values == [70, 80, 90, 100]
    heights = [float(t.get("y")) for t in ticks]
    assert all(a - b >= 12.0 for a, b in itertools.pairwise(heights))
    # To scale: the required line is where 90 % is.
    grid = [
        float(re.search(r"M\d+ ([\d.]+)", p.get("d"))[1])
        for p in root.iter("path")
        if p.get("class") == "grid"
    ]
    need = float(root.find("line[@class='need']").get("y1"))
    assert grid[values.index(90)] == pytest.approx(need, abs=0.06)
    caption = html.fromstring(render_night_html(report(series=(gap,), changes=())))
    (words,) = caption.xpath("//figcaption")
    assert words.text_content().startswith("end, 80.00 % (need 90 %)")


@pytest.mark.parametrize("successes", [(100,), (100, 100), (0,), (50,) * 9])
def test_law_plots_of_few_or_equal_nights(successes):
    """One night, nights without a failure and nights alike can be drawn."""
    inputs = (("robot", "1"),) * len(successes)
    root = etree.fromstring(trend_plot(series(successes, inputs), []))
    assert len(list(root.iter("circle"))) == len(successes)
    assert "nan" not in etree.tostring(root).decode()


def test_law_json_meets_its_schema_member_by_member():
    """With additions refused reports are valid, hostile and empty ones too; without a member they are not."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    nothing = NightReport("0", (Finding("a", 1, 1, "DG801", "no"),), None, None, False, (), (), 2, "why", "")
    for made in (report(), report(night=night(title=HOSTILE)), nothing):
        found = json.loads(render_night_json(made))
        jsonschema.validate(found, strict(SCHEMA))
    found = json.loads(render_night_json(report()))
    cell_ = found["night"]["cases"][0]["cells"][1]
    assert (cell_["effect"], cell_["breaks_first"]) == ("breaks", "end")
    del cell_["tolerances"][0]["upper"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(found, SCHEMA)


def test_law_what_breaks_first_is_listed_first():
    """The ranking goes by routines that break, the routine's own list by verdict and success."""
    assert [row.kind for row in ranking(night())] == ["gyro", "dead"]
    assert [placed.cell.fault for placed in worst_faults(night(), "out.yaml")] == ["gyro", "dead:front"]


def test_law_changes_since_last_night():
    """Verdicts that differ and inputs that differ are named; nothing else is."""
    before = night(cells=(cell(), cell("gyro", "pass", 99), cell("dead:front", "pass", 99)))
    assert verdict_changes(before, night()) == ["out.yaml on box.yaml, Out: survives before, breaks now"]
    assert verdict_changes(before, before) == []
    assert input_changes(night(robot="1"), night()) == ["small.yaml"]
    assert input_changes(night(software="t"), night()) == ["driftgate, or what it computes with"]


def test_law_every_format_says_since_when():
    """Terminal, Markdown and page name the night, both shares and the input."""
    for text in (render_night(report()), render_night_markdown(report()), render_night_html(report())):
        assert "2026-11-03" in text
        assert "80.00 %" in text
        assert "96.50 %" in text
        assert re.search(r"changed that night(:|&#58;) robot", text)


def test_law_contact_is_named_where_it_breaks_first():
    """Where contact makes at least half of a tolerance's failures it is what breaks first."""
    failed = cell("gyro", "fail", 40)
    end, contact = failed.tolerances
    for clear, first in ((60, "contact"), (90, "end")):
        status = replace(contact, successes=clear, status="fail")
        (case,) = night(cells=(cell(), replace(failed, tolerances=(end, status)))).cases
        assert case.breaks_first(case.cells[1]) == first


def test_law_what_fails_anyway_is_no_fault_of_a_fault():
    """A routine that fails as it is already fails under each fault, but where one breaks something more."""
    gyro, floor = cell("gyro", "fail", 10, "gyro"), cell("floor", "fail", 30, "floor")
    touched = replace(floor.tolerances[1], successes=20, status="fail")
    floor = replace(floor, tolerances=(floor.tolerances[0], touched))
    failing = night(cells=(cell(status="fail", together=50), gyro, floor, cell("start", "undecided", 70)))
    (case,) = failing.cases
    assert [case.effect(one) for one in case.cells[1:]] == ["already fails", "breaks", "already fails"]
    assert [case.breaks_first(one) for one in case.cells[1:]] == ["", "contact", ""]
    rows = ranking(failing)
    assert [(row.kind, row.broken_words, row.share_words) for row in rows] == [
        ("floor", "1 of 1", "30.0 %"),
        ("gyro", "0 of 1 (1 already fails)", "-"),
        ("start", "0 of 1 (1 already fails)", "-"),
    ]
    for text in (render_night_markdown, render_night, render_night_html):
        assert "already fails" in text(report(night=failing))


def test_law_a_thousand_routines_make_no_report_that_nobody_can_open():
    """Every format is cut to what can be read, says so, and begins with what fails."""
    (case,) = night().cases
    cases = [replace(case, routine=f"r{n}.yaml", title=f"Routine {n}") for n in range(1000)]
    cases[700] = replace(cases[700], cells=(cell(status="fail", together=50), *case.cells[1:]))
    many = report(night=replace(night(), cases=tuple(cases)), before=None)
    text = render_night_markdown(many)
    assert len(text.encode()) < MOST_BYTES
    assert "and 960 more; the JSON report has them all" in text
    page = render_night_html(many)
    assert len(page) < 2_000_000
    for shown in (text, page):
        assert shown.index("Routine 700") < shown.index("Routine 0")
    lines = render_night(many).splitlines()
    assert len(lines) < 600
    assert lines[0] == "r700.yaml  Routine 700"
    assert "the 40 worst of 1000 routines; --report has them all" in lines


def test_law_a_place_that_fails_anyway_hides_no_other():
    """Of two fields, one of which fails anyway, the matrix shows what the fault does on the other."""
    both = night(cells=(cell(), cell("gyro", "pass", 96)))
    elsewhere = replace(both.cases[0], field="z.yaml", cells=(cell(status="fail"), cell("gyro", "fail", 3)))
    both = replace(both, cases=(*both.cases, elsewhere))
    (row,) = ranking(both)
    assert (row.worst["out.yaml"].case.field, row.worst["out.yaml"].effect) == ("box.yaml", "survives")
