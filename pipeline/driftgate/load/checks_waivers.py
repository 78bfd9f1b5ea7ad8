"""What the models of waivers cannot say alone."""

from __future__ import annotations

from driftgate.core.findings import Finding
from driftgate.load.document import Document
from driftgate.schema.waivers import Waivers


def check_waivers(document: Document) -> list[Finding]:
    """Return a finding for each waiver of what another one is about already."""
    waivers = document.model
    assert isinstance(waivers, Waivers)
    findings = []
    for i, waiver in enumerate(waivers.waivers):
        for j, other in enumerate(waivers.waivers[:i], start=1):
            same = waiver.state.startswith(other.state) or other.state.startswith(waiver.state)
            if waiver.file == other.file and same:
                message = f"'{waiver.file}' in this state has a waiver already, the {_nth(j)} of the list"
                findings.append(document.finding("DG130", ("waivers", i), message, "delete one of them"))
                break
    return findings


def _nth(number: int) -> str:
    ending = "th" if 10 <= number % 100 <= 20 else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"
