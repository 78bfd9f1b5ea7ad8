"""A verification for programs: JSON, schema "driftgate-verification/1", and JUnit XML."""

from __future__ import annotations

from driftgate.core.findings import Finding
from driftgate.report.caution import FULL
from driftgate.report.findings import render_finding
from driftgate.report.json_text import as_text, plain_object
from driftgate.report.junit_parts import (
    add_output,
    add_skipped,
    add_test,
    add_trouble,
    dotted,
    new_suite,
    suite_text,
)
from driftgate.report.located_findings import verification_sarif
from driftgate.report.paint import Paint
from driftgate.report.verify_model import Verification
from driftgate.report.verify_text import closing, risk_name, risk_words, verification_markdown

VERIFICATION_SCHEMA = "driftgate-verification/1"


def render_as(form: str, found: Verification) -> str:
    """Return the verification in a format: "json", "junit", "sarif" or "markdown"."""
    if form == "sarif":
        return verification_sarif(found)
    if form == "json":
        return verification_json(found)
    return verification_junit(found) if form == "junit" else verification_markdown(found)


def verification_json(found: Verification) -> str:
    """Return the verification as JSON text, members as in `Verification`; the same input, the same bytes."""
    return as_text({"schema": VERIFICATION_SCHEMA, **plain_object(found), "cautions": list(FULL)})


def verification_junit(found: Verification) -> str:
    """Return the verification as JUnit XML.

    A test case for the manifest, one for each finding that counts or is let through, and one for each
    routine on the field of the day.
    """
    suite = new_suite({"version": found.version, "digest": found.digest, "command": found.command})
    test = add_test(suite, "driftgate", "freeze", found.manifest, 0)
    lines = [found.why, *(closing(found) if found.digest else ())]
    if found.status == 2:
        add_trouble(test, "error", "freeze", lines)
    elif found.status:
        add_trouble(test, "failure", "freeze", lines)
    else:
        add_output(test, lines)
    for number, finding in enumerate(sorted(f for f in found.findings if f.level == "error"), start=1):
        test = add_test(suite, dotted(finding.path), _name(finding, number), finding.path, finding.line)
        tag = "failure" if finding.code.startswith("DG7") and found.status == 1 else "error"
        add_trouble(test, tag, finding.code, render_finding(finding, Paint()))
    for number, waived in enumerate(sorted(found.waived, key=lambda w: w.finding), start=1):
        finding = waived.finding
        name = f"waived {_name(finding, number)}"
        test = add_test(suite, dotted(finding.path), name, finding.path, finding.line)
        words = f"until {waived.until}, {waived.who}: {waived.why}"
        add_skipped(test, words)
        add_output(test, render_finding(finding, Paint()))
    for risk in () if found.field is None else found.field.risks:
        # What is tightest may be another tolerance in the next run; the name stays.
        name = f"on the field of the day, {risk.side}"
        test = add_test(suite, dotted(risk.path), name, risk.path, risk.line)
        lines = [
            f"{risk_name(risk)}: {risk.verdict}, {risk_words(risk)}",
            *([risk.reason] if risk.reason else []),
        ]
        if risk.verdict == "pass":
            add_output(test, lines)
        else:
            add_trouble(test, "failure", "DG714", lines)
    return suite_text(suite)


def _name(finding: Finding, number: int) -> str:
    return f"{finding.code} at {finding.line}:{finding.column} ({number})"
