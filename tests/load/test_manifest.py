"""Manifests of a code freeze, read as the work of a stranger."""

from __future__ import annotations

import hashlib
import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.load.manifest import load_manifest, read_manifest, sealed
from driftgate.report.manifest_text import FileFacts, RobotFileFacts, ToolFacts, manifest_text
from driftgate.report.model import RunReport

HASH = "0123456789abcdef" * 4
TOOL = ToolFacts("9.9", HASH, "3.99.1", "invented", {"numpy": "9"})
CASE = """\
- routine: routines/a.yaml
  believed_map: fieldmaps/b.yaml
  true_map: fieldmaps/b.yaml
  side: as written
  trials: 600
  tolerances:
  - {name: end, verdict: pass, axis: x, margin: 8 %, success: 97 %, required: 95 %}
  contact: {verdict: pass, at_most: 0.5 %, allowed: 1 %}
"""
FILES = (
    ("routines/a.yaml", "routine"),
    ("routines/robots/c.yaml", "robot"),
    ("fieldmaps/b.yaml", "field map"),
)


def made(texts=("a\n", "b\n", "c\n"), paths=("routines",)):
    """Return a manifest of three invented files, with a case."""
    run = RunReport("9.9", 1, 600, 0.95, 1, (), (), 0, "all hold", "driftgate check", "fixed")
    files = tuple(
        FileFacts(path, kind, HASH, HASH, text) for (path, kind), text in zip(FILES, texts, strict=True)
    )
    robot = (RobotFileFacts("routines/a.yaml", "as written", {"a.h": HASH}),)
    text = manifest_text(run, paths, TOOL, files, robot, {"types.h": HASH})
    body = text[: text.rindex("digest: ")]
    return sealed(body.replace("cases:\n", f"cases:\n{CASE}"))


def again(text, *edits):
    """Return a manifest with some edits, and a digest that fits them: what a person might do."""
    body = text[: text.rindex("digest: ")]
    for old, new in edits:
        assert old in body
        body = body.replace(old, new, 1)
    return sealed(body)


def codes(text):
    """Return the codes of the findings of a manifest."""
    found = read_manifest("x.freeze", text)
    assert (found.freeze is None) == bool(found.findings)
    return [finding.code for finding in found.findings]


def test_law_what_is_written_is_read():
    """A manifest reads back, and its digest is that of all lines before it, by an independent reckoning."""
    text = made()
    found = read_manifest("x.freeze", text)
    assert found.freeze is not None
    assert [t.text for t in found.freeze.texts] == ["a\n", "b\n", "c\n"]
    lines = text.splitlines(keepends=True)
    assert found.digest == hashlib.sha256("".join(lines[:-1]).encode()).hexdigest()
    assert lines[-1] == f"digest: sha256:{found.digest}\n"


# What a text file may hold (see `load.text`), with what YAML might stumble over.
LINES = st.text(st.sampled_from("ab #:-'\"\t|>%&*[]{},é世\u2027…\\"), max_size=12)


@settings(max_examples=60, deadline=None)
@given(st.lists(LINES, min_size=1, max_size=6), st.booleans())
def test_law_every_text_is_kept_character_by_character(lines, ending):
    """Blanks at the beginning and end, tabs, quotes, empty lines: all come back."""
    text = "\n".join(lines) + ("\n" if ending else "") or "x"
    found = read_manifest("x.freeze", made((text, "b\n", text)))
    assert found.freeze is not None
    assert [t.text for t in found.freeze.texts] == [text, "b\n", text]


def test_err_every_damaged_byte_is_found(tmp_path: Path):
    """Whichever byte flips, the manifest is not used, and one finding says why."""
    raw = made().encode()
    places = random.Random(7).sample(range(len(raw)), 150)
    path = tmp_path / "x.freeze"
    for place in [*places, len(raw) - 2, 0]:
        for bit in (1, 32, 128):
            damaged = bytearray(raw)
            damaged[place] ^= bit
            path.write_bytes(damaged)
            found = load_manifest(path)
            assert found.freeze is None, (place, bit)
            assert [f.code for f in found.findings] == ["DG701"], (place, bit)


