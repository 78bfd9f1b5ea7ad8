"""The report that a person reads in a terminal or a build log."""

from __future__ import annotations

from driftgate.judge.values import CaseVerdict, ContactVerdict, Disagreement, MomentVerdict
from driftgate.report.causes import group_words, worst_words
from driftgate.report.causes import trials_words as trials_of
from driftgate.report.caution import SHORT
from driftgate.report.digits import (
    allowed_words,
    amount_words,
    bound_words,
    lost_words,
    percent,
    together_words,
    trials_words,
    used_words,
)
from driftgate.report.findings import render_accepted, render_findings
from driftgate.report.model import CaseReport, RunReport, by_routine, worst_first
from driftgate.report.paint import Paint
from driftgate.report.text import plain

_GROUPS_SHOWN = 3


def render_terminal(report: RunReport, *, colour: bool = False, quiet: bool = False) -> str:
    """Return the report as lines of text.

    Parameters
    ----------
    report : RunReport
        What to tell.
    colour : bool
        Whether to colour verdicts.
    quiet : bool
        Leave out everything that passes.
    """
    paint = Paint(colour)
    lines = render_findings(report.findings, paint)
    for path, cases in by_routine(report.cases):
        told = [case for case in cases if not quiet or case.status != "pass" or case.findings]
        if not told:
            continue
        if lines:
            lines.append("")
        lines.append(paint(f"{plain(path)}  {plain(cases[0].title)}", "bold"))
        for case in told:
            lines += _case(case, paint, quiet)
            lines += _failures(case, report.seed)
    if report.cases and not (quiet and report.status == 0):
        lines += ["", *_closing(report)]
    return "\n".join(lines) + "\n" if lines else ""


def _case(case: CaseReport, paint: Paint, quiet: bool) -> list[str]:
    lines = [f"  {paint.level(case.status.ljust(9), case.status)} on {plain(case.label)}"]
    lines += ["    " + line for line in render_findings(case.findings, paint)]
    if not quiet:
        lines += ["    " + line for line in render_accepted(case.accepted, paint)]
    if case.verdict is None:
        lines.append("      the plan is infeasible, so nothing is predicted")
        return lines
    told = [(i, m) for i, m in worst_first(case.verdict) if not quiet or m.status != "pass"]
    lines += _moments(case, told, paint)
    if not quiet or case.verdict.contact.status != "pass":
        lines += _contact(case.verdict.contact, paint)
    if not quiet and case.verdict.lost:
        lines.append(f"      lost      the robot says that it is, {lost_words(case.verdict)}")
    if not quiet:
        lines.append(f"      together  {together_words(case.verdict)}")
    lines += [f"      note DG405: {text}" for text in notes(case.verdict)]
    return lines


def _failures(case: CaseReport, seed: int) -> list[str]:
    if case.verdict is None or case.status == "pass":
        return []
    lines = []
    causes = case.verdict.causes
    if causes is not None:
        lines.append(f"of {trials_of(causes)}:")
        lines += [f"  {text}" for text in group_words(causes, _GROUPS_SHOWN)]
    lines += [text for text in (worst_words(case, seed),) if text]
    return [f"      {plain(line)}" for line in lines]


def _moments(case: CaseReport, told: list[tuple[int, MomentVerdict]], paint: Paint) -> list[str]:
    if not told:
        return []
    cells = [moment_cells(moment) for _, moment in told]
    widths = [max(len(row[i]) for row in cells) for i in range(len(cells[0]))]
    lines = []
    for (index, moment), row in zip(told, cells, strict=True):
        padded = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        padded[3] = paint.level(padded[3], moment.status)
        place = case.places[index][0]
        tail = [guess_words(moment), f"line {place}" if place else ""]
        lines.append("      " + "  ".join([*padded, ", ".join(text for text in tail if text)]))
        # A narrow pass has its reason too; it stands in the other reports and in `explain`.
        if moment.status != "pass":
            lines += [f"        {plain(text)}" for text in (moment.note, moment.reason) if text]
    return lines


def moment_cells(moment: MomentVerdict) -> tuple[str, str, str, str, str]:
    """Return name, axis, share of the tolerance used, verdict and bound of one tolerance."""
    return (
        plain(moment.name),
        moment.binding,
        used_words(moment),
        status_words(moment),
        bound_words(moment),
    )


def status_words(verdict: MomentVerdict | ContactVerdict) -> str:
    """Return the verdict, with its code where it does not pass: "fail DG401"."""
    return verdict.status if verdict.status == "pass" else f"{verdict.status} {verdict.codes[0]}"


def guess_words(moment: MomentVerdict) -> str:
    """Return how much of the variance rests on guessed numbers: "24 % guessed"."""
    if moment.variance is None:
        return ""
    return f"{percent(moment.variance.guessed, digits=0)} guessed"


def _contact(contact: ContactVerdict, paint: Paint) -> list[str]:
    lines = [f"      contact  {paint.level(status_words(contact), contact.status)}  {contact_words(contact)}"]
    if contact.reason:
        lines.append(f"        {plain(contact.reason)}")
    return lines


def contact_words(contact: ContactVerdict) -> str:
    """Return how often the robot touches what it should not, against what is allowed."""
    seen = contact.estimate
    trials, digits = f"in {seen.successes} of {seen.trials} trials", 2
    if contact.tilted is not None:
        # How many touch as they are tilted is no share.
        digits = 4
        trials = f"in about {percent(seen.probability, digits=digits)} by {seen.trials} weighted trials"
        trials = trials if seen.successes else f"in none of {seen.trials} weighted trials"
    low = percent(contact.lower, contact.allowed, digits=digits, direction="down")
    high = percent(contact.upper, contact.allowed, digits=digits, direction="up")
    allowed = allowed_words(contact.allowed)
    if contact.allowed <= 0.0:
        return f"{trials}, p <= {high} ({allowed})"
    if contact.status == "pass":
        return f"{trials}, p <= {high} ({allowed})"
    if contact.status == "fail":
        return f"{trials}, p >= {low} ({allowed})"
    return f"{trials}, p from {low} to {high} ({allowed})"


def notes(verdict: CaseVerdict) -> list[str]:
    """Return where the engines differ, one line each."""
    return [disagreement_words(found) for found in verdict.disagreements]


def disagreement_words(found: Disagreement) -> str:
    """Return one difference between the engines in a line."""
    what = "mean" if found.what == "mean" else "spread"
    return plain(
        f"{found.moment}: {what} of {found.axis} is {amount_words(found.trials, found.axis)} by trials, "
        f"{amount_words(found.covariance, found.axis)} by covariance; {found.why}"
    )


def _closing(report: RunReport) -> list[str]:
    return [
        f"{trials_words(report)} (covers sampling, not the model)",
        f"again: {plain(report.command)}",
        SHORT,
    ]
