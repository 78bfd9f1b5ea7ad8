"""Accepted exceptions: which are in force, what they accept, and which of them are worth a finding."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date

from driftgate.core.findings import Finding, Level
from driftgate.load.document import DocPath, Document
from driftgate.report.model import AcceptedFinding, CaseReport
from driftgate.schema.accepted import Accepted
from driftgate.schema.routine import Repeat, Routine

# Codes of the sight stage: they are looked for only where a plan is feasible.
_SIGHT_CODES = "DG3"


def in_force(routine: Routine, today: date | None) -> Routine:
    """Return the routine with those of its exceptions that have not expired; all without a day."""
    kept = [entry for entry in routine.accepted if today is None or today <= entry.until]
    return routine if len(kept) == len(routine.accepted) else routine.model_copy(update={"accepted": kept})


def entry_for(routine: Routine, code: str, level: Level, doc_path: DocPath) -> Accepted | None:
    """Return the exception of a routine that accepts a finding, or None.

    Parameters
    ----------
    routine : Routine
        The routine, its exceptions in force.
    code, level, doc_path
        The finding's code and level, and the place in the document that it is about.
    """
    candidates = [e for e in routine.accepted if e.code == code and (level != "error" or e.level == "error")]
    if not candidates:
        return None
    names = _step_names(routine, doc_path)
    for entry in candidates:
        if entry.step in names if entry.step is not None else doc_path[:1] != ("steps",):
            return entry
    return None


def _step_names(routine: Routine, doc_path: DocPath) -> set[str]:
    """Return the names of the step that a place lies in and of the repetitions around it."""
    names: set[str] = set()
    steps = routine.steps
    for key, index in zip(doc_path[::2], doc_path[1::2], strict=False):
        if key != "steps" or not isinstance(index, int) or index >= len(steps):
            break
        step = steps[index]
        if step.name is not None:
            names.add(step.name)
        if not isinstance(step, Repeat):
            break
        steps = step.steps
    return names


def split_findings(
    routine: Routine, written: Routine, findings: Iterable[tuple[DocPath, Finding]]
) -> tuple[tuple[Finding, ...], tuple[AcceptedFinding, ...]]:
    """Return the findings that count, and those that are accepted.

    Parameters
    ----------
    routine : Routine
        As it is judged, its exceptions in force.
    written : Routine
        As written, from which exceptions have their numbers.
    findings : iterable of (tuple, Finding)
        Findings with the place in the document that they are about.
    """
    counting, accepted = [], []
    for doc_path, finding in findings:
        entry = entry_for(routine, finding.code, finding.level, doc_path)
        if entry is None:
            counting.append(finding)
        else:
            index = written.accepted.index(entry)
            accepted.append(AcceptedFinding(finding, entry.reason, entry.until.isoformat(), index))
    return tuple(counting), tuple(accepted)


def exception_findings(
    documents: Sequence[Document], reports: Sequence[CaseReport], today: date | None
) -> tuple[Finding, ...]:
    """Return a finding for each exception that has expired or accepts nothing in any case.

    Parameters
    ----------
    documents : sequence of Document
        The routine of each case.
    reports : sequence of CaseReport
        Every case of each routine; with only some of them an exception may seem unused.
    today : date or None
        The day to judge on; without one nothing expires.
    """
    of_path: dict[str, Document] = {}
    of_routine: dict[str, list[CaseReport]] = defaultdict(list)
    for document, report in zip(documents, reports, strict=True):
        of_path[document.path] = document
        of_routine[document.path].append(report)
    found: list[Finding] = []
    for path, document in of_path.items():
        found += _of_one(document, of_routine[path], today)
    return tuple(found)


def _of_one(document: Document, reports: list[CaseReport], today: date | None) -> list[Finding]:
    used = {accepted.entry for report in reports for accepted in report.accepted}
    all_looked_at = all(report.verdict is not None for report in reports)
    findings = []
    for index, entry in enumerate(document.routine.accepted):
        what = entry.code if entry.step is None else f"{entry.code} in step '{entry.step}'"
        if today is not None and today > entry.until:
            message = f"the exception for {what} ended on {entry.until.isoformat()}: {entry.reason}"
            advice = "correct the routine and delete the entry, or look at it again and set a later day"
            findings.append(_finding(document, "DG901", index, message, advice))
        elif index not in used and (all_looked_at or not entry.code.startswith(_SIGHT_CODES)):
            message = f"the exception for {what} accepts nothing"
            findings.append(_finding(document, "DG902", index, message, _advice(entry, reports)))
    return findings


def _finding(document: Document, code: str, index: int, message: str, advice: str) -> Finding:
    return document.finding(code, ("accepted", index), message, advice, level="warning")


def _advice(entry: Accepted, reports: list[CaseReport]) -> str:
    """Return what to do with an exception that accepts nothing, from the findings that it missed."""
    missed = sorted(f for report in reports for f in report.findings if f.code == entry.code)
    if not missed:
        return "delete it"
    near = next((f for f in missed if f.level == "error" and entry.level == "warning"), missed[0])
    advice = f"there is {'an' if near.level == 'error' else 'a'} {near.level} {near.code} on line {near.line}"
    if entry.step is None:
        return f"{advice}: name the step and give the name here, or delete the entry"
    return f"{advice}, which it does not cover: correct or delete the entry"
