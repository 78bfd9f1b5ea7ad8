"""One file per fault: each is reported where it stands, and nothing else is."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from driftgate.core.rules import RULES
from driftgate.load import load_project

CASES = Path(__file__).parents[1] / "cases"
BAD = sorted((CASES / "bad").glob("*.yaml"))
EXPECTED = re.compile(r"(\d+):(\d+) (DG\d{3})")


@pytest.mark.parametrize("file", BAD, ids=lambda file: file.stem)
def test_err_exact_place(file: Path) -> None:
    """Every fault of a bad file has its code, line and column, as its first line says."""
    first = file.read_text(encoding="utf-8").splitlines()[0]
    expected = [(int(line), int(column), code) for line, column, code in EXPECTED.findall(first)]
    project = load_project([file], CASES)

    assert [(f.line, f.column, f.code) for f in project.findings] == expected
    assert {f.path for f in project.findings} <= {f"bad/{file.name}"}
    assert all(f.code in RULES and f.excerpt for f in project.findings)
    assert not expected or not project.routines


def test_err_one_project_shows_the_findings_of_all_files() -> None:
    """The findings of a folder are those of its files together, in order of place."""
    together = load_project([CASES / "bad"], CASES).findings
    apart = {finding for file in BAD for finding in load_project([file], CASES).findings}

    assert set(together) == apart
    assert list(together) == sorted(together)


def test_law_good_files_load_in_full() -> None:
    """The good files give a routine with its robot, field map and variant, and no finding."""
    project = load_project([CASES / "good"], CASES / "good")

    assert project.findings == ()
    (routine,) = project.routines
    assert routine.document.routine.title == "Two benches"
    assert routine.robot.robot.sensors[1].id == "left"
    assert [variant.path for variant in routine.variants] == ["fieldmaps/practice.yaml"]


def test_err_messages_are_for_students() -> None:
    """No message of the bad files speaks of the machinery that found it."""
    findings = load_project([CASES / "bad"], CASES).findings
    text = " ".join(f"{f.message} {f.suggestion}" for f in findings).lower()

    for word in (
        "pydantic",
        "input should",
        "dictionary",
        "dict",
        "discriminator",
        "function-",
        "nonetype",
        "extra inputs",
    ):
        assert word not in text
