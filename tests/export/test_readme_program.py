"""README's program for the robot is whole: it compiles and links with the files that README names for it."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from compiled import STRICT

from driftgate.cli import main

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_law_the_robots_program_links_with_what_is_named(tmp_path, monkeypatch):
    """Headers and sources are those of README's sentence, in a folder with nothing else."""
    if shutil.which("gcc") is None:
        pytest.skip("no gcc")
    (words,) = re.findall(r"Into the robot's\s+program go (.*?\))", README, re.DOTALL)
    named = [
        name.replace("NAME", "corner_dash")
        for name in re.findall(r"`(NAME\.h|driftgate_[a-z]+\.[ch])`", words)
    ]
    assert named == ["corner_dash.h", "driftgate_types.h", "driftgate_correction.h", "driftgate_correction.c"]
    monkeypatch.chdir(ROOT)
    assert main.run(["export", "routines/corner-dash.yaml", "--out", str(tmp_path / "all")]) == 0
    robot = tmp_path / "robot"
    robot.mkdir()
    for name in named:
        shutil.copy(tmp_path / "all" / name, robot)
    (code,) = re.findall(r'^```c\n(#include "corner_dash.h".*?)^```', README, re.DOTALL | re.MULTILINE)
    use = "int main(void) { begin(); moved(0.01, 0.0, 0.0, 0.02); measured(0); return state.lost; }\n"
    (robot / "robot.c").write_text(code + use)
    command = ["gcc", "-std=c11", *STRICT, "robot.c", "driftgate_correction.c", "-lm", "-o", "robot"]
    done = subprocess.run(command, cwd=robot, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert subprocess.run([str(robot / "robot")], check=False).returncode == 0
