"""What a routine's accepted exceptions may say."""

from __future__ import annotations

from collections.abc import Iterable

from driftgate.core.findings import Finding
from driftgate.load.document import Document
from driftgate.load.text import shorten
from driftgate.load.wording import did_you_mean


def check_accepted(document: Document, names: Iterable[str]) -> list[Finding]:
    """Return a finding for every exception that is given twice, or for a step that does not exist.

    Parameters
    ----------
    document : Document
        The routine.
    names : iterable of str
        The names of its steps.
    """
    known = list(names)
    first: dict[tuple[str, str | None], int] = {}
    findings = []
    for index, entry in enumerate(document.routine.accepted):
        place = ("accepted", index)
        if entry.step is not None and entry.step not in known:
            message = f"there is no step called '{shorten(entry.step)}'"
            findings.append(
                document.finding("DG131", (*place, "step"), message, did_you_mean(entry.step, known))
            )
        what = (entry.code, entry.step)
        if what in first:
            message = f"{entry.code} is accepted there already, on line {first[what]}"
            findings.append(document.finding("DG130", place, message, "delete one of them"))
        first.setdefault(what, document.where(place)[0])
    return findings
