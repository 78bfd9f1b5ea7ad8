"""Whether the steps that logs name are those of the routine that they name."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.checks_routine import steps_with_paths, unrolled_count
from driftgate.load.project import find_root, load_project
from driftgate.load.text import shorten
from driftgate.load.wording import did_you_mean, listed
from driftgate.logs.values import Log
from driftgate.run.log_files import said_once
from driftgate.run.named_files import named_file

# A log of which fewer of its steps than this are the routine's is of another one (our choice).
_OWN_SHARE: Final = 0.5


def check_steps(runs: Sequence[tuple[Log, Sequence[Path]]], findings: list[Finding]) -> list[Log]:
    """Add warnings for steps that the routine named in a log has not.

    Parameters
    ----------
    runs : sequence
        Logs, each with the repositories in which the routine that it names may lie.
    findings : list of Finding
        One DG620 is added for each unknown step, at its first cell, and one alone for a log of another
        routine; logs of one routine say the same once. Of a routine that is not there nothing is said.

    Returns
    -------
    list of Log
        The logs; those of another routine without their steps, so that nothing is found of them.
    """
    known: dict[Path, list[str] | None] = {}
    found: dict[tuple[str, str], list[Finding]] = {}
    kept = []
    for log, roots in runs:
        path = named_file(log.routine, roots)
        if path is None:
            kept.append(log)
            continue
        if path not in known:
            known[path] = _steps_of(path)
        strange, foreign = _strangers(log, known[path])
        for own in strange:
            found.setdefault((str(path), own.message), []).append(own)
        kept.append(replace(log, step=None, steps_at={}) if foreign else log)
    findings += [said_once(same) for same in found.values()]
    return kept


def _strangers(log: Log, known: list[str] | None) -> tuple[list[Finding], bool]:
    """Return a warning for each step of a log that is unknown, and whether it is of another routine."""
    named = [name for name in log.steps_at if name]
    unknown = [name for name in named if name not in (known or ())]
    if known is None or not unknown:
        return [], False
    own = [name for name in known if not name.isdigit()]
    if len(named) - len(unknown) < _OWN_SHARE * len(named):
        words = f"{len(unknown)} of the {len(named)} steps in this log are not in {log.routine}: " + (
            f"it is a log of another routine ({listed([shorten(name, 40) for name in unknown], 5)})"
        )
        advice = f"name in the log the routine that was driven, and its steps as there: {listed(own, 8)}"
        return [_warning(log, unknown[0], words, advice)], True
    return [
        _warning(
            log, name, f"there is no step '{shorten(name, 40)}' in {log.routine}", did_you_mean(name, own)
        )
        for name in unknown
    ], False


def _warning(log: Log, step: str, message: str, advice: str) -> Finding:
    at = log.steps_at[step]
    message = f"{message}; its timing is not used"
    return Finding(at.path, at.line, at.column, "DG620", message, "warning", advice, at.excerpt)


def _steps_of(path: Path) -> list[str] | None:
    """Return what logs may call the steps of a routine: their names and numbers; None if it is not sound."""
    routines = load_project([path], find_root(path)).routines
    if not routines:
        return None
    steps = routines[0].document.routine.steps
    names = [step.name for step, _ in steps_with_paths(steps) if step.name is not None]
    return [*dict.fromkeys(names), *(str(i + 1) for i in range(unrolled_count(steps)))]
