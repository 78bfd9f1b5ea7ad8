"""What the head of a file says of its kind, without reading the rest or judging any of it."""

from __future__ import annotations

import os
import re
from typing import Final

HEAD_BYTES: Final = 8192


def says_kind(path: str, kinds: tuple[str, ...]) -> bool:
    """Say whether a file begins as a document of one of some kinds does; never raises."""
    try:
        if not os.path.isfile(path):
            return False
        with open(path, "rb") as file:
            head = file.read(HEAD_BYTES)
    except (OSError, ValueError):
        return False
    found = re.search(rb"^kind:[ \t]*[\"']?([a-z ]+)", head, re.MULTILINE)
    return found is not None and found[1].decode().strip() in kinds
