"""Names of files and titles that are a stranger's, through every command and into every format.

Beyond formats' own tests, which put hostile texts into made-up reports, this goes the whole way: from a file
whose name holds line ends, markup, formulas and escapes to all that is printed and written.
"""

from __future__ import annotations

import csv
import io
import json
import os
import shutil
import unicodedata
from pathlib import Path

import lxml.html
import pytest
from lxml import etree
from small_project import write_project

from driftgate.cli import main

NAME = "=1+1,=2|<img src=x onerror=alert(1)>[x](http:y)@all `q` $x\n::error::owned%0A"
NAME += "\x1b[2J\u202e\u200b\x9b1m\u2028.yaml"
TITLE = (
    "=1+1,@all <script>alert(1)</script> ::error::owned ##[command]x [a](http://y) ![i](http://z) | `q` \\r"
)
FEW = ("--trials", "60", "--workers", "1")
NIGHT = ("--night", "2026-11-01", "--fault-trials", "30", "--scout-trials", "8", "--no-faults", *FEW)


def reports(*forms):
    """Return options for reports in these formats."""
    return tuple(part for form in forms for part in ("--report", f"{form}=out.{form}"))


COMMANDS = {
    "check": ("check", *FEW, *reports("json", "junit", "sarif", "markdown", "html"), "--annotate", "always"),
    "check, broken": (
        "check",
        *FEW,
        *reports("json", "junit", "sarif", "markdown", "html"),
        "--annotate",
        "always",
    ),
    "check, a baseline": ("check", *FEW, "--keep-baseline", "out.json", "--baseline-trials", "60"),
    "validate": ("validate",),
    "explain": ("explain", "ROUTINE", *FEW),
    "budget": ("budget", "ROUTINE", *FEW, *reports("json", "markdown")),
    "compare": ("compare", "ROUTINE", "--without-correction", *FEW, *reports("json", "markdown")),
    "freeze": ("freeze", "--sample", "fixed", *FEW, *reports("junit", "markdown")),
    "nightly": ("nightly", *NIGHT, *reports("json", "csv", "markdown", "html")),
    "sample-logs": ("sample-logs", "ROUTINE", "--runs", "1", "--out", "-"),
    "usage": ("explain", "ROUTINE", "ROUTINE"),
}


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project with a hostile name and title, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    path = Path("routines") / NAME
    text = Path("routines/out.yaml").read_text().replace("title: Out and stop", f"title: {json.dumps(TITLE)}")
    Path("routines/out.yaml").unlink()
    path.write_text(text + "  contact_allowed: 5 %\n")
    return tmp_path


def steers(text):
    """Return the characters of a text that would steer a terminal, or hide or turn round what follows."""
    return {c for c in text if c != "\n" and unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")}


def commands(text):
    """Return the lines that a build server would obey."""
    return [x for x in text.split("\n") if x.lstrip().startswith("::") or "##[" in x]


@pytest.mark.parametrize("command", COMMANDS)
def test_law_nothing_is_smuggled(project, capsys, command):
    """All that is printed and written is text: no escape, command, markup or formula of a stranger's."""
    path = Path("routines") / NAME
    if command == "check, broken":
        path.write_text(path.read_text().replace("time_limit: 10 s", "time_limit: <b>::error::x"))
    words = [str(path) if word == "ROUTINE" else word for word in COMMANDS[command]]
    assert main.run(words) in (0, 1, 2)
    out, err = capsys.readouterr()
    for said in (out, err):
        assert steers(said) == set()
        own = ("::error ", "::warning ", "::notice ") if "always" in words else ()
        found = [line for line in commands(said) if not line.startswith(own)]
        assert found == []
    for file in [p for p in project.iterdir() if p.name.startswith("out.")] + list(
        project.glob("routines/*.freeze")
    ):
        held(file)


def held(file):
    """Check one report."""
    text = file.read_bytes().decode("utf-8")
    assert steers(text) == set() or file.suffix == ".freeze"
    if file.suffix in (".json", ".sarif"):
        json.loads(text)
        return
    assert commands(text) == [], file
    if file.suffix == ".junit":
        assert {element.tag for element in etree.fromstring(text.encode()).iter()} <= {
            "testsuites", "testsuite", "testcase", "failure", "error", "skipped", "system-out", "system-err",
            "properties", "property",
        }  # fmt: skip
    elif file.suffix == ".html":
        page = lxml.html.fromstring(text)
        assert not page.xpath("//img | //iframe | //a[starts-with(@href, 'http')]")
        # The page's own programs; what belongs to the data is no program.
        assert not page.xpath("//script[not(@type) and contains(., 'alert(1)')]")
        assert not page.xpath("//@*[starts-with(name(), 'on')]")
    elif file.suffix == ".csv":
        cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
        assert any("1+1" in cell for cell in cells)
        assert not [cell for cell in cells if cell.startswith(("=", "+", "@", "-"))]
    elif file.suffix == ".markdown":
        for mark in ("<img", "<script", "](http", "@all"):
            assert mark not in text, mark


def test_err_a_name_that_is_no_text(tmp_path, monkeypatch, capsys):
    """A file whose name is no UTF-8 is named with escapes, or refused; all reports are well formed."""
    monkeypatch.chdir(write_project(tmp_path))
    name = os.fsdecode(b"routines/\xff\xfe.yaml")
    shutil.move("routines/out.yaml", name)
    words = ("check", *FEW, *reports("json", "junit", "sarif", "markdown"))
    assert main.run(list(words)) in (0, 1, 2)
    out, err = capsys.readouterr()
    assert steers(out + err) == set()
    for file in tmp_path.glob("out.*"):
        held(file)
