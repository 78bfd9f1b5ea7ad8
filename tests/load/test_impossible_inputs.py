"""Sensors, tests and fields that no one can mean are told, at their place, and sound ones are not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from driftgate.core.units import parse_quantity
from driftgate.first.files import FIELD, ROBOT, ROUTINE, project_files
from driftgate.first.values import Typed, Wanted
from driftgate.load import load_project

SIZES = ("3.6 m", "2.4 m", "350 mm", "300 mm")
_TYPED = [Typed(text, parse_quantity(text, "length")) for text in SIZES]
FILES = project_files(
    Wanted(
        *_TYPED, Typed("5 kg", 5.0), Typed("80 mm", 0.08), Typed("300 rpm", 31.4159),
        "differential", ("front", "left"), "./tools/driftgate",
    )
)  # fmt: skip


def found(folder: Path, file: str, pattern: str, now: str) -> tuple[str, list[tuple[str, str, str]]]:
    """Return the text found at the first finding, and code, level and message of all of them."""
    text, many = re.subn(pattern, now, FILES[file], count=1)
    assert many == 1, pattern
    for name, whole in {**FILES, file: text}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(whole)
    findings = load_project([folder / "routines"], folder).findings
    at = findings[0].excerpt[findings[0].column - 1 :] if findings else ""
    return at, [(f.code, f.level, f.message + "; " + f.suggestion) for f in findings]


def test_law_the_first_files_are_told_nothing(tmp_path: Path) -> None:
    """What `driftgate new` writes has none of these slips."""
    assert found(tmp_path, ROBOT, "kind: robot", "kind: robot") == ("", [])


@pytest.mark.parametrize(
    ("file", "pattern", "now", "at", "code", "words"),
    [
        (ROBOT, r"(mount: .*)heading: 0 deg", r"\1heading: 400 deg", "400 deg", "DG146", "one of 40 deg"),
        (ROBOT, r"mount: \{x: [^,]*", "mount: {x: -1400 mm", "-1400", "DG151", "outside the robot's outline"),
        (ROBOT, r"mount: ", "latency: 50 s\n    mount: ", "50 s", "DG151", "50 s old"),
        (ROBOT, r"(mount: .*)height: [^}]*", r"\1height: 2.5 m", "2.5 m", "DG151", "above all of them"),
        (ROBOT, r"range: \{low: [^}]*\}", "range: {low: 8 m, high: 9 m}", "{low", "DG151", "never pass"),
        (FIELD, r"tilt: [\d.]+ deg", "tilt: 60 deg", "60 deg", "DG152", "turned by 60 deg"),
        (FIELD, r"offset: [\d.]+ mm", "offset: 2.4 m", "2.4 m", "DG152", "2.4 m across"),
    ],
)
def test_err_an_impossible_size_is_told(
    tmp_path: Path, file: str, pattern: str, now: str, at: str, code: str, words: str
) -> None:
    """Each is one warning at the value that cannot be meant."""
    place, findings = found(tmp_path, file, pattern, now)
    assert place.startswith(at), findings
    assert findings[0][:2] == (code, "warning")
    assert words in findings[0][2]


@pytest.mark.parametrize(
    ("file", "pattern", "now"),
    [
        (ROBOT, r"(mount: .*)heading: 0 deg", r"\1heading: 360 deg"),
        (ROBOT, r"mount: \{x: [^,]*", "mount: {x: 300 mm"),
        (FIELD, r"tilt: [\d.]+ deg", "tilt: 15 deg"),
        (FIELD, r"offset: [\d.]+ mm", "offset: 0.5 m"),
    ],
)
def test_law_a_bound_is_still_allowed(tmp_path: Path, file: str, pattern: str, now: str) -> None:
    """At the bounds nothing is told."""
    assert found(tmp_path, file, pattern, now) == ("", [])


@pytest.mark.parametrize(
    ("file", "pattern", "now", "code", "words"),
    [
        (FIELD, r"(height: )\{[^}]*\}", r"\1{low: 60 mm, high: 0 mm}", "DG134", "swap"),
        (ROUTINE, r"to: \[[^]]*\]", "to: [2,1 m, 1,2 m]", "DG112", "write [2.1 m, 1.2 m], with decimal"),
        (ROUTINE, r"do: drive", "do: drive, fixes: []", "DG112", "at least one, or write 'all' or 'none'"),
        (ROBOT, r"mount: ", "beam_width: 400 deg\n    mount: ", "DG112", "at most 60.1606 deg"),
    ],
)
def test_err_a_slip_is_answered_with_what_to_write(
    tmp_path: Path, file: str, pattern: str, now: str, code: str, words: str
) -> None:
    """Swapped ends, decimal commas, an empty list and an angle in degrees get an answer of their own."""
    findings = found(tmp_path, file, pattern, now)[1]
    assert [code for code, _, text in findings if words in text] == [code], findings
