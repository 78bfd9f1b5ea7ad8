"""Where the command line keeps answers, and where it does not."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.cli.options import opened_cache

CHECK = ("check", "--trials", "60", "--sample", "fixed", "--workers", "1")


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder of a user at home, with no settings of the cache."""
    home = tmp_path / "home"
    home.mkdir()
    folder = tmp_path / "project"
    folder.mkdir()
    monkeypatch.chdir(write_project(folder))
    monkeypatch.setenv("XDG_CACHE_HOME", str(home))
    for name in ("DRIFTGATE_CACHE", "CI"):
        monkeypatch.delenv(name, raising=False)
    return tmp_path


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def kept(folder):
    """Return how many answers a folder holds."""
    return len(list(folder.glob("*.answer")))


def test_law_by_default_the_users_cache_folder(project, capsys) -> None:
    """Answers are kept in the user's cache folder, private, and a second run has the same output."""
    first = run(capsys, *CHECK)
    assert kept(project / "home/driftgate") == 2
    assert run(capsys, *CHECK) == first
    assert kept(project / "home/driftgate") == 2


def test_law_options_and_environment_decide(project, capsys, monkeypatch) -> None:
    """--cache and DRIFTGATE_CACHE name the folder, --no-cache and 'off' switch it off."""
    run(capsys, *CHECK, "--no-cache", "--cache", project / "a")
    monkeypatch.setenv("DRIFTGATE_CACHE", "off")
    run(capsys, *CHECK)
    assert not (project / "a").exists()
    assert not (project / "home/driftgate").exists()
    run(capsys, *CHECK, "--cache", project / "a")
    monkeypatch.setenv("DRIFTGATE_CACHE", str(project / "b"))
    run(capsys, *CHECK)
    assert kept(project / "a") == kept(project / "b") == 2


def test_law_a_build_server_keeps_nothing_unless_told_where(project, capsys, monkeypatch) -> None:
    """Where CI is set there is no cache by default, and a named one is used."""
    monkeypatch.setenv("CI", "true")
    assert opened_cache(None, False) is None
    run(capsys, *CHECK)
    assert not (project / "home/driftgate").exists()
    run(capsys, *CHECK, "--cache", project / "a")
    assert kept(project / "a") == 2


def test_err_a_folder_that_cannot_be_trusted_is_one_line(project, capsys) -> None:
    """The output and the status are the same; stderr says once why there is no cache, or nothing with -q."""
    good = run(capsys, *CHECK, "--no-cache")
    (project / "open").mkdir(mode=0o700)
    (project / "open").chmod(0o777)
    status, out, err = run(capsys, *CHECK, "--cache", project / "open")
    assert (status, out) == good[:2]
    lines = err.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("driftgate: no cache: ")
    assert lines[1] == good[2].strip()
    assert "no cache" not in run(capsys, *CHECK, "-q", "--cache", project / "open")[2]
    assert kept(project / "open") == 0


def test_law_a_known_answer_imports_no_engine(project, capsys) -> None:
    """Answered from the cache, a run imports neither the engines nor scipy, and starts no workers."""
    code = (
        "import sys, json\nfrom driftgate.cli import main\n"
        f"status = main.run({[*CHECK[:-1], '2']!r})\n"
        "print(json.dumps(sorted(m for m in sys.modules if m.startswith(('driftgate', 'scipy', 'multi')))))"
    )
    environment = {**os.environ}
    loaded = []
    for _ in range(2):
        done = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment
        )
        loaded.append(set(json.loads(done.stdout.splitlines()[-1])))
    assert "driftgate.predict.trials_engine" in loaded[0]
    heavy = ("driftgate.predict", "driftgate.sight", "driftgate.plan.build", "scipy", "multiprocessing")
    assert not [name for name in loaded[1] if name.startswith(heavy)]
