"""Files written whole or not at all."""

from __future__ import annotations

import os
import stat

import pytest

from driftgate.report.write import WriteError, write_whole


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
