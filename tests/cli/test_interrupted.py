"""Commands that are cut off, or whose output has no room: the status and the files tell the truth."""

from __future__ import annotations

import multiprocessing.process
import os
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import pytest
from small_project import write_project

from driftgate.cli import main

FEW = ("--trials", "60", "--workers", "1")
NIGHT = ("--night", "2026-11-01", "--fault-trials", "30", "--scout-trials", "8", "--no-faults", *FEW)
COMMANDS = {
    "check": ("check", *FEW, "--report", "json=new/r.json", "--report", "sarif=new/r.sarif"),
    "check, a baseline": ("check", *FEW, "--keep-baseline", "new/b.json", "--baseline-trials", "60"),
    "freeze": ("freeze", "--out", "new/code.freeze", "--sample", "fixed", *FEW),
    "export": ("export", "--out", "new"),
    "nightly": ("nightly", *NIGHT, "--report", "html=new/n.html"),
    "nightly, a history": ("nightly", *NIGHT, "--history", "new"),
    "sample-logs": ("sample-logs", "routines/out.yaml", "--runs", "2", "--out", "new"),
    "compare": ("compare", "routines/out.yaml", "--without-correction", *FEW, "--report", "json=new/c.json"),
    "budget": ("budget", "routines/out.yaml", *FEW, "--report", "markdown=new/b.md"),
    "schema": ("schema", "routine", "--output", "new/s.json"),
}


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder, with an empty folder for what is written."""
    folder = tmp_path / "project"
    folder.mkdir()
    monkeypatch.chdir(write_project(folder))
    path = folder / "routines/out.yaml"
    path.write_text(path.read_text() + "  contact_allowed: 5 %\n")
    (folder / "new").mkdir()
    return folder


def written(project):
    """Return what lies in the folder, hidden files included, but for a history's own."""
    found = sorted(
        p.relative_to(project / "new").as_posix() for p in (project / "new").rglob("*") if p.is_file()
    )
    return [name for name in found if not name.startswith(("history.sqlite", "work/"))]


@pytest.mark.parametrize("command", COMMANDS)
def test_law_interrupted_while_writing(project, capsys, monkeypatch, command):
    """Status 130 and no file; without room status 2 and no file; then whole files, and nothing besides."""

    def cut_off(error):
        def fsync(*_):
            raise error

        monkeypatch.setattr(os, "fsync", fsync)
        status = main.run(list(COMMANDS[command]))
        monkeypatch.undo()
        monkeypatch.chdir(project)
        return status, capsys.readouterr().err.splitlines()[-1]

    assert cut_off(KeyboardInterrupt()) == (130, "driftgate: status 130: interrupted")
    assert written(project) == []
    status, last = cut_off(OSError(28, "No space left on device"))
    assert status == 2
    assert last.endswith("No space left on device")
    assert written(project) == []
    assert main.run(list(COMMANDS[command])) in (0, 1)
    assert written(project)
    assert not [name for name in written(project) if name.rpartition("/")[2].startswith(".")]


@pytest.mark.parametrize("command", ["check", "export", "nightly, a history", "sample-logs", "schema"])
def test_err_a_folder_that_cannot_be_written(project, capsys, monkeypatch, command):
    """A read-only file system is one clear error."""

    def refuse(*_, **__):
        raise OSError(30, "Read-only file system")

    monkeypatch.setattr("tempfile.mkstemp", refuse)
    assert main.run(list(COMMANDS[command])) == 2
    assert capsys.readouterr().err.splitlines()[-1].endswith("Read-only file system")
    assert written(project) == []


@pytest.mark.parametrize("command", COMMANDS)
def test_err_a_link_in_the_repository_leads_nowhere(project, capsys, command):
    """Where the folder for the output is a link out of the repository, nothing is written behind it."""
    outside = project.parent / "outside"
    (project / "new").rmdir()
    outside.mkdir()
    (project / "new").symlink_to(outside)
    assert main.run(list(COMMANDS[command])) == 2
    assert "symbolic link" in "".join(capsys.readouterr())
    assert list(outside.iterdir()) == []


def members(session):
    """Return the processes of a session that are not mere zombies."""
    found = []
    for name in os.listdir("/proc"):
        if name.isdigit():
            try:
                fields = Path(f"/proc/{name}/stat").read_text().rsplit(")", 1)[1].split()
            except OSError:
                continue
            if int(fields[3]) == session and fields[0] != "Z":
                found.append(int(name))
    return found


@pytest.fixture
def temporary():
    """Return an empty folder for temporary files, whose name is short enough for sockets."""
    folder = Path(tempfile.mkdtemp(prefix="t-"))
    yield folder
    shutil.rmtree(folder)


