"""Error sources as found, as the lines of a robot file."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.report.quantities import interval_words, quantity
from driftgate.report.text import plain

_INDENT = "  "


def robot_section(sources: Sequence[FoundSource], day: date | None, confidence: float) -> list[str]:
    """Return the lines of the `errors` section, each source with its interval as a comment."""
    lines = ["errors:"]
    for source in sources:
        if source.path[0] == "errors":
            lines += _source(source, day, confidence, 1)
    return lines


def _source(source: FoundSource, day: date | None, confidence: float, depth: int) -> list[str]:
    indent = _INDENT * depth
    lines = [f"{indent}# {number.key}: {words}" for number, words in _intervals(source, confidence)]
    lines.append(f"{indent}{source.path[-1]}:")
    inner = indent + _INDENT
    for number in source.numbers:
        lines.append(f"{inner}{number.key}: {quantity(number.value, number.dimension, _known(number))}")
    lines.append(f"{inner}basis: measured")
    lines.append(f"{inner}constant_over: {source.constant_over}")
    when = f", {day.isoformat()}" if day is not None else ""
    lines.append(f'{inner}note: "{plain(source.note)}, {source.runs} drives{when}"')
    return lines


def _known(number: FoundNumber) -> float | None:
    if number.interval is None or number.value == 0.0:
        return None
    # A quarter of a 95 % interval is about one standard error.
    return 0.25 * (number.interval[1] - number.interval[0])


def _intervals(source: FoundSource, confidence: float) -> list[tuple[FoundNumber, str]]:
    share = f"{100.0 * confidence:g} % interval"
    return [
        (number, f"{share} {interval_words(*number.interval, number.dimension)}")
        for number in source.numbers
        if number.interval is not None
    ]
