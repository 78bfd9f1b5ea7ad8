"""Remake the command output shown in the documents, so that it is real and never typed.

A block is marked by a comment on the line before its fence:

    <!-- output: driftgate check routines/corner-dash.yaml -->

with `lines 1-20 of:` in place of `output:` to show a part. `file: PATH` shows a file.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
DOCUMENTS = ("README.md", "DEVELOPERS.md")
_BLOCK = re.compile(
    r"(?P<mark><!-- (?:(?P<file>file)|(?P<all>output)|lines (?P<low>\d+)-(?P<high>\d+) of): "
    r"(?P<what>[^\n]*?) -->\n)(?P<fence>```\w*\n)(?P<text>.*?)(?P<end>^```$)",
    re.DOTALL | re.MULTILINE,
)


@dataclass(frozen=True)
class Block:
    """One block of a document: what it shows, and what it should show."""

    what: str
    shown: str
    real: str


def _run(command: str) -> str:
    words = shlex.split(command)
    if words[0] == "driftgate":
        words = [sys.executable, "-m", "driftgate", *words[1:]]
    environment = {**os.environ, "NO_COLOR": "1", "COLUMNS": "100", "PYTHONPATH": str(ROOT / "pipeline")}
    done = subprocess.run(
        words,
        cwd=ROOT,
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    return done.stdout


def _real(match: re.Match[str]) -> str:
    what = match["what"]
    if match["file"]:
        return (ROOT / what).read_text()
    output = _run(what)
    if match["low"]:
        output = "".join(output.splitlines(keepends=True)[int(match["low"]) - 1 : int(match["high"])])
    return f"$ {what}\n{output}"


def blocks(document: str) -> Iterator[Block]:
    """Yield every marked block of a document."""
    for match in _BLOCK.finditer((ROOT / document).read_text()):
        yield Block(match["what"], match["text"], _real(match))


def remake(document: str) -> bool:
    """Rewrite a document's blocks; return whether anything changed."""
    path = ROOT / document
    before = path.read_text()
    after = _BLOCK.sub(lambda m: m["mark"] + m["fence"] + _real(m) + m["end"], before)
    path.write_text(after)
    return after != before


if __name__ == "__main__":
    for name in DOCUMENTS:
        print(name, "remade" if remake(name) else "unchanged")
