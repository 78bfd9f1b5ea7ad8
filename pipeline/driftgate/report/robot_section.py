"""Error sources as found, as the lines of a robot file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.report.quantities import interval_words, quantity
from driftgate.report.text import plain

_INDENT = "  "


@dataclass(frozen=True)
class Origin:
    """Where the numbers come from: days of the first and last run, and files, relative to the repository."""

    first_day: date | None = None
    last_day: date | None = None
    files: tuple[str, ...] = ()


def robot_section(sources: Sequence[FoundSource], origin: Origin, confidence: float) -> list[str]:
    """Return the lines of the `errors` section, each source with its interval as a comment."""
    lines = ["errors:"]
    for source in sources:
        if source.path[0] == "errors":
            lines += _source(source, origin, confidence, 1)
    return lines


def _source(source: FoundSource, origin: Origin, confidence: float, depth: int) -> list[str]:
    indent = _INDENT * depth
    lines = [f"{indent}# {number.key}: {words}" for number, words in _intervals(source, confidence)]
    lines.append(f"{indent}{source.path[-1]}:")
    inner = indent + _INDENT
    for number in source.numbers:
        lines.append(f"{inner}{number.key}: {quantity(number.value, number.dimension, _known(number))}")
    lines.append(f"{inner}basis: measured")
    lines.append(f"{inner}constant_over: {source.constant_over}")
    lines.append(f"{inner}note: {yaml_text(source.note)}")
    lines.append(f"{inner}fitted:")
    return [*lines, *_fitted(source, origin, inner + _INDENT)]


def _fitted(source: FoundSource, origin: Origin, indent: str) -> list[str]:
    lines = [f"{indent}runs: {source.runs}"]
    lines += [f"{indent}{n.key}: {quantity(n.value, n.dimension, n.value or None)}" for n in source.fit]
    if source.freedom is not None:
        lines.append(f"{indent}freedom: {max(source.freedom, 1.0):.3g}")
    for key, day in (("first_day", origin.first_day), ("last_day", origin.last_day)):
        if day is not None:
            lines.append(f'{indent}{key}: "{day.isoformat()}"')
    if origin.files:
        lines.append(f"{indent}files: [{', '.join(yaml_text(name) for name in origin.files)}]")
    return lines


def yaml_text(text: str) -> str:
    """Return a text as a YAML scalar in double quotes: one line, nothing in it that could end it."""
    shown = plain(text)[:200].replace("\\", "\\\\").replace('"', '\\"')
    return f'"{shown}"'


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
