"""Reports of a verification on hostile content, read back by independent readers."""

from __future__ import annotations

import html
import json
import math
import re
import unicodedata
from dataclasses import replace

import jsonschema
import pytest
import yaml
from lxml import etree
from made_reports import HOSTILE

from driftgate.core.findings import Finding
from driftgate.report.record_schema import verification_schema
from driftgate.report.verify_formats import render_as
from driftgate.report.verify_model import (
    FieldOfTheDay,
    MarginNow,
    NeededWaiver,
    Risk,
    Verification,
    WaivedFinding,
)
from driftgate.report.verify_text import render_verification
from strict_schema import strict


def finding(code: str = "DG704", level: str = "error", line: int = 3) -> Finding:
    """Return a finding whose every text is hostile."""
    return Finding(HOSTILE, line, 1, code, HOSTILE, level, HOSTILE, HOSTILE)  # type: ignore[arg-type]


def risk(verdict: str, margin: float | None, side: str) -> Risk:
    """Return a row of the ranking."""
    return Risk(HOSTILE, HOSTILE, side, verdict, HOSTILE, "x", 3, 0.2, margin, 1024, HOSTILE)  # type: ignore[arg-type]


def everything(status: int = 1) -> Verification:
    """Return a verification with something of everything."""
    return Verification(
        version="9.9",
        manifest=HOSTILE,
        digest="ab" * 32,
        frozen_version=HOSTILE,
        files=3,
        routines=1,
        seed=1,
        trials=1000,
        sample="sequential",
        confidence=0.95,
        findings=(finding(), finding("DG705", "note"), finding("DG712", "warning"), finding("DG709", line=0)),
        waived=(WaivedFinding(finding("DG706"), HOSTILE, HOSTILE, "2026-12-01"),),
        needed=(NeededWaiver(HOSTILE, "ab" * 6, "fail"),),
        rejudged=(
            MarginNow(HOSTILE, HOSTILE, HOSTILE, "pass", 0.2, 0.123456),
            MarginNow(HOSTILE, HOSTILE, HOSTILE, "fail", None, -math.inf),
        ),
        field=FieldOfTheDay(
            HOSTILE, HOSTILE, (HOSTILE,), 7, (risk("fail", None, "mirrored"), risk("pass", 0.1, "as written"))
        ),
        status=status,
        why=HOSTILE,
        command=HOSTILE,
    )


def hidden(text: str) -> set[str]:
    """Return the hidden characters of a text, line feeds aside."""
    return {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")}


def test_err_no_format_carries_hidden_characters_or_markup():
    """What comes from files steers no terminal and is no markup."""
    found = everything()
    for text in (render_verification(found), render_as("junit", found), render_as("markdown", found)):
        assert hidden(text) == set()
        assert "::error::" not in [line[:9] for line in text.splitlines()]
    shown = render_as("markdown", found)
    for markup in ("<script", "</td>", "](http", "@team", "`x`", "$x$"):
        assert markup not in shown
    assert "\x1b[31m" in render_verification(found, colour=True)


@pytest.mark.parametrize("status", [0, 1, 2])
def test_law_json_fits_its_schema(status: int):
    """Every member is described; what is no finite number is null."""
    read = json.loads(render_as("json", everything(status)))
    jsonschema.Draft202012Validator.check_schema(verification_schema())
    jsonschema.validate(read, strict(verification_schema()))
    assert read["rejudged"][1]["margin_now"] is None


@pytest.mark.parametrize(("status", "trouble"), [(0, 0), (1, 1), (2, 1)])
def test_law_junit_has_a_test_case_for_everything_that_counts(status: int, trouble: int):
    """Names are unique, counts are right, and the manifest's own case carries the status."""
    root = etree.fromstring(render_as("junit", everything(status)).encode())
    cases = list(root.iter("testcase"))
    assert len({(c.get("classname"), c.get("name")) for c in cases}) == len(cases)
    assert len(cases[0].findall("failure") + cases[0].findall("error")) == trouble
    suite = root.find("testsuite")
    assert suite is not None
    assert int(suite.get("tests", "0")) == len(cases)
    assert int(suite.get("failures", "0")) == len(root.findall(".//failure"))
    assert int(suite.get("skipped", "0")) == 1


def test_law_an_entry_that_waives_no_pass_carries_a_caution():
    """In the terminal as a comment of the file of waivers, in Markdown below it; a pass carries none."""
    for verdict, words in (("fail", "waives a predicted failure"), ("undecided", "a verdict that is open")):
        found = replace(everything(), needed=(NeededWaiver("a.yaml", "ab" * 6, verdict),))
        lines = render_verification(found).splitlines()
        (place,) = (i for i, line in enumerate(lines) if words in line)
        assert lines[place].startswith("  # caution: ")
        assert lines[place + 1].startswith('  - {file: "a.yaml"')
        assert words in render_as("markdown", found)
    passing = replace(everything(), needed=(NeededWaiver("a.yaml", "ab" * 6, "pass"),))
    assert "aution: this waives" not in render_verification(passing) + render_as("markdown", passing)


def test_law_waivers_are_copied_from_a_page_as_from_a_terminal():
    """What a browser shows of the Markdown is the file of waivers, whole, with its cautions as comments."""
    needed = tuple(NeededWaiver(f"{name}.yaml", "ab" * 6, "fail") for name in ("a", "b_c"))
    found = replace(everything(), needed=needed, waivers_there=False)
    (shown,) = re.findall("<pre>(.*?)</pre>", render_as("markdown", found), re.DOTALL)
    file = yaml.safe_load(html.unescape(shown))
    assert (file["kind"], file["format"]) == ("waivers", 1)
    assert [waiver["file"] for waiver in file["waivers"]] == ["a.yaml", "b_c.yaml"]
    assert html.unescape(shown).count("# caution: ") == 2


def test_law_what_is_waived_is_not_headed_as_frozen():
    """The heading of a pull request says which of the two it is."""
    assert render_as("markdown", everything(0)).startswith("### driftgate verify: let through by waivers\n")
    assert render_as("markdown", replace(everything(0), waived=())).startswith(
        "### driftgate verify: as frozen\n"
    )


def test_law_quiet_leaves_out_what_passes():
    """Notes, waived findings and passing rows go; what counts stays."""
    loud, quiet = render_verification(everything()), render_verification(everything(), quiet=True)
    assert "DG705" in loud
    assert "DG706" in loud
    assert "DG705" not in quiet
    assert "DG706" not in quiet
    assert quiet.count("DG704") == loud.count("DG704")
    assert "margin 20.0 % -> 12.3 %" in loud
    assert "margin 20.0 % -> 12.3 %" not in quiet
    assert "margin new -> none" in quiet
