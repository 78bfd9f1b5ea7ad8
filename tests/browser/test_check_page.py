"""The page of a check in a real browser: pictures, figures, choosing a step, keyboard, hostile texts."""

from __future__ import annotations

import re

import pytest

from conftest import HOSTILE_TITLE

ON = "return [...document.querySelectorAll('.on')].map(e => [e.tagName.toLowerCase(), e.dataset.step])"


def chosen(browser):
    """Return the kinds of elements that show the chosen step, and which step each says it is of."""
    found = browser.run(ON)
    return {tag for tag, _ in found}, {step for _, step in found}


def test_law_the_pictures_are_there_to_scale_with_the_right_figures(browser, failing):
    """Field, time axis, budget and close pictures are drawn, with hit rate and counts of the report."""
    browser.open(failing)
    (case,) = failing.told["cases"]
    prediction = case["prediction"]
    for kind in ("field", "time", "target", "budget"):
        box = browser.one(f"[data-picture='{kind}']").rect
        assert box["width"] > 200
        assert box["height"] > 150
    words = browser.run(
        "return [...document.querySelectorAll('[data-picture=field] text')].map(t => t.textContent)"
    )
    (end,) = prediction["tolerances"]
    rate = f"{100 * end['success']['probability']:.1f} %"
    assert any(word.startswith("end") and word.endswith(rate) for word in words)
    assert browser.all("[data-picture='field'] .cross[data-step]")
    strips = browser.all("[data-sensor]")
    assert [strip.get_dom_attribute("data-sensor") for strip in strips] == [
        r["sensor"] for r in case["readings"]
    ]
    for strip, readings in zip(strips, case["readings"], strict=True):
        shown = browser.run(
            "return [...arguments[0].querySelectorAll('text')].map(t => t.textContent)", strip
        )
        counts = readings["outcomes"]
        assert shown[1].startswith(
            f"accepted {counts['accepted']:,}, gate refused {counts['gate']:,}, no echo"
        )


def test_law_the_verdict_table_has_the_figures_of_the_report(browser, passing):
    """Probability and the three errors of every axis, as the JSON report has them."""
    browser.open(passing)
    (end,) = passing.told["cases"][0]["prediction"]["tolerances"]
    rows = browser.all("section.case table tbody tr[data-step]")[: len(end["axes"])]
    texts = [[cell.text for cell in row.find_elements("css selector", "th, td")] for row in rows]
    assert float(texts[0][2].partition(" %")[0]) == pytest.approx(
        100 * end["success"]["probability"], abs=0.06
    )
    for axis, cells in zip(end["axes"], [texts[0][3:], *texts[1:]], strict=True):
        assert cells[0].split()[0] == axis["axis"]
        shown = [float(re.match(r"[\d.]+", cell)[0]) for cell in cells[2:5]]
        factor = 57.29578 if axis["axis"] == "heading" else 1000.0
        wanted = [factor * axis["abs_quantiles"][q] for q in ("50", "95", "99")]
        assert shown == pytest.approx(wanted, abs=0.06)


@pytest.mark.parametrize("name", ["passing", "failing"])
def test_law_tables_fit_a_window_of_1100(browser, request, name):
    """No table of a case has to be scrolled sideways where a laptop shows it beside something else."""
    browser.open(request.getfixturevalue(name), width=1100)
    wide = browser.run(
        "return [...document.querySelectorAll('.scroll')].filter(s => s.scrollWidth > s.clientWidth)"
        ".map(s => s.getAttribute('aria-label'))"
    )
    assert wide == []


def test_law_a_chosen_step_shows_everywhere(browser, passing):
    """Chosen in the list: field, time axis, strips and table show that step and no other."""
    browser.open(passing)
    browser.run(
        "const s = document.querySelector('section.case select'); s.value = '3';"
        "s.dispatchEvent(new Event('change'))"
    )
    tags, steps = chosen(browser)
    assert steps == {"3"}
    assert {"g", "rect", "tr", "ellipse"} <= tags
    assert browser.all("[data-picture='field'] g.on")
    assert browser.all("[data-picture='time'] .band.on")
    assert browser.all("[data-sensor] .view.on")
    assert browser.one("tr.on th").get_dom_attribute("aria-current") == "step"
    assert browser.run("return document.querySelector('section.case output').value").startswith("Step 3, ")


@pytest.mark.parametrize(
    "where", ["[data-picture='field'] .pick[data-step='2'] text", "tbody th a[data-choose='2']"]
)
def test_law_a_step_is_chosen_where_it_shows(browser, passing, where):
    """A click on its number in the field, or in the table, chooses it."""
    browser.open(passing)
    browser.run(f"document.querySelector(\"{where}\").scrollIntoView({{block: 'center'}})")
    browser.one(where).click()
    assert chosen(browser)[1] == {"2"}
    assert browser.run("return document.querySelector('section.case select').value") == "2"


