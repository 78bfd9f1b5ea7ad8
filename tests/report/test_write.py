"""Files written whole or not at all."""

from __future__ import annotations

import os
import stat

import pytest

from driftgate.report.write import WriteError, write_folder, write_whole


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
