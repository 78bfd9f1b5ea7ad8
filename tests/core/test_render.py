"""A finding on a terminal: the caret stands under its place, and a file cannot steer the terminal."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.core.findings import Finding
from driftgate.core.render import WIDEST, display_width, render_finding, visible


def finding(
    excerpt: str, column: int, message: str = "bad", suggestion: str = "", path: str = "a.yaml"
) -> Finding:
    """Return a finding on line 7."""
    return Finding(path, 7, column, "DG110", message, "error", suggestion, excerpt)


def test_pin_whole_finding() -> None:
    """Place, level, code and message, then the line, the caret and the hint."""
    text = render_finding(finding("  x: 40 deg", 6, "'deg' is no unit of length", "use m"), False)

    assert text.split("\n") == [
        "a.yaml:7:6: error DG110: 'deg' is no unit of length",
        "    7 |   x: 40 deg",
        "      |      ^",
        "  hint: use m",
    ]


@pytest.mark.parametrize(
    ("excerpt", "column", "before"),
    [
        ("x: 1", 1, ""),
        ("x: 1", 4, "x: "),
        ("x: 1", 5, "x: 1"),
        ("\tx: 1", 2, "    "),
        ("温室: 1", 3, "温室"),
        ("🌱: 1", 2, "🌱"),
        ("e\u0301e: 1", 4, "e\u0301e"),
        ("x: 1", 99, "x: 1"),
    ],
)
def test_law_caret_under_its_place(excerpt: str, column: int, before: str) -> None:
    """The caret stands as many terminal columns in as the text before it takes."""
    line, caret = render_finding(finding(excerpt, column), False).split("\n")[1:3]

    assert line.startswith("    7 | " + before)
    assert caret == "      | " + " " * display_width(before) + "^"


@given(st.text(st.sampled_from("ab 温\t🌱é"), max_size=300), st.integers(1, 310))
def test_law_long_lines_are_windowed(excerpt: str, column: int) -> None:
    """However long the line, what is shown fits, and the character at the caret is among it."""
    lines = render_finding(finding(excerpt, column), False).split("\n")
    if not excerpt:
        assert len(lines) == 1
        return
    shown, caret = lines[1][8:], lines[2][8:]

    assert display_width(shown) <= WIDEST
    assert len(caret) - 1 <= WIDEST
    if column <= len(excerpt) and excerpt[column - 1] not in " \t":
        at, width = 0, 0
        while width < len(caret) - 1:
            width += display_width(shown[at])
            at += 1
        assert shown[at] == excerpt[column - 1]


@given(st.text(max_size=80), st.text(max_size=40), st.text(max_size=40), st.booleans())
def test_law_nothing_from_a_file_steers_the_terminal(
    excerpt: str, message: str, path: str, color: bool
) -> None:
    """Whatever is in the file, the output has no control or format character but our own."""
    text = render_finding(finding(excerpt, 3, message, message, path), color)
    for own in ("\x1b[0m", "\x1b[1m", "\x1b[1;31m", "\x1b[1;32m"):
        text = text.replace(own, "") if color else text

    assert all(unicodedata.category(c)[0] != "C" for c in text if c != "\n")
    assert text.count("\n") <= 3


def test_err_workflow_commands_are_not_at_the_start_of_a_line() -> None:
    """An excerpt that looks like a command to a build service does not start its line of output."""
    lines = render_finding(finding("::error::x", 1, "m\n::set-output name=a::b"), False).split("\n")
    assert not any(line.lstrip().startswith("::") for line in lines)


def test_law_colour_only_adds_escapes() -> None:
    """With colour the same text comes out between escapes."""
    plain = render_finding(finding("x: 1", 4), False)
    colored = render_finding(finding("x: 1", 4), True)
    for own in ("\x1b[0m", "\x1b[1m", "\x1b[1;31m", "\x1b[1;32m"):
        colored = colored.replace(own, "")

    assert colored == plain
    assert visible("a\x1b[2Jb\u202ec") == "a\ufffd[2Jb\ufffdc"


def test_law_finding_about_a_whole_file() -> None:
    """Without a line there is no place and no excerpt."""
    assert (
        render_finding(Finding("a.yaml", 0, 0, "DG101", "missing"), False) == "a.yaml: error DG101: missing"
    )
