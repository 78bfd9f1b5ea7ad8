"""Remake the command output shown in the documents, so that it is real and never typed.

A block is marked by a comment on the line before its fence:

    <!-- output: driftgate check routines/corner-dash.yaml -->

with `lines 1-20 of:` in place of `output:` to show a part. `file: PATH` shows a file. `measured:` marks a
block of timings: it is remade with `--measure` only and never compared. `morning STAGE:` runs the command in
the folder of `morning.py`, after all that README shows before it there, `hour STAGE:` in that of
`first_hour.py`.

The pictures in README are drawn too (`pictures.py`).

The table of evidence stands between two comments, `evidence` and `end of evidence`. It is remade with
`--evidence` only, which runs the tests that it lists.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from first_hour import first_hour
from morning import TODAY, morning
from pictures import remake_pictures
from scene import Scene

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
_BLOCK = re.compile(
    r"(?P<mark><!-- "
    r"(?:(?P<file>file)|(?P<all>output)|(?P<timed>measured)|(?P<scene>morning|hour) (?P<stage>[a-z-]+)|"
    r"lines (?P<low>\d+)-(?P<high>\d+) of): "
    r"(?P<what>[^\n]*?) -->\n)(?P<fence>```\w*\n)(?P<text>.*?)(?P<end>^```$)",
    re.DOTALL | re.MULTILINE,
)
_EVIDENCE = re.compile(r"(?<=<!-- evidence -->\n\n).*?(?=\n<!-- end of evidence -->)", re.DOTALL)
_PROGRESS = re.compile(r"^driftgate: [a-z0-9(), ]+ \d+ of \d+\n", re.MULTILINE)


@dataclass(frozen=True)
class Block:
    """One block of a document: what it shows, and what it should show."""

    what: str
    shown: str
    real: str


def _run(command: str, folder: Path = ROOT) -> str:
    words = shlex.split(command)
    if words[0] == "driftgate":
        words = [sys.executable, "-m", "driftgate", *words[1:]]
    elif words[0] == "python":
        words[0] = sys.executable
    environment = {**os.environ, "NO_COLOR": "1", "COLUMNS": "100", "PYTHONPATH": str(ROOT / "pipeline")}
    environment["DRIFTGATE_CACHE"] = "off"
    if folder != ROOT:
        environment["DRIFTGATE_TODAY"] = TODAY
    done = subprocess.run(
        words,
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    # How far a long run is shows only on a slow machine.
    return _PROGRESS.sub("", done.stdout)


@contextmanager
def _scenes() -> Iterator[dict[str, Scene]]:
    with morning() as first, first_hour() as second:
        yield {"morning": first, "hour": second}


def _real(match: re.Match[str], scenes: dict[str, Scene]) -> str:
    what = match["what"]
    if match["stage"]:
        return f"$ {what}\n{_run(what, scenes[match['scene']].at(match['stage']))}"
    if match["file"]:
        return (ROOT / what).read_text()
    output = _run(what)
    if match["low"]:
        output = "".join(output.splitlines(keepends=True)[int(match["low"]) - 1 : int(match["high"])])
    return f"$ {what}\n{output}"


def blocks(document: str) -> Iterator[Block]:
    """Yield every marked block of a document."""
    with _scenes() as scenes:
        for match in _BLOCK.finditer((ROOT / document).read_text()):
            if not match["timed"]:
                yield Block(match["what"], match["text"], _real(match, scenes))


def evidence(*options: str) -> str:
    """Return the table of evidence; raise `subprocess.CalledProcessError` if one of its tests fails."""
    command = [sys.executable, str(ROOT / "tests" / "docs" / "evidence.py"), *options]
    paths = [str(ROOT / "pipeline"), os.environ.get("PYTHONPATH", "")]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, paths))}
    done = subprocess.run(command, cwd=ROOT, env=environment, stdout=subprocess.PIPE, text=True, check=True)
    return done.stdout


def shown_evidence(document: str) -> str:
    """Return the table of evidence that a document shows."""
    match = _EVIDENCE.search((ROOT / document).read_text())
    if match is None:
        raise ValueError(f"{document} shows no table of evidence")
    return match[0]


def remake(document: str, measure: bool, tests: bool) -> bool:
    """Rewrite a document's blocks, timings and the table of evidence if asked; return if anything changed."""
    path = ROOT / document
    before = path.read_text()

    with _scenes() as scenes:

        def new(match: re.Match[str]) -> str:
            if match["timed"] and not measure:
                return match[0]
            return match["mark"] + match["fence"] + _real(match, scenes) + match["end"]

        after = _BLOCK.sub(new, before)
    if tests and _EVIDENCE.search(after):
        table = evidence()
        after = _EVIDENCE.sub(lambda _: table, after)
    path.write_text(after)
    return after != before


if __name__ == "__main__":
    for name in DOCUMENTS:
        changed = remake(name, "--measure" in sys.argv, "--evidence" in sys.argv)
        print(name, "remade" if changed else "unchanged")
    print("pictures", "remade" if remake_pictures() else "unchanged")
