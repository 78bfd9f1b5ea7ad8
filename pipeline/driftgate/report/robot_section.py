"""Error sources as found, as the lines of a robot file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.report.digits import exact
from driftgate.report.quantities import interval_words, quantity
from driftgate.report.text import plain

_INDENT = "  "


@dataclass(frozen=True)
class Origin:
    """Where numbers come from: days of the first and last run, files, and whether all of it is invented."""

    first_day: date | None = None
    last_day: date | None = None
    files: tuple[str, ...] = ()
    simulated: bool = False


def robot_section(sources: Sequence[FoundSource], origin: Origin, confidence: float) -> list[str]:
    """Return the lines of the `errors` sections, each source with its interval as a comment."""
    lines = []
    own = [source for source in sources if source.path[0] == "errors"]
    if own:
        lines.append("errors:")
        for source in own:
            lines += source_lines(source, origin, confidence, _INDENT)
    sensors = list(dict.fromkeys(source.path[1] for source in sources if source.path[0] == "sensors"))
    if sensors:
        lines.append("sensors:")
    for sensor in sensors:
        lines += [f"{_INDENT}- id: {sensor}", f"{2 * _INDENT}errors:"]
        for source in sources:
            if source.path[:2] == ("sensors", sensor):
                lines += source_lines(source, origin, confidence, 3 * _INDENT)
    return lines


def source_lines(source: FoundSource, origin: Origin, confidence: float, indent: str) -> list[str]:
    """Return the lines of one source, its key included."""
    lines = [f"{indent}{source.path[-1]}:"]
    inner = indent + _INDENT
    for name in source.instead_of:
        lines.append(f"{inner}# {name} is counted in it: delete that one")
    for number in source.numbers:
        value = quantity(number.value, number.dimension, _known(number))
        lines.append(f"{inner}{number.key}: {value}{_interval(number, confidence)}")
    lines.append(f"{inner}basis: measured")
    lines.append(f"{inner}constant_over: {source.constant_over}")
    note = f"{source.note}; simulated, invented data" if origin.simulated else source.note
    lines.append(f"{inner}note: {yaml_text(note)}")
    lines.append(f"{inner}fitted:")
    return [*lines, *_fitted(source, origin, inner + _INDENT)]


def _fitted(source: FoundSource, origin: Origin, indent: str) -> list[str]:
    lines = [f"{indent}runs: {source.runs}"]
    for number in source.fit:
        known = number.digits or number.value or None
        lines.append(f"{indent}{number.key}: {quantity(number.value, number.dimension, known)}")
    if source.goes_with:
        pairs = ", ".join(f"{name}: {_correlation(value)}" for name, value in source.goes_with)
        lines.append(f"{indent}goes_with: {{{pairs}}}   # correlation of the errors of the two means")
    if source.freedom is not None:
        lines.append(f"{indent}freedom: {exact(float(f'{max(source.freedom, 1.0):.3g}'))}")
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


def _correlation(value: float) -> str:
    # Of two numbers known together alone the last digits say how well.
    return f"{value:.3f}" if abs(value) < 0.99 else f"{value:.6f}"


def _known(number: FoundNumber) -> float | None:
    if number.digits is not None:
        return number.digits
    if number.interval is None or number.value == 0.0:
        return None
    # A quarter of a 95 % interval is about one standard error.
    return 0.25 * (number.interval[1] - number.interval[0])


def _interval(number: FoundNumber, confidence: float) -> str:
    if number.interval is None:
        return ""
    return f"   # {100.0 * confidence:g} %: {interval_words(*number.interval, number.dimension)}"
