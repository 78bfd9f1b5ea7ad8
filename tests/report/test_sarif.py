"""SARIF against its published schema, and what a code host needs of it."""

from __future__ import annotations

import json
import os
import re
from dataclasses import replace
from pathlib import Path
from urllib.parse import unquote

import jsonschema
import pytest
from made_reports import HOSTILE, case, contact, everything, moment, report

from driftgate.core.findings import Finding
from driftgate.core.rules import RULES
from driftgate.judge.paired_values import Change, Difference, Loosening
from driftgate.load.project import load_project
from driftgate.report.as_sarif import MOST_RESULTS, render_sarif
from driftgate.report.compare_model import CaseChange, Comparison
from driftgate.report.model import AcceptedFinding

SCHEMA = json.loads((Path(__file__).parent / "published" / "sarif-2.1.0.json").read_text())


def results(made, found=None):
    """Return the results of a report, once its SARIF has been found valid."""
    data = json.loads(render_sarif(made, found))
    jsonschema.Draft202012Validator(SCHEMA, format_checker=jsonschema.FormatChecker()).validate(data)
    (run,) = data["runs"]
    for result in run["results"]:
        assert run["tool"]["driver"]["rules"][result["ruleIndex"]]["id"] == result["ruleId"]
    return run["results"]


def region(result):
    """Return the region of a result."""
    return result["locations"][0]["physicalLocation"]["region"]


def uri(result):
    """Return the address of a result."""
    return result["locations"][0]["physicalLocation"]["artifactLocation"]["uri"]


def compared(policy="fail"):
    """Return a comparison that has lost something in every way there is."""
    lost = Change(
        "pot-a", "worse", 4000, 200, 1, 0.99, 0.94, Difference(-0.05, -0.06, -0.04), 0.0, 0.01, None
    )
    return Comparison(
        baseline="main@1234567",
        seed=1,
        trials=4000,
        confidence=0.95,
        tolerances=6,
        allowed=0.02,
        policy=policy,
        loosenings=(Loosening("routines/dash.yaml", 9, "final.within.x", "10 mm", "30 mm", HOSTILE),),
        cases=(
            CaseChange("routines/dash.yaml", "Corner dash", "fieldmaps/hall.yaml", changes=(lost,)),
            CaseChange("routines/fast.yaml", "Fast", "fieldmaps/hall.yaml", broke=True),
        ),
        gone=("routines/old.yaml on fieldmaps/hall.yaml",),
    )


@pytest.mark.evidence(
    source="SARIF 2.1.0, JSON schema (OASIS)", compares="reports as SARIF", tolerance="valid"
)
def test_ref_sarif_meets_the_published_schema():
    """Every kind of content is valid, and the schema refuses what is not."""
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    for made in (report(), everything()):
        results(made)
        results(made, compared())
    broken = json.loads(render_sarif(everything()))
    broken["runs"][0]["results"][0]["level"] = "fatal"
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(broken, SCHEMA)


def test_law_sarif_names_every_rule():
    """Every code has its title, help and usual level, in the order of the list of codes."""
    driver = json.loads(render_sarif(report()))["runs"][0]["tool"]["driver"]
    assert [rule["id"] for rule in driver["rules"]] == list(RULES)
    assert len({rule["name"] for rule in driver["rules"]}) == len(RULES)
    for rule in driver["rules"]:
        assert RULES[rule["id"]].explanation in rule["help"]["text"]
        assert f"driftgate codes {rule['id']}" in rule["help"]["text"]


def test_law_passing_run_has_no_results():
    """A run in which all is well has an empty list, which closes what an earlier one has opened."""
    assert results(report()) == []


