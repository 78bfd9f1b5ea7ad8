"""The page of a check: whole, offline, escaped, its pictures to scale and its figures those of the report."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import math
import re
from dataclasses import replace

import pytest
from lxml import etree, html
from made_pictures import HOSTILE_PICTURE, SHARES, picture, pictured
from made_reports import HOSTILE, everything, report

from driftgate.report.as_html import render_html
from driftgate.report.as_json import report_object
from driftgate.report.as_svg import names_taken, render_svg
from driftgate.report.field_scale import field_scale
from driftgate.report.svg import MARK, Labels, round_step
from driftgate.report.svg_budget import budget_rows, budget_svg
from driftgate.report.svg_field import field_svg
from driftgate.report.svg_target import target_svg
from driftgate.report.svg_time import time_svg

SVG = "{http://www.w3.org/2000/svg}"


def page_of(*cases, pictures=None):
    """Return the page of some cases, as text and parsed."""
    run = report(*(cases or (pictured(),)))
    text = render_html(run, pictures or [picture() for _ in run.cases])
    return text, html.fromstring(text)


def drawn(svg):
    """Return a picture parsed as XML, which forgives nothing."""
    return etree.fromstring(svg)


def test_law_the_page_is_whole_and_fetches_nothing():
    """It parses, has its landmarks, and nothing in it names an address."""
    text, page = page_of()
    assert page.xpath("/html/head/title/text()") == ["driftgate: Corner dash"]
    assert page.get("lang") == "en"
    assert [len(page.xpath(f"//{name}")) for name in ("header", "main", "footer", "h1")] == [1, 1, 1, 1]
    assert not page.xpath("//@src | //link | //img | //iframe | //object | //form | //@style | //base")
    assert all(address.startswith("#") for address in page.xpath("//@href"))
    # The name of a language that no browser looks up.
    text = text.replace('"http://www.w3.org/2000/svg"', "")
    assert not re.search(r"https?:|url\((?!#)|@import|javascript:", text)


def test_law_only_its_own_style_and_script_count():
    """The policy allows nothing but two texts, by their hashes, and they are the ones in the page."""
    text, page = page_of()
    (policy,) = page.xpath("//meta[@http-equiv='Content-Security-Policy']/@content")
    rules = dict(part.strip().split(" ", 1) for part in policy.split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == "'none'"
    for name, pattern in (("style-src", r"<style>(.*?)</style>"), ("script-src", r"<script>(.*?)</script>")):
        (inner,) = re.findall(pattern, text, re.DOTALL)
        digest = base64.b64encode(hashlib.sha256(inner.encode()).digest()).decode()
        assert rules[name] == f"'sha256-{digest}'"


def test_law_texts_of_strangers_stay_texts():
    """Markup in titles, names, causes, notes and reasons is shown and never read."""
    hostile = everything()
    text = render_html(hostile, [HOSTILE_PICTURE] * len(hostile.cases))
    page = html.fromstring(text)
    assert [s.get("type") for s in page.xpath("//script")] == ["application/json"] * 3 + [None]
    assert not page.xpath("//@*[starts-with(name(), 'on')]")
    assert not re.search("[\u202e\x00\x1b]", text)
    assert any("<script>alert(1)</script>" in found for found in page.xpath("//h2//text()"))
    assert any("<script>" in found for found in page.xpath("//*[local-name()='title']/text()"))
    for data in page.xpath("//script[@type='application/json']/text()"):
        assert "<script>alert(1)</script>" in json.loads(data)["steps"][0]
        assert not set(data) & set("<>&")


def test_law_pictures_are_sound_xml_with_words():
    """Every picture, hostile names included, parses strictly and has a text for those who do not see it."""
    for named in (picture(), HOSTILE_PICTURE):
        one = pictured(named.field.structures[0].id)
        shapes = [field_svg(one, named), time_svg(one, named), target_svg(one, named, 0)]
        for svg in (*shapes, budget_svg(one)):
            root = drawn(svg)
            assert root.get("role") == "img"
            assert len(root.get("aria-label")) > 40
        for name, text in render_svg(report(one), [named]).items():
            assert re.fullmatch(r"[a-z0-9.-]+", name)
            assert MARK in text[:100]
            assert etree.fromstring(text.encode()).find(f"{SVG}title").text


def test_law_the_page_can_be_told_without_eyes():
    """Headings go down one level at a time, ids are unique, links lead somewhere, headers have scopes."""
    _, page = page_of(pictured(), pictured("Other"))
    levels = [int(h.tag[1]) for h in page.xpath("//h1|//h2|//h3|//h4")]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in itertools.pairwise(levels))
    ids = page.xpath("//@id")
    assert len(ids) == len(set(ids))
    assert {href[1:] for href in page.xpath("//@href")} <= set(ids)
    assert all(th.get("scope") for th in page.xpath("//th"))
    assert len(page.xpath("//table")) == len(page.xpath("//table/caption"))
    assert all(
        svg.get("aria-label") or svg.get("aria-hidden") for svg in page.xpath("//*[local-name()='svg']")
    )


def test_law_figures_are_those_of_the_json_report():
    """Probability, interval, requirement and the three errors of every axis are the same."""
    run = report(pictured())
    _, page = page_of(pictured())
    (told,) = report_object(run)["cases"]
    rows = page.xpath("//table[contains(caption, 'Verdicts')]/tbody")
    for moment, body in zip(told["prediction"]["tolerances"], rows, strict=False):
        cells = [" ".join(cell.itertext()) for cell in body.xpath("./tr[1]/*")]
        success = moment["success"]
        assert cells[0].startswith(moment["name"])
        shown, low, high, need = (float(part) for part in re.findall(r"[\d.]+", cells[2]))
        assert shown == pytest.approx(100 * success["probability"], abs=0.051)
        assert (low, high) == pytest.approx((100 * success["low"], 100 * success["high"]), abs=0.11)
        assert need == pytest.approx(100 * moment["required"])
        (axis,) = moment["axes"]
        shown = [float(cell.removesuffix(" mm")) for cell in cells[5:8]]
        assert shown == pytest.approx(
            [1000 * axis["abs_quantiles"][q] for q in ("50", "95", "99")], abs=0.051
        )


def test_law_the_field_is_to_scale():
    """A metre is a metre along both axes; the way, a trial and a failed one are where they were."""
    shown = picture()
    scale, root = field_scale(shown), drawn(field_svg(pictured(), shown))
    (left, base), (right, top) = scale.at((0.0, 0.0)), scale.at((4.0, 3.0))
    assert (right - left) / 4.0 == pytest.approx((base - top) / 3.0)
    way = root.find(".//path[@class='leg']").get("d")
    begin, end = scale.at((0.5, 1.0)), scale.at((3.5, 1.0))
    numbers = [float(v) for v in re.findall(r"[\d.]+", way)]
    assert numbers == pytest.approx([*begin, *end], abs=0.06)
    assert len([p for p in root.iter("path") if p.get("class") == "trial"]) == 2
    crosses = [p for p in root.iter("path") if p.get("class") == "cross" and p.get("data-step")]
    at = [tuple(float(v) for v in re.match(r"M([\d.]+) ([\d.]+)", p.get("d")).groups()) for p in crosses]
    wanted = [scale.at(t.place) for t in shown.failed]
    assert [(x + 4.5, y + 4.5) for x, y in at] == [pytest.approx(place, abs=0.06) for place in wanted]
    words = [t.text for t in root.iter("text")]
    assert "A gate" in words
    assert "B contact" in words


def test_law_the_time_axis_has_every_step_fix_and_reason():
    """Steps, views and bins stand at their times, the counts of the report beside their sensor."""
    shown = picture()
    root = drawn(time_svg(pictured(), shown))
    left, per_s = float(root.get("data-left")), float(root.get("data-per"))
    views = [r for r in root.iter("rect") if (r.get("class") or "").startswith("view ")]
    times = [(float(r.get("x")), float(r.get("width"))) for r in views]
    wanted = [(left + per_s * v.begin_s, per_s * (v.end_s - v.begin_s)) for v in shown.strips[0].views]
    assert times == [pytest.approx(pair, abs=0.11) for pair in wanted]
    assert [r.get("class").split()[1] for r in views] == ["v-usable", "v-blocked", "v-moving"]
    assert "corridor: wall-1, in the way: bench, 0.50 to 1.00 m" in views[1].find("title").text
    fixes = next(p for p in root.iter("path") if p.get("class") == "fixed")
    assert [float(x) for x in re.findall(r"M([\d.]+) ", fixes.get("d"))] == [
        pytest.approx(left + per_s * t, abs=0.06) for t, _ in shown.strips[0].fixes
    ]
    words = [t.text for t in root.iter("text")]
    assert "accepted 900, gate refused 20" in words
    used = [r for r in root.iter("rect") if r.get("class") == "used"]
    assert float(used[0].get("height")) == pytest.approx(18.0 * 0.8, abs=0.06)
    assert len([r for r in root.iter("rect") if r.get("class") == "dark"]) == 2  # one, and the key


def classes(root, inside):
    """Return the classes of the shapes in a picture's key, or of all others."""
    (key,) = (g for g in root.iter("g") if g.get("class") == "key")
    of_key = set(key.iter())
    shapes = [e for e in root.iter() if (e in of_key) == inside and e.tag != "text" and e is not key]
    return {name for e in shapes for name in (e.get("class") or "").split()}


