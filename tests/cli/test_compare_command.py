"""`driftgate compare` on the command line."""

from __future__ import annotations

import json

import pytest
from small_project import write_project

from driftgate.cli import main


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


COMPARE = ("compare", "routines/out.yaml", "--trials", "200", "--workers", "1")


def test_law_compare_prints_and_writes(project, capsys):
    """The table goes to stdout, the reports to their files, the last line names the status."""
    status, out, err = run(
        capsys, *COMPARE, "--without-correction", "--variant", "wide: correction.gate.sigmas=6",
        "--report", "json=out.json", "--report", "markdown=out.md",
    )  # fmt: skip
    assert status == 0
    assert "correction off" in out
    assert err.splitlines()[-1] == "driftgate: status 0: 3 variants compared over 200 trials"
    found = json.loads((project / "out.json").read_text())
    assert [v["name"] for v in found["variants"]] == ["as written", "correction off", "wide"]
    assert "correction off" in (project / "out.md").read_text()


@pytest.mark.parametrize(
    "arguments",
    [
        ("compare", "routines/out.yaml"),
        (*COMPARE, "--variant", "nonsense"),
        (*COMPARE, "--variant", "a: mass=2"),
        (*COMPARE, "--variant", "a: mass=2 kg", "--variant", "a: mass=3 kg"),
        (*COMPARE, "--without-correction", "--report", "junit=x.xml"),
        (*COMPARE, "--without-correction", "--report", "json=a", "--report", "markdown=a"),
        ("compare", "routines", "--without-correction", "--trials", "0"),
        ("compare", "nowhere.yaml", "--without-correction"),
    ],
)
def test_err_compare_usage(project, capsys, arguments):
    """Bad usage is status 2 with one line that says why, never a traceback."""
    status, _, err = run(capsys, *arguments)
    assert status == 2
    assert err.splitlines()[-1].startswith("driftgate: status 2: ")
    assert "Traceback" not in err
