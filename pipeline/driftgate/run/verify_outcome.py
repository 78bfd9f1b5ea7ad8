"""The exit status of a verification, and why in one line."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.core.findings import Finding
from driftgate.report.model import CaseReport
from driftgate.report.verify_model import FieldOfTheDay
from driftgate.run.since_freeze import FileChange, SinceFreeze
from driftgate.run.status import Exit, counted
from driftgate.run.waived import Sorted
from driftgate.schema.freeze import Freeze
from driftgate.schema.waivers import TOOL


def verify_outcome(
    freeze: Freeze,
    since: SinceFreeze,
    changes: Sequence[FileChange],
    found: Sorted,
    findings: Sequence[Finding],
    reports: Sequence[CaseReport],
    field: FieldOfTheDay | None,
) -> tuple[Exit, str]:
    """Return the status and why, in one line.

    Parameters
    ----------
    freeze : Freeze
        What was frozen.
    since : SinceFreeze
        What has changed in its files.
    changes : sequence of FileChange
        All changes, that of driftgate itself among them.
    found : Sorted
        Which of them waivers let through, and which count.
    findings : sequence of Finding
        Everything that counts.
    reports : sequence of CaseReport
        What was judged again because of a change.
    field : FieldOfTheDay or None
        The field of the day, if there is one.
    """
    errors = [finding for finding in findings if finding.level == "error"]
    all_the_same = _waived_words(found, reports)
    let_through = len(changes) - len(found.open_files)
    files = [path for path in found.open_files if path != TOOL]
    parts = []
    if files:
        parts.append(f"{counted(len(files), 'file')} changed since the freeze")
    if TOOL in found.open_files:
        parts.append("driftgate itself has changed")
    failing = {f.path for f in errors if f.code == "DG710"}
    if failing:
        parts.append(f"{counted(len(failing), 'changed routine')} {_do(len(failing), 'not pass')}")
    others = {f.path for f in errors if f.code == "DG709"}
    if others:
        parts.append("other files for the robot when exported again")
    if field is not None:
        risky = [risk for risk in field.risks if risk.verdict != "pass"]
        if risky:
            many = f"{len(risky)} of {counted(len(field.risks), 'case')}"
            parts.append(f"{many} {_do(len(risky), 'not hold')} on {field.path}")
    if errors:
        why = ", ".join(parts) or f"{counted(len(errors), 'finding')}"
        return Exit.FAIL, why + all_the_same
    frozen = _unchanged(freeze, since)
    if changes:
        frozen = f"{counted(let_through, 'change')} since the freeze, each with a waiver"
    if field is not None:
        frozen += f"; every case holds on {field.path}"
    return Exit.PASS, frozen + all_the_same


def _unchanged(freeze: Freeze, since: SinceFreeze) -> str:
    """Return how many files are as frozen, and how many of them only in what they mean."""
    alike = sum(note.code == "DG705" for note in since.notes)
    if not alike:
        return f"{counted(len(freeze.files), 'file')} as frozen"
    same = len(freeze.files) - alike
    edited = f"{alike} edited, but not in what {'it means' if alike == 1 else 'they mean'}"
    return f"{counted(same, 'file')} as frozen, {edited}"


def _waived_words(found: Sorted, reports: Sequence[CaseReport]) -> str:
    """Return which routines waivers let through that do not pass; whoever reads one line has to see it."""
    waived = {w.finding.path for w in found.waived if w.finding.code == "DG710"}
    failing = sorted(waived & {report.path for report in reports if report.status == "fail"})
    parts = [("predicted to fail", failing), ("left open", sorted(waived - set(failing)))]
    return "".join(f"; waived, but {words}: {', '.join(paths)}" for words, paths in parts if paths)


def _do(number: int, what: str) -> str:
    return f"{'does' if number == 1 else 'do'} {what}"