def bare(shown):
    """Return a picture of a field with walls alone, on which nothing is known to be seen or fixed."""
    walls = tuple(replace(s, reference=True) for s in shown.field.surfaces if s.kind == "wall")
    field = replace(shown.field, surfaces=walls, structures=(), things=(), zones=(), believed=())
    strips = tuple(replace(one, fixes=(), bins=()) for one in shown.strips)
    return replace(shown, field=field, failed=(), targets=(), strips=strips)


@pytest.mark.parametrize("shown", [picture(), bare(picture())])
def test_law_a_key_lists_what_is_drawn_and_nothing_else(shown):
    """Every swatch has its like in the picture: a field without structures has no word of them."""
    case = pictured()
    for svg in (field_svg(case, shown), time_svg(case, shown), budget_svg(case)):
        root = drawn(svg)
        assert classes(root, inside=True) <= classes(root, inside=False)
    words = " ".join(t.text for t in drawn(field_svg(case, shown)).iter("text"))
    assert ("structure" in words) == bool(shown.field.structures)
    assert "reference surface" in words


def test_law_the_budget_adds_up():
    """Bars begin where the last one ended and end at the total, and the per cents shown add up to 100.0."""
    one = pictured()
    rows = budget_rows(one.verdict.moments[0])
    assert [row[0] for row in rows] == ["source 0", "source 1", "source 2", "2 others"]
    assert math.fsum(share for _, _, share, _ in rows) == pytest.approx(math.fsum(SHARES))
    assert sum(round(10 * float(shown.removesuffix(" %"))) for *_, shown in rows) == 1000
    root = drawn(budget_svg(one))
    bars = [r for r in root.iter("rect") if r.find("title") is not None]
    ends = [float(r.get("x")) + float(r.get("width")) for r in bars]
    begins = [float(r.get("x")) for r in bars]
    assert begins[1:] == pytest.approx(ends[:-1], abs=0.11)
    (total,) = (r for r in root.iter("rect") if r.get("class") == "total")
    assert (begins[0], ends[-1]) == pytest.approx(
        (float(total.get("x")), float(total.get("x")) + float(total.get("width"))), abs=0.11
    )


