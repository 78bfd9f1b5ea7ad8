"""Exit statuses: public, documented, tested."""

from __future__ import annotations

from collections.abc import Iterable
from enum import IntEnum

from driftgate.core.errors import DriftgateError
from driftgate.core.findings import Finding
from driftgate.report.model import CaseReport


class Exit(IntEnum):
    """What the process returns."""

    PASS = 0  # every tolerance holds, or every file is sound
    FAIL = 1  # a tolerance breaks or is undecided, or a plan is infeasible
    BAD_INPUT = 2  # bad files, or bad usage
    FAULT = 3  # a fault in driftgate itself
    NOTHING = 5  # nothing matched
    INTERRUPTED = 130


MEANINGS: dict[Exit, str] = {
    Exit.PASS: "every tolerance holds",
    Exit.FAIL: "a tolerance breaks or is undecided, or a plan is infeasible",
    Exit.BAD_INPUT: "bad input files or bad usage",
    Exit.FAULT: "a fault in driftgate",
    Exit.NOTHING: "nothing matched",
    Exit.INTERRUPTED: "interrupted",
}


class InputError(DriftgateError):
    """What was asked for cannot be done with this input; status 2."""


class FaultError(DriftgateError):
    """Something in driftgate or beneath it broke; status 3."""


def counted(number: int, singular: str, plural: str = "") -> str:
    """Return "1 tolerance" or "3 tolerances"."""
    return f"{number} {singular if number == 1 else plural or singular + 's'}"


def judged_status(cases: Iterable[CaseReport]) -> tuple[Exit, str]:
    """Return the status of judged cases and why, in one line."""
    statuses, infeasible = [], 0
    for case in cases:
        if not case.feasible or case.verdict is None:
            infeasible += 1
        if case.verdict is not None:
            statuses += [moment.status for moment in case.verdict.moments] + [case.verdict.contact.status]
    broken, open_ = statuses.count("fail"), statuses.count("undecided")
    parts = []
    if broken:
        parts.append(
            f"{broken} of {counted(len(statuses), 'tolerance')} {'breaks' if broken == 1 else 'break'}"
        )
    if open_:
        parts.append(
            f"{open_} undecided" if parts else f"{open_} of {counted(len(statuses), 'tolerance')} undecided"
        )
    if infeasible:
        parts.append(f"{counted(infeasible, 'plan')} infeasible")
    if parts:
        return Exit.FAIL, ", ".join(parts)
    return Exit.PASS, f"all {counted(len(statuses), 'tolerance')} hold" if len(
        statuses
    ) != 1 else "the tolerance holds"


def findings_status(findings: Iterable[Finding]) -> tuple[Exit, str]:
    """Return the status of the load stage's findings and why, in one line."""
    levels = [finding.level for finding in findings]
    errors = levels.count("error")
    if errors:
        return Exit.BAD_INPUT, f"{counted(errors, 'error')} in the files"
    warnings = levels.count("warning")
    return Exit.PASS, f"no errors, {counted(warnings, 'warning')}" if warnings else "no errors"
