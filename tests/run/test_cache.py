"""The cache of answers: exact, private, safe to share and to delete, never trusted when damaged."""

from __future__ import annotations

import json
import math
import multiprocessing
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parents[1] / "report"))
from made_reports import everything
from small_history import commit, git

from driftgate.judge.values import CaseVerdict, Estimate
from driftgate.report.model import DarkTime
from driftgate.run import cache as cache_module
from driftgate.run.cache import Cache, default_folder
from driftgate.run.cache_codec import decode, encode
from driftgate.run.facts import step_mark, with_steps

KEY = "a1" * 32
OTHER = "b2" * 32


@pytest.fixture
def folder(tmp_path):
    """Return the place of a cache, which does not exist yet."""
    return tmp_path / "kept" / "driftgate"


def entry_of(folder, key=KEY):
    """Return the file of an answer."""
    return folder / f"{key}.answer"


# What is kept


@given(st.floats() | st.sampled_from([-0.0, 5e-324, 2.2250738585072014e-308, 0.1 + 0.2]))
def test_law_floats_read_back_bit_for_bit(number: float) -> None:
    """Every float, endless and undefined ones included, reads back as the same bits."""
    back = decode(DarkTime, encode(DarkTime("x", number, 1.0, 0, 1)))
    assert back is not None
    assert math.copysign(1.0, back.begin_s) == math.copysign(1.0, number) or math.isnan(number)
    assert back.begin_s == number or (math.isnan(back.begin_s) and math.isnan(number))


def test_law_verdicts_read_back_as_they_were() -> None:
    """Verdicts with every status, unknown and endless figures and hostile texts read back equal."""
    verdicts = [case.verdict for case in everything().cases if case.verdict is not None]
    assert len(verdicts) == 2
    for verdict in verdicts:
        back = decode(CaseVerdict, encode(verdict))
        assert back is not None
        # Undefined figures equal nothing, so the comparison is that of the texts.
        assert repr(back) == repr(verdict)


GOOD = {"successes": 1, "trials": 2, "probability": 0.5, "low": 0.1, "high": 0.9}


@pytest.mark.parametrize(
    "change",
    [
        {"successes": "1"},
        {"successes": 1.0},
        {"successes": True},
        {"successes": None},
        {"probability": "0.5"},
        {"probability": [0.5]},
        {"extra": 1},
        {"low": {}},
    ],
)
def test_err_what_is_not_of_the_kind_is_refused(change) -> None:
    """Wrong types, texts for numbers and further keys are no value."""
    data = json.dumps({**GOOD, **change}, separators=(",", ":")).encode()
    assert decode(Estimate, json.dumps(GOOD, separators=(",", ":")).encode()) is not None
    assert decode(Estimate, data) is None


@pytest.mark.parametrize(
    "data", [b"", b"null", b"[]", b"{}", b"\xff", b"[" * 100_000, b'{"successes":1', b"NaN"]
)
def test_err_what_is_no_value_is_refused(data: bytes) -> None:
    """Data that is cut off, deep or no JSON at all is refused without an error."""
    assert decode(CaseVerdict, data) is None


def test_law_steps_get_the_words_of_today() -> None:
    """Marks become words at any depth, and nothing else changes."""
    (_, failing, _) = everything().cases
    moments = tuple(
        m if i else type(m)(**{**vars(m), "reason": f"most in {step_mark(3)}, less in {step_mark(12)}."})
        for i, m in enumerate(failing.verdict.moments)
    )
    verdict = type(failing.verdict)(**{**vars(failing.verdict), "moments": moments})
    told = with_steps(verdict, lambda index: f"step {index + 1}")
    assert told.moments[0].reason == "most in step 4, less in step 13."
    assert repr(told.moments[1:]) == repr(verdict.moments[1:])
    assert told.contact is verdict.contact


# Where it is kept


