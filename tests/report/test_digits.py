"""Figures that never contradict a verdict."""

from __future__ import annotations

import math
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_reports import axis, moment

from driftgate.judge.night import Counted
from driftgate.report.digits import bound_words, exact, limit_words, percent, shown, used_words
from driftgate.report.night_figures import bound_words as night_bound_words

NUMBER = st.floats(0.0, 2.0, allow_subnormal=False)
CLOSE = st.integers(-3, 3)


def nudged(value, steps):
    """Return the float so many representable steps away."""
    for _ in range(abs(steps)):
        value = math.nextafter(value, math.inf if steps > 0 else -math.inf)
    return value


@given(
    NUMBER,
    CLOSE,
    st.sampled_from([1, 100, 1000]),
    st.integers(0, 4),
    st.sampled_from(["nearest", "down", "up"]),
)
def test_law_rounding_never_crosses(threshold, steps, factor, digits, direction):
    """What is shown compares to the shown threshold as the value does to the threshold."""
    value = nudged(threshold, steps)
    text = shown(value, threshold, factor=factor, digits=digits, direction=direction)
    a, b = Decimal(text), Decimal(exact(threshold, factor))
    assert (a > b, a < b) == (value > threshold, value < threshold)


@given(NUMBER, NUMBER, st.sampled_from(["down", "up"]))
def test_law_bounds_shown_are_true(value, threshold, direction):
    """A lower bound is never shown too high, an upper bound never too low."""
    text = Decimal(percent(value, threshold, direction=direction).removesuffix(" %"))
    full = Decimal(exact(value, 100))
    assert text <= full if direction == "down" else text >= full


@given(st.integers(1, 4000), st.data(), st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99, 0.999]))
def test_law_shown_bound_agrees_with_verdict(trials, data, required):
    """The bound printed beside a verdict bears it out, however close the call."""
    found = moment(successes=data.draw(st.integers(0, trials)), trials=trials, required=required)
    words = bound_words(found)
    numbers = [Decimal(w) for w in words.replace("(", "").split() if w[0].isdigit()]
    need = numbers[-1]
    if found.status == "pass":
        assert words.startswith("p >= ")
        assert numbers[0] >= need
    elif found.status == "fail":
        assert words.startswith("p <= ")
        assert numbers[0] < need
    else:
        assert numbers[0] < need <= numbers[1]


def test_law_close_calls_by_hand():
    """99.96 % against 100 % is not rounded to it, and 99.004 % against 99 % keeps its digits."""
    assert percent(0.9996, 1.0, digits=0) == "99.96 %"
    assert shown(0.9996, 1.0, factor=100, digits=0, direction="up") == "99.96"
    assert shown(-0.0001, digits=1) == "0.0"
    assert percent(0.99004, 0.99, direction="down") == "99.004 %"
    assert percent(0.5, 0.99) == "50.0 %"


def test_law_used_words():
    """Unknown and infinite shares are words, not figures; no share is rounded onto 100 %."""
    assert [used_words(moment(used=u)) for u in (None, math.inf, 0.43, 1.0, 1.0000001, 0.9999)] == [
        "unknown share of 25 mm",
        "outright misses of 25 mm",
        "10.8 of 25 mm (43 %)",
        "25.0 of 25 mm (100 %)",
        "25.1 of 25 mm (101 %)",
        "24.998 of 25 mm (99.99 %)",
    ]


@pytest.mark.parametrize(("value", "text"), [(0.99, "99"), (0.995, "99.5"), (1.0, "100"), (1e-7, "0.00001")])
def test_law_exact_has_no_binary_dust(value, text):
    """A probability from a file is shown as it was written."""
    assert exact(value, 100) == text


def test_law_limits_in_words():
    """Limits are shown in mm and degrees, as written."""
    assert limit_words(axis(high=0.0254)) == "25.4 mm"
    assert limit_words(axis("heading", high=math.radians(1.5))) == "1.5 deg"


def test_law_contact_has_the_same_words_everywhere():
    """A night's row of a case in which nothing may touch says so as a check does."""
    none = Counted("contact", 1.0, 4000, 4000, 4000, "pass", 0.999, 1.0, None, "")
    some = Counted("contact", 0.99, 4000, 3998, 3998, "pass", 0.998, 1.0, None, "")
    assert night_bound_words(none).endswith("(none may touch)")
    assert night_bound_words(some).endswith("(1 % allowed)")


@pytest.mark.parametrize(
    ("status", "weighted", "touched", "allowed", "words"),
    [
        ("pass", False, 2, 0.01, "in 2 of 4000 trials, p <= 0.19 % (1 % allowed)"),
        ("fail", False, 90, 0.01, "in 90 of 4000 trials, p >= 1.50 % (1 % allowed)"),
        ("undecided", False, 40, 0.01, "in 40 of 4000 trials, p from 0.70 % to 1.40 % (1 % allowed)"),
        ("pass", True, 0, 1e-4, "by weighted trials, p <= 0.0031 % (0.01 % allowed)"),
        ("fail", True, 0, 1e-4, "by weighted trials, p >= 0.0200 % (0.01 % allowed)"),
        ("pass", True, 0, 0.0, "in 0 of 4000 trials, p <= 0.09 % (none may touch)"),
        ("fail", True, 0, 0.0, "in none of 4000 trials, but in weighted ones, p <= 0.09 % (none may touch)"),
        ("fail", True, 3, 0.0, "in 3 of 4000 trials, p <= 0.19 % (none may touch)"),
    ],
)
def test_law_no_count_of_plain_trials_stands_beside_bounds_of_weighted_ones(
    status, weighted, touched, allowed, words
):
    """Contact says the bound that decided, and which trials it is of."""
    bounds = {2: (0.9981, 1.0), 90: (0.97, 0.985), 40: (0.986, 0.993), 3: (0.9981, 1.0), 0: (0.9991, 1.0)}
    lower, upper = bounds[touched]
    if weighted and allowed:
        lower, upper = (1.0 - 0.31e-4, 1.0) if status == "pass" else (1.0 - 5e-4, 1.0 - 2e-4)
    clear = 4000 - touched
    one = Counted("contact", 1.0 - allowed, 4000, clear, clear, status, lower, upper, None, "")
    assert night_bound_words(one, weighted) == words
