"""Colours that everybody can read and tell apart, by computation."""

from __future__ import annotations

import math
import re

import pytest

from driftgate.report.style import COLOURS, GROUNDS, HEATS, MARKS, TEXTS, asset, colours_css

# Of the linear light of a full lack of one kind of cone: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes,
# "A physiologically-based model for simulation of color vision deficiency", IEEE Trans. Vis. Comput. Graph.
# 15(6), 2009, pp. 1291-1298, table for severity 1.0.
LACKS = {
    "protan": "0.152286 1.052583 -0.204868 0.114503 0.786281 0.099216 -0.003882 -0.048116 1.051998",
    "deutan": "0.367322 0.860646 -0.227968 0.280085 0.672501 0.047413 -0.011820 0.042940 0.968881",
    "tritan": "1.255528 -0.076749 -0.178779 -0.078411 0.930809 0.147602 0.004733 0.691367 0.303900",
}


def linear(colour):
    """Return the linear light of a colour (IEC 61966-2-1, as WCAG 2.2 has it)."""
    parts = [int(colour[i : i + 2], 16) / 255.0 for i in (1, 3, 5)]
    return [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]


def contrast(one, other):
    """Return the contrast ratio of two colours (WCAG 2.2, "relative luminance", "contrast ratio")."""
    bright = sorted(
        sum(w * part for w, part in zip((0.2126, 0.7152, 0.0722), linear(c), strict=True))
        for c in (one, other)
    )
    return (bright[1] + 0.05) / (bright[0] + 0.05)


def lab(light):
    """Return CIE L*a*b* (CIE 15, white D65) of linear sRGB light."""
    matrix = ((0.4124, 0.3576, 0.1805), (0.2126, 0.7152, 0.0722), (0.0193, 0.1192, 0.9505))
    xyz = [sum(m * max(0.0, v) for m, v in zip(row, light, strict=True)) for row in matrix]
    f = [
        (v / w) ** (1 / 3) if v / w > 216 / 24389 else (v / w * 24389 / 27 + 16) / 116
        for v, w in zip(xyz, (0.9505, 1.0, 1.089), strict=True)
    ]
    return 116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])


def seen(colour, lack):
    """Return a colour in L*a*b* as somebody with a lack sees it."""
    light, matrix = linear(colour), [float(part) for part in LACKS[lack].split()]
    rows = (matrix[i : i + 3] for i in (0, 3, 6))
    return lab([sum(m * v for m, v in zip(row, light, strict=True)) for row in rows])


@pytest.mark.evidence(
    source="WCAG 2.2, success criteria 1.4.3 and 1.4.11",
    compares="contrast of every text and mark on every ground, light and dark",
    tolerance="at least 4.5 : 1 and 3 : 1",
)
@pytest.mark.parametrize("dark", [0, 1])
@pytest.mark.parametrize("ground", GROUNDS)
def test_ref_texts_and_marks_stand_out(dark, ground):
    """Every text has 4.5 : 1 on every ground, every line and mark 3 : 1."""
    for name in TEXTS:
        assert contrast(COLOURS[name][dark], COLOURS[ground][dark]) >= 4.5, name
    for name in MARKS:
        assert contrast(COLOURS[name][dark], COLOURS[ground][dark]) >= 3.0, name


@pytest.mark.evidence(
    source="WCAG 2.2, success criterion 1.4.3",
    compares="contrast of words on the grounds of the table of faults",
    tolerance="at least 4.5 : 1",
)
def test_ref_words_on_heat_are_legible():
    """The table of faults keeps 4.5 : 1 for its words on each of its grounds (WCAG 2.2, 1.4.3)."""
    for pair in HEATS:
        for dark in (0, 1):
            assert contrast(COLOURS["ink"][dark], pair[dark]) >= 4.5


@pytest.mark.evidence(
    source="WCAG 2.2, contrast ratio; technique G18 (4.48 : 1 of #777, from memory)",
    compares="the computation of contrast",
    tolerance="half of the last digit",
)
def test_ref_contrast_itself():
    """Black on white has 21 : 1, and #777 on white the 4.48 : 1 that just misses (WCAG technique G18)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


# What stands side by side and is meant to be told apart at a glance; signs and words say it too.
APART = (
    *(("good", "bad"), ("plan", "bad"), ("fix", "bad"), ("plan", "loose"), ("heading", "fix")),
    *(("chosen", name) for name in ("fix", "plan", "bad", "trial", "ink")),
)


@pytest.mark.evidence(
    source="Machado, Oliveira, Fernandes 2009 (lack of each kind of cone); CIE 15 (L*a*b*)",
    compares="distance of colours that stand side by side, as the colour-blind see them",
    tolerance="at least 20 (a just noticeable difference is 2.3)",
)
@pytest.mark.parametrize("dark", [0, 1])
@pytest.mark.parametrize("lack", LACKS)
def test_ref_colours_keep_apart_for_the_colour_blind(dark, lack):
    """Colours that mean different things keep a distance of 20 in L*a*b* without each kind of cone."""
    for one, other in APART:
        distance = math.dist(seen(COLOURS[one][dark], lack), seen(COLOURS[other][dark], lack))
        assert distance >= 20.0, (one, other, distance)


def test_law_all_colours_are_of_the_list():
    """No rule has a colour of its own: all are variables, which light, dark and print define."""
    for name in ("page.css", "picture.css", "night.css"):
        rules = asset(name)
        assert not re.search(r"#[0-9a-f]{3,8}\b(?![-\w])(?=[;}\s])", re.sub(r"url\(#[^)]*\)", "", rules))
        assert set(re.findall(r"var\(--([a-z]+)\)", rules)) <= set(COLOURS)
    assert colours_css().count("--ink:") == 3


def test_law_every_style_that_is_drawn_has_a_rule():
    """Every class in a picture has a rule, so that nothing is drawn in plain black."""
    from made_pictures import picture, pictured

    from driftgate.report.svg import PATTERNS
    from driftgate.report.svg_budget import budget_svg
    from driftgate.report.svg_field import field_svg
    from driftgate.report.svg_target import target_svg
    from driftgate.report.svg_time import time_svg

    one, shown = pictured(), picture()
    drawn = [
        field_svg(one, shown),
        time_svg(one, shown),
        target_svg(one, shown, 0),
        budget_svg(one),
        PATTERNS,
    ]
    used = {one for s in drawn for found in re.findall(r'class="([^"]*)"', s) for one in found.split()}
    ruled = set(re.findall(r"\.([a-zA-Z][\w-]*)", asset("picture.css") + asset("page.css")))
    # These are found by the script, or group what has rules of its own.
    assert used - ruled <= {"key", "view", "pick", "cursor"}


def test_law_patterns_that_are_named_are_there():
    """Every pattern that a rule fills with exists, so that nothing is left unfilled."""
    from driftgate.report.svg import PATTERNS

    assert set(re.findall(r"url\(#(p-[a-z]+)\)", asset("picture.css"))) == set(
        re.findall(r'id="(p-[a-z]+)"', PATTERNS)
    )
