"""Mistakes of a first hour: each gets one finding at its place, in words that say what to write instead.

The files are those that `driftgate new` writes, with one slip made in them. Where the advice quotes what to
write, writing it makes the file sound again.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest

from driftgate.core.units import parse_quantity
from driftgate.first.files import FIELD, ROBOT, ROUTINE, project_files
from driftgate.first.values import Typed, Wanted
from driftgate.load import load_project

SIZES = ("3.6 m", "2.4 m", "350 mm", "300 mm")
_TYPED = [Typed(text, parse_quantity(text, "length")) for text in SIZES]
FILES = project_files(
    Wanted(
        *_TYPED,
        Typed("5 kg", 5.0),
        Typed("80 mm", 0.08),
        Typed("300 rpm", 31.4159),
        "differential",
        ("front", "left"),
        "./tools/driftgate",
    )
)


@dataclass(frozen=True)
class Slip:
    """One mistake: what becomes of what, where it is found, what is said and advised.

    Attributes
    ----------
    at : str
        The text at which the finding must stand, in the file with the slip.
    mends : bool
        What the advice quotes, put in the place of `at`, makes the file sound.
    """

    name: str
    file: str
    before: str
    now: str
    code: str
    at: str
    message: str
    advice: str
    mends: bool = False


SLIPS = (
    Slip("no-unit", ROUTINE, "time_limit: 15 s", "time_limit: 15", "DG111", "15\n",
         "a time needs its unit", "write for example '15 s'", True),
    Slip("no-unit-large", ROUTINE, "x: 175 mm", "x: 175", "DG111", "175,",
         "a length needs its unit", "write for example '175 mm' or '175 cm'"),
    Slip("no-unit-angle", ROUTINE, "to: 90 deg", "to: 1.57", "DG111", "1.57}",
         "an angle needs its unit", "write for example '1.57 deg' or '1.57 rad'"),
    Slip("percent-forgotten", ROUTINE, "required: 90 %   #", "required: 90   #", "DG111", "90   #",
         "a ratio needs its unit", "write '90 %'", True),
    Slip("unit-spelt-out", ROUTINE, "to: 90 deg", "to: 90 degrees", "DG111", "90 degrees",
         "'degrees' is no unit of angle", "write '90 deg'", True),
    Slip("unit-of-other-kind", ROUTINE, "to: 90 deg", "to: 90 mm", "DG111", "90 mm",
         "'mm' is no unit of angle", "use one of deg, rad, mrad, rev"),
    Slip("degrees-as-radians", ROUTINE, "to: 90 deg", "to: 90 rad", "DG112", "90 rad",
         "'90 rad' is too large: must be at most 63 rad", "did you mean '90 deg'?", True),
    Slip("millimetres-as-metres", ROUTINE, "y: 340 mm", "y: 340 m", "DG112", "340 m",
         "'340 m' is too large: must be at most 100 m", "did you mean '340 mm'?", True),
    Slip("decimal-comma", FIELD, "corner: [0 m, 2.4 m]", 'corner: [0 m, "2,4 m"]', "DG111", '"2,4 m"',
         "'2,4' is not a plain number", "write '2.4 m'", True),
    Slip("negative-tolerance", ROUTINE, "along: 60 mm", "along: -60 mm", "DG112", "-60 mm",
         "'-60 mm' is too small: must be more than 0 m", "a size has no sign: write '60 mm'", True),
    Slip("unknown-step", ROUTINE, "do: turn", "do: spin", "DG113", "spin",
         "no step is called 'spin'", "the step for that is 'turn' (to a heading) or 'rotate' (by an angle)"),
    Slip("misspelt-step", ROUTINE, "do: turn", "do: trun", "DG113", "trun",
         "no step is called 'trun'", "did you mean 'turn'?", True),
    Slip("misspelt-wall", ROUTINE, "[west]", "[wset]", "DG131", "wset",
         "there is no wall or structure called 'wset'", "did you mean 'west'?", True),
    Slip("misspelt-key", ROUTINE, "speed: ", "sped: ", "DG108", "sped",
         "unknown key 'sped'", "did you mean 'speed'?", True),
    Slip("misspelt-basis", ROBOT, "basis: guess, constant_over: run}\n  distance_walk",
         "basis: guessed, constant_over: run}\n  distance_walk", "DG113", "guessed",
         "expected one of 'measured', 'data sheet', 'guess', got 'guessed'", "did you mean 'guess'?", True),
    Slip("name-with-capital", ROUTINE, "name: back-off", "name: Back off", "DG113", "Back off",
         "'Back off' is no name", "write 'back-off'", True),
    Slip("name-twice", ROUTINE, "name: let-go", "name: drop", "DG130", "drop, do: actuate",
         "the name 'drop' is used twice, first on line 28", "give each a name of its own"),
    Slip("yes-for-true", ROUTINE, "backwards: true", "backwards: yes", "DG105", "yes",
         "yes is a text to some readers of YAML and true to others", "write true, or write"),
    Slip("no-blank-after-colon", ROBOT, "height: 300 mm", "height:300 mm", "DG102", "height:300",
         "not valid YAML: a key without its ':'", "write ': ' behind the key"),
    Slip("no-blank-after-colon-in-braces", ROUTINE, "within: {along: 60 mm", "within: {along:60 mm",
         "DG108", "along:60 mm", "unknown key 'along:60 mm'", "write 'along: 60 mm', with a blank", True),
    Slip("no-blank-after-dash", ROUTINE, "  - {name: out, do", "  -{name: out, do", "DG102", ": drive",
         "not valid YAML: a '-' without a blank behind it", "write '- '"),
    Slip("no-colon", ROUTINE, "title: First", "title First", "DG102", "title First",
         "not valid YAML: a key without its ':'", "write ': ' behind the key"),
    Slip("colon-in-title", ROUTINE, "title: First routine", "title: First: out", "DG102", ": out",
         "not valid YAML: a ':' where no key can stand", "quote a text that holds ': '"),
    Slip("item-indented", ROUTINE, "  - {name: swing", "   - {name: swing", "DG102", "- {name: swing",
         "this line is indented otherwise than the list around it (from line 24 on)", "one column"),
    Slip("key-indented", ROUTINE, "    within:", "   within:", "DG102", "within: {along: 60",
         "this line is indented otherwise than the list around it (from line 24 on)", "an item's keys"),
    Slip("key-indented-first", ROUTINE, "  pose:", "   pose:", "DG102", "placed_against",
         "this line is indented otherwise than the keys around it", "the line above may be the one"),
    Slip("tab", ROUTINE, "  pose:", "\tpose:", "DG102", "\tpose",
         "not valid YAML: a tab, where blanks belong", "indent with blanks"),
    Slip("list-for-keys", ROUTINE, "  pose:", "  - pose:", "DG102", "placed_against",
         "this line is indented otherwise than the list around it", "what is no list has no '-'"),
    Slip("list-for-point", ROUTINE, "[1.37 m, 340 mm]", '"1.37 m, 340 mm"', "DG110", '"1.37 m, 340 mm"',
         "expected a point [x, y] such as [600 mm, 1.2 m]", "a point stands in brackets: [600 mm, 1.2 m]"),
    Slip("list-for-tolerance", ROUTINE, "{along: 100 mm, across: 100 mm}", "[100 mm, 100 mm]", "DG110",
         "[100 mm", "expected keys and values such as {x: ..., y: ...", ""),
    Slip("brace-open", ROUTINE, "heading: 0 deg}", "heading: 0 deg", "DG102", "{x: 175",
         "this bracket is not closed, or a comma is missing behind it", "line 18 is where that shows"),
    Slip("comma-missing", ROUTINE, "x: 175 mm, y", "x: 175 mm y", "DG102", ": 340 mm",
         "a comma is missing here, or the bracket's end", "add the comma"),
    Slip("quote-open", ROUTINE, "title: First", 'title: "First', "DG102", '"First',
         "this quote is not closed", "close it"),
    Slip("bracket-round-list", ROUTINE, "steps:\n", "steps: [\n", "DG102", "# Here", "", ""),
    Slip("robot-elsewhere", ROUTINE, "robots/robot.yaml", "robot.yaml", "DG121", "robot.yaml",
         "there is no file routines/robot.yaml", "did you mean 'robots/robot.yaml'?", True),
    Slip("robot-from-the-top", ROUTINE, "robots/robot.yaml", "routines/robots/robot.yaml", "DG121",
         "routines/robots/robot.yaml", "there is no file", "did you mean 'robots/robot.yaml'?", True),
    Slip("field-without-dots", ROUTINE, "../fieldmaps/field.yaml", "fieldmaps/field.yaml", "DG121",
         "fieldmaps/field.yaml",
         "there is no file routines/fieldmaps/field.yaml", "did you mean '../fieldmaps/field.yaml'?", True),
    Slip("field-for-robot", ROUTINE, "robots/robot.yaml", "../fieldmaps/field.yaml", "DG122",
         "../fieldmaps/field.yaml\nfield", "fieldmaps/field.yaml is a field map, not a robot", ""),
    Slip("start-in-the-wall", ROUTINE, "x: 175 mm", "x: 150 mm", "DG136", "{x: 150 mm",
         "at the start pose the robot's outline reaches beyond the walls", "touching a wall is fine"),
    Slip("day-of-points", ROUTINE, "steps:\n",
         "accepted: [{code: DG204, reason: foam, until: 23.11.2026}]\nsteps:\n", "DG110", "23.11.2026",
         "expected a day as year-month-day such as '2026-11-23', got '23.11.2026'", ""),
    Slip("day-unquoted", ROUTINE, "steps:\n",
         "accepted: [{code: DG204, reason: foam, until: 2026-11-23}]\nsteps:\n", "DG105", "2026-11-23",
         "2026-11-23 is a date to some readers", 'stands in quotes: write "2026-11-23"'),
    Slip("target-outside", ROUTINE, "to: [1.37 m, 340", "to: [13.7 m, 340", "DG142", "[13.7 m",
         "the point (13.70 m, 0.34 m) is outside the walls", "check its unit and sign"),
)  # fmt: skip


def findings(folder, slip, text):
    """Return what is found in the project with this text in the place of one file."""
    for name, whole in {**FILES, slip.file: text}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(whole)
    return load_project([folder / "routines"], folder).findings


@pytest.mark.parametrize("slip", SLIPS, ids=lambda slip: slip.name)
def test_err_a_slip_is_told_where_it_was_made(tmp_path, slip):
    """The finding stands at the slip, its words say what is wrong, and what it advises to write is sound."""
    assert FILES[slip.file].count(slip.before) >= 1
    text = FILES[slip.file].replace(slip.before, slip.now, 1)
    found = findings(tmp_path, slip, text)
    told = [f for f in found if f.code == slip.code]
    assert told, found
    first = told[0]
    if slip.message:
        lines = text.split("\n")
        rest = "\n".join([lines[first.line - 1][first.column - 1 :], *lines[first.line :]])
        assert rest.startswith(slip.at), first
        assert slip.message in first.message
        assert slip.advice in first.suggestion
    # What else is found is a key that is now missing, and no fault that nobody made.
    assert all(f.code in (slip.code, "DG109") for f in found), found
    assert len(found) <= 2
    if slip.mends:
        (better,) = re.findall(r"'([^']+)'", first.suggestion)[:1]
        wrong = slip.at.rstrip("\n}, #")
        assert findings(tmp_path, slip, text.replace(slip.now, slip.now.replace(wrong, better), 1)) == ()


def test_law_no_message_speaks_of_the_parser(tmp_path):
    """No slip is answered in the words of the YAML parser or of the models."""
    for slip in SLIPS:
        text = FILES[slip.file].replace(slip.before, slip.now, 1)
        for finding in findings(tmp_path, slip, text):
            words = f"{finding.message} {finding.suggestion}".lower()
            for jargon in ("mapping", "token", "node", "indicator", "scalar", "pydantic", "input"):
                assert jargon not in words, finding
