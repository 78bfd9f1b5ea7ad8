"""The manifest of a code freeze as text: one fact on a line, so that a difference shows what it is."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from driftgate.judge.values import CaseVerdict, MomentVerdict
from driftgate.load.manifest import sealed
from driftgate.load.scalars import resolve
from driftgate.report.caution import SHORT
from driftgate.report.digits import exact, percent
from driftgate.report.model import CaseReport, RunReport

# Words that every reader of YAML takes for a text, and for this one.
_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9/_.-]*(?: [A-Za-z0-9/_.-]+)*", re.ASCII)
_HEAD = f"""\
# Code freeze: what was judged, with what, and how it came out.
# Written by 'driftgate freeze': do not edit. 'driftgate verify' holds the repository against it.
# {SHORT}
kind: freeze
format: 1
"""


@dataclass(frozen=True)
class FileFacts:
    """A judged file: path, kind, hash of what it means, hash of its bytes, text with plain line feeds."""

    path: str
    kind: str
    content: str
    bytes: str
    text: str


@dataclass(frozen=True)
class RobotFileFacts:
    """The generated files of one side of a routine: name to hash."""

    routine: str
    side: str
    files: Mapping[str, str]


@dataclass(frozen=True)
class ToolFacts:
    """Which driftgate, on what."""

    version: str
    source: str
    python: str
    machine: str
    libraries: Mapping[str, str]


def manifest_text(
    report: RunReport,
    paths: tuple[str, ...],
    tool: ToolFacts,
    files: tuple[FileFacts, ...],
    robot_files: tuple[RobotFileFacts, ...],
    shared_robot_files: Mapping[str, str],
) -> str:
    """Return the text of a manifest, its digest in the last line.

    Parameters
    ----------
    report : RunReport
        A run in which everything passed.
    paths : tuple of str
        What was judged: files and folders, relative to the repository.
    tool, files, robot_files, shared_robot_files
        See there; hashes are 64 hexadecimal digits.
    """
    lines = [
        "tool:",
        f"  version: {_word(tool.version)}",
        f"  source: {_hash(tool.source)}",
        f"  python: {_word(tool.python)}",
        f"  machine: {_word(tool.machine)}",
        *_mapping("libraries", {name: _word(version) for name, version in tool.libraries.items()}, "  "),
        "settings:",
        "  paths:",
        *(f"  - {_word(path)}" for path in paths),
        f"  trials: {report.trials}",
        f"  sample: {report.sample}",
        f"  seed: {report.seed}",
        f"  confidence: {exact(report.confidence, 100)} %",
        "files:",
    ]
    for file in files:
        lines += [
            f"- path: {_word(file.path)}",
            f"  kind: {file.kind}",
            f"  content: {_hash(file.content)}",
            f"  bytes: {_hash(file.bytes)}",
        ]
    lines += ["cases:"]
    for case in report.cases:
        assert case.verdict is not None
        lines += _case(case, case.verdict)
    lines += ["robot_files:" if robot_files else "robot_files: []"]
    for made in robot_files:
        lines += [f"- routine: {_word(made.routine)}", f"  side: {made.side}"]
        lines += _mapping("files", {name: _hash(found) for name, found in made.files.items()}, "  ")
    shared = {name: _hash(found) for name, found in shared_robot_files.items()}
    lines += _mapping("shared_robot_files", shared, "")
    lines += ["texts:"]
    body = _HEAD + "".join(f"{line}\n" for line in lines)
    return sealed(body + "".join(_text(file) for file in files))


def _case(case: CaseReport, verdict: CaseVerdict) -> Iterator[str]:
    yield f"- routine: {_word(case.path)}"
    yield f"  believed_map: {_word(case.believed_map)}"
    yield f"  true_map: {_word(case.true_map)}"
    yield f"  side: {case.side}"
    yield f"  trials: {verdict.success.trials}"
    yield "  tolerances:"
    for moment in verdict.moments:
        yield f"  - {{{_tolerance(moment)}}}"
    contact = verdict.contact
    upper = percent(contact.upper, contact.allowed, digits=2, direction="up")
    allowed = exact(contact.allowed, 100)
    yield f"  contact: {{verdict: {contact.status}, at_most: {upper}, allowed: {allowed} %}}"


def _tolerance(moment: MomentVerdict) -> str:
    margin = "null" if moment.margin is None else percent(moment.margin, direction="down")
    success = percent(moment.lower, moment.required, direction="down")
    return (
        f"name: {_word(moment.name)}, verdict: {moment.status}, axis: {moment.binding}, margin: {margin}, "
        f"success: {success}, required: {exact(moment.required, 100)} %"
    )


def _mapping(key: str, values: Mapping[str, str], indent: str) -> list[str]:
    if not values:
        return [f"{indent}{key}: {{}}"]
    return [f"{indent}{key}:", *(f"{indent}  {name}: {value}" for name, value in values.items())]


def _hash(digits: str) -> str:
    return f"sha256:{digits}"


def _word(text: str) -> str:
    """Return a text as YAML: as it stands where nobody can misread it, else in quotes."""
    return text if _PLAIN.fullmatch(text) and resolve(text) == text else json.dumps(text, ensure_ascii=False)


def _text(file: FileFacts) -> str:
    """Return a file as a block of indented lines, which keeps every character of it."""
    lines = file.text.split("\n")
    ending = "+" if file.text.endswith("\n") else "-"
    if file.text.endswith("\n"):
        lines.pop()
    block = "".join(f"    {line}\n" if line else "\n" for line in lines)
    return f"- path: {_word(file.path)}\n  text: |2{ending}\n{block}"