@pytest.mark.parametrize("number", ["SIGTERM", "SIGHUP", "SIGKILL"])
def test_law_ended_from_outside(project, temporary, number):
    """However the process is ended, no worker outlives it, no file is left, and the status says so."""
    words = (
        "check",
        "--sample",
        "fixed",
        "--trials",
        "2000000",
        "--workers",
        "2",
        "--report",
        "json=new/r.json",
    )
    process = subprocess.Popen(
        [sys.executable, "-m", "driftgate", *words],
        env={**os.environ, "TMPDIR": str(temporary)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        # Whoever runs the tests may have told their processes to stay when a terminal goes.
        preexec_fn=lambda: signal.signal(signal.SIGHUP, signal.SIG_DFL),
    )
    try:
        deadline = time.monotonic() + 60.0
        while len(members(process.pid)) < 5 and time.monotonic() < deadline:
            time.sleep(0.1)
        os.kill(process.pid, getattr(signal, number))
        _, err = process.communicate(timeout=60)
        if number == "SIGKILL":
            assert process.returncode == -signal.SIGKILL
        else:
            assert process.returncode == 130
            assert err.splitlines()[-1] == f"driftgate: status 130: interrupted by {number}"
        deadline = time.monotonic() + 20.0
        while members(process.pid) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert members(process.pid) == []
        assert written(project) == []
        assert list(temporary.iterdir()) == []
    finally:
        for member in members(process.pid):
            os.kill(member, signal.SIGKILL)


def test_law_the_folder_that_workers_share_is_removed_though_a_file_in_it_goes_first(tmp_path, monkeypatch):
    """The interpreter stops at a file that is gone while it removes the folder; the last step does not."""
    config = multiprocessing.process.current_process()._config
    folder = tmp_path / "pymp-here"
    folder.mkdir()
    (folder / "listener").write_text("")
    monkeypatch.setitem(config, "tempdir", str(folder))
    main._leave_nothing()
    assert not folder.exists()
    main._leave_nothing()


def test_err_no_room_for_the_name_of_a_socket(project, temporary):
    """Where workers cannot be started at all, it is said what would help."""
    deep = temporary / ("x" * 100)
    deep.mkdir()
    words = ("check", "--sample", "fixed", "--trials", "20000", "--workers", "2")
    done = subprocess.run(
        [sys.executable, "-m", "driftgate", *words],
        env={**os.environ, "TMPDIR": str(deep)},
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 3
    assert "TMPDIR" in done.stderr.splitlines()[-1]


def with_traps(project):
    """Put files beside the routines that Python would take for modules that it needs."""
    names = [
        "multiprocessing",
        "numpy",
        "signal",
        "selectors",
        "socket",
        "threading",
        "click",
        "driftgate",
        "yaml",
        "pickle",
        "runpy",
        "os",
    ]
    for name in names:
        (project / f"{name}.py").write_text(f"open({str(project / 'trapped')!r}, 'a').write({name!r})\n")


@pytest.mark.parametrize("way", ["script", "-m"])
def test_err_modules_in_the_repository_are_not_run(project, tmp_path, way):
    """What a stranger calls multiprocessing.py is not imported: neither here nor by a worker."""
    with_traps(project)
    script = tmp_path / "bin" / "driftgate"
    script.parent.mkdir()
    script.write_text("from driftgate.cli.main import entry\nif __name__ == '__main__':\n    entry()\n")
    start = ["-m", "driftgate"] if way == "-m" else [str(script)]
    if way == "-m":
        (project / "driftgate.py").unlink()  # by this name it is what was asked for
    words = ("check", "--sample", "fixed", "--trials", "20000", "--workers", "2")
    done = subprocess.run([sys.executable, *start, *words], capture_output=True, text=True, timeout=300)
    assert not (project / "trapped").exists(), (project / "trapped").read_text()
    assert done.returncode == 0, done.stderr


CHECK = "check --trials 400 --workers 1 --color auto"


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="needs a device that is always full")
@pytest.mark.parametrize(
    ("words", "status", "said"),
    [
        (f"{CHECK} >/dev/full", 2, "output cannot be written: No space left"),
        (f"{CHECK} 2>/dev/full", 0, ""),
        (f"{CHECK} >&-", 0, "status 0"),
        (f"{CHECK} >&- 2>&-", 0, ""),
        (f"{CHECK} </dev/null >/dev/full 2>/dev/full", 2, ""),
        ("--help >/dev/full", 2, "output cannot be written: No space left"),
        ("nonsense 2>/dev/full", 2, ""),
        ("--help | head -c 1 >/dev/null; exit ${PIPESTATUS[0]}", 0, ""),
    ],
)
def test_law_no_room_for_the_output(project, words, status, said):
    """What cannot be shown is no pass; what nobody wants to read changes nothing."""
    done = subprocess.run(
        ["bash", "-c", f'"$0" -m driftgate {words}', sys.executable],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == status
    assert "Traceback" not in done.stdout + done.stderr
    assert said in done.stderr
