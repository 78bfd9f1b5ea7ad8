"""Files written whole or not at all."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from driftgate.report.write import WriteError, write_folder, write_new, write_once, write_whole


def test_law_replaces_whole_file(tmp_path):
    """An existing file is replaced, nothing else is left beside it, and others may read it."""
    target = tmp_path / "r.json"
    target.write_text("old")
    write_whole(target, "new é\n")

    assert target.read_bytes() == "new é\n".encode()
    assert [p.name for p in tmp_path.iterdir()] == ["r.json"]
    umask = os.umask(0)
    os.umask(umask)
    assert stat.S_IMODE(target.stat().st_mode) == 0o666 & ~umask


def test_err_symbolic_link_is_refused(tmp_path):
    """A symbolic link is refused and what it points to stays as it was."""
    kept = tmp_path / "kept"
    kept.write_text("kept")
    (tmp_path / "r.json").symlink_to(kept)
    with pytest.raises(WriteError, match="symbolic link"):
        write_whole(tmp_path / "r.json", "new")
    assert kept.read_text() == "kept"


@pytest.mark.parametrize(
    ("name", "words"), [("", "is a directory"), ("no/r.json", "no directory"), ("r.yaml", "YAML")]
)
def test_err_bad_targets(tmp_path, name, words):
    """Directories, missing directories and YAML files are refused with the reason."""
    with pytest.raises(WriteError, match=words):
        write_whole(tmp_path / name, "new")


def test_err_nothing_left_after_a_failure(tmp_path, monkeypatch):
    """When the last move fails, no half-written file stays behind."""

    def refuse(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", refuse)
    with pytest.raises(WriteError, match="No space left"):
        write_whole(tmp_path / "r.json", "new")
    assert list(tmp_path.iterdir()) == []


def test_law_lone_surrogates_do_not_break_writing(tmp_path):
    """A text that UTF-8 cannot hold is written with an escape instead of half."""
    write_whole(tmp_path / "r.txt", "a\ud800b")
    assert (tmp_path / "r.txt").read_text() == "a\\ud800b"


MARKS = ("Written by us",)


def test_law_a_folder_is_written_whole(tmp_path):
    """All files stand there, earlier ones of ours are replaced, and nothing else is left or touched."""
    folder = tmp_path / "out"
    write_folder(folder, {"a.txt": "Written by us 1", "b.txt": "Written by us"}, MARKS)
    (folder / "other").write_text("kept")
    write_folder(folder, {"a.txt": "Written by us 2"}, MARKS)
    assert {p.name: p.read_text() for p in folder.iterdir()} == {
        "a.txt": "Written by us 2",
        "b.txt": "Written by us",
        "other": "kept",
    }


def test_err_a_folder_is_written_wholly_or_not_at_all(tmp_path):
    """One target that is in the way keeps all from being written; a folder made for it goes again."""
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "b.txt").write_text("mine")
    with pytest.raises(WriteError, match="was not written by driftgate"):
        write_folder(folder, {"a.txt": "x", "b.txt": "x"}, MARKS)
    assert {p.name: p.read_text() for p in folder.iterdir()} == {"b.txt": "mine"}
    with pytest.raises(WriteError, match="YAML"):
        write_folder(tmp_path / "new", {"a.txt": "x", "b.yaml": "x"}, MARKS)
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize("name", ["../a", "a/b", "..", "", "a\\b"])
def test_err_files_stay_in_their_folder(name, tmp_path):
    """A name that leads elsewhere is refused."""
    with pytest.raises(WriteError, match="no plain file name"):
        write_folder(tmp_path, {name: "x"}, MARKS)
    assert not any(tmp_path.iterdir())


# A change that a stranger proposes may bring links along, but does not choose where files are written.


def all_writers(folder, name="r.txt"):
    """Return every way to write below a folder."""
    return {
        "whole": lambda: write_whole(folder / name, "new"),
        "new": lambda: write_new(folder / name, "new"),
        "once": lambda: write_once(folder / name, "new"),
        "folder": lambda: write_folder(folder, {name: "new"}, MARKS),
        "below": lambda: write_folder(folder / "below", {name: "new"}, MARKS),
    }


WRITERS = ("whole", "new", "once", "folder", "below")


@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("way", ["reports", "a/../reports", "deep/reports/inner"])
def test_err_a_link_does_not_lead_out_of_the_repository(tmp_path, writer, way):
    """Wherever the link stands on the way, nothing is written behind it."""
    repository, outside = tmp_path / "repository", tmp_path / "outside"
    (outside / "inner").mkdir(parents=True)
    (repository / "a").mkdir(parents=True)
    (repository / "deep").mkdir()
    (repository / ".git").mkdir()
    for link in ("reports", "deep/reports"):
        (repository / link).symlink_to(outside)
    with pytest.raises(WriteError, match=r"symbolic link"):
        all_writers(repository / way)[writer]()
    assert [p.name for p in outside.rglob("*")] == ["inner"]


@pytest.mark.parametrize("writer", WRITERS)
def test_law_other_links_are_the_machines_own_affair(tmp_path, writer):
    """A link outside of any repository, or from one place in it to another, is followed."""
    (tmp_path / "real/inside").mkdir(parents=True)
    (tmp_path / "real/pyproject.toml").write_text("")
    (tmp_path / "way").symlink_to("real")
    (tmp_path / "real/link").symlink_to("inside")
    if writer == "folder":
        write_folder(tmp_path / "way/inside", {"r.txt": "new"}, MARKS)
    else:
        all_writers(tmp_path / "way/link")[writer]()
    assert [p.read_text() for p in (tmp_path / "real/inside").rglob("r.txt")] == ["new"]


@pytest.mark.parametrize("writer", ["new", "once"])
@pytest.mark.parametrize("there", ["file", "link", "loop", "pipe"])
def test_err_what_is_there_stays(tmp_path, writer, there):
    """Where nothing may be replaced, nothing is: no file, no link to nowhere, no pipe."""
    target = tmp_path / "r.txt"
    if there == "file":
        target.write_text("old")
    elif there == "pipe":
        os.mkfifo(target)
    else:
        target.symlink_to("nowhere" if there == "link" else "r.txt")
    before = os.lstat(target)
    if writer == "new":
        with pytest.raises(WriteError, match="is there already"):
            write_new(target, "new")
    else:
        assert write_once(target, "new") is False
    assert os.lstat(target).st_ino == before.st_ino
    assert [p.name for p in tmp_path.iterdir()] == ["r.txt"]


@pytest.mark.parametrize("name", ["/dev/null", "/dev/full", "/dev/stdout", "/proc/self/mem"])
def test_err_devices_are_no_reports(name):
    """A report to a device, or to a process, is refused."""
    with pytest.raises(WriteError):
        write_whole(Path(name), "new")


# Interrupted, or out of room.


@pytest.mark.parametrize("call", ["fsync", "replace", "chmod", "link"])
@pytest.mark.parametrize("writer", WRITERS)
@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(28, "No space left on device")])
def test_err_old_files_or_new_ones(tmp_path, monkeypatch, writer, call, error):
    """Whatever call it comes in, the file is as it was or as it should be, and nothing lies beside it."""
    target = tmp_path / ("below/r.txt" if writer == "below" else "r.txt")
    if writer not in ("new", "once"):
        target.parent.mkdir(exist_ok=True)
        target.write_text(MARKS[0])
    before = sorted(str(p) for p in tmp_path.rglob("*"))

    def refuse(*_, **__):
        raise error

    monkeypatch.setattr(os, call, refuse)
    raised = None
    try:
        all_writers(tmp_path)[writer]()
    except (WriteError, KeyboardInterrupt) as caught:
        raised = caught
    if raised is not None:
        assert isinstance(raised, KeyboardInterrupt) == isinstance(error, KeyboardInterrupt)
        assert sorted(str(p) for p in tmp_path.rglob("*")) == before
        assert not target.exists() or target.read_text() == MARKS[0]
    else:
        # That writer does without that call.
        assert target.read_text() == "new"


def test_law_an_interrupt_waits_until_all_files_of_a_folder_stand(tmp_path, monkeypatch):
    """A folder's files are never half old and half new, whenever the interrupt comes."""
    texts = {f"{i}.txt": f"{MARKS[0]} old" for i in range(4)}
    write_folder(tmp_path, texts, MARKS)
    replace, calls = os.replace, []

    def interrupted(*words):
        calls.append(words)
        if len(calls) == 2:
            os.kill(os.getpid(), signal.SIGTERM)
        replace(*words)

    def stop(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "replace", interrupted)
    before = signal.signal(signal.SIGTERM, stop)
    try:
        with pytest.raises(KeyboardInterrupt):
            write_folder(tmp_path, dict.fromkeys(texts, f"{MARKS[0]} new"), MARKS)
    finally:
        signal.signal(signal.SIGTERM, before)
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == dict.fromkeys(texts, f"{MARKS[0]} new")