def test_law_what_was_put_is_got(folder) -> None:
    """An answer comes back as it was put, under its own key only, also to another run."""
    cache = Cache(folder)
    assert cache.get(KEY) is None
    cache.put(KEY, b"an\nanswer")
    assert cache.get(KEY) == Cache(folder).get(KEY) == b"an\nanswer"
    assert cache.get(OTHER) is None
    assert cache.trouble == ""
    assert os.stat(folder).st_mode & 0o777 == 0o700
    assert os.stat(entry_of(folder)).st_mode & 0o077 == 0
    assert [p.name for p in folder.iterdir()] == [entry_of(folder).name]


def test_err_any_damage_makes_it_absent(folder) -> None:
    """Whichever byte is changed, and wherever it is cut, the answer is absent; putting it again mends it."""
    cache = Cache(folder)
    cache.put(KEY, b"answer")
    whole = entry_of(folder).read_bytes()
    for i in range(len(whole)):
        entry_of(folder).write_bytes(whole[:i] + bytes([whole[i] ^ 1]) + whole[i + 1 :])
        assert cache.get(KEY) is None
        entry_of(folder).write_bytes(whole[:i])
        assert cache.get(KEY) is None
    cache.put(KEY, b"answer")
    assert cache.get(KEY) == b"answer"


def test_err_an_answer_under_another_name_is_absent(folder) -> None:
    """An answer that was copied to another key does not answer for it."""
    cache = Cache(folder)
    cache.put(KEY, b"answer")
    entry_of(folder, OTHER).write_bytes(entry_of(folder).read_bytes())
    assert cache.get(OTHER) is None


def test_err_what_is_no_plain_file_is_not_opened(folder, tmp_path) -> None:
    """Symbolic links are not followed, pipes are not waited for, and huge files are not read."""
    cache = Cache(folder)
    cache.put(KEY, b"answer")
    elsewhere = tmp_path / "elsewhere"
    entry_of(folder).rename(elsewhere)
    entry_of(folder).symlink_to(elsewhere)
    assert cache.get(KEY) is None
    cache.put(KEY, b"answer")
    assert not entry_of(folder).is_symlink()
    assert cache.get(KEY) == b"answer"

    entry_of(folder).unlink()
    os.mkfifo(entry_of(folder))
    assert cache.get(KEY) is None
    entry_of(folder).unlink()
    entry_of(folder).mkdir()
    assert cache.get(KEY) is None
    with open(entry_of(folder, OTHER), "wb") as file:
        file.truncate(cache_module.MOST_ENTRY_BYTES + 1)
    assert cache.get(OTHER) is None


@pytest.mark.parametrize("mode", [0o770, 0o707, 0o777])
def test_err_a_folder_open_to_others_is_not_used(folder, mode: int) -> None:
    """Whoever may write an answer decides a verdict: such a folder is neither read nor written."""
    Cache(folder).put(KEY, b"answer")
    folder.chmod(mode)
    cache = Cache(folder)
    assert "can be written to by others" in cache.trouble
    assert cache.get(KEY) is None
    cache.put(OTHER, b"answer")
    assert not entry_of(folder, OTHER).exists()


def test_err_a_folder_of_another_user_is_not_used(folder, monkeypatch) -> None:
    """The folder must belong to whoever runs the command."""
    Cache(folder).put(KEY, b"answer")
    monkeypatch.setattr(os, "geteuid", lambda: os.stat(folder).st_uid + 1)
    cache = Cache(folder)
    assert "belongs to another user" in cache.trouble
    assert cache.get(KEY) is None


def test_err_a_place_that_cannot_be_used_is_no_error(tmp_path) -> None:
    """A file in the way is said once, in one line, and nothing is raised."""
    (tmp_path / "file").write_text("")
    for place in (tmp_path / "file", tmp_path / "file" / "below"):
        cache = Cache(place)
        assert cache.get(KEY) is None
        cache.put(KEY, b"answer")
        cache.put(OTHER, b"answer")
        cache.prune()
        assert cache.trouble
        assert "\n" not in cache.trouble


def test_law_deleting_it_meanwhile_is_safe(folder) -> None:
    """A folder that goes away between two answers is made again."""
    cache = Cache(folder)
    cache.put(KEY, b"answer")
    entry_of(folder).unlink()
    folder.rmdir()
    assert cache.get(KEY) is None
    cache.put(OTHER, b"answer")
    assert cache.get(OTHER) == b"answer"