def test_law_tolerances_stand_at_their_lines():
    """A tolerance that breaks stands at its checkpoint, with the step that its reason names beside it."""
    failing = case(
        moments=(
            moment(
                "pot-a", successes=2800, used=1.43, reason="All spread. It grows in step 2 (look), line 14."
            ),
            moment("end", successes=3960),
        ),
        at_fault=((1, 0), ()),
        contact=contact("fail", 5),
        contact_place=(44, 3),
    )
    found = results(report(failing, status=1))
    assert [r["ruleId"] for r in found] == ["DG401", "DG403", "DG402"]
    assert {r["level"] for r in found} == {"error"}
    assert [region(r) for r in found] == [
        {"startLine": 20, "startColumn": 5},
        {"startLine": 44, "startColumn": 3},
        {"startLine": 21, "startColumn": 5},
    ]
    steps = [place["physicalLocation"]["region"]["startLine"] for place in found[0]["relatedLocations"]]
    assert steps == [14, 12]
    words = [place["message"]["text"] for place in found[0]["relatedLocations"]]
    assert words == ["It grows in step 2 (look), line 14.", "step 1 (advance 0.30 m)"]
    assert "relatedLocations" not in found[2]
    first = found[0]["message"]["text"].splitlines()
    assert first[0].startswith("pot-a fail: x 35.8 of 25 mm (143 %), p <= ")
    assert "61 % guessed" in first


def test_law_contact_names_the_steps():
    """Contact has the steps in which it happens first as places beside it."""
    touching = case(
        steps=(*case().steps, replace(case().steps[0], number=3, line=31)), contact=contact("fail", 5)
    )
    (found,) = results(report(touching))
    (place,) = found["relatedLocations"]
    assert place["physicalLocation"]["region"]["startLine"] == 31
    assert place["message"]["text"] == "first contact with pot-b in 5 trials"


def test_law_accepted_findings_are_suppressed():
    """What the routine accepts has its reason and last day; all other results say that they are not."""
    found = results(everything())
    accepted = [r for r in found if r["suppressions"]]
    assert [r["ruleId"] for r in accepted] == ["DG204"]
    (why,) = accepted[0]["suppressions"]
    assert (why["kind"], why["status"]) == ("inSource", "accepted")
    assert why["justification"].startswith("accepted until 2026-12-01: ")
    assert found.index(accepted[0]) == len(found) - 1


def test_law_messages_hold_no_links_placeholders_or_hidden_characters():
    """Texts from files make no link, stand for no argument, and hide nothing."""
    hostile = f"{HOSTILE} {{0}} {{12}} [x](javascript:y)"
    made = report(
        case(moments=(moment(successes=9, reason=hostile),)),
        findings=(Finding("a.yaml", 1, 1, "DG102", hostile, "error", hostile),),
    )
    for result in results(made):
        text = result["message"]["text"]
        assert "](" not in text
        assert not re.search(r"\{\d+\}", text)
        assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202e]", text)


@pytest.mark.parametrize(
    "path", ["routines/a b.yaml", "routines/ä#1.yaml", "a:b.yaml", "routines/100%.yaml", "x?"]
)
def test_law_addresses_are_relative(path):
    """An address is a relative reference from which the path reads back, whatever is in a name."""
    found = results(report(findings=(Finding(path, 3, 1, "DG102", "broken"),)))
    assert unquote(uri(found[0])) == path
    assert re.fullmatch(r"[A-Za-z0-9._~%-]+(/[A-Za-z0-9._~%-]+)*", uri(found[0]))


def test_law_names_that_are_no_text_keep_their_bytes():
    """A file name that is not UTF-8 is kept as it is on the disk."""
    path = os.fsdecode(b"routines/\xff.yaml")
    (found,) = results(report(findings=(Finding(path, 0, 0, "DG101", "cannot be read"),)))
    assert uri(found) == "routines/%FF.yaml"
    assert region(found) == {"startLine": 1}


def fingerprints(*findings):
    """Return the fingerprints of results by code and message."""
    found = results(report(findings=findings))
    return {r["message"]["text"]: r["partialFingerprints"]["primaryLocationLineHash"] for r in found}


def test_law_fingerprints_outlive_edits_above():
    """Lines added above leave a fingerprint as it was; another file, line, or code makes another one."""
    one = Finding("a.yaml", 12, 5, "DG108", "m", excerpt="  sped: 1 m/s")
    base = fingerprints(one)["m"]
    assert fingerprints(replace(one, line=90, excerpt="sped: 1 m/s"))["m"] == base
    for other in (
        replace(one, path="b.yaml"),
        replace(one, code="DG107"),
        replace(one, excerpt="  seed: 1 m/s"),
    ):
        assert fingerprints(other)["m"] != base
    twice = fingerprints(one, replace(one, line=30, message="n"))
    assert twice["m"] == base
    assert twice["n"] != base