def test_err_a_limit_on_file_size(tmp_path):
    """Where the system cuts files short, the old one stays whole; in a process of its own."""
    (tmp_path / "r.txt").write_text("old")
    script = (
        "import resource, signal, sys; from pathlib import Path\n"
        "from driftgate.report.write import WriteError, write_whole\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))\n"
        "try: write_whole(Path('r.txt'), 'x' * 100_000)\n"
        "except WriteError as error: print(error)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script], cwd=tmp_path, capture_output=True, text=True, check=True, env=here()
    )
    assert "File too large" in done.stdout
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == {"r.txt": "old"}


def here():
    """Return an environment in which a process loads this driftgate."""
    import driftgate

    return {**os.environ, "PYTHONPATH": str(Path(driftgate.__file__).parents[1])}


def test_err_the_folder_goes_while_writing(tmp_path, monkeypatch):
    """A folder that vanishes midway is said; nothing is made in its place."""
    folder = tmp_path / "out"
    folder.mkdir()
    fsync = os.fsync

    def gone(handle):
        fsync(handle)
        folder.rename(tmp_path / "moved")

    monkeypatch.setattr(os, "fsync", gone)
    with pytest.raises(WriteError, match="No such file"):
        write_whole(folder / "r.txt", "new")
    assert not folder.exists()
