"""The same files and seed give the same bytes, whatever machine, place and moment the command is given in."""

from __future__ import annotations

import json
import os
import subprocess
import sys

import pytest
from small_project import write_project

FORMS = ("json", "junit", "sarif", "markdown")
# Three batches, so that they can be told apart.
CHECK = ("check", "--sample", "fixed", "--trials", "17000", "--color", "never")


@pytest.fixture(scope="module")
def project(tmp_path_factory):
    """Return the small project."""
    return write_project(tmp_path_factory.mktemp("same"))


def made(project, folder, environment, *words, where="."):
    """Return what a check in a process of its own prints and writes."""
    folder.mkdir()
    reports = [part for form in FORMS for part in ("--report", f"{form}={folder / form}")]
    done = subprocess.run(
        [sys.executable, "-m", "driftgate", *CHECK, *words, *reports],
        cwd=project / where,
        env={**os.environ, **environment},
        capture_output=True,
        timeout=300,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return {form: (folder / form).read_bytes() for form in FORMS} | {"out": done.stdout}


@pytest.fixture(scope="module")
def first(project, tmp_path_factory):
    """Return what one worker on a plain machine makes."""
    plain = {"PYTHONHASHSEED": "0", "TZ": "UTC", "LC_ALL": "C", "COLUMNS": "80"}
    return made(project, tmp_path_factory.mktemp("first") / "r", plain, "--workers", "1")


@pytest.mark.parametrize("workers", ["2", "3"])
def test_law_the_same_bytes_elsewhere(project, first, tmp_path, workers):
    """Workers, the seed of hashes, language, time zone, width of the terminal, home: none of them shows."""
    odd = {
        "PYTHONHASHSEED": workers,
        "TZ": "Pacific/Kiritimati" if workers == "2" else "America/St_Johns",
        "LC_ALL": "tr_TR.UTF-8" if workers == "2" else "C.UTF-8",
        "LANGUAGE": "ar",
        "COLUMNS": "200",
        "HOME": str(tmp_path),
        "USER": "another",
        "PYTHONOPTIMIZE": "1" if workers == "2" else "",
    }
    assert made(project, tmp_path / "r", odd, "--workers", workers) == first


def test_law_another_current_folder_shows_in_the_command_alone(project, first, tmp_path):
    """From a folder below, with the routine named from there, only the command line to repeat differs."""
    there = made(project, tmp_path / "r", {}, "out.yaml", "--workers", "1", where="routines")
    here, below = json.loads(first["json"]), json.loads(there["json"])
    assert here.pop("command") != below.pop("command")
    assert here == below
