"""`driftgate freeze` and `driftgate verify` on the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from small_project import write_project

from driftgate.cli.main import run

SMALL = ["--trials", "200", "--sample", "fixed", "--workers", "1"]
MANIFEST = Path("routines/code.freeze")


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    path = Path("routines/out.yaml")
    path.write_text(path.read_text() + "  contact_allowed: 5 %\n")
    return tmp_path


def last_line(capsys: pytest.CaptureFixture[str]) -> str:
    """Return the last line on stderr since the last call."""
    return capsys.readouterr().err.splitlines()[-1]


def test_law_freeze_and_verify(project: Path, capsys: pytest.CaptureFixture[str]):
    """The digest that one prints is what the other expects; reports are written."""
    assert run(["freeze", *SMALL]) == 0
    said = capsys.readouterr()
    digest = said.out.split("digest ")[1].split()[0]
    assert MANIFEST.read_text().endswith(f"digest: sha256:{digest}\n")
    assert said.err.splitlines()[-1] == "driftgate: status 0: 1 routine frozen, all 3 tolerances hold"
    assert run(["verify", "--expect", digest, "--report", "json=v.json", "--report", "junit=v.xml"]) == 0
    assert last_line(capsys) == "driftgate: status 0: 3 files as frozen"
    assert json.loads(Path("v.json").read_text())["digest"] == digest
    assert 'failures="0"' in Path("v.xml").read_text()
    path = Path("routines/out.yaml")
    path.write_text(path.read_text().replace("time_limit: 10 s", "time_limit: 9 s"))
    assert run(["verify", "--report", "sarif=v.sarif", "--annotate", "always"]) == 1
    line = path.read_text().splitlines().index("time_limit: 9 s") + 1
    assert f"\n::error file=routines/out.yaml,line={line},col=" in capsys.readouterr().out
    results = json.loads(Path("v.sarif").read_text())["runs"][0]["results"]
    assert "DG704" in {result["ruleId"] for result in results}
    assert run(["verify", "--expect", "0" * 12]) == 2
    assert last_line(capsys) == "driftgate: status 2: it is not the manifest that was expected"
    assert run(["validate"]) == 0, "the manifest beside the routines is not read as one"


def test_err_what_does_not_pass_writes_nothing(project: Path, capsys: pytest.CaptureFixture[str]):
    """Neither a new manifest nor over an old one."""
    assert run(["freeze", *SMALL]) == 0
    before = MANIFEST.read_bytes()
    write_project(project, tolerance="1 mm")
    assert run(["freeze", *SMALL]) == 1
    assert last_line(capsys).endswith(": nothing was frozen")
    assert MANIFEST.read_bytes() == before
    assert run(["freeze", "--out", "routines/other.freeze", *SMALL]) == 1
    assert not Path("routines/other.freeze").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["freeze", "--out", "routines/code.yaml"], "not written over a YAML file"),
        (["freeze", "--out", "nowhere/code.freeze"], "there is no directory"),
        (["freeze", "--report", f"json={MANIFEST}"], "two reports cannot go to one file"),
        (["verify"], "the manifest cannot be used"),
        (["verify", "--expect", ""], "12 to 64 of the digits"),
        (["verify", "--expect", "0123456789"], "12 to 64 of the digits"),
        (["verify", "--today", "tomorrow"], "expected a day"),
    ],
)
def test_err_bad_usage_is_status_2(
    project: Path, capsys: pytest.CaptureFixture[str], arguments: list[str], said: str
):
    """An expected digest that is empty, as an unset variable gives it, is no digest."""
    assert run(arguments) == 2
    assert said in last_line(capsys)
    assert not MANIFEST.exists()


def test_err_nothing_to_freeze_is_status_5(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    """No routine, no manifest."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "routines").mkdir()
    assert run(["freeze"]) == 5
    assert last_line(capsys).endswith("nothing was frozen")
    assert list((tmp_path / "routines").iterdir()) == []
