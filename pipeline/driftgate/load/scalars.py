"""What an unquoted word in a YAML file means: the core schema of YAML 1.2, and no guessing.

Source: YAML 1.2.2 (2021), section 10.3.2 "Core schema: tag resolution". Narrower here: spellings
that YAML 1.1 (2005, types bool, int, float, timestamp) reads differently are refused by name.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Trap:
    """A spelling that is refused.

    Attributes
    ----------
    code : str
        Code of the finding.
    reason : str
        What is wrong with it.
    suggestion : str
        What to write instead.
    """

    code: str
    reason: str
    suggestion: str


Scalar = str | int | float | bool | None

_WORDS: Final[dict[str, Scalar]] = {
    **dict.fromkeys(("", "~", "null", "Null", "NULL"), None),
    **dict.fromkeys(("true", "True", "TRUE"), True),
    **dict.fromkeys(("false", "False", "FALSE"), False),
}
_INTEGER: Final = re.compile(r"[-+]?(?:0|[1-9][0-9]*)", re.ASCII)
_REAL: Final = re.compile(r"[-+]?(?:\.[0-9]+|(?:0|[1-9][0-9]*)(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?", re.ASCII)
_NOT_FINITE: Final = re.compile(r"[-+]?\.(?:inf|Inf|INF)|\.(?:nan|NaN|NAN)")
_YES: Final = frozenset({"yes", "on", "y"})
_NO: Final = frozenset({"no", "off", "n"})
_SEXAGESIMAL: Final = re.compile(r"[-+]?[0-9][0-9_]*(?::[0-9_]+)+(?:\.[0-9_]*)?", re.ASCII)
_LEADING_ZERO: Final = re.compile(r"[-+]?0[0-9_]+(?:\.[0-9_]*)?(?:[eE][-+]?[0-9]+)?", re.ASCII)
_UNDERSCORES: Final = re.compile(r"[-+]?[0-9.][0-9_.]*(?:[eE][-+]?[0-9_]+)?", re.ASCII)
_OTHER_BASE: Final = re.compile(r"[-+]?0(?:b[01_]+|o[0-7_]+|x[0-9a-fA-F_]+)", re.ASCII)
_DATE: Final = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}(?:[Tt ].*)?", re.ASCII)
# Python refuses to read longer ones (CVE-2020-10735), and none is needed.
_MOST_DIGITS: Final = 30


def resolve(text: str) -> Scalar | Trap:
    """Return what an unquoted scalar means, or why it is refused."""
    if text in _WORDS:
        return _WORDS[text]
    if text[0] not in "+-.0123456789yYnNoO":
        return text
    if _NOT_FINITE.fullmatch(text):
        return Trap("DG112", f"{text} is not a finite number", "write a plain number")
    trap = _trap(text)
    if trap is not None:
        return trap
    if _INTEGER.fullmatch(text):
        return int(text) if len(text) <= _MOST_DIGITS else _too_large()
    if _REAL.fullmatch(text):
        value = float(text)
        return value if math.isfinite(value) else _too_large()
    return text


def is_word(text: str) -> bool:
    """Return whether YAML 1.2 reads a plain scalar as a word that YAML 1.1 takes for a yes or a no."""
    return text.lower() in (_YES | _NO)


def _too_large() -> Trap:
    return Trap("DG112", "the number is too large", "write a number of fewer digits")


def _trap(text: str) -> Trap | None:
    quoted = f'write "{text[:40]}" in quotes if a text is meant'
    word = text.lower()
    if word in _YES or word in _NO:
        meant = "true" if word in _YES else "false"
        return Trap(
            "DG105",
            f"{text} is a text to some readers of YAML and {meant} to others",
            f"write {meant}, or {quoted}",
        )
    if _SEXAGESIMAL.fullmatch(text):
        return Trap(
            "DG105",
            f"{text[:40]} is a text to some readers of YAML and a number in base 60 to others",
            f'write a quantity with its unit such as "90 s", or {quoted}',
        )
    if _LEADING_ZERO.fullmatch(text):
        plain = re.sub(r"^([-+]?)0+(?=[0-9])", r"\1", text.replace("_", ""))
        return Trap(
            "DG105",
            f"{text[:40]} starts with a zero, which some readers of YAML take for base 8",
            f"write {plain[:40]}, or {quoted}",
        )
    if "_" in text and _UNDERSCORES.fullmatch(text):
        return Trap(
            "DG105",
            f"{text[:40]} is a number to some readers of YAML and a text to others",
            f"write {text.replace('_', '')[:40]}, or {quoted}",
        )
    if _OTHER_BASE.fullmatch(text):
        return Trap(
            "DG105",
            f"{text[:40]} is not a decimal number, and readers of YAML disagree on it",
            f"write it in decimals, or {quoted}",
        )
    if _DATE.fullmatch(text):
        words = f"{text[:40]} is a date to some readers of YAML and a text to others"
        return Trap("DG105", words, f'a day stands in quotes: write "{text[:40]}"')
    return None