def test_law_misses_are_crosses_and_sides_that_are_free_have_no_line():
    """Of ten trials one missed; three sides of the tolerance are drawn, the fourth is free."""
    root = drawn(target_svg(pictured(), picture(), 0))
    assert len([p for p in root.iter("path") if p.get("class") == "miss"]) == 1
    hits = next(p for p in root.iter("path") if p.get("class") == "hits")
    assert hits.get("d").count("M") == 9
    upright = [e for e in root.iter("line") if e.get("class") == "edge" and float(e.get("y1")) < 236.0]
    assert len(upright) == 3


def test_law_every_step_is_marked_wherever_it_shows():
    """Steps can be found by number in the field, the time axis, the close pictures and the tables."""
    _, page = page_of()
    for step in ("1", "2"):
        tags = {(e.tag, e.get("class")) for e in page.xpath(f"//*[@data-step='{step}']")}
        assert ("tr", None) in tags
        assert any(tag == "rect" and "band" in (style or "") for tag, style in tags)
        assert ("g", "pick") in tags
    assert page.xpath("//figure[@data-step='2']")


def test_law_a_case_without_pictures_still_has_its_verdicts():
    """Files that changed in between, and infeasible plans, leave a page that says so."""
    text = render_html(report(pictured()), [None])
    page = html.fromstring(text)
    assert "there are no pictures" in page.text_content()
    assert page.xpath("//table[contains(caption, 'Verdicts')]")
    assert not page.xpath("//script")


