"""A robot file with some error sources replaced, everything else as it stands, comments included."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from driftgate.calibrate.found import FoundSource
from driftgate.core.errors import DriftgateError
from driftgate.core.findings import DocPath
from driftgate.load.document import KEY, Document
from driftgate.report.robot_section import Origin, source_lines


class EditError(DriftgateError):
    """The file is laid out so that sources cannot be replaced in it; the message says why."""


def edited_robot(
    document: Document, sources: Sequence[FoundSource], origin: Origin, confidence: float
) -> str:
    """Return the text of a robot file with error sources replaced or added.

    Parameters
    ----------
    document : Document
        The robot file as it is.
    sources : sequence of FoundSource
        What to put in.
    origin, confidence
        As in `robot_section`.

    Raises
    ------
    EditError
        If an `errors` section is written in braces, or is not there.
    """
    edits: list[tuple[int, int, list[str]]] = []
    for source in sources:
        path, indent, end = _section(document, source)
        place = document.positions.get((*path, source.path[-1], KEY))
        # What it takes the place of goes, so that nothing is left to be said of it.
        lines = source_lines(replace(source, instead_of=()), origin, confidence, indent)
        if place is None:
            edits.append((end, end, lines))
        else:
            begin = place[0] - 1
            edits.append((begin, _end_of_block(document.lines, begin, len(indent)), lines))
        for name in source.instead_of:
            place = document.positions.get((*path, name, KEY))
            if place is not None:
                begin = place[0] - 1
                edits.append((begin, _end_of_block(document.lines, begin, len(indent)), []))
    text = list(document.lines)
    # From the bottom up; of what is added at one place the last comes first, and is pushed down.
    edits.reverse()
    for begin, end, lines in sorted(edits, key=lambda edit: -edit[0]):
        text[begin:end] = lines
    return "\n".join(text) + ("" if text and text[-1] == "" else "\n")


def _section(document: Document, source: FoundSource) -> tuple[DocPath, str, int]:
    """Return where the section stands, the indent of its keys, and the line after its last one."""
    path: DocPath = ("errors",)
    if source.path[0] == "sensors":
        ids = [sensor.id for sensor in document.robot.sensors]
        path = ("sensors", ids.index(source.path[1]), "errors")
    key, value = document.positions.get((*path, KEY)), document.positions.get(path)
    keys = _keys_below(document.positions, path)
    if key is None or value is None or not keys:
        raise EditError(f"there is no section {_words(path)} with sources in it")
    if value[0] == key[0] or any(line == key[0] for line, _ in keys.values()):
        raise EditError(
            f"line {key[0]}: {_words(path)} is written in braces on one line; give each source a line"
        )
    column = min(column for _, column in keys.values())
    last = max(line for line, _ in keys.values())
    return path, " " * (column - 1), _end_of_block(document.lines, last - 1, column - 1)


def _keys_below(positions: Mapping[DocPath, tuple[int, int]], path: DocPath) -> dict[str, tuple[int, int]]:
    size = len(path)
    return {
        str(place[size]): at
        for place, at in positions.items()
        if len(place) == size + 2 and place[:size] == path and place[-1] == KEY
    }


def _end_of_block(lines: Sequence[str], begin: int, indent: int) -> int:
    """Return the line after a key's value: the next that is indented no more; trailing comments stay."""
    end = begin + 1
    for i in range(begin + 1, len(lines)):
        text = lines[i]
        if not text.strip() or text.lstrip().startswith("#"):
            continue
        if len(text) - len(text.lstrip()) <= indent:
            break
        end = i + 1
    return end


def _words(path: DocPath) -> str:
    return ".".join(str(part) for part in path)
