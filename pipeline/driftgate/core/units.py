"""Quantities with units: a text such as "24 in" to a number in SI.

Factors are exact: the inch is 25.4 mm by definition (NIST SP 811, 2008, Appendix B.8), and the
degree is pi/180 rad. A quantity needs its unit; a bare number is refused wherever a unit belongs.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction
from typing import Final

from driftgate.core.errors import UnitError

_DEG: Final = math.pi / 180.0
_INCH: Final = Fraction(254, 10_000)
_FOOT: Final = 12 * _INCH

_LENGTH: Final[dict[str, Fraction | float]] = {
    "m": Fraction(1),
    "cm": Fraction(1, 100),
    "mm": Fraction(1, 1000),
    "in": _INCH,
    "ft": _FOOT,
}
_ANGLE: Final[dict[str, Fraction | float]] = {
    "deg": _DEG,
    "rad": Fraction(1),
    "mrad": Fraction(1, 1000),
    "rev": 2.0 * math.pi,
}
_TIME: Final[dict[str, Fraction | float]] = {"s": Fraction(1), "ms": Fraction(1, 1000), "min": Fraction(60)}


def _per(
    top: dict[str, Fraction | float], bottom: dict[str, Fraction | float]
) -> dict[str, Fraction | float]:
    return {f"{a}/{b}": _ratio(fa, fb) for a, fa in top.items() for b, fb in bottom.items()}


def _ratio(a: Fraction | float, b: Fraction | float) -> Fraction | float:
    if isinstance(a, Fraction) and isinstance(b, Fraction):
        return a / b
    return float(a) / float(b)


def _root(top: dict[str, Fraction | float], unit: str) -> dict[str, Fraction | float]:
    return {f"{a}/sqrt({unit})": fa for a, fa in top.items()}


@dataclass(frozen=True)
class Dimension:
    """A kind of quantity: its name in messages, its SI unit, and the units it may be written in."""

    name: str
    si: str
    units: dict[str, Fraction | float]
    example: str


DIMENSIONS: Final[dict[str, Dimension]] = {
    d.name: d
    for d in (
        Dimension("length", "m", _LENGTH, "24 in"),
        Dimension("angle", "rad", _ANGLE, "90 deg"),
        Dimension("time", "s", _TIME, "0.8 s"),
        Dimension("speed", "m/s", _per(_LENGTH, {"s": Fraction(1)}), "1.4 m/s"),
        Dimension(
            "turn rate",
            "rad/s",
            {**_per(_ANGLE, {"s": Fraction(1), "min": Fraction(60)}), "rpm": 2.0 * math.pi / 60.0},
            "0.5 deg/s",
        ),
        Dimension("acceleration", "m/s^2", {f"{u}/s^2": f for u, f in _LENGTH.items()}, "2.5 m/s^2"),
        Dimension(
            "angular acceleration", "rad/s^2", {f"{u}/s^2": f for u, f in _ANGLE.items()}, "700 deg/s^2"
        ),
        Dimension(
            "mass",
            "kg",
            {"kg": Fraction(1), "g": Fraction(1, 1000), "lb": Fraction(45359237, 100_000_000)},
            "5.4 kg",
        ),
        Dimension("frequency", "Hz", {"Hz": Fraction(1), "kHz": Fraction(1000)}, "20 Hz"),
        Dimension("ratio", "1", {"%": Fraction(1, 100)}, "0.8 %"),
        Dimension("length per root metre", "m/sqrt(m)", _root(_LENGTH, "m"), "3 mm/sqrt(m)"),
        Dimension("angle per root metre", "rad/sqrt(m)", _root(_ANGLE, "m"), "0.1 deg/sqrt(m)"),
        Dimension("angle per root second", "rad/sqrt(s)", _root(_ANGLE, "s"), "0.02 deg/sqrt(s)"),
        Dimension("angle per root radian", "rad/sqrt(rad)", _root(_ANGLE, "rad"), "0.1 deg/sqrt(rad)"),
        Dimension("length per turn", "m/rad", _per(_LENGTH, _ANGLE), "4 mm/rad"),
        Dimension(
            "count per length",
            "1/m",
            {f"1/{u}": _ratio(Fraction(1), f) for u, f in _LENGTH.items()},
            "0.5 1/m",
        ),
    )
}

# The unit that people think in, where a quantity is shown.
SHOWN: Final[dict[str, str]] = {
    "length": "mm",
    "angle": "deg",
    "time": "s",
    "speed": "m/s",
    "turn rate": "deg/s",
    "frequency": "Hz",
    "ratio": "%",
    "length per root metre": "mm/sqrt(m)",
    "angle per root metre": "deg/sqrt(m)",
    "angle per root second": "deg/sqrt(s)",
    "angle per root radian": "deg/sqrt(rad)",
    "length per turn": "mm/rad",
    "count per length": "1/m",
    "acceleration": "m/s^2",
    "angular acceleration": "deg/s^2",
    "mass": "kg",
}

# Plain decimal or scientific notation only: no underscores, no leading zeros that other readers
# take for octal, no "inf" or "nan".
NUMBER_PATTERN: Final = r"[+-]?(?:0|[1-9][0-9]*)(?:\.[0-9]+)?(?:[eE][+-]?[0-9]{1,3})?"
_QUANTITY: Final = re.compile(rf"\s*({NUMBER_PATTERN})\s*(\S.*?)?\s*", re.ASCII)
_LONGEST: Final = 60


def parse_quantity(text: object, dimension: str) -> float:
    """Return a quantity in SI.

    Parameters
    ----------
    text : object
        What the file holds, such as "24 in". Anything but a text is refused.
    dimension : str
        A key of `DIMENSIONS`, such as "length".

    Returns
    -------
    float
        The value in the dimension's SI unit, correctly rounded where the factor is rational.

    Raises
    ------
    UnitError
        If the text is no finite number followed by a unit of that dimension.

    Examples
    --------
    >>> parse_quantity("24 in", "length")
    0.6096
    """
    dim = DIMENSIONS[dimension]
    if isinstance(text, bool) or not isinstance(text, str):
        if isinstance(text, int | float) and not isinstance(text, bool):
            raise UnitError(f"{article(dim.name)} needs its unit: write for example '{dim.example}'")
        raise UnitError(f"expected {article(dim.name)} such as '{dim.example}'")
    if len(text) > _LONGEST:
        raise UnitError(f"expected {article(dim.name)} such as '{dim.example}', got {len(text)} characters")
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UnitError(f"expected {article(dim.name)} such as '{dim.example}', got '{text}'")
    number, unit = match.group(1), match.group(2)
    if unit is None:
        raise UnitError(f"{article(dim.name)} needs its unit: write for example '{number} {_first(dim)}'")
    factor = dim.units.get(unit)
    if factor is None:
        raise UnitError(f"'{unit}' is no unit of {dim.name}; use one of {_some_units(dim)}")
    if isinstance(factor, Fraction):
        value = _to_float(Fraction(number) * factor, text)
    else:
        value = float(number) * factor
    if not math.isfinite(value):
        raise UnitError(f"'{text}' is too large to be {article(dim.name)}")
    return value


def _to_float(exact: Fraction, text: str) -> float:
    try:
        return float(exact)
    except OverflowError:
        raise UnitError(f"'{text}' is too large") from None


def article(name: str) -> str:
    """Return a noun with "a" or "an"."""
    return f"an {name}" if name[0] in "aeiou" else f"a {name}"


def _first(dim: Dimension) -> str:
    return dim.example.split(" ", 1)[1]


def _some_units(dim: Dimension) -> str:
    return ", ".join(list(dim.units)[:8])


def quantity_pattern(dimension: str) -> str:
    """Return a regular expression (ECMA syntax) of the dimension's texts, for JSON Schema."""
    units = "|".join(
        re.escape(u).replace("\\/", "/").replace("\\%", "%") for u in DIMENSIONS[dimension].units
    )
    return f"^\\s*{NUMBER_PATTERN}\\s*({units})\\s*$"
