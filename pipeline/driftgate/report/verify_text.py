"""A verification as people read it: in a terminal, and as Markdown for a pull request."""

from __future__ import annotations

from collections.abc import Iterable

from driftgate.core.findings import Finding
from driftgate.core.many import and_more, first_of
from driftgate.report.caution import FULL, SHORT
from driftgate.report.digits import exact, percent
from driftgate.report.findings import render_finding
from driftgate.report.paint import Paint
from driftgate.report.text import markdown, plain
from driftgate.report.verify_model import (
    FieldOfTheDay,
    MarginNow,
    NeededWaiver,
    Risk,
    Verification,
    WaivedFinding,
)

# Other files for the robot, routines that do not pass: what changes lead to.
_CONSEQUENCES = ("DG709", "DG710")
_MOST_ROWS = 60
_MOST_FINDINGS = 100


def render_verification(found: Verification, *, colour: bool = False, quiet: bool = False) -> str:
    """Return the verification as lines of text.

    Parameters
    ----------
    found : Verification
        What to tell.
    colour : bool
        Whether to colour.
    quiet : bool
        Leave out what passes.
    """
    paint = Paint(colour)
    findings = tuple(f for f in found.findings if not quiet or f.level != "note")
    lines = [line for finding in _in_order(findings) for line in render_finding(finding, paint)]
    if found.waived and not quiet:
        lines += [*_gap(lines), paint("let through by waivers", "bold")]
        head = ""
        for waived in _by_waiver(found.waived):
            words = f"  until {waived.until}, {plain(waived.who)}: {plain(waived.why)}"
            lines += [words] if words != head else []
            head = words
            lines += ["    " + line for line in render_finding(waived.finding, paint)]
    rows = [row for row in found.rejudged if not quiet or row.verdict != "pass"]
    if rows:
        lines += [
            *_gap(lines),
            paint("judged again, margins as frozen -> now", "bold"),
            *_margins(rows, paint),
        ]
    if found.field is not None:
        lines += [*_gap(lines), *_field(found.field, paint, quiet)]
    if found.needed:
        lines += [*_gap(lines), plain(needed_head(found))]
        lines += [f"  {text}" for text in _needed_begin(found)]
        lines += [f"  {text}" for needed in found.needed for text in _needed_lines(needed)]
    other = any(finding.code == "DG702" for finding in findings)  # nothing of it was verified
    if found.digest and not other and not (quiet and found.status == 0):
        lines += [*_gap(lines), *(plain(text) for text in closing(found)), SHORT]
    return "\n".join(lines) + "\n" if lines else ""


def _by_waiver(waived: tuple[WaivedFinding, ...]) -> list[WaivedFinding]:
    return sorted(waived, key=lambda w: (w.until, w.who, w.why, _place(w.finding)))