def _hammer(folder: str, payload: bytes) -> int:
    cache, wrong = Cache(Path(folder), 2000), 0
    for i in range(150):
        key = f"{i % 7:064x}"
        cache.put(key, payload + bytes([i % 7]))
        found = cache.get(key)
        wrong += found is not None and found[-1] != i % 7
        if i % 10 == 0:
            cache.prune()
    return wrong + bool(cache.trouble)


def test_law_runs_that_share_it_never_see_half_an_answer(folder) -> None:
    """Processes that write, read and prune the same answers see whole ones or none."""
    with multiprocessing.get_context("spawn").Pool(3) as pool:
        assert pool.starmap(_hammer, [(str(folder), b"x" * size) for size in (10, 500, 900)]) == [0, 0, 0]


def test_law_oldest_go_first(folder) -> None:
    """Beyond its size the oldest answers go; unfinished files of killed runs go with age, others stay."""
    keys = [f"{i:064x}" for i in range(5)]
    cache = Cache(folder, 4 * 200)
    for i, key in enumerate(keys):
        cache.put(key, b"x" * 100)
        os.utime(entry_of(folder, key), (10_000 + i, 10_000 + i))
    for name, age in (("new-a.part", 3000), ("new-b.part", 10_000), ("notes.txt", 1)):
        (folder / name).write_text("")
        os.utime(folder / name, (age, age))
    cache.prune()
    size = entry_of(folder, keys[-1]).stat().st_size
    kept = [key for key in keys if cache.get(key) is not None]
    assert kept == keys[-((4 * 200) // size) :]
    assert 0 < len(kept) < 5
    assert sorted(p.name for p in folder.iterdir() if p.suffix != ".answer") == ["new-b.part", "notes.txt"]


def test_law_default_folder_is_the_platforms(monkeypatch) -> None:
    """XDG_CACHE_HOME counts when absolute, else the home folder; without a home there is none."""
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setenv("HOME", "/home/someone")
    assert default_folder({"XDG_CACHE_HOME": "/c"}) == Path("/c/driftgate")
    assert default_folder({"XDG_CACHE_HOME": "c"}) == Path("/home/someone/.cache/driftgate")
    monkeypatch.setattr(sys, "platform", "darwin")
    assert default_folder({}) == Path("/home/someone/Library/Caches/driftgate")
    monkeypatch.setenv("HOME", "nowhere")
    assert default_folder({}) is None
    monkeypatch.setattr(sys, "platform", "win32")
    assert default_folder({"LOCALAPPDATA": "/l"}) == Path("/l/driftgate/cache")
    assert default_folder({}) is None


def test_err_answers_that_came_with_the_change_are_not_used(tmp_path) -> None:
    """A folder with committed files gives no answers: whoever wrote the change would judge it."""
    repository = tmp_path / "repository"
    folder = repository / ".answers"
    repository.mkdir()
    git(repository, "init", "-q")
    Cache(folder).put(KEY, b"answer")
    assert Cache(folder).get(KEY) == b"answer"  # made by a run, not committed
    git(repository, "add", "-f", ".answers")
    for _ in range(2):
        cache = Cache(folder)
        assert "committed" in cache.trouble
        assert cache.get(KEY) is None
        commit(repository)
    (repository / "link").symlink_to(".answers")
    assert "committed" in Cache(repository / "link").trouble


def test_err_a_link_in_the_repository_does_not_say_where_answers_go(tmp_path) -> None:
    """A link that leads out of the repository is refused before anything is read or written there."""
    repository, outside = tmp_path / "repository", tmp_path / "outside"
    repository.mkdir()
    outside.mkdir()
    (repository / "pyproject.toml").write_text("")
    (repository / "kept").symlink_to(outside)
    for folder in (repository / "kept", repository / "kept" / "below"):
        cache = Cache(folder)
        cache.put(KEY, b"answer")
        assert "leads out of the repository" in cache.trouble
    assert not any(outside.iterdir())
