"""Quantities as a file has them: a number with as many digits as it deserves, and a unit people think in."""

from __future__ import annotations

import math
from typing import Final

from driftgate.core.units import DIMENSIONS, SHOWN

# A plain number has none. The times that are told here are latencies and the like.
_UNITS: Final = {**SHOWN, "": "", "time": "ms"}


def figure(value: float, dimension: str, error: float | None = None) -> str:
    """Return the number alone, in the dimension's unit.

    Parameters
    ----------
    value : float
        In SI.
    dimension : str
        A key of `driftgate.core.units.DIMENSIONS`, or empty for a plain number.
    error : float, optional
        How well it is known: two digits of this are shown, and as many of the value. Without it the
        value has three digits.
    """
    factor = float(DIMENSIONS[dimension].units[_UNITS[dimension]]) if dimension else 1.0
    number = value / factor
    reference = abs(number if error is None else error / factor)
    digits = 3 if error is None else 2
    if reference <= 0.0 or not math.isfinite(reference):
        return f"{number:.3g}"
    decimals = max(digits - 1 - math.floor(math.log10(reference)), 0)
    text = f"{number:.{min(decimals, 12)}f}"
    return "0" if float(text) == 0.0 else text


def quantity(value: float, dimension: str, error: float | None = None) -> str:
    """Return a quantity with its unit: "0.42 %"; arguments as in `figure`."""
    return f"{figure(value, dimension, error)} {_UNITS[dimension]}".rstrip()


def interval_words(low: float, high: float, dimension: str) -> str:
    """Return "0.35 to 0.49 %"."""
    width = 0.25 * (high - low)
    return f"{figure(low, dimension, width)} to {figure(high, dimension, width)} {_UNITS[dimension]}".rstrip()
