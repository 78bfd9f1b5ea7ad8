"""Text for C files: literals, comments and numbers that no input can break out of."""

from __future__ import annotations

import math
import textwrap
import unicodedata
from collections.abc import Iterable
from typing import Final

# Stands for "no limit" and "for ever": far beyond every field and clock, and an ordinary number.
FAR: Final = "DG_FAR"
_WIDTH: Final = 100


def plain_ascii(text: str) -> str:
    """Return printable ASCII for any text: accents are dropped, what has no such form becomes '_'."""
    found = []
    for character in unicodedata.normalize("NFKD", text):
        if unicodedata.combining(character):
            continue
        found.append(character if " " <= character <= "~" else "_")
    return "".join(found)


def in_comment(text: str) -> str:
    """Return a text that cannot end a comment, begin another, or be read as a trigraph or a spliced line."""
    plain = plain_ascii(text).replace("\\", "/")
    # Runs of '/' and '*' are taken apart: no two of them stay neighbours, whatever the order.
    for pair in ("*/", "/*", "//", "??"):
        while pair in plain:
            plain = plain.replace(pair, f"{pair[0]} {pair[1]}")
    return plain.strip()


def string_literal(text: str) -> str:
    """Return a string literal, without trigraphs."""
    escaped = plain_ascii(text).replace("\\", "\\\\").replace('"', '\\"').replace("?", "\\?")
    return f'"{escaped}"'


def number(value: float) -> str:
    """Return a double that reads back as the same value; infinite ones as `DG_FAR`.

    Raises
    ------
    ValueError
        For what is no number.
    """
    if math.isnan(value):
        raise ValueError("not a number")
    if math.isinf(value):
        return FAR if value > 0.0 else f"-{FAR}"
    text = repr(float(value))
    return text if "." in text or "e" in text else f"{text}.0"


def comment(paragraphs: Iterable[str]) -> str:
    """Return a block comment of wrapped paragraphs; empty ones are blank lines."""
    lines = []
    for paragraph in paragraphs:
        lines += textwrap.wrap(in_comment(paragraph), _WIDTH - 3) or [""]
    body = "\n".join(f" * {line}".rstrip() for line in lines)
    return f"/*\n{body}\n */\n"
