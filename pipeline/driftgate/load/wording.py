"""Words for a student: what was expected, what was found, what to write instead."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Any, Final, get_origin

from pydantic import BaseModel

from driftgate.core.errors import UnitError
from driftgate.core.units import DIMENSIONS, NUMBER_PATTERN, article, parse_quantity
from driftgate.load.fields import Option, literals, required_keys
from driftgate.load.text import shorten
from driftgate.schema.accepted import DAY_EXAMPLE
from driftgate.schema.quantity import Quantity

Fault = tuple[str, str, str]
"""Code, message, suggestion."""

# The unit that a bare number is answered with: SI, but degrees and per cent, which people think in.
_USUAL_UNIT: Final = {
    "length": "m",
    "angle": "deg",
    "speed": "m/s",
    "turn rate": "deg/s",
    "acceleration": "m/s^2",
    "angular acceleration": "deg/s^2",
}

# How people write units that we spell otherwise.
_OTHER_SPELLINGS: Final = {
    '"': "in", "''": "in", "inch": "in", "inches": "in", "ins": "in", "'": "ft", "foot": "ft", "feet": "ft",
    "metre": "m", "metres": "m", "meter": "m", "meters": "m", "millimetres": "mm", "millimeters": "mm",
    "centimetres": "cm", "centimeters": "cm", "°": "deg", "degree": "deg", "degrees": "deg", "degs": "deg",
    "radian": "rad", "radians": "rad", "turns": "rev", "turn": "rev", "revs": "rev", "sec": "s", "secs": "s",
    "second": "s", "seconds": "s", "msec": "ms", "minutes": "min", "minute": "min", "mins": "min",
    "mps": "m/s", "fps": "ft/s", "ips": "in/s", "dps": "deg/s", "°/s": "deg/s", "m/s2": "m/s^2",
    "m/s²": "m/s^2", "m/s/s": "m/s^2", "in/s2": "in/s^2", "in/s²": "in/s^2", "deg/s2": "deg/s^2",
    "deg/s²": "deg/s^2",
    "°/s²": "deg/s^2", "percent": "%", "pct": "%", "hz": "Hz", "lbs": "lb", "pound": "lb", "pounds": "lb",
    "kilogram": "kg", "kilograms": "kg", "grams": "g", "mm/√m": "mm/sqrt(m)", "deg/√s": "deg/sqrt(s)",
}  # fmt: skip
POINT_EXAMPLE: Final = "[600 mm, 1.2 m]"
# What a number too large for its unit was probably meant in.
_SMALLER: Final = {"length": "mm", "angle": "deg", "time": "ms", "speed": "mm/s", "turn rate": "deg/s"}
# Keys of a mapping that are shown; more would be a document.
_MOST_KEYS: Final = 6
# Bare lengths from which on nobody means metres of a small robot or field: mm or cm, then mm. (Our choice.)
_NO_METRES, _NO_CENTIMETRES = 10.0, 200.0
_LOOSE_QUANTITY: Final = re.compile(r"\s*([+-]?[0-9.,_]+(?:[eE][+-]?[0-9]+)?)\s*(\D.*?)?\s*", re.ASCII)


def alike(word: str, known: Iterable[str]) -> str:
    """Return the known word that was most likely meant, or an empty text."""
    candidates = list(known)
    folded = {candidate.lower().replace("_", "-"): candidate for candidate in candidates}
    plain = word[:80].lower().replace("_", "-").replace(" ", "-")
    if plain in folded:
        return folded[plain]
    close = difflib.get_close_matches(plain, folded, n=1, cutoff=0.6)
    return folded[close[0]] if close else ""


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return "did you mean 'x'?", or else what is allowed."""
    candidates = list(known)
    close = alike(word, candidates)
    if close:
        return f"did you mean '{close}'?"
    return f"allowed here: {listed(candidates)}" if candidates else ""


def listed(words: Sequence[str], most: int = 20) -> str:
    """Return the words joined by commas, cut after so many."""
    shown = ", ".join(words[:most])
    return shown if len(words) <= most else f"{shown}, …"


