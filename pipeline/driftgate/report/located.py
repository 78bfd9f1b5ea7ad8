"""All that a run has to say about places in files, worst first: what SARIF and annotations are made of."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

from driftgate.core.findings import Finding, Level
from driftgate.judge.values import SEVERITY, CaseVerdict, ContactVerdict, MomentVerdict
from driftgate.report.causes import worst_words
from driftgate.report.compare_model import CaseChange, Comparison, Policy
from driftgate.report.digits import bound_words, used_words
from driftgate.report.erosion import change_words, loosening_lines
from driftgate.report.findings import accepted_words
from driftgate.report.model import AcceptedFinding, CaseReport, RunReport
from driftgate.report.terminal import contact_words, disagreement_words, guess_words
from driftgate.report.text import plain

_LEVELS: Final[tuple[Level, ...]] = ("error", "warning", "note")
_SENTENCES: Final = re.compile(r"(?<=\.) ")
_BY_POLICY: Final[dict[Policy, Level]] = {"fail": "error", "warn": "warning", "off": "note"}


@dataclass(frozen=True)
class Related:
    """Another place in the same file, and what it has to do with the matter."""

    line: int
    words: str


@dataclass(frozen=True)
class Located:
    """One matter at one place.

    Attributes
    ----------
    code : str
        A key of `driftgate.core.rules.RULES`.
    level : {"error", "warning", "note"}
        What does not pass is an error, undecided included: it decides the exit status.
    path : str
        The file, relative to the repository root; empty where there is no such place any more.
    line, column : int
        From 1, columns in characters; 0: the whole file, the whole line.
    message : str
        What is the matter, in one line that stands by itself. Safe to print, like all texts here.
    more : tuple of str
        Lines that say more.
    identity : tuple of str
        What stays the same when lines above are edited and numbers change a little.
    related : tuple of Related
        The steps at fault, the worst first.
    accepted : str
        Until when and why it is let through; empty: it is not.
    elsewhere : bool
        Whether that is said in another file than the one it is about.
    rank : tuple of float
        Among those of a level the lower is the worse.
    """

    code: str
    level: Level
    path: str
    line: int
    column: int
    message: str
    more: tuple[str, ...]
    identity: tuple[str, ...]
    related: tuple[Related, ...] = ()
    accepted: str = ""
    elsewhere: bool = False
    rank: tuple[float, ...] = (0.0,)


def located(report: RunReport, found: Comparison | None = None) -> list[Located]:
    """Return everything that a report says of places in files.

    Parameters
    ----------
    report : RunReport
        The run. A finding that several cases of a routine share is returned once.
    found : Comparison, optional
        What has become of it since a baseline.

    Returns
    -------
    list of Located
        Errors first, then warnings, then notes; within each what is certain before what is undecided, and
        the larger shortfall first. What the routine accepts comes last.
    """
    findings = [*report.findings, *(f for case in report.cases for f in case.findings)]
    accepted = [a for case in report.cases for a in case.accepted]
    items = [located_finding(finding) for finding in dict.fromkeys(findings)]
    items += [_accepted(one) for one in dict.fromkeys(accepted)]
    for case in report.cases:
        if case.verdict is not None:
            items += _of_case(case, case.verdict, report.seed)
    if found is not None:
        items += _lost(report, found)
    return in_order(items)


def in_order(items: list[Located]) -> list[Located]:
    """Return items worst first, and what is let through last."""
    return sorted(items, key=_order)


def _order(item: Located) -> tuple[bool, int, tuple[float, ...], str, int, int, str, str]:
    level = _LEVELS.index(item.level)
    return bool(item.accepted), level, item.rank, item.path, item.line, item.column, item.code, item.message


def located_finding(finding: Finding) -> Located:
    """Return a finding at its place."""
    more = (f"hint: {plain(finding.suggestion)}",) if finding.suggestion else ()
    # The line as it stands, without its number: edits elsewhere leave it the same.
    identity = ("finding", finding.path, finding.code, finding.excerpt.strip())
    return Located(
        finding.code,
        finding.level,
        finding.path,
        finding.line,
        finding.column,
        plain(finding.message),
        more,
        identity,
        rank=(-1.0,),
    )


def _accepted(one: AcceptedFinding) -> Located:
    return replace(located_finding(one.finding), accepted=accepted_words(one), rank=(0.0,))


def _of_case(case: CaseReport, verdict: CaseVerdict, seed: int) -> list[Located]:
    items = []
    worst = worst_words(case, seed)
    for index, moment in enumerate(verdict.moments):
        if moment.status != "pass":
            told = worst if worst.startswith(f"worst at {moment.name}: ") else ""
            items.append(_moment(case, index, moment, told))
    if verdict.contact.status != "pass":
        items.append(_contact(case, verdict.contact))
    items += [_differs(case, verdict, index) for index in range(len(verdict.disagreements))]
    return items


def _moment(case: CaseReport, index: int, moment: MomentVerdict, worst: str) -> Located:
    line, column = case.places[index]
    named = case.at_fault[index] if index < len(case.at_fault) else ()
    what = f"{moment.name} {moment.status}: {moment.binding} {used_words(moment)}, {bound_words(moment)}"
    more = (moment.note, moment.reason, guess_words(moment), worst)
    return Located(
        moment.codes[0],
        "error",
        case.path,
        line,
        column,
        plain(f"{what}; on {case.label}"),
        tuple(plain(text) for text in more if text),
        ("tolerance", case.path, moment.name, case.label, moment.codes[0]),
        _related(case, [(step, _sentence(moment.reason, step)) for step in named]),
        rank=(SEVERITY.index(moment.status), moment.estimate.probability - moment.required),
    )


def _contact(case: CaseReport, contact: ContactVerdict) -> Located:
    line, column = case.contact_place
    kind = "" if contact.tilted is None else "weighted "
    places = [
        (p.step, f"first contact with {p.obstacle} in {_trials(p.trials, kind)}") for p in contact.places
    ]
    return Located(
        contact.codes[0],
        "error",
        case.path,
        line,
        column,
        plain(f"contact {contact.status}: {contact_words(contact)}; on {case.label}"),
        (plain(contact.reason),) if contact.reason else (),
        ("contact", case.path, case.label, contact.codes[0]),
        _related(case, places),
        rank=(SEVERITY.index(contact.status), contact.allowed - contact.estimate.probability),
    )


def _trials(count: int, kind: str) -> str:
    return f"{count} {kind}trial{'' if count == 1 else 's'}"


def _related(case: CaseReport, steps: list[tuple[int, str]]) -> tuple[Related, ...]:
    known = [(case.steps[step], why) for step, why in steps if step < len(case.steps)]
    return tuple(
        Related(step.line, plain(why or f"step {step.number} ({step.label})"))
        for step, why in known
        if step.line
    )


def _sentence(reason: str, step: int) -> str:
    """Return the first sentence of a reason that names a planned step; "" if none does."""
    return next((part for part in _SENTENCES.split(reason) if f"step {step + 1} (" in part), "")


def _differs(case: CaseReport, verdict: CaseVerdict, index: int) -> Located:
    found = verdict.disagreements[index]
    line, column = _place_of(case, found.moment)
    return Located(
        "DG405",
        "note",
        case.path,
        line,
        column,
        f"{disagreement_words(found)}; on {plain(case.label)}",
        (),
        ("engines", case.path, found.moment, found.axis, found.what, case.label),
    )


def _place_of(case: CaseReport, name: str) -> tuple[int, int]:
    """Return where a checkpoint, the end or contact stands; "all together" stands at the end."""
    if name == "contact" or case.verdict is None:
        return case.contact_place
    names = [moment.name for moment in case.verdict.moments]
    return case.places[names.index(name) if name in names else -1] if case.places else (0, 0)


def _lost(report: RunReport, found: Comparison) -> list[Located]:
    level = _BY_POLICY[found.policy]
    cases = {(case.path, case.label): case for case in report.cases}
    items = []
    for item, words in zip(found.loosenings, loosening_lines(found), strict=True):
        place = f"{item.path}:{item.line}" if item.line else item.path
        text = plain(f"loosened: {words.removeprefix(place).strip()}")
        identity = ("loosened", item.path, item.where)
        items.append(Located("DG407", level, item.path, item.line, 0, text, (), identity))
    for change, tolerance in found.lost:
        line, column = _line_of(cases.get((change.path, change.label)), tolerance.name)
        words = f"{tolerance.name} is worse than in {found.baseline}: {change_words(tolerance)}"
        text = plain(f"{words}; on {change.label}")
        identity = ("worse", f"{change.path} on {change.label}", tolerance.name)
        items.append(Located("DG407", level, change.path, line, column, text, (), identity))
    for name in found.gone:
        text = plain(f"gone since {found.baseline}: {name}")
        items.append(Located("DG407", level, "", 0, 0, text, (), ("gone", name)))
    items += [_broke(case, found, level) for case in found.cases if case.broke]
    return items


def _line_of(case: CaseReport | None, name: str) -> tuple[int, int]:
    return (0, 0) if case is None else _place_of(case, name)


def _broke(case: CaseChange, found: Comparison, level: Level) -> Located:
    text = plain(f"the plan could be driven in {found.baseline}; on {case.label}")
    return Located("DG407", level, case.path, 0, 0, text, (), ("broke", case.path, case.label))