def test_law_fingerprints_of_verdicts_do_not_depend_on_figures():
    """The same tolerance on the same map and side keeps its fingerprint; each case has its own."""

    def prints(*cases):
        return [r["partialFingerprints"]["primaryLocationLineHash"] for r in results(report(*cases))]

    (base,) = prints(case(moments=(moment(successes=2800, used=1.4),)))
    assert prints(case(moments=(moment(successes=2500, used=1.9),), places=((77, 3),))) == [base]
    both = prints(
        case(moments=(moment(successes=2800),)), case(moments=(moment(successes=2800),), side="mirrored")
    )
    assert len(set(both)) == 2
    assert base in both


def test_law_one_finding_of_many_cases_is_one_result():
    """What all cases of a routine share stands there once, accepted or not."""
    finding = Finding("routines/dash.yaml", 9, 3, "DG208", "slips", "warning")
    accepted = AcceptedFinding(replace(finding, code="DG204"), "soft foam", "2026-12-01", 0)
    made = report(
        *(case(findings=(finding,), accepted=(accepted,), side=s) for s in ("as written", "mirrored"))
    )
    assert [r["ruleId"] for r in results(made)] == ["DG208", "DG204"]


def test_law_losses_against_a_baseline_are_results():
    """A loosening stands at its line and a loss at its tolerance; what is gone has no place and is told."""
    for policy, level in (("fail", "error"), ("warn", "warning"), ("off", "note")):
        found = compared(policy)
        lost = [r for r in results(report(), found) if r["ruleId"] == "DG407"]
        assert {r["level"] for r in lost} == {level}
        assert sorted((uri(r), region(r)["startLine"]) for r in lost) == [
            ("routines/dash.yaml", 9),
            ("routines/dash.yaml", 20),
            ("routines/fast.yaml", 1),
        ]
        (invocation,) = json.loads(render_sarif(report(), found))["runs"][0]["invocations"]
        (told,) = invocation["toolExecutionNotifications"]
        assert "routines/old.yaml" in told["message"]["text"]


def test_law_too_many_results_are_cut_and_said():
    """Readers keep 5000 results: the worst stay, and how many are left out is said."""
    many = tuple(Finding("a.yaml", n, 1, "DG208", f"m{n}", "warning") for n in range(1, MOST_RESULTS + 5))
    worst = Finding("z.yaml", 1, 1, "DG102", "broken")
    data = json.loads(render_sarif(report(findings=(*many, worst))))
    (run,) = data["runs"]
    assert len(run["results"]) == MOST_RESULTS
    assert run["results"][0]["message"]["text"] == "broken"
    assert "5 more" in run["invocations"][0]["toolExecutionNotifications"][0]["message"]["text"]


def test_law_status_and_command_are_told():
    """The invocation has the status and why, and whether the run could judge anything."""
    for status, done in ((0, True), (1, True), (2, False), (5, False)):
        (run,) = json.loads(render_sarif(report(status=status, why="so")))["runs"]
        (told,) = run["invocations"]
        assert (told["exitCode"], told["exitCodeDescription"]) == (status, "so")
        assert told["executionSuccessful"] is done
        assert run["columnKind"] == "unicodeCodePoints"


def test_law_columns_count_characters(tmp_path):
    """A fault behind characters of two and four bytes stands at its column in characters."""
    text = "{kind: field map, format: 1, title: 'äß🌱𝛼', wals: []}\n"
    (tmp_path / "f.yaml").write_text(text, encoding="utf-8")
    found = results(report(findings=load_project([tmp_path], tmp_path).findings))
    (unknown,) = [r for r in found if r["ruleId"] == "DG108"]
    # Counted in UTF-16 units or in bytes it would stand further right.
    assert region(unknown) == {"startLine": 1, "startColumn": text.index("wals") + 1}
