"""What holds of every page that driftgate writes, in a real browser."""

from __future__ import annotations

import importlib.metadata
from pathlib import Path

import pytest

from conftest import absent

WIDTHS = (320, 390, 768)
# The accessibility rules of WCAG 2.2 up to AA, and good practice.
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def test_law_it_opens_without_complaint_and_fetches_nothing(browser, any_page):
    """The console stays empty, and the page itself is the one address that is asked for."""
    browser.open(any_page)
    assert browser.fetched() == [any_page.address]
    assert browser.complaints() == []


@pytest.mark.parametrize("width", WIDTHS)
def test_law_a_phone_has_nothing_to_scroll_sideways(browser, any_page, width):
    """The page is no wider than the window, whatever wide thing scrolls in a frame of its own."""
    browser.open(any_page, width=width, height=800)
    assert browser.run("return document.documentElement.scrollWidth") <= width


@pytest.mark.parametrize("width", [320, 390])
def test_law_a_phone_cuts_off_no_row(browser, any_page, width):
    """Rows stand as blocks, each cell with its column's title before it, all on the screen."""
    browser.open(any_page, width=width, height=800)
    browser.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    wide = browser.run(
        "return [...document.querySelectorAll('.stack')].filter(s => s.scrollWidth > s.clientWidth)"
        ".map(s => s.getAttribute('aria-label') + ' ' + s.scrollWidth)"
    )
    assert wide == []
    cells = browser.run(
        "return [...document.querySelectorAll('.stack tbody td:not(:empty)')].map(d => ["
        "d.dataset.label || '',"
        "getComputedStyle(d, '::before').content, d.getBoundingClientRect().right,"
        "parseFloat(getComputedStyle(d).paddingLeft), parseFloat(getComputedStyle(d, '::before').width)])"
    )
    assert any(label for label, *_ in cells)
    for label, shown, right, room, taken in cells:
        assert right <= width
        if label:
            assert shown == f'"{label}"'
            assert taken < room


def test_law_a_desk_has_columns(browser, any_page):
    """Where there is room a table is a table: its titles once, above the columns."""
    browser.open(any_page, width=1200)
    found = browser.run(
        "return [...document.querySelectorAll('.stack td[data-label]')]"
        ".map(d => [getComputedStyle(d).display, getComputedStyle(d, '::before').content])"
    )
    assert {tuple(pair) for pair in found} <= {("table-cell", "none")}


def test_law_dark_is_dark_and_print_is_light(browser, any_page):
    """The reader's wish is followed; paper is white either way."""
    brightness = (
        "const c = getComputedStyle(document.body).backgroundColor.match(/[0-9]+/g).map(Number);"
        "return c[0] + c[1] + c[2]"
    )
    browser.open(any_page, prefers_color_scheme="light")
    assert browser.run(brightness) > 700
    browser.open(any_page, prefers_color_scheme="dark")
    assert browser.run(brightness) < 150
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    assert browser.run(brightness) > 700


@pytest.mark.parametrize("name", ["passing", "night_page"])
def test_law_it_prints(browser, request, name):
    """A print has pages; patterns take a while, so one check will do."""
    browser.open(request.getfixturevalue(name))
    assert len(browser.printed()) > 10_000


def test_law_nothing_moves_for_who_does_not_want_it(browser, any_page):
    """With reduced motion no element has a transition or an animation."""
    browser.open(any_page, prefers_reduced_motion="reduce")
    moving = (
        "return [...document.querySelectorAll('*')].filter(e => { const s = getComputedStyle(e);"
        "return parseFloat(s.transitionDuration) > 0 || parseFloat(s.animationDuration) > 0; }).length"
    )
    assert browser.run(moving) == 0


def test_law_focus_is_seen(browser, any_page):
    """Every place that the keyboard can reach shows that it is there."""
    browser.open(any_page)
    from selenium.webdriver.common.keys import Keys

    seen = 0
    for _ in range(12):
        browser.driver.switch_to.active_element.send_keys(Keys.TAB)
        style = browser.run(
            "const e = document.activeElement; if (e === document.body) return 'body';"
            "const s = getComputedStyle(e); return s.outlineStyle + ' ' + parseFloat(s.outlineWidth)"
        )
        if style == "body":
            break
        seen += 1
        kind, width = style.split()
        assert kind != "none"
        assert float(width) >= 2.0
    assert seen >= 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_law_no_rule_of_accessibility_is_broken(browser, any_page, scheme):
    """The axe-core rules for WCAG 2.2 AA find nothing, in light and in dark."""
    try:
        files = importlib.metadata.files("axe-playwright-python") or []
    except importlib.metadata.PackageNotFoundError:
        absent("axe-core is not installed: nox -s browser")
    (script,) = (Path(str(file.locate())) for file in files if file.name == "axe.min.js")
    browser.open(any_page, prefers_color_scheme=scheme)
    browser.run(script.read_text(encoding="utf-8"))
    found = browser.driver.execute_async_script(
        "const done = arguments[arguments.length - 1];"
        "axe.run(document, {runOnly: {type: 'tag', values: arguments[0]}}).then("
        "r => done(r.violations.map(v => v.id + ': ' + v.nodes.slice(0, 3).map(n => n.html.slice(0, 150)))))",
        RULES,
    )
    assert found == []


def test_law_it_is_sound_html(any_page):
    """A strict parser of the HTML standard (html5lib) finds no error."""
    try:
        import html5lib
    except ImportError:
        absent("html5lib is not installed: nox -s browser")
    parser = html5lib.HTMLParser(strict=True)
    parser.parse(any_page.path.read_text(encoding="utf-8"))
    assert parser.errors == []


def test_law_a_caption_stays_on_a_phone(browser, any_page):
    """What a table shows is read without scrolling, however wide the table is."""
    browser.open(any_page, width=375, height=800)
    browser.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    ends = browser.run(
        "return [...document.querySelectorAll('caption')].map(c => { const r = document.createRange();"
        "r.selectNodeContents(c); return r.getBoundingClientRect().right; })"
    )
    assert all(end <= 375 for end in ends)
    # It stays while the table is scrolled to its right end.
    starts = browser.run(
        "const wide = [...document.querySelectorAll('.scroll')].filter(s => s.querySelector('caption') &&"
        "s.scrollWidth > s.clientWidth + 20); wide.forEach(s => { s.scrollLeft = 9999; });"
        "return wide.map(s => s.querySelector('.told').getBoundingClientRect().left)"
    )
    assert all(start >= 0 for start in starts)


def test_law_a_table_of_faults_fits_a_small_computer(browser, tmp_path):
    """Ten kinds of fault, with margins of four digits, need no scrolling 1024 pixels wide."""
    from dataclasses import replace

    from made_nights import cell, night, report

    from conftest import Page
    from driftgate.report.night_html import render_night_html
    from driftgate.report.night_words import KINDS

    cells = (cell(), *(cell(kind, "pass", 99, used=4.06) for kind in KINDS))
    path = tmp_path / "night.html"
    made = night(cells=cells, title="Three-bench run, a long way round")
    path.write_text(render_night_html(replace(report(), night=made)), encoding="utf-8")
    browser.open(Page(path), width=1024)
    found = browser.run(
        "return [...document.querySelectorAll('.scroll')].filter(s => s.querySelector('td.heat'))"
        ".map(s => [s.scrollWidth, s.clientWidth, s.querySelectorAll('thead th').length])"
    )
    assert len(found) == 1
    wide, room, columns = found[0]
    assert columns == 1 + len(KINDS)
    assert wide <= room
