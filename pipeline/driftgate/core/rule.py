"""What there is to say of a kind of finding."""

from __future__ import annotations

from dataclasses import dataclass

from driftgate.core.findings import Level


@dataclass(frozen=True)
class Rule:
    """One kind of finding.

    Attributes
    ----------
    code : str
        "DG" and three digits: 1xx load, 2xx plan, 3xx sight, 4xx judgement, 6xx logged
        runs, 7xx code freeze, 8xx the history of nights, 9xx accepted exceptions. Never reused.
    title : str
        A few words.
    explanation : str
        One paragraph: what it means and what to do.
    acceptable : bool
        Whether a routine may accept it under `accepted`: only what leaves a plan that can be
        predicted, never a fault of a file or a verdict.
    usual : {"error", "warning", "note"}
        The level that a finding of this kind mostly has.
    """

    code: str
    title: str
    explanation: str
    acceptable: bool = False
    usual: Level = "error"
