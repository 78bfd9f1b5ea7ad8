"""What `verify` and `validate` have to say about places in files, worst first, as SARIF and annotations."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from typing import Final

from driftgate.core.findings import Finding
from driftgate.report.as_annotations import annotations_of
from driftgate.report.as_sarif import SarifHead, sarif_text
from driftgate.report.digits import percent
from driftgate.report.located import Located, in_order, located_finding
from driftgate.report.text import plain
from driftgate.report.verify_model import Risk, Verification

# What makes all else doubtful, then what does not hold, then what has changed; the lower the worse.
_RANKS: Final = {"DG701": -4.0, "DG702": -4.0, "DG714": -3.0, "DG710": -3.0, "DG713": -2.0, "DG703": -2.0}


def located_findings(findings: Iterable[Finding]) -> list[Located]:
    """Return findings as they stand in the files, each once, worst first."""
    return in_order([located_finding(finding) for finding in dict.fromkeys(findings)])


def located_verification(found: Verification) -> list[Located]:
    """Return what a verification says of places in files, worst first; what a waiver lets through is last."""
    risks = [] if found.field is None else [risk for risk in found.field.risks if risk.verdict != "pass"]
    items = [_of_verify(finding, risks) for finding in dict.fromkeys(found.findings)]
    for waived in dict.fromkeys(found.waived):
        words = f"waived until {waived.until} by {waived.who}: {waived.why}"
        items.append(replace(located_finding(waived.finding), accepted=plain(words), elsewhere=True))
    return in_order(items)


def _of_verify(finding: Finding, risks: list[Risk]) -> Located:
    item = located_finding(finding)
    rank: tuple[float, ...] = (_RANKS.get(finding.code, -1.0),)
    if finding.code == "DG714":
        risk = next((risk for risk in risks if _is_about(risk, finding)), None)
        margin = None if risk is None else risk.margin_now
        rank = (*rank, margin if margin is not None and math.isfinite(margin) else -math.inf)
        if risk is not None:
            item = replace(item, more=tuple(plain(text) for text in _because(risk) if text) + item.more)
    return replace(item, rank=rank)


def _is_about(risk: Risk, finding: Finding) -> bool:
    """Say whether a finding is of the tolerance that makes a side of a routine as risky as it is."""
    return risk.line == finding.line and finding in risk.failing


def _because(risk: Risk) -> tuple[str, str]:
    then = risk.margin_then
    frozen = "" if then is None or not math.isfinite(then) else f"margin as frozen {percent(then, 0.0)}"
    return risk.reason, frozen


def verification_sarif(found: Verification) -> str:
    """Return a verification as SARIF 2.1.0; the same verification gives the same bytes."""
    head = SarifHead(
        name="driftgate/verify/",
        version=found.version,
        command=found.command,
        status=found.status,
        why=found.why,
        done=found.status in (0, 1),
        properties={"manifest": plain(found.manifest), "digest": found.digest, "seed": found.seed},
    )
    return sarif_text(located_verification(found), head)


def verification_annotations(found: Verification) -> str:
    """Return a verification as workflow commands, worst first; may be empty."""
    return annotations_of(located_verification(found))


def findings_sarif(findings: Iterable[Finding], version: str, command: str, status: int, why: str) -> str:
    """Return the findings of `validate` as SARIF 2.1.0.

    Parameters
    ----------
    findings : iterable of Finding
        The findings.
    version : str
        driftgate's.
    command : str
        What was called.
    status : int
        Exit status: that something is wrong with the files is what the run was to find out.
    why : str
        Why, in one line.
    """
    head = SarifHead("driftgate/validate/", version, command, status, why, status in (0, 2), {})
    return sarif_text(located_findings(findings), head)


def findings_annotations(findings: Iterable[Finding]) -> str:
    """Return findings as workflow commands, worst first; may be empty."""
    return annotations_of(located_findings(findings))