@pytest.mark.parametrize("part", [0.0, 0.3, 0.999])
def test_err_a_manifest_cut_short_is_found(part: float):
    """So is one that was not written to its end, or has something after it."""
    text = made()
    assert codes(text[: int(part * len(text))]) == ["DG701"]
    assert codes(f"{text}more: 1\n") == ["DG701"]
    assert codes(text + text) == ["DG701"]


def test_law_line_ends_do_not_count(tmp_path: Path):
    """Version control may write other line ends, editors a byte order mark."""
    text = made()
    path = tmp_path / "x.freeze"
    path.write_bytes(b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode())
    found = load_manifest(path)
    assert found.freeze is not None
    assert found.digest == read_manifest("x.freeze", text).digest


def test_err_what_is_no_manifest_says_so(tmp_path: Path):
    """A missing file, a folder, and some other file each have their own words."""
    (tmp_path / "other.txt").write_text("hello\n")
    said = {}
    for name in ("missing", ".", "other.txt"):
        found = load_manifest(tmp_path / name)
        assert [f.code for f in found.findings] == ["DG701"]
        said[name] = found.findings[0].message
    assert said["missing"] == "there is no such file"
    assert said["."] == "not a regular file"
    assert "no manifest" in said["other.txt"]


@pytest.mark.parametrize(
    ("edit", "code"),
    [
        (("seed: 1", "seed: 1e999"), "DG112"),
        (("seed: 1", f"seed: {'9' * 400}"), "DG112"),
        (("seed: 1", f"seed: {'9' * 25}"), "DG112"),
        (("trials: 600", "trials: 999999999"), "DG112"),
        (("trials: 600", "trials: -1"), "DG112"),
        (("confidence: 95 %", "confidence: 950 %"), "DG112"),
        (("confidence: 95 %", "confidence: .nan"), "DG112"),
        (("seed: 1", "seed: &a 1"), "DG104"),
        (("seed: 1", "seed: *a"), "DG104"),
        (("seed: 1", "seed: !!python/object:os.system x"), "DG104"),
        (("seed: 1", f"seed: {'[' * 60}{']' * 60}"), "DG106"),
        (("seed: 1", "seed: 1\n  seed: 2"), "DG103"),
        (("seed: 1", "seed: 1\n  sead: 2"), "DG108"),
        (("kind: freeze", "kind: routine"), "DG122"),
        (("format: 1", "format: 2"), "DG107"),
        (("path: routines/a.yaml", "path: ../../secret.yaml"), "DG701"),
        (("path: routines/a.yaml", "path: /etc/passwd"), "DG701"),
        (("  - routines\n", "  - ../elsewhere\n"), "DG701"),
        (("verdict: pass", "verdict: fail"), "DG113"),
        (("true_map: fieldmaps/b.yaml", "true_map: routines/a.yaml"), "DG701"),
        (("a.h: ", "a/b.h: "), "DG113"),
        ((f"source: sha256:{HASH}", "source: sha256:short"), "DG113"),
    ],
)
def test_err_a_hostile_manifest_with_a_fitting_digest_is_a_finding(edit, code):
    """What no freeze writes is refused at its place: numbers, aliases, tags, depth, paths that lead out."""
    found = codes(again(made(), edit))
    assert code in found, found


def test_err_hidden_characters_in_the_file_are_refused(tmp_path: Path):
    """A file with such a character is not used, although its digest fits."""
    path = tmp_path / "x.freeze"
    for bad in ("\u202e", "\x1b", "\x00", "\x85"):
        path.write_bytes(again(made(), ("machine: invented", f"machine: in{bad}vented")).encode())
        assert [f.code for f in load_manifest(path).findings] == ["DG701"]
