"""The files that logs name, their robot, routine and field: one way to them, none of which leads out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding, Level
from driftgate.load.near import near_name
from driftgate.load.project import find_root
from driftgate.load.text import TextError, is_inside, real_path, shorten
from driftgate.logs.values import NAMED, Log, Named
from driftgate.run.log_files import folder_of, said_once

# What kind of document each of the files that a log names is.
KINDS: Final[dict[Named, str]] = {"robot": "robot", "routine": "routine", "field": "field map"}


def places(files: Sequence[Path], robot: Path | None = None) -> list[Path]:
    """Return the repositories in which a file that a log names may lie, those that come first first.

    The log's own; for one kept outside of any, that of the robot file on the command line, and the one in
    which the command is typed.
    """
    robots = [] if robot is None else [folder_of([robot])]
    return list(dict.fromkeys([folder_of(files), *robots, find_root(Path.cwd())]))


def named_file(name: str | None, roots: Iterable[Path]) -> Path | None:
    """Return a file that a log names, from the first of some repositories that has it inside; else None.

    Logs come from strangers: a name that leads out of a repository, by '..', from the top or over a link, is
    that of no file.
    """
    if name is None:
        return None
    for root in roots:
        try:
            top = real_path(root)
            real = real_path(top / name)
            if is_inside(real, top) and real.is_file():
                return real
        except (TextError, OSError, ValueError):
            continue
    return None


def check_named(
    runs: Sequence[tuple[Log, Sequence[Path]]],
    findings: list[Finding],
    keys: Sequence[Named] = NAMED,
    level: Level = "warning",
) -> None:
    """Add DG121 for files that logs name and that are not there; what several logs say alike once.

    Parameters
    ----------
    runs : sequence
        Logs, each with the repositories in which the files that it names may lie.
    findings : list of Finding
        To which they are added, each where its log names the file first.
    keys : sequence of str
        Which files are asked for.
    level : str
        Of the findings.
    """
    found: dict[tuple[Named, str], list[Finding]] = {}
    for log, roots in runs:
        for key in keys:
            name, at = getattr(log, key), log.named_at.get(key)
            if name is None or at is None or named_file(name, roots) is not None:
                continue
            words = f"there is no file {shorten(name, 80)} in the repository"
            advice = _meant(name, key, roots) or "paths start at the repository's root"
            own = Finding(at.path, at.line, at.column, "DG121", words, level, advice, at.excerpt)
            found.setdefault((key, name), []).append(own)
    findings += [said_once(same) for same in found.values()]


def _meant(name: str, key: Named, roots: Iterable[Path]) -> str:
    """Return which file was probably meant, or which there are, of the first repository that has any."""
    for root in roots:
        try:
            near = near_name(name, real_path(root), KINDS[key])
        except (TextError, OSError, ValueError):
            continue
        if near:
            return shorten(near, 400)
    return ""
