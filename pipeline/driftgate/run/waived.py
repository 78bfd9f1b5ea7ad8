"""Which changes since a code freeze are let through: waivers, held to one state of one file."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.document import Document
from driftgate.report.verify_model import NeededWaiver, WaivedFinding
from driftgate.run.since_freeze import FileChange
from driftgate.schema.waivers import GONE, TOOL, WaivedVerdict, Waiver, Waivers

# How bad a verdict is; where nothing was judged, nothing is wrong.
_RANK: Final[Mapping[str, int]] = {"none": 0, "pass": 0, "undecided": 1, "fail": 2}
_SHORT: Final = 12


@dataclass(frozen=True)
class Consequence:
    """A finding about what changes lead to: it is let through if all of them are.

    Attributes
    ----------
    causes : frozenset of str
        The changed files; empty where no change explains it.
    finding : Finding
        What comes of it.
    """

    causes: frozenset[str]
    finding: Finding


@dataclass(frozen=True)
class Sorted:
    """What counts and what does not.

    Attributes
    ----------
    counting : tuple of Finding
        Findings that no waiver lets through, and those about waivers themselves.
    waived : tuple of WaivedFinding
        Those that one does.
    needed : tuple of NeededWaiver
        For each change that is not let through, what a waiver would say.
    open_files : tuple of str
        Those changes.
    """

    counting: tuple[Finding, ...]
    waived: tuple[WaivedFinding, ...]
    needed: tuple[NeededWaiver, ...]
    open_files: tuple[str, ...]


def sort_out(
    changes: Sequence[FileChange],
    consequences: Iterable[Consequence],
    verdicts: Mapping[str, WaivedVerdict],
    document: Document | None,
    today: date,
) -> Sorted:
    """Return which findings count.

    Parameters
    ----------
    changes : sequence of FileChange
        What has changed, the tool itself under the name that waivers have for it.
    consequences : iterable of Consequence
        What comes of it.
    verdicts : mapping
        For each change the worst verdict on what it can affect.
    document : Document or None
        The waivers, if there are any.
    today : date
        The day on which they are looked at.
    """
    model = None if document is None else document.model
    waivers = model.waivers if isinstance(model, Waivers) else []
    counting: list[Finding] = []
    waived: list[WaivedFinding] = []
    needed: list[NeededWaiver] = []
    covering: dict[str, Waiver] = {}
    used: set[int] = set()
    for change in changes:
        verdict = verdicts.get(change.path, "none")
        index = _waiver_for(change, waivers)
        if index is not None and document is not None:
            used.add(index)
            trouble = _trouble(document, index, waivers[index], verdict, today)
            if trouble is None:
                covering[change.path] = waivers[index]
                waived += [_waived(finding, waivers[index]) for finding in change.findings]
                continue
            counting.append(trouble)
        counting += change.findings
        state = change.state if change.state == GONE else change.state[:_SHORT]
        needed.append(NeededWaiver(change.path, state, verdict))
    for consequence in consequences:
        if consequence.causes and consequence.causes <= covering.keys():
            first = covering[min(consequence.causes)]
            waived.append(_waived(consequence.finding, first))
        else:
            counting.append(consequence.finding)
    if document is not None:
        for index, waiver in enumerate(waivers):
            if index not in used:
                counting.append(_unused(document, index, waiver, changes, today))
    return Sorted(tuple(counting), tuple(waived), tuple(needed), tuple(n.file for n in needed))


def worst_verdict(statuses: Collection[str]) -> WaivedVerdict:
    """Return the worst of some verdicts; "none" where there is none."""
    for verdict in ("fail", "undecided", "pass"):
        if verdict in statuses:
            return verdict
    return "none"


def _waiver_for(change: FileChange, waivers: Sequence[Waiver]) -> int | None:
    for index, waiver in enumerate(waivers):
        if waiver.file == change.path and change.state.startswith(waiver.state):
            return index
    return None


def _waived(finding: Finding, waiver: Waiver) -> WaivedFinding:
    return WaivedFinding(finding, waiver.who, waiver.why, waiver.until.isoformat())


def _trouble(
    document: Document, index: int, waiver: Waiver, verdict: WaivedVerdict, today: date
) -> Finding | None:
    """Return why a waiver does not let the change through that it is about; None if it does."""
    if today > waiver.until:
        message = f"the waiver for {_what(waiver)} ended on {waiver.until.isoformat()}: {waiver.why}"
        advice = "take the change back, freeze anew, or look at it again and set a later day"
        return document.finding("DG711", ("waivers", index, "until"), message, advice, "warning")
    if _RANK[verdict] > _RANK[waiver.verdict]:
        message = f"what reads {_what(waiver)} is judged '{verdict}' now, and '{waiver.verdict}' was waived"
        return document.finding("DG713", ("waivers", index, "verdict"), message)
    return None


def _unused(
    document: Document, index: int, waiver: Waiver, changes: Sequence[FileChange], today: date
) -> Finding:
    over = f", and ended on {waiver.until.isoformat()}" if today > waiver.until else ""
    change = next((c for c in changes if c.path == waiver.file), None)
    if change is None:
        message = f"the waiver for {_what(waiver)} is not used: nothing of it has changed{over}"
        return document.finding("DG712", ("waivers", index), message, "delete it", "warning")
    now = GONE if change.state == GONE else change.state[:_SHORT]
    message = f"the waiver for {_what(waiver)} is about another state of it: {waiver.state[:_SHORT]}{over}"
    advice = f"it is {now} now: look at it again, and correct the waiver"
    return document.finding("DG712", ("waivers", index, "state"), message, advice, "warning")


def _what(waiver: Waiver) -> str:
    return "driftgate itself" if waiver.file == TOOL else waiver.file
