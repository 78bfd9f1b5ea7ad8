"""SARIF and workflow commands of `verify` and `validate`: valid, at their lines, worst first, capped."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import jsonschema
import pytest
from made_reports import HOSTILE
from test_annotations import commands
from test_verify_reports import everything

from driftgate.core.findings import Finding
from driftgate.report.as_annotations import MOST
from driftgate.report.located_findings import (
    findings_annotations,
    findings_sarif,
    located_verification,
    verification_annotations,
    verification_sarif,
)
from driftgate.report.verify_model import FieldOfTheDay, Risk, WaivedFinding

SCHEMA = json.loads((Path(__file__).parent / "published" / "sarif-2.1.0.json").read_text())


def run_of(text):
    """Return the run of a SARIF text, once it has been found valid."""
    data = json.loads(text)
    jsonschema.Draft202012Validator(SCHEMA, format_checker=jsonschema.FormatChecker()).validate(data)
    (run,) = data["runs"]
    for result in run["results"]:
        assert run["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"]
    return run


def place(result):
    """Return file and line of a result."""
    physical = result["locations"][0]["physicalLocation"]
    return physical["artifactLocation"]["uri"], physical["region"]["startLine"]


def verification(**changes):
    """Return a verification of plain texts: two changes, one waived; a routine that fails on the field."""
    moved = Finding(
        "routines/dash.yaml", 26, 17, "DG704", "step 3: to.y: 440 mm -> 445 mm", excerpt="to: [1]"
    )
    fails = Finding("routines/up.yaml", 42, 3, "DG714", "on taped.yaml 'end' is judged 'fail'")
    mirrored = replace(fails, message="on taped.yaml, mirrored 'end' is judged 'fail'")

    def risk(side, margin, reason, finding):
        where = ("routines/up.yaml", "Up", side, "fail", "end", "x", 42)
        return Risk(*where, 0.1, margin, 1024, reason, (replace(finding, line=40), finding))

    risks = (
        risk("as written", -0.09, "All offset.", fails),
        risk("mirrored", -0.9, "All spread.", mirrored),
    )
    plain = replace(
        everything(),
        manifest="routines/code.freeze",
        findings=(replace(moved, code="DG705", level="note"), moved, fails, mirrored),
        waived=(WaivedFinding(replace(moved, line=30), "team", "nearer", "2026-11-29"),),
        field=FieldOfTheDay("taped.yaml", "Taped", (), 0, risks),
    )
    return replace(plain, **changes)


@pytest.mark.evidence(
    source="SARIF 2.1.0, JSON schema (OASIS)",
    compares="verifications and validations as SARIF",
    tolerance="valid",
)
def test_ref_sarif_meets_the_published_schema():
    """Hostile and plain, of every status; and the schema refuses what is not."""
    for status in (0, 1, 2):
        run_of(verification_sarif(everything(status)))
    text = verification_sarif(verification())
    run_of(text)
    broken = json.loads(text)
    broken["runs"][0]["results"][-1]["suppressions"][0]["kind"] = "somewhere"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, SCHEMA)
    hostile = Finding(HOSTILE, 3, 1, "DG601", HOSTILE, "error", HOSTILE, HOSTILE)
    run_of(findings_sarif((hostile, replace(hostile, line=0)), "9", HOSTILE, 2, HOSTILE))


def test_law_what_does_not_hold_comes_before_what_has_changed():
    """The largest shortfall first, with its reason; then changes, notes, and what is waived, suppressed."""
    run = run_of(verification_sarif(verification()))
    assert [(r["ruleId"], *place(r)) for r in run["results"]] == [
        ("DG714", "routines/up.yaml", 42),
        ("DG714", "routines/up.yaml", 42),
        ("DG704", "routines/dash.yaml", 26),
        ("DG705", "routines/dash.yaml", 26),
        ("DG704", "routines/dash.yaml", 30),
    ]
    worst, other, *_, waived = run["results"]
    assert "mirrored" in worst["message"]["text"]
    assert "All spread." in worst["message"]["text"]
    assert "All offset." in other["message"]["text"]
    assert waived["suppressions"] == [
        {"kind": "external", "status": "accepted", "justification": "waived until 2026-11-29 by team: nearer"}
    ]
    assert all(r["suppressions"] == [] for r in run["results"][:-1])
    assert run["automationDetails"]["id"] == "driftgate/verify/"


def test_law_a_damaged_manifest_comes_first():
    """What makes all else doubtful stands before it, whatever the path."""
    damaged = Finding("z.freeze", 0, 0, "DG701", "damaged")
    found = verification(findings=(*verification().findings, damaged))
    assert located_verification(found)[0].code == "DG701"


def test_law_each_kind_of_run_says_whether_it_did_its_work():
    """Files that are wrong are what validate is to find; a manifest that cannot be used ends verify."""
    for status, done in ((0, True), (1, True), (2, False)):
        (told,) = run_of(verification_sarif(verification(status=status)))["invocations"]
        assert (told["exitCode"], told["executionSuccessful"]) == (status, done)
    for status, done in ((0, True), (2, True), (5, False)):
        (told,) = run_of(findings_sarif((), "9", "driftgate validate", status, "so"))["invocations"]
        assert (told["exitCode"], told["executionSuccessful"]) == (status, done)


def test_law_annotations_stand_at_the_line_worst_first_and_capped():
    """Ten and how many more; what is waived is not shown; hostile texts add no command."""
    found = commands(verification_annotations(verification()))
    assert [(name, p["file"], p["line"]) for name, p, _ in found] == [
        ("error", "routines/up.yaml", "42"),
        ("error", "routines/up.yaml", "42"),
        ("error", "routines/dash.yaml", "26"),
        ("notice", "routines/dash.yaml", "26"),
    ]
    assert "All spread." in found[0][2]
    many = [Finding("a.yaml", n, 2, "DG108", f"m{n}", "warning") for n in range(1, 40)]
    worst = Finding("z.yaml", 7, 1, "DG102", "broken")
    found = commands(findings_annotations([*many, worst]))
    assert len(found) == MOST + 1
    assert found[0][1] == {"file": "z.yaml", "line": "7", "col": "1", "title": found[0][1]["title"]}
    assert found[-1][2].startswith("+30 more")
    printed = verification_annotations(everything())
    assert len(commands(printed)) == len(printed.splitlines())
    assert findings_annotations(()) == ""


def test_law_a_file_outside_of_the_repository_has_a_whole_address():
    """An absolute path is no place inside the repository."""
    (result,) = run_of(findings_sarif((Finding("/logs/a b.csv", 3, 1, "DG601", "m"),), "9", "c", 2, "w"))[
        "results"
    ]
    assert place(result) == ("file:///logs/a%20b.csv", 3)
