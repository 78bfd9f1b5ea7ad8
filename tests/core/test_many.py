"""Of many things the first, and how many more: in one wording, from one place."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from driftgate.core.many import and_more, first_of, named_of

PACKAGE = Path(__file__).resolve().parents[2] / "pipeline" / "driftgate"


@pytest.mark.parametrize(
    ("number", "noun", "words"),
    [
        (3, "", "and 3 more"),
        (1, "log", "and 1 more log"),
        (2, "log", "and 2 more logs"),
        (0, "log", ""),
        (-2, "", ""),
    ],
)
def test_law_what_is_left_out_is_counted(number, noun, words):
    """Nothing is said where nothing is left out, also where there is room for more."""
    assert and_more(number, noun) == words


@pytest.mark.parametrize("many", range(6))
def test_law_shown_and_counted_are_all(many):
    """Up to the limit everything is there; beyond it, what is shown and what is counted are all of it."""
    texts = [f"text {i}" for i in range(many)]
    shown = first_of(texts, 3, "| {} |")
    assert shown[:3] == texts[:3]
    if many <= 3:
        assert shown == texts
    else:
        assert shown[3:] == [f"| and {many - 3} more |"]
    assert named_of(texts, 3) == (", ".join(texts[:3]) + (f" and {many - 3} more" if many > 3 else ""))


def test_law_nobody_else_words_it():
    """No other module makes "and N more" itself; "2 logs more" of findings is another wording."""
    own = [
        path.relative_to(PACKAGE).as_posix()
        for path in sorted(PACKAGE.rglob("*.py"))
        if re.search(r"\band \{(?!counted)[^}]*\} more(?! of)", path.read_text(encoding="utf-8"))
    ]
    assert own == ["core/many.py"]