def test_law_the_keyboard_is_enough(browser, passing):
    """Tab reaches the controls; arrows move through time and show it; Escape takes the choice back."""
    from selenium.webdriver.common.keys import Keys

    browser.open(passing)
    button = browser.one("section.case button[data-go='1']")
    button.send_keys(Keys.ENTER)
    button.send_keys(Keys.ENTER)
    assert chosen(browser)[1] == {"2"}
    button.send_keys(Keys.ESCAPE)
    assert chosen(browser)[1] == set()
    slider = browser.one("section.case input[type='range']")
    slider.send_keys(Keys.END)
    said = browser.run("return document.querySelector('section.case output').value")
    duration = passing.told["cases"][0]["duration_s"]
    assert said.startswith(f"{duration:.2f} s, step 4: plan (3.70, 0.44) m")
    assert "front: usable" in said
    assert browser.one("line.cursor").get_dom_attribute("visibility") == "visible"
    slider.send_keys(Keys.HOME)
    assert browser.run("return document.querySelector('section.case output').value").startswith(
        "0.00 s, step 1"
    )


def test_law_the_cursor_stands_where_the_plan_is(browser, passing):
    """The robot that is drawn at the last instant stands where the plan ends, to scale."""
    browser.open(passing)
    browser.run(
        "const r = document.querySelector('section.case input[type=range]'); r.value = r.max;"
        "r.dispatchEvent(new Event('input'))"
    )
    places = browser.run(
        "const svg = document.querySelector('[data-picture=field]'), d = svg.dataset;"
        "const ellipse = svg.querySelector('.cursor ellipse');"
        "return [Number(d.left) + (3.7 - Number(d.x)) * Number(d.per), Number(ellipse.getAttribute('cx')),"
        "Number(d.base) - (0.44 - Number(d.y)) * Number(d.per), Number(ellipse.getAttribute('cy'))]"
    )
    assert places[1] == pytest.approx(places[0], abs=1.5)
    assert places[3] == pytest.approx(places[2], abs=1.5)


def test_law_the_pointer_over_the_time_axis_tells_values(browser, passing):
    """Moving over it shows the instant, both errors, and what every sensor sees."""
    from selenium.webdriver import ActionChains

    browser.open(passing)
    axis = browser.one("[data-picture='time']")
    browser.run("arguments[0].scrollIntoView({block: 'center'})", axis)
    ActionChains(browser.driver).move_to_element(axis).perform()
    said = browser.run("return document.querySelector('section.case output').value")
    assert re.match(r"2\.\d\d s, step 1: plan \(3\.\d\d, 0\.80\) m", said)
    assert "mm and" in said
    assert [name in said for name in ("front: ", "left: ", "back: ", "right: ")] == [True] * 4


def test_law_markup_in_a_title_is_text(browser, failing):
    """The title is shown as written, no script of it ran, and none of its elements came to be."""
    browser.open(failing)
    assert HOSTILE_TITLE in browser.one("h2[id='case-1-name']").text
    assert not browser.all("h2 b, main script:not([type='application/json'])")
    assert browser.run("return document.title") == f"driftgate: {HOSTILE_TITLE}"
    assert browser.complaints() == []


def test_law_steps_of_a_plan_that_cannot_be_driven_can_be_chosen(browser, infeasible):
    """It has a field and steps, and neither a time axis nor a slider."""
    browser.open(infeasible)
    assert not browser.all("[data-picture='time'], input[type='range']")
    browser.one("section.case button[data-go='1']").click()
    assert chosen(browser)[1] == {"1"}
    assert browser.complaints() == []


def test_law_without_its_script_the_page_is_whole(browser, passing):
    """With scripts off pictures and tables stand, the controls stay away, and steps link to their rows."""
    browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        browser.open(passing)
        assert browser.run("return document.documentElement.className") == ""
        heights = (
            "return [...document.querySelectorAll('svg[data-picture], table')]"
            ".map(e => e.getBoundingClientRect().height)"
        )
        assert all(height > 50 for height in browser.run(heights))
        assert browser.run("return getComputedStyle(document.querySelector('.controls')).display") == "none"
        assert (
            browser.run("return document.querySelector('a[data-choose]').getAttribute('href')")
            == "#case-1-step-1"
        )
        assert browser.run("return document.getElementById('case-1-step-1').tagName") == "TR"
    finally:
        browser.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})


def test_law_print_leaves_out_what_paper_cannot_do(browser, passing):
    """Controls are gone on paper, pictures are no wider than it."""
    browser.open(passing)
    browser.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print", "features": []})
    assert browser.run("return getComputedStyle(document.querySelector('.controls')).display") == "none"
    assert (
        browser.run("return document.querySelector('[data-picture=field]').getBoundingClientRect().width")
        < 660
    )


def test_law_the_page_stays_small(passing, failing):
    """One case takes well under the 1.5 MB that a shipped routine may take."""
    assert passing.path.stat().st_size < 250_000
    assert failing.path.stat().st_size < 400_000