def test_law_cautions_inputs_and_the_way_to_repeat_are_there():
    """Keep clear, power down, eye protection, rules, supervision; the file's fingerprint, seed, version."""
    _, page = page_of()
    words = page.text_content()
    for part in ("Keep clear", "power it down", "eye protection", "school's rules", "qualified supervision"):
        assert part in words
    for part in (
        "0123456789abcdef",
        "seed 1",
        "confidence 95 %",
        "driftgate check --seed 1",
        "driftgate 0.1.0",
    ):
        assert part in words


def test_law_names_of_files_never_meet():
    """Two routines of one name in different folders get pictures of different names."""
    cases = (
        pictured(path="routines/a/dash.yaml"),
        pictured(path="routines/b/dash.yaml"),
        pictured(path="..yaml"),
    )
    names = list(render_svg(report(*cases), [picture()] * 3))
    assert "dash-field.svg" in names
    assert "dash-2-field.svg" in names
    assert len(names) == len(set(names))
    assert all(re.fullmatch(r"[a-z0-9][a-z0-9.-]*", name) for name in names)
    keys = [(case.path, case.true_map, case.side) for case in cases]
    assert names_taken(keys, [*names, "dash-sketch.svg", "field.svg"]) == names


def test_law_labels_keep_apart():
    """Boxes that are placed do not meet while there is room elsewhere."""
    labels = Labels()
    wanted = [(10.0 * k, 0.0) for k in range(10)]
    found = [labels.place(9.0, 9.0, wanted) for _ in range(10)]
    assert sorted(found) == wanted


@pytest.mark.parametrize(
    ("span", "most", "step"), [(10.0, 5, 2.0), (0.37, 4, 0.1), (1000.0, 9, 200.0), (0.0, 5, 1.0)]
)
def test_law_ticks_are_round(span, most, step):
    """The smallest of 1, 2, 5 times a power of ten that gives few enough ticks."""
    assert round_step(span, most) == pytest.approx(step)


def test_law_hostile_report_and_missing_pictures_agree():
    """Whatever is in the titles, each of the two ends with the same closing lines."""
    run = everything()
    with_pictures = render_html(run, [HOSTILE_PICTURE] * 3)
    without = render_html(run, [None] * 3)
    assert HOSTILE not in with_pictures + without
    assert with_pictures.endswith("</body>\n</html>\n")
    assert without.endswith("</body>\n</html>\n")