def _in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Return the changes first, then what follows from them."""
    return sorted(findings, key=_place)


def _place(finding: Finding) -> tuple[bool, Finding]:
    return finding.code in _CONSEQUENCES, finding


def _gap(lines: list[str]) -> list[str]:
    return [""] if lines else []


def margin_words(margin: float | None, verdict: str = "pass") -> str:
    """Return a margin in per cent, rounded down: "7.6 %"."""
    if margin is None or margin != margin or margin in (float("inf"), float("-inf")):
        return "none" if verdict == "fail" else "unknown"
    return percent(margin, 0.0, direction="down")


def _change_words(then: float | None, now: float | None, verdict: str) -> str:
    before = "new" if then is None else margin_words(then)
    return f"margin {before} -> {margin_words(now, verdict)}"


def _margins(rows: Iterable[MarginNow], paint: Paint) -> list[str]:
    lines: list[str] = []
    head = ("", "")
    for row in rows:
        if (row.path, row.label) != head:
            head = (row.path, row.label)
            lines.append(f"  {plain(row.path)} on {plain(row.label)}")
        verdict = paint.level(row.verdict, row.verdict)
        change = _change_words(row.margin_then, row.margin_now, row.verdict)
        lines.append(f"    {plain(row.name)}  {verdict}  {change}")
    return lines


def _field(field: FieldOfTheDay, paint: Paint, quiet: bool) -> list[str]:
    lines = [paint(f"on {plain(field.path)}  {plain(field.title)}", "bold")]
    lines += [f"  {plain(text)}" for text in field_words(field)]
    lines += [f"    {plain(text)}" for text in _shown_differences(field)]
    for number, risk in enumerate(field.risks, start=1):
        if quiet and risk.verdict == "pass":
            continue
        verdict = paint.level(risk.verdict, risk.verdict)
        lines.append(f"  {number}. {plain(risk_name(risk))}  {verdict}  {risk_words(risk)}")
        if risk.reason:
            lines.append(f"     {plain(risk.reason)}")
    return lines


def field_words(field: FieldOfTheDay) -> list[str]:
    """Return how the field of the day differs from what robots carry."""
    lines = ["as the true field; robots keep the maps that they carry; closest to failing first"]
    if not field.differing:
        return [*lines, "it is the field that they carry"]
    return [*lines, f"{_counted(field.differing, 'value')} of the map, as carried -> here:"]


def _shown_differences(field: FieldOfTheDay) -> list[str]:
    rest = and_more(field.differing - len(field.differences))
    return [*field.differences, *([rest] if rest else [])]


def risk_name(risk: Risk) -> str:
    """Return which side of which routine, and at what it is tightest."""
    side = "" if risk.side == "as written" else f", {risk.side}"
    line = f" (line {risk.line})" if risk.line else ""
    return f"{risk.path}{side}: {' '.join(text for text in (risk.tolerance, risk.axis) if text)}{line}"


def risk_words(risk: Risk) -> str:
    """Return what is left of the tolerance, then and now."""
    trials = f", {risk.trials} trials" if risk.trials else ""
    return f"{_change_words(risk.margin_then, risk.margin_now, risk.verdict)}{trials}"


def needed_head(found: Verification) -> str:
    """Return what to do with the entries for waivers."""
    one = len(found.needed) == 1
    what, it, each = ("this change", "it", "it") if one else ("these changes", "them", "each")
    file = found.waivers or "the waivers"
    there = f"add to {file}" if found.waivers_there else f"write to {file}, a new file"
    return f"take {what} back, freeze anew, or let {it} through: look at {each}, complete and {there}:"


def _needed_begin(found: Verification) -> list[str]:
    """Return what a file of waivers begins with, where there is none yet."""
    return [] if found.waivers_there else ["kind: waivers", "format: 1", "waivers:"]


def needed_words(needed: NeededWaiver) -> str:
    """Return an entry for the file of waivers, to be completed."""
    state = f'state: "{needed.state}"'
    return (
        f'- {{file: "{plain(needed.file)}", {state}, verdict: {needed.verdict}, who: "", why: "", until: ""}}'
    )


def needed_caution(needed: NeededWaiver) -> str:
    """Return what the waiver would let through besides the change; empty where all that reads it passes."""
    if needed.verdict == "fail":
        return "caution: this waives a predicted failure; delete the entry if that is not meant"
    if needed.verdict == "undecided":
        return "caution: this waives a verdict that is open, and may be a failure"
    return ""


def _needed_lines(needed: NeededWaiver) -> list[str]:
    # As a comment, so that it goes along where the entry is pasted.
    caution = needed_caution(needed)
    return [*([f"# {caution}"] if caution else []), needed_words(needed)]


def closing(found: Verification) -> list[str]:
    """Return what was frozen, how it was judged, and how to get the same again."""
    kept = (
        f"frozen by driftgate {found.frozen_version}: {_counted(found.routines, 'routine')}, "
        f"{_counted(found.files, 'file')}"
    )
    many = f"{found.trials} trials a case"
    if found.sample == "sequential":
        many = f"at most {many}, fewer where all is certain before"
    return [
        f"{kept}, digest {found.digest}",
        f"{many}, seed {found.seed}, confidence {exact(found.confidence, 100)} % "
        "(covers sampling, not the model)",
        f"again: {found.command}",
    ]


def _counted(number: int, what: str) -> str:
    return f"{number} {what}{'' if number == 1 else 's'}"


# --- Markdown


def verification_markdown(found: Verification) -> str:
    """Return the verification as Markdown; every text from a file is escaped."""
    good = "let through by waivers" if found.waived else "as frozen"
    state = {0: good, 1: "not as frozen"}.get(found.status, "could not be verified")
    lines = [f"### driftgate verify: {state}", "", markdown(found.why), ""]
    lines += _list(
        f"{f.level} {markdown(f.code)} at {markdown(f.path)}{f' line {f.line}' if f.line else ''}: "
        f"{markdown(f.message)}"
        for f in _in_order(found.findings)
    )
    if found.waived:
        lines += ["Let through by waivers:", ""]
        lines += _list(
            f"{markdown(w.finding.path)}: {markdown(w.finding.message)}"
            f"<br>until {markdown(w.until)}, {markdown(w.who)}: {markdown(w.why)}"
            for w in _by_waiver(found.waived)
        )
    if found.rejudged:
        rows = [
            f"| {markdown(r.path)}<br>{markdown(r.label)} | {markdown(r.name)} | {r.verdict}<br>"
            f"{_change_words(r.margin_then, r.margin_now, r.verdict)} |"
            for r in sorted(found.rejudged, key=lambda r: r.verdict == "pass")
        ]
        lines += [
            "| judged again | what | verdict, margin as frozen -> now |",
            "| --- | --- | --- |",
            *_cut_rows(rows),
            "",
        ]
    if found.field is not None:
        lines += [f"On {markdown(found.field.path)}:", ""]
        lines += [f"- {markdown(text)}" for text in field_words(found.field)]
        lines += [f"  - {markdown(text)}" for text in _shown_differences(found.field)]
        rows = [
            f"| {markdown(risk_name(r))} | {r.verdict}<br>{risk_words(r)} | {markdown(r.reason)} |"
            for r in found.field.risks
        ]
        lines += ["", "| at risk first | verdict | why |", "| --- | --- | --- |", *_cut_rows(rows), ""]
    if found.needed:
        lines += [markdown(needed_head(found)), ""]
        lines += [_copied([*_needed_begin(found), *_entries(found)]), ""]
    if found.digest:
        lines += [f"- {markdown(text)}" for text in closing(found)]
    return "\n".join([*lines, *(f"- {text}" for text in FULL)]) + "\n"


def _entries(found: Verification) -> list[str]:
    entries = ["\n".join(_needed_lines(needed)) for needed in found.needed]
    return "\n".join(first_of(entries, _MOST_FINDINGS, "# {}")).split("\n")


def _copied(lines: list[str]) -> str:
    """Return lines that are copied as they stand, every text in them escaped: a list would change them."""
    return "<pre>" + "\n".join(markdown(line) for line in lines) + "</pre>"


def _list(items: Iterable[str]) -> list[str]:
    lines = first_of([f"- {item}" for item in items], _MOST_FINDINGS, "- {}")
    return [*lines, ""] if lines else []


def _cut_rows(rows: list[str]) -> list[str]:
    return first_of(rows, _MOST_ROWS, "| {} | | |")
