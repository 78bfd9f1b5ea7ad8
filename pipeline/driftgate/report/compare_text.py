"""Figures of comparisons in words, common to the formats that people read."""

from __future__ import annotations

import math

from driftgate.judge.paired_values import Difference
from driftgate.report.compare_model import Figure, SideBySide
from driftgate.report.digits import exact, percent, shown

# Decimals of readings a run.
_READING_DIGITS = 2
# From this width of an interval on, hundredths of a percentage point say nothing. [1]
_WIDE = 0.01


def signed(value: float, factor: int = 1, digits: int = 1) -> str:
    """Return a number with its sign; zero has none."""
    text = shown(value, factor=factor, digits=digits)
    return text if text.startswith("-") or float(text) == 0.0 else f"+{text}"


def interval_words(found: Difference | None, unit: str = "", factor: int = 1, digits: int = 1) -> str:
    """Return the interval of a difference: "-1.2 to +0.3 mm"; empty for none."""
    if found is None:
        return ""
    if found.low is None or found.high is None:
        return "too few trials"
    low, high = signed(found.low, factor, digits), signed(found.high, factor, digits)
    return f"{low} to {high}{unit}" if low != high else f"{low}{unit}"


def _with_interval(value: str, interval: str) -> str:
    return f"{value} ({interval})" if interval else value


def share_figure(figure: Figure) -> str:
    """Return a probability with its difference in percentage points."""
    digits = 1 if _is_wide(figure.difference) else 2
    return _with_interval(percent(figure.value), interval_words(figure.difference, "", 100, digits))


def _is_wide(found: Difference | None) -> bool:
    """Return whether an interval of probabilities is so wide that hundredths of a per cent say nothing."""
    if found is None or found.low is None or found.high is None:
        return False
    return found.high - found.low > _WIDE


def reading_figure(figure: Figure) -> str:
    """Return readings a run with the difference."""
    value = shown(figure.value, digits=_READING_DIGITS)
    return _with_interval(value, interval_words(figure.difference, digits=_READING_DIGITS))


def error_unit(axis: str) -> str:
    """Return the unit that an error on an axis is shown in."""
    return "deg" if axis == "heading" else "mm"


def error_value(value: float, axis: str) -> str:
    """Return an error without its unit: mm, or degrees."""
    return shown(math.degrees(value), digits=2) if axis == "heading" else shown(value, factor=1000, digits=1)


def error_interval(found: Difference | None, axis: str) -> str:
    """Return the interval of a difference of errors without its unit."""
    if axis != "heading" or found is None or found.low is None or found.high is None:
        return interval_words(found, factor=1000)
    turned = Difference(math.degrees(found.value), math.degrees(found.low), math.degrees(found.high))
    return interval_words(turned, digits=2)


def error_figure(figure: Figure, axis: str) -> str:
    """Return an error with its difference, both in mm or degrees."""
    return _with_interval(error_value(figure.value, axis), error_interval(figure.difference, axis))


def overview_tables(report: SideBySide) -> list[tuple[tuple[str, ...], list[tuple[str, ...]]]]:
    """Return the tables over the whole routine, each its header and rows: outcomes, and readings.

    Two, since one would not fit a terminal. The first cell of a row is the variant's name as it is.
    """
    outcomes: list[tuple[str, ...]] = []
    readings: list[tuple[str, ...]] = []
    for variant in report.variants:
        if variant.success is None or variant.contact is None or variant.fixes is None:
            outcomes.append((variant.name, "infeasible", ""))
            continue
        accepted, refused = variant.wrongly_accepted, variant.wrongly_refused
        assert accepted is not None
        assert refused is not None
        outcomes.append((variant.name, share_figure(variant.success), share_figure(variant.contact)))
        counts = (variant.fixes, accepted, refused)
        readings.append((variant.name, *(reading_figure(figure) for figure in counts)))
    first: tuple[str, ...] = ("variant", "success", "contact")
    second: tuple[str, ...] = ("readings a run", "fixes", "wrongly accepted", "wrongly refused")
    return [(first, outcomes), *([(second, readings)] if readings else [])]


def gist_words(report: SideBySide) -> list[str]:
    """Return for each variant but the first whether success is shown to differ; names as they are.

    One that came out as the first in every trial has its sentence in `same_words`.
    """
    lines = []
    for variant in report.variants[1:]:
        found = None if variant.success is None else variant.success.difference
        if found is None or variant.same:
            continue
        lines.append(f"{variant.name}: {_gist(found)}")
    return lines


def _gist(found: Difference) -> str:
    if found.low is None or found.high is None:
        return "too few trials to say whether success differs"
    digits = 1 if _is_wide(found) else 2
    low, high = (shown(abs(end), factor=100, digits=digits) for end in (found.low, found.high))
    if found.low > 0.0:
        return f"succeeds more often, in {low} to {high} more of 100 runs"
    if found.high < 0.0:
        return f"succeeds less often, in {high} to {low} fewer of 100 runs"
    return f"no difference in success is shown: it is between {low} fewer and {high} more of 100 runs"


def moment_tables(report: SideBySide) -> list[tuple[str, tuple[str, ...], list[tuple[str, ...]]]]:
    """Return for every moment its name, the header of its columns, and the cells of each variant.

    The first cell of a row is the variant's name as it is, unescaped.
    """
    told = [variant for variant in report.variants if variant.moments]
    found = []
    for i, moment in enumerate(told[0].moments if told else ()):
        header = ("success", *(f"95 % on {axis.axis}, {error_unit(axis.axis)}" for axis in moment.axes))
        rows = []
        for variant in told:
            here = variant.moments[i]
            errors = (error_figure(axis.error, axis.axis) for axis in here.axes)
            rows.append((variant.name, share_figure(here.success), *errors))
        found.append((moment.name, header, rows))
    return found


def strict_words(count: int) -> list[str]:
    """Return what plain trials cannot say where a requirement is very high; nothing where none is."""
    if not count:
        return []
    requires = "1 tolerance requires" if count == 1 else f"{count} tolerances require"
    which = "it" if count == 1 else "them"
    return [
        f"{requires} 99.99 % or more, and these are plain trials, in which failures that rare hardly show; "
        f"driftgate check decides {which} by weighted trials."
    ]


def same_words(report: SideBySide) -> list[str]:
    """Return which variants came out as the first one did in every trial; their names as they are."""
    return [
        f"{variant.name}: the same in every trial as the first variant"
        for variant in report.variants
        if variant.same
    ]


def legend(report: SideBySide) -> tuple[str, str]:
    """Return how to read the tables, in two sentences."""
    return (
        "In brackets: by how much it differs from the first variant, from the least to the most that these "
        f"{report.trials} trials leave possible, the same luck in all (at {exact(report.confidence, 100)} %, "
        "each by itself); where that runs from - to +, no difference is shown.",
        "Success and contact differ by percentage points; 95 % on an axis: what the error stays within in 95 "
        "of 100 runs; readings: of all sensors together.",
    )
