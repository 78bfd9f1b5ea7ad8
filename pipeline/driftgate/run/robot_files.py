"""Generated robot files, compared: as they come out now, as they were frozen, as they lie in a folder.

Numbers are compared to seven digits, and what is closer to zero than a billionth counts as zero: another
processor may make another last digit, and no robot feels it. Titles, and the version that wrote a file, are
no part of what it says.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Final

from driftgate import __version__
from driftgate.core.findings import Finding
from driftgate.load.project import LoadedRoutine
from driftgate.load.text import TextError, read_bytes
from driftgate.report.manifest_text import RobotFileFacts
from driftgate.run.cases import NamedCase
from driftgate.run.export import carried_cases, case_names, common_files, export_case
from driftgate.run.inputs import Inputs
from driftgate.schema.freeze import Freeze

_DIGITS: Final = 7
_ZERO: Final = 1e-9
_LARGEST_BYTES: Final = 16 * 1024 * 1024
_NUMBER: Final = re.compile(r"(?<![\w.])-?\d+(?:\.\d+(?:e[-+]?\d+)?|e[-+]?\d+)(?![\w.])", re.ASCII)
_VERSION: Final = re.compile(rf"(?<![\w.]){re.escape(__version__)}(?![\w.])")
_UNTITLED: Final = "-"


def robot_files(routines: Iterable[LoadedRoutine], today: date | None = None) -> tuple[RobotFileFacts, ...]:
    """Return hashes of the generated files of every side of some routines; what cannot be driven has none.

    Parameters
    ----------
    routines : iterable of LoadedRoutine
        The routines.
    today : date, optional
        The day on which accepted exceptions are looked at.
    """
    return tuple(
        RobotFileFacts(
            named.document.path,
            named.case.side,
            {name: text_hash(text) for name, text in files.items()},
        )
        for named, files in _exported(routines, today, titled=False)
    )


def shared_robot_files() -> dict[str, str]:
    """Return hashes of the files that those of all routines go with."""
    return {name: text_hash(text) for name, text in common_files().items()}


def text_hash(text: str) -> str:
    """Return a hash of what a generated file says, as 64 hexadecimal digits."""
    return hashlib.sha256(_plain(text).encode()).hexdigest()


def changed_outputs(
    freeze: Freeze, now: Sequence[RobotFileFacts], shared: Mapping[str, str]
) -> Iterator[tuple[str, str]]:
    """Yield the routine ("" for what all share) and a sentence for everything that comes out otherwise.

    Parameters
    ----------
    freeze : Freeze
        What was frozen.
    now, shared
        From `robot_files` and `shared_robot_files`.
    """
    then = {(made.routine, str(made.side)): made.files for made in freeze.robot_files}
    for made in now:
        frozen = then.get((made.routine, made.side))
        if frozen is not None:
            names = _differing(frozen, made.files)
            if names:
                message = f"the robot's files come out otherwise when exported again ({made.side})"
                yield made.routine, f"{message}: {', '.join(names)}"
    names = _differing(freeze.shared_robot_files, shared)
    if names:
        yield "", f"the robot's shared files come out otherwise: {', '.join(names)}"


def folder_findings(
    folder: Path, routines: Iterable[LoadedRoutine], today: date | None = None
) -> list[Finding]:
    """Return a finding for each file in a folder of generated files that the present routines do not give."""
    texts = common_files()
    for _, files in _exported(routines, today, titled=True):
        texts.update(files)
    found = []
    for name, text in texts.items():
        shown = (folder / name).as_posix()
        try:
            there = read_bytes(folder / name, folder, _LARGEST_BYTES).decode("utf-8", "replace")
        except TextError as error:
            message = f"a generated robot file cannot be held against its routine: {error.reason}"
            found.append(Finding(shown, 0, 0, "DG709", message, suggestion="run 'driftgate export' again"))
            continue
        line = _first_difference(_plain(text), _plain(there.replace("\r\n", "\n")))
        if line:
            message = "the generated robot file is not what the present routines give"
            found.append(Finding(shown, line, 1, "DG709", message, suggestion="run 'driftgate export' again"))
    return found


def _exported(
    routines: Iterable[LoadedRoutine], today: date | None, *, titled: bool
) -> Iterator[tuple[NamedCase, Mapping[str, str]]]:
    from driftgate.run.tasks import plan_one

    cases = carried_cases(Inputs(tuple(routines), None, ()), today)
    for named, name in zip(cases, case_names(cases), strict=True):
        shown = named if titled else _untitled(named)
        planned = plan_one((shown.case, shown.written))
        if planned.prepared is not None:
            yield named, export_case(shown, planned.prepared, name).files


def _untitled(named: NamedCase) -> NamedCase:
    routine = named.case.routine.model_copy(update={"title": _UNTITLED})
    return replace(named, case=replace(named.case, routine=routine))


def _differing(then: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    hashes = {name: found.removeprefix("sha256:") for name, found in then.items()}
    return sorted(name for name in hashes.keys() | now.keys() if hashes.get(name) != now.get(name))


def _plain(text: str) -> str:
    return _NUMBER.sub(_rounded, _VERSION.sub("version", text))


def _rounded(match: re.Match[str]) -> str:
    value = float(match[0])
    return "0" if abs(value) < _ZERO else f"{value:.{_DIGITS}g}"


def _first_difference(wanted: str, there: str) -> int:
    """Return the number of the first line that differs, from 1; 0 if none does."""
    if wanted == there:
        return 0
    lines = zip(wanted.split("\n"), there.split("\n"), strict=False)
    return next((i for i, (a, b) in enumerate(lines, start=1) if a != b), there.count("\n") + 1)
