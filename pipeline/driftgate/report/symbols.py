"""Signs that say a verdict without colour."""

from __future__ import annotations

from typing import Final

SIGNS: Final = {"pass": "\u2713", "fail": "\u2717", "undecided": "?", "infeasible": "\u2717"}
STYLES: Final = {"pass": "good", "fail": "bad", "undecided": "open", "infeasible": "bad"}


def sign(status: str) -> str:
    """Return the sign of a verdict."""
    return SIGNS[status]
