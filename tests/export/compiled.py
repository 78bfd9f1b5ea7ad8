"""Generated files, compiled and run."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import pytest
from made_scenes import SCENES

from driftgate.export.files import CaseFiles, case_files, shared_files
from driftgate.export.gather import Origin
from driftgate.predict import Prepared

STRICT = ("-Wall", "-Wextra", "-pedantic", "-Werror")
COMMANDS = {"c": ("gcc", "-std=c11"), "c++": ("g++", "-std=c++17", "-x", "c++")}
PARTS = ("driftgate_example", "driftgate_check", "driftgate_correction")
ORIGIN = Origin("made_up", "routines/made-up.yaml", "0123456789abcdef" * 4, "1.2.3")


@dataclass(frozen=True)
class Outcome:
    """What a host program said."""

    status: int
    text: str

    @property
    def vectors(self) -> tuple[int, int]:
        """How many test vectors agreed, of how many."""
        found = re.search(r"(\d+) of (\d+) test vectors agree", self.text)
        assert found, self.text
        return int(found[1]), int(found[2])

    @property
    def worst(self) -> float:
        """The worst difference."""
        found = re.search(r"worst difference (\S+)", self.text)
        assert found, self.text
        return float(found[1])

    @property
    def end(self) -> tuple[float, float, float]:
        """The pose at the end of the steps."""
        found = re.search(r"end \((\S+), (\S+)\) m, (\S+) rad", self.text)
        assert found, self.text
        return float(found[1]), float(found[2]), float(found[3])


@dataclass(frozen=True)
class Compiler:
    """A compiler, and a folder with the shared files and their objects."""

    language: str
    folder: Path

    def compile(self, *arguments: str, folder: Path | None = None) -> subprocess.CompletedProcess[str]:
        """Compile strictly."""
        command = [*COMMANDS[self.language], *STRICT, *arguments]
        where = folder or self.folder
        return subprocess.run(command, cwd=where, capture_output=True, text=True, check=False)

    def host(self, made: CaseFiles, folder: Path) -> Outcome:
        """Write the files of a case, compile its host program, run it."""
        for name, text in made.files.items():
            (folder / name).write_text(text)
        source = next(name for name in made.files if name.endswith(".host.c"))
        done = self.compile(f"-I{self.folder}", "-c", source, "-o", "host.o", folder=folder)
        assert done.returncode == 0, done.stderr[:4000]
        objects = [str(self.folder / f"{part}.o") for part in PARTS]
        linker = COMMANDS[self.language][0]
        linked = subprocess.run(
            [linker, "host.o", *objects, "-lm", "-o", "host"],
            cwd=folder,
            capture_output=True,
            text=True,
            check=False,
        )
        assert linked.returncode == 0, linked.stderr[:4000]
        ran = subprocess.run([folder / "host"], capture_output=True, text=True, check=False, timeout=60)
        return Outcome(ran.returncode, ran.stdout)


def compiled(folder: Path, language: str) -> Compiler:
    """Return a compiler whose folder holds the shared files and their objects."""
    if shutil.which(COMMANDS[language][0]) is None:
        pytest.skip(f"no {COMMANDS[language][0]} here")
    for name, text in shared_files("1.2.3").items():
        (folder / name).write_text(text)
    compiler = Compiler(language, folder)
    for part in PARTS:
        done = compiler.compile("-c", f"{part}.c", "-o", f"{part}.o")
        assert done.returncode == 0, done.stderr[:4000]
    return compiler


def files_of(prepared: Prepared, origin: Origin = ORIGIN) -> CaseFiles:
    """Return the files of a case."""
    return case_files(prepared, origin)


@cache
def scene_files(name: str) -> CaseFiles:
    """Return the files of a made-up case by its name."""
    return files_of(SCENES[name]())
