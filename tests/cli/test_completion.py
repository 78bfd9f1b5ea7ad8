"""Shell completion: what is answered to a shell, and that a real bash completes with it."""

from __future__ import annotations

import os
import pty
import re
import select
import shutil
import subprocess
import sys
import time

import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.cli.completion import SHELLS
from driftgate.core.rules import RULES


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


@pytest.fixture
def answers(capsys, monkeypatch):
    """Return a function from the words of a command line to what is offered for the last one."""

    def asked(*words):
        monkeypatch.setenv("_DRIFTGATE_COMPLETE", "bash_complete")
        monkeypatch.setenv("COMP_WORDS", "\n".join(["driftgate", *words]))
        monkeypatch.setenv("COMP_CWORD", str(len(words)))
        with pytest.raises(SystemExit):
            main.run([])
        out, err = capsys.readouterr()
        assert err == ""
        return out.splitlines()

    return asked


def plain(*words):
    """Return the lines that offer words."""
    return [f"plain,{word}" for word in words]


def test_law_commands_options_and_choices(answers):
    """Commands, options of a command, choices of an option, kinds of schema."""
    assert answers("che") == plain("check")
    assert "plain,new" in answers("")
    assert answers("check", "--bas") == plain("--baseline", "--baseline-trials")
    assert answers("check", "--sample", "") == plain("sequential", "fixed")
    assert answers("schema", "field") == plain("field-map")
    assert answers("new", "--sensors", "front,b") == plain("front,back")
    assert answers("completion", "") == plain(*SHELLS)


def test_law_documents_of_the_kind_that_is_expected(project, answers):
    """Routines, robots, field maps where each belongs; not those named already; else any file."""
    (project / "routines/notes.yaml").write_text("kind: waivers\n")
    (project / "routines/other.yaml").write_text("# comment\nkind: 'routine'\n")
    assert answers("check", "") == plain("routines/other.yaml", "routines/out.yaml")
    assert answers("check", "routines/out.yaml", "routines/") == plain("routines/other.yaml")
    assert answers("explain", "routines/ou") == plain("routines/out.yaml")
    assert answers("check", "--field", "") == plain("fieldmaps/box.yaml")
    assert answers("backtest", "run.csv", "--robot", "rou") == plain("routines/robots/small.yaml")
    assert answers("validate", "field") == plain("fieldmaps/box.yaml")
    assert answers("check", "elsewhere/") == ["file,elsewhere/"]
    assert answers("check", "./routines/ou") == plain("./routines/out.yaml")


def test_law_codes_and_reports(answers):
    """All codes, in either case; a whole report for each format that the command writes."""
    assert answers("codes", "") == plain(*RULES)
    assert answers("codes", "dg90") == plain("DG901", "DG902")
    assert answers("check", "--report", "j") == plain("json=report.json", "junit=report.xml")
    assert "plain,sarif=report.sarif" not in answers("freeze", "--report", "")


def test_law_keys_of_settings(project, answers):
    """Groups, and the names of the steps and checkpoints of the routine that was named before."""
    assert answers("settings", "routines/out.yaml", "ha") == plain("half-way")
    assert answers("settings", "routines/out.yaml", "o") == plain("out")
    assert "plain,correction" in answers("settings", "routines/none.yaml", "c")


def test_err_hostile_names_are_not_offered(project, answers):
    """What a shell would take apart or run is left out, and what blocks is never opened."""
    for name in ("a b", "a;b", "$(touch x)", "a`b", "*", "a\nb", "a'b", "[a]"):
        (project / f"routines/{name}.yaml").write_text("kind: routine\n")
    (project / "routines/big.yaml").write_text("#" * 10_000 + "\nkind: routine\n")
    (project / "routines/folder.yaml").mkdir()
    (project / "routines/loop.yaml").symlink_to("loop.yaml")
    os.mkfifo(project / "routines/pipe.yaml")
    assert answers("check", "") == plain("routines/out.yaml")


def test_law_every_shell_has_its_script(capsys):
    """A script for each shell, which asks for what the command line answers to; another one is bad usage."""
    for shell in SHELLS:
        assert main.run(["completion", shell]) == 0
        assert f"_DRIFTGATE_COMPLETE={shell}_complete" in capsys.readouterr().out
    assert main.run(["completion", "csh"]) == 2


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash")
def test_law_a_real_bash_completes(project):
    """In an interactive bash the TAB key completes a command, then a routine, then an option."""
    binary = project / "bin"
    binary.mkdir()
    (binary / "driftgate").write_text(f'#!/bin/sh\nexec "{sys.executable}" -m driftgate "$@"\n')
    (binary / "driftgate").chmod(0o755)
    ours, theirs = pty.openpty()
    environment = {**os.environ, "PATH": f"{binary}:{os.environ['PATH']}", "PS1": "", "TERM": "dumb"}
    environment.pop("INPUTRC", None)
    shell = subprocess.Popen(
        ["bash", "--norc", "--noprofile", "-i"],
        cwd=project,
        stdin=theirs,
        stdout=theirs,
        stderr=theirs,
        start_new_session=True,
        env=environment,
    )
    os.close(theirs)
    heard = ""

    def until(words):
        nonlocal heard
        deadline = time.monotonic() + 60.0
        while words not in heard and time.monotonic() < deadline:
            if select.select([ours], [], [], 1.0)[0]:
                heard += re.sub(r"\x1b\[[0-9;?]*[a-zA-Z]|\a", "", os.read(ours, 4096).decode())
        assert words in heard

    try:
        os.write(ours, b'source <(driftgate completion bash); echo rea""dy\n')
        until("ready")
        # The command that comes out is echoed instead of run.
        os.write(ours, b"driftgate chec\t")
        until("driftgate check ")
        os.write(ours, b"rou\t")
        until("routines/out.yaml ")
        os.write(ours, b"--carr\t")
        until("--carry-field ")
    finally:
        os.write(ours, b"\x03\nexit\n")
        os.close(ours)
        shell.kill()
        shell.wait(60)
