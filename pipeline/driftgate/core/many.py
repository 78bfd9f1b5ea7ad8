"""What is said of many things when only the first of them are shown."""

from __future__ import annotations

from collections.abc import Sequence


def and_more(number: int, noun: str = "") -> str:
    """Return "and 3 more", or "and 3 more verdicts"; "" if nothing is left out.

    Parameters
    ----------
    number : int
        How many are left out; may be below zero where there is room for more than there are.
    noun : str
        What one of them is called; without it they are as those before them.
    """
    words = f" {noun}{'' if number == 1 else 's'}" if noun else ""
    return f"and {number} more{words}" if number > 0 else ""


def first_of(lines: Sequence[str], most: int, row: str = "{}") -> list[str]:
    """Return the first `most` texts, and where there are more, a last one that says how many.

    Parameters
    ----------
    lines : sequence of str
        Texts, each as it is to stand.
    most : int
        How many of them to show.
    row : str
        What the last one stands in, with {} for it: "- {}" in a list, "| | {} |" in a table.
    """
    rest = and_more(len(lines) - most)
    return [*lines[:most], *([row.format(rest)] if rest else [])]


def named_of(names: Sequence[str], most: int) -> str:
    """Return the first `most` names joined by commas, and how many more there are: "a, b and 3 more"."""
    rest = and_more(len(names) - most)
    return ", ".join(names[:most]) + (f" {rest}" if rest else "")


def also_in_logs(number: int, names: str = "") -> str:
    """Return " (and so in 2 logs more)", with their names if given; "" if there are none."""
    named = f": {names}" if names else ""
    return f" (and so in {number} log{'' if number == 1 else 's'} more{named})" if number > 0 else ""
