"""What is wrong with the form of a YAML text, in words for somebody who has met YAML an hour ago.

The parser speaks of indicators, nodes and mappings. Each of its complaints is told here by what it usually
comes from, with the line in which the list, the keys or the bracket begins that the parser was in.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

import yaml

from driftgate.core.findings import Finding
from driftgate.load.document import Source
from driftgate.load.text import shorten


@dataclass(frozen=True)
class _Words:
    """A part of what the parser says, and what is said instead.

    LINE stands for the line in which what the parser was in begins, STOP for the one in which it gave up.
    With `begun` the finding stands where that begins, if it is another line.
    """

    part: str
    message: str  # empty: what the parser says
    hint: str
    begun: bool = False


_TAB: Final = _Words("", "a tab, where blanks belong", "indent with blanks; an editor can replace tabs")
_DASH: Final = _Words("", "a '-' without a blank behind it", "write '- '")
_WORDS: Final = (
    _Words("tab character", _TAB.message, _TAB.hint),
    _Words(
        "mapping values are not allowed",
        "a ':' where no key can stand",
        "check the indentation, and quote a text that holds ': '",
    ),
    _Words("cannot start any token", "", "quote a text that starts with @, ` or %"),
    _Words("unexpected end of stream", "this quote is not closed", "close it", begun=True),
    _Words("found unexpected document", "", "close the quote that is still open"),
    _Words(
        "expected ',' or",
        "this bracket is not closed, or a comma is missing behind it",
        "line STOP is where that shows",
        begun=True,
    ),
    _Words(
        "expected node content",
        "a value is missing, or a line with '-' stands inside a bracket",
        "lines that begin with '-' need no bracket round them; close one that is still open",
    ),
    _Words(
        "expected key",
        "this line is indented otherwise than the keys around it (from line LINE on)",
        "keys of one thing begin in the same column; the line above may be the one that is off",
    ),
    _Words(
        "expected '-'",
        "this line is indented otherwise than the list around it (from line LINE on)",
        "every '-' of a list stands in one column, and so do an item's keys; what is no list has no '-'",
    ),
    _Words("block end", "", "line it up with the keys or items above it"),
    _Words("could not find expected ':'", "a key without its ':'", "write ': ' behind the key", begun=True),
    _Words("undefined alias", "", "write the value out; a text that starts with * needs quotes"),
    _Words("unknown escape", "", "use single quotes, or write \\\\ for a backslash"),
)
_COMMA: Final = _Words(
    "", "a comma is missing here, or the bracket's end", "add the comma, or close the bracket"
)
_TIGHT_DASH: Final = re.compile(r"\s*-[^\s-]")


def syntax_finding(error: yaml.MarkedYAMLError, source: Source) -> Finding:
    """Return what the parser stopped at, as a finding at its place."""
    mark = error.problem_mark or error.context_mark
    begun = error.context_mark or mark
    problem = shorten(str(error.problem or error.context or "cannot be read"), 120)
    line, column = (mark.line + 1, mark.column + 1) if mark else (0, 0)
    if line > len(source.lines) or (line == len(source.lines) and not source.line_text(line)):
        # At the end of the file: the last line with something on it is worth more to a reader.
        line = max((n for n, text in enumerate(source.lines, 1) if text.strip()), default=1)
        column = len(source.line_text(line)) + 1
    words, stop = _words_for(problem, source.line_text(line)), line
    if words.begun and begun is not None and begun.line + 1 != line:
        line, column = begun.line + 1, begun.column + 1
    elif words.begun and "expected ',' or" in words.part:
        words = _COMMA
    message = (words.message or problem).replace("LINE", str(begun.line + 1 if begun else line))
    return Finding(
        source.path,
        line,
        column,
        "DG102",
        f"not valid YAML: {message}",
        "error",
        words.hint.replace("STOP", str(stop)),
        source.line_text(line),
    )


def _words_for(problem: str, line: str) -> _Words:
    indent = line[: len(line) - len(line.lstrip())]
    if "\t" in indent:
        return _TAB
    if "mapping values are not allowed" in problem and _TIGHT_DASH.match(line):
        return _DASH
    return next((words for words in _WORDS if words.part in problem), _Words("", "", ""))
