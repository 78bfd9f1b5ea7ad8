"""A YAML text to plain data, with the place of every value and key.

Works on the parser's events, not on its nodes: an event stream shows aliases, tags and second
documents where they stand, cannot be made to grow, and stops at the first value too many.
Anchors and aliases are refused outright: a routine then means what each of its lines shows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, Final

import yaml

from driftgate.core.findings import Finding
from driftgate.load.document import KEY, DocPath, Source
from driftgate.load.scalars import Trap, is_word, resolve
from driftgate.load.text import UNWANTED, shorten
from driftgate.load.yaml_words import syntax_finding

DEEPEST: Final = 40
MOST_VALUES: Final = 100_000
MOST_FINDINGS: Final = 100

_PARSER: Final[Any] = getattr(yaml, "CSafeLoader", yaml.SafeLoader)


@dataclass(frozen=True, eq=False)
class Composed:
    """What a text holds.

    Attributes
    ----------
    data : object
        Nested dict, list, str, int, float, bool and None; keys are texts.
    source : Source
        Lines and places.
    findings : tuple of Finding
        What is wrong with the YAML itself.
    whole : bool
        False when reading stopped early: what is missing from the data then means nothing.
    settled : frozenset of DocPath
        Values with a finding already; nothing more need be said about them.
    """

    data: object
    source: Source
    findings: tuple[Finding, ...]
    whole: bool
    settled: frozenset[DocPath]


class _StopReadingError(Exception):
    """Reading on makes no sense."""


@dataclass
class _Reader:
    source: Source
    events: Iterator[Any]
    positions: dict[DocPath, tuple[int, int]]
    findings: list[Finding] = field(default_factory=list)
    settled: set[DocPath] = field(default_factory=set)
    values: int = 0

    def document(self) -> object:
        """Return the data of the only document."""
        data: object = None
        seen = 0
        for event in self.events:
            if isinstance(event, yaml.DocumentStartEvent):
                seen += 1
                if seen > 1:
                    self.refuse(event, "a second document in one file", "put it into a file of its own")
                    raise _StopReadingError
                if event.version or event.tags:
                    self.refuse(
                        event, "a directive before the document", "delete the line that starts with %"
                    )
                data = self.value(next(self.events), (), 1)
        if not seen:
            self.findings.append(Finding(self.source.path, 1, 1, "DG102", "the file is empty"))
            raise _StopReadingError
        return data

    def value(self, event: Any, path: DocPath, depth: int) -> object:
        """Return the data of the value that starts with the event."""
        self.values += 1
        if self.values > MOST_VALUES:
            self.report(event, "DG106", f"the file holds more than {MOST_VALUES} values")
            raise _StopReadingError
        if depth > DEEPEST:
            self.report(event, "DG106", f"nested deeper than {DEEPEST} levels")
            raise _StopReadingError
        self.positions[path] = self.place(event)
        self.refuse_features(event, path)
        if isinstance(event, yaml.ScalarEvent):
            return self.scalar(event, path)
        if isinstance(event, yaml.SequenceStartEvent):
            return self.items(path, depth)
        if isinstance(event, yaml.MappingStartEvent):
            return self.pairs(path, depth)
        return None

    def refuse_features(self, event: Any, path: DocPath) -> None:
        if isinstance(event, yaml.AliasEvent):
            self.refuse(event, f"the alias *{str(event.anchor)[:40]}", "write the value out")
            self.settled.add(path)
            return
        if event.anchor is not None:
            self.refuse(
                event,
                f"the anchor &{str(event.anchor)[:40]}",
                "delete it and write the value out where needed",
            )
        if event.tag is not None:
            self.refuse(event, f"the tag {_tag(event.tag)}", "delete it")
            self.settled.add(path)

    def scalar(self, event: Any, path: DocPath) -> object:
        text: str = event.value
        if UNWANTED.search(text):
            self.report(event, "DG101", "the text holds a control character written as an escape")
            self.settled.add(path)
            return ""
        if not event.implicit[0]:
            return text
        meaning = resolve(text)
        if isinstance(meaning, Trap):
            self.trapped(event, meaning)
            self.settled.add(path)
            return text
        return meaning

    def items(self, path: DocPath, depth: int) -> list[object]:
        found: list[object] = []
        while not isinstance(event := next(self.events), yaml.SequenceEndEvent):
            found.append(self.value(event, (*path, len(found)), depth + 1))
        return found

    def pairs(self, path: DocPath, depth: int) -> dict[str, object]:
        found: dict[str, object] = {}
        while not isinstance(event := next(self.events), yaml.MappingEndEvent):
            key = self.key(event, path, depth)
            if key is not None and key in found:
                first = self.positions[(*path, key, KEY)][0]
                self.report(
                    event,
                    "DG103",
                    f"key '{shorten(key)}' is given twice, first on line {first}",
                    "delete one of them",
                )
                key = None
            if key is None:
                # The value is read for its own faults, under a path that nothing refers to.
                self.value(next(self.events), (*path, KEY, KEY), depth + 1)
                continue
            self.positions[(*path, key, KEY)] = self.place(event)
            found[key] = self.value(next(self.events), (*path, key), depth + 1)
        return found

    def key(self, event: Any, path: DocPath, depth: int) -> str | None:
        """Return the key, or None after refusing it."""
        if not isinstance(event, yaml.ScalarEvent):
            self.value(event, (*path, KEY, KEY), depth + 1)
            if not isinstance(event, yaml.AliasEvent):
                self.report(event, "DG104", "the key is not a word", "write a plain word before the ':'")
            return None
        self.refuse_features(event, (*path, KEY, KEY))
        text: str = event.value
        if UNWANTED.search(text):
            self.report(event, "DG101", "the key holds a control character written as an escape")
            return None
        if not event.implicit[0]:
            return text
        if text == "<<":
            self.refuse(event, "a merge key", "write the keys out")
            return None
        # A key is a word wherever it stands, as YAML 1.2 has it: YAML 1.1 would have made the coordinate y
        # and the start's `off` a yes and a no. What is ambiguous as a value is so as a value only.
        meaning = text if is_word(text) else resolve(text)
        if isinstance(meaning, Trap):
            self.trapped(event, meaning)
            return None
        if not isinstance(meaning, str):
            said = f"the key {shorten(text)} is not a word" if text else "the key is missing"
            self.report(event, "DG104", said, "write a plain word before the ':'")
            return None
        return meaning

    def place(self, event: Any) -> tuple[int, int]:
        line, column = event.start_mark.line + 1, event.start_mark.column + 1
        # A value that the end of the file leaves out stands, to the parser, on a line that is not there.
        last = len(self.source.lines)
        return (line, column) if line <= last else (last, len(self.source.line_text(last)) + 1)

    def trapped(self, event: Any, trap: Trap) -> None:
        self.report(event, trap.code, trap.reason, trap.suggestion)

    def refuse(self, event: Any, what: str, suggestion: str) -> None:
        self.report(event, "DG104", f"{what} is not used in these files", suggestion)

    def report(self, event: Any, code: str, message: str, suggestion: str = "") -> None:
        line, column = self.place(event)
        excerpt = self.source.line_text(line)
        self.findings.append(
            Finding(self.source.path, line, column, code, message, "error", suggestion, excerpt)
        )
        # A hostile file may hold a fault per value; the rest of them would only cost memory.
        if len(self.findings) > MOST_FINDINGS:
            raise _StopReadingError


def compose(text: str, path: str, lines: tuple[str, ...]) -> Composed:
    """Return the plain data of a YAML text with the place of everything in it.

    Parameters
    ----------
    text : str
        The file.
    path : str
        Its name in findings.
    lines : tuple of str
        The text split into lines.
    """
    positions: dict[DocPath, tuple[int, int]] = {}
    source = Source(path, lines, positions)
    reader = _Reader(source, iter(()), positions)
    data: object = None
    whole = False
    try:
        reader.events = yaml.parse(text, Loader=_PARSER)
        data = reader.document()
        whole = True
    except _StopReadingError:
        pass
    except yaml.MarkedYAMLError as error:
        reader.findings.append(syntax_finding(error, source))
    except Exception as error:
        # The parser is foreign code reading hostile text: whatever it dies of is a fault of the text.
        reader.findings.append(Finding(path, 0, 0, "DG102", f"not valid YAML: {type(error).__name__}"))
    return Composed(data, source, tuple(reader.findings), whole, frozenset(reader.settled))


def _tag(tag: str) -> str:
    return shorten(tag.replace("tag:yaml.org,2002:", "!!"), 60)
