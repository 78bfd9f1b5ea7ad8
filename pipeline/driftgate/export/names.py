"""Names of files and identifiers, made from whatever a routine's file is called."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable
from typing import Final

# Of an identifier. C11 promises 63 significant characters, and a suffix comes behind it.
_LONGEST: Final = 40
# What the generated code calls its own, and names of devices that some systems refuse as files.
_TAKEN: Final = re.compile(r"^(dg|dg_.*|driftgate.*|con|prn|aux|nul|com[0-9]|lpt[0-9])$")


def identifier(text: str) -> str:
    """Return a C identifier in lower-case ASCII for any text.

    It is to be used with a suffix that begins with '_' and holds no other: what is made from two names
    then differs wherever the names do.

    Examples
    --------
    >>> identifier("corner-dash"), identifier("2nd run */"), identifier("driftgate")
    ('corner_dash', 'r_2nd_run', 'r_driftgate')
    """
    plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode().lower()
    name = re.sub(r"[^a-z0-9]+", "_", plain).strip("_")[:_LONGEST].strip("_")
    if not name or name[0].isdigit() or _TAKEN.match(name):
        name = f"r_{name}".rstrip("_")
    return name


def unique_identifiers(texts: Iterable[str]) -> list[str]:
    """Return an identifier for each text, no two of them alike: later ones get _2, _3 and so on."""
    found: list[str] = []
    used: set[str] = set()
    for text in texts:
        name = base = identifier(text)
        number = 1
        while name in used:
            number += 1
            name = f"{base}_{number}"
        used.add(name)
        found.append(name)
    return found
