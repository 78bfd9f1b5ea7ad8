"""The report as JUnit XML, which build servers read.

One test case per tolerance and one for contact, for each case of each routine. The message stands in
the attribute and again in the element's text, since readers show one or the other; names are unique,
since some readers keep only the first of two alike.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET

from driftgate.core.findings import Finding
from driftgate.judge.values import MomentVerdict
from driftgate.report.digits import amount_words, percent, together_words
from driftgate.report.findings import render_accepted, render_finding
from driftgate.report.junit_parts import add_test, add_trouble, dotted, new_suite, suite_text
from driftgate.report.model import CaseReport, RunReport
from driftgate.report.paint import Paint
from driftgate.report.terminal import contact_words, disagreement_words, moment_cells
from driftgate.report.text import plain


def render_junit(report: RunReport, erosion: tuple[bool, list[str]] | None = None) -> str:
    """Return the report as JUnit XML: errors are bad files, failures are tolerances not shown to hold.

    `erosion` says whether a comparison with a baseline fails the run, and in lines why or why not.
    """
    suite = new_suite(
        {
            "version": report.version,
            "seed": str(report.seed),
            "trials": str(report.trials),
            "sample": report.sample,
            "confidence": repr(report.confidence),
            "command": report.command,
        }
    )
    for number, finding in enumerate(sorted(f for f in report.findings if f.level == "error"), start=1):
        _finding(suite, finding, number)
    for case in report.cases:
        _case(suite, case)
    for number, finding in enumerate(sorted(f for f in report.findings if f.level != "error"), start=1):
        _warning(suite, finding, number)
    if erosion is not None:
        _erosion(suite, *erosion)
    return suite_text(suite)


def _finding(suite: ET.Element, finding: Finding, number: int) -> None:
    name = f"{finding.code} at {finding.line}:{finding.column} ({number})"
    test = add_test(suite, dotted(finding.path), name, finding.path, finding.line)
    add_trouble(test, "error", finding.code, render_finding(finding, Paint()))


def _warning(suite: ET.Element, finding: Finding, number: int) -> None:
    """Add a warning that belongs to no case, such as an exception that has expired: it fails nothing."""
    name = f"warning {finding.code} at {finding.line}:{finding.column} ({number})"
    test = add_test(suite, dotted(finding.path), name, finding.path, finding.line)
    lines = render_finding(finding, Paint())
    ET.SubElement(test, "system-out").text = "\n".join(plain(line) for line in lines)


def _case(suite: ET.Element, case: CaseReport) -> None:
    classname = f"{dotted(case.path)} on {dotted(case.true_map)}"
    if case.side != "as written":
        classname += f" ({case.side})"
    plan = add_test(suite, classname, "plan", case.path, 1)
    errors = [finding for finding in case.findings if finding.level == "error"]
    if errors:
        plan.set("line", str(max(1, errors[0].line)))
        add_trouble(
            plan, "failure", errors[0].code, [line for f in errors for line in render_finding(f, Paint())]
        )
    elif case.accepted:
        _accepted(plan, case)
    if case.verdict is None:
        return
    for moment, (line, _) in zip(case.verdict.moments, case.places, strict=True):
        name = "end" if moment.final else f"checkpoint {moment.name}"
        test = add_test(suite, classname, name, case.path, line)
        lines = moment_lines(case, moment, line)
        if moment.status != "pass":
            add_trouble(test, "failure", moment.codes[0], lines)
        else:
            ET.SubElement(test, "system-out").text = "\n".join(plain(text) for text in lines)
    contact = case.verdict.contact
    test = add_test(suite, classname, "contact", case.path, case.contact_place[0])
    words = [f"contact {contact.status}: {contact_words(contact)}", contact.reason]
    words.append(f"everything together: {together_words(case.verdict)}")
    if contact.status != "pass":
        add_trouble(test, "failure", contact.codes[0], [text for text in words if text])
    else:
        ET.SubElement(test, "system-out").text = "\n".join(text for text in words if text)


def _erosion(suite: ET.Element, fails: bool, lines: list[str]) -> None:
    test = add_test(suite, "driftgate", "erosion", "", 0)
    if fails:
        add_trouble(test, "failure", "erosion", lines)
    else:
        ET.SubElement(test, "system-out").text = "\n".join(plain(line) for line in lines)


def _accepted(plan: ET.Element, case: CaseReport) -> None:
    """Add what the routine accepts; a plan that fails but for an exception is not shown as passed."""
    lines = [plain(line) for line in render_accepted(case.accepted, Paint())]
    if any(found.finding.level == "error" for found in case.accepted):
        ET.SubElement(plan, "skipped", message=lines[0])
    ET.SubElement(plan, "system-out").text = "\n".join(lines)


def moment_lines(case: CaseReport, moment: MomentVerdict, line: int) -> list[str]:
    """Return everything worth saying about one tolerance, the whole message in the first line."""
    name, axis, used, status, bound = moment_cells(moment)
    place = f"{case.path}:{line}" if line else case.path
    lines = [f"{name} {status}: {axis} {used}, {bound}", f"at {place}, on {case.label}"]
    # Where the trials ended because of what they showed, plain quantiles carry no confidence.
    errors = "errors, estimated:" if case.verdict is not None and case.verdict.looks else "errors"
    for found in moment.axes:
        sizes = ", ".join(
            amount_words(size, found.axis) for size in (found.abs_50, found.abs_95, found.abs_99)
        )
        lines.append(f"{found.axis}: 50/95/99 % {errors} {sizes}")
    if moment.variance is not None:
        lines.append(f"{percent(moment.variance.guessed, digits=0)} of the variance rests on guessed numbers")
    lines += [text for text in (moment.note, moment.reason) if text]
    if case.verdict is not None:
        lines += [disagreement_words(d) for d in case.verdict.disagreements if d.moment == moment.name]
    return lines