def one_of(words: Iterable[Any]) -> str:
    """Return "'a'", "'a' or 'b'", or "one of 'a', 'b', 'c'"."""
    quoted = [f"'{word}'" for word in words]
    if len(quoted) <= 2:
        return " or ".join(quoted)
    return f"one of {', '.join(quoted)}"


def found(value: object) -> str:
    """Return what a value is, in words."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return f"the number {shorten(str(value))}"
    if isinstance(value, str):
        return f"'{shorten(value)}'"
    return "a list" if isinstance(value, list) else "keys and values"


def expected(options: Sequence[Option]) -> str:
    """Return what the schema allows, in words."""
    texts = list(dict.fromkeys(_expected_one(option) for option in options))
    return " or ".join(texts) if texts else "something else"


def _expected_one(option: Option) -> str:
    if option.quantity is not None:
        dimension = DIMENSIONS[option.quantity.dimension]
        return f"{article(dimension.name)} such as '{dimension.example}'"
    words = literals(option)
    if words:
        return one_of(words)
    if option.model is not None:
        return keys_of(option.model)
    origin = get_origin(option.type)
    if origin is tuple:
        return f"a point [x, y] such as {POINT_EXAMPLE}"
    if origin is list:
        return "a list"
    if origin is dict:
        return "keys and values"
    plain: dict[Any, str] = {
        str: "a text",
        int: "a whole number",
        float: "a number",
        bool: "true or false",
        date: f"a day as year-month-day such as '{DAY_EXAMPLE}'",
    }
    return plain.get(option.type, "something else")


def keys_of(model: type[BaseModel]) -> str:
    """Return "keys and values" with the keys that a mapping needs, or those that it may have."""
    keys = required_keys(model) or list(model.model_fields)
    return f"keys and values such as {{{', '.join(f'{key}: ...' for key in keys[:_MOST_KEYS])}}}"


def quantity_fault(value: object, quantities: Sequence[Quantity]) -> Fault:
    """Return what is wrong with a value where one of these quantities belongs."""
    name = " or ".join(dict.fromkeys(DIMENSIONS[q.dimension].name for q in quantities))
    wanted = expected([Option(float, q) for q in quantities])
    if isinstance(value, int | float) and not isinstance(value, bool):
        return "DG111", f"{article(name)} needs its unit", _with_unit(f"{value}", quantities)
    if not isinstance(value, str):
        return "DG110", f"expected {wanted}, got {found(value)}", ""
    for quantity in quantities:
        try:
            number = parse_quantity(value, quantity.dimension)
        except UnitError:
            continue
        return _range_fault(value, number, quantity)
    return _unit_fault(value, name, wanted, quantities)


def _range_fault(value: str, number: float, quantity: Quantity) -> Fault:
    bounds = []
    unit, scale = _typed_unit(value, quantity)
    if quantity.low is not None and number < quantity.low:
        bounds.append(f"must be at least {quantity.low * scale:g} {unit}")
    if quantity.above is not None and number <= quantity.above:
        bounds.append(f"must be more than {quantity.above * scale:g} {unit}")
    if quantity.high is not None and number > quantity.high:
        bounds.append(f"must be at most {quantity.high * scale:g} {unit}")
    size = "large" if quantity.high is not None and number > quantity.high else "small"
    return "DG112", f"'{shorten(value)}' is too {size}: {', '.join(bounds)}", _meant(value, number, quantity)


def _typed_unit(value: str, quantity: Quantity) -> tuple[str, float]:
    """Return the unit that a quantity was typed in, and how many of it are one in SI."""
    dimension = DIMENSIONS[quantity.dimension]
    figure = _LOOSE_QUANTITY.fullmatch(value[:80])
    unit = figure.group(2) if figure is not None and figure.group(2) else ""
    if unit not in dimension.units:
        return ("%", 100.0) if dimension.si == "1" else (dimension.si, 1.0)
    return unit, 1.0 / parse_quantity(f"1 {unit}", quantity.dimension)


def _meant(value: str, number: float, quantity: Quantity) -> str:
    """Return what was probably meant by a quantity out of its range: no sign, or a smaller unit."""
    if number < 0.0 and 0.0 in (quantity.low, quantity.above):
        plain = value.strip().lstrip("-").lstrip()
        return f"a size has no sign: write '{shorten(plain)}'" if _allowed(plain, quantity) else ""
    unit = _SMALLER.get(quantity.dimension, "")
    figure = _LOOSE_QUANTITY.fullmatch(value[:80])
    if quantity.high is None or number <= quantity.high or not unit or figure is None:
        return ""
    smaller = f"{figure.group(1)} {unit}"
    return f"did you mean '{shorten(smaller)}'?" if _allowed(smaller, quantity) else ""


def _allowed(text: str, quantity: Quantity) -> bool:
    try:
        quantity.parse(text)
    except ValueError:
        return False
    return True


def _unit_fault(value: str, name: str, wanted: str, quantities: Sequence[Quantity]) -> Fault:
    loose = _LOOSE_QUANTITY.fullmatch(value[:80])
    if loose is None:
        return "DG111", f"expected {wanted}, got '{shorten(value)}'", ""
    number, unit = _plain_number(loose.group(1)), loose.group(2) or ""
    if number is None:
        return "DG111", f"expected {wanted}, got '{shorten(value)}'", ""
    if not unit:
        return "DG111", f"{article(name)} needs its unit", _with_unit(number, quantities)
    units = [u for q in quantities for u in DIMENSIONS[q.dimension].units]
    if unit in units:
        # The unit is right, so the number is not written as numbers are here, or is out of all bounds.
        if number == loose.group(1):
            return "DG112", f"'{shorten(value)}' is too large to be {article(name)}", ""
        return "DG111", f"'{shorten(loose.group(1))}' is not a plain number", f"write '{number} {unit}'"
    # Another spelling of the same unit can be put right; a unit that only looks alike may be another
    # size, and to write it would change the value.
    swapped = (known for known in units if sorted(known) == sorted(unit))
    close = _OTHER_SPELLINGS.get(unit.lower(), "") or next(swapped, "")
    suggestion = f"write '{number} {close}'" if close in units else f"use one of {listed(units, 8)}"
    return "DG111", f"'{shorten(unit)}' is no unit of {name}", suggestion


def _plain_number(text: str) -> str | None:
    """Return a number as it is written here, from how people write it: ".5", "1,5", "007", "1_000"."""
    plain = text.replace("_", "")
    if "," in plain and "." not in plain and plain.count(",") == 1:
        plain = plain.replace(",", ".")
    plain = re.sub(r"^([+-]?)\.", r"\g<1>0.", plain)
    plain = re.sub(r"\.(?=$|[eE])", "", plain)
    plain = re.sub(r"^([+-]?)0+(?=[0-9])", r"\1", plain)
    return plain if re.fullmatch(NUMBER_PATTERN, plain, re.ASCII) else None


def _with_unit(number: str, quantities: Sequence[Quantity]) -> str:
    size = abs(float(number))
    if quantities[0].dimension == "ratio":
        if size > 1.0:
            return f"write '{shorten(number)} %'"
        share = f"{float(number) * 100.0:.6g} %"
        return f"write '{share}' if {shorten(number)} is a share of one, else '{shorten(number)} %'"
    texts = []
    for quantity in quantities:
        dimension = DIMENSIONS[quantity.dimension]
        units = [_USUAL_UNIT.get(dimension.name, dimension.example.split(" ", 1)[1])]
        if dimension.name == "angle" and "." in number and size <= math.tau:
            units = ["deg", "rad"]
        if dimension.name == "length" and size >= _NO_METRES:
            units = ["mm", "cm"] if size < _NO_CENTIMETRES else ["mm"]
        texts += [f"'{shorten(number)} {unit}'" for unit in units]
    return f"write for example {' or '.join(dict.fromkeys(texts))}"
