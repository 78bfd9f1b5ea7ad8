"""Differences between two versions of a document: which value, where, and whether it makes a pass easier."""

from __future__ import annotations

from pathlib import Path

import pytest

from driftgate.judge.differences import differences
from driftgate.judge.loosening import loosenings
from driftgate.load.manifest import frozen_document

ROOT = Path(__file__).resolve().parents[2]
RUN = "routines/three-bench-run.yaml"
WREN = "routines/robots/wren.yaml"
CHECKPOINT = "step 4 'first-bench' (checkpoint):"
HALL = "fieldmaps/hall.yaml"


def documents(path, *edits):
    """Return a shipped document before and after some edits of its text."""
    text = (ROOT / path).read_text()
    changed = text
    for old, new in edits:
        assert old in changed, old
        changed = changed.replace(old, new, 1)
    before, now = frozen_document(path, text), frozen_document(path, changed)
    assert before is not None
    assert now is not None
    return before, now


def words(path, *edits):
    """Return the differences that some edits make, in words."""
    return [change.words() for change in differences(*documents(path, *edits))]


def test_law_what_means_the_same_is_no_difference():
    """Units, spelling of numbers, comments, titles, notes and defaults written out change nothing."""
    assert words(RUN, ("850 mm, 1.65 m", "0.85 m, 1650 mm"), ("# First bench.", "# The first.")) == []
    assert words(RUN, ("title: Three-bench run", "title: Another")) == []
    assert words(RUN, ("mirror: true", "mirror: true\naccepted: []")) == []


@pytest.mark.parametrize(
    ("path", "edit", "said"),
    [
        (RUN, ("1.65 m]", "1.66 m]"), "step 1 (drive): to.y: 1650 mm -> 1660 mm"),
        (RUN, ("to: 180 deg", "to: 181 deg"), "step 2 (turn): to: 180 deg -> 181 deg"),
        (RUN, ("speed: 0.8 m/s", "speed: 0.7 m/s"), "step 3 (drive): speed: 0.8 m/s -> 0.7 m/s"),
        (RUN, ("time_limit: 20 s", "time_limit: 21 s"), "time_limit: 20 s -> 21 s (more time is allowed)"),
        (RUN, ("required: 95 %", "required: 90 %"),
         f"{CHECKPOINT} required: 95 % -> 90 % (less is required)"),
        (RUN, ("along: 30 mm", "along: 31 mm"),
         f"{CHECKPOINT} within.along: 30 mm -> 31 mm (a tolerance is wider)"),
        (RUN, ("along: 30 mm", "along: {low: -30 mm, high: 45 mm}"),
         f"{CHECKPOINT} within.along: 30 mm -> {{low: -30 mm, high: 45 mm}} (a tolerance is wider)"),
        (WREN, ("mass: 5.2 kg", "mass: 5.3 kg"), "mass: 5.2 kg -> 5.3 kg"),
        (HALL, ("id: south, corner: [0 m, 0 m]", "id: south, corner: [2 mm, 0 m]"),
         "corner of walls 'west' and 'south': x: 0 mm -> 2 mm"),
        (HALL, ("corner: [3.7 m, 3.0 m]", "corner: [3.7 m, 2.99 m]"),
         "corner of walls 'door-ne' and 'north': y: 3000 mm -> 2990 mm"),
    ],
)  # fmt: skip
def test_law_a_changed_value_is_named(path, edit, said):
    """One changed value is one difference, with its step or thing, both values, and what it makes easier."""
    assert words(path, edit) == [said]


def test_law_a_difference_below_six_digits_shows():
    """Two values that round to the same words are told with all their digits."""
    (said,) = words(RUN, ("time_limit: 20 s", "time_limit: 20.0000001 s"))
    assert said == "time_limit: 20 s -> 20.0000001 s (more time is allowed)"


def test_law_steps_inserted_removed_and_renamed_are_told_apart():
    """What moves because of them is no difference."""
    pause = "  - {do: pause, time: 1 s}\n"
    turn = "  - {do: turn, to: 180 deg}\n"
    assert words(RUN, (turn, turn + pause)) == ["step 3 (pause): none -> added"]
    assert words(RUN, (turn, "")) == ["step 2 as frozen (turn): given -> gone"]
    said = words(RUN, ("name: swerve", "name: sweep"))
    assert said == ["step 17 'sweep' (curve): name: swerve -> sweep"]


def test_law_steps_of_a_repetition_are_counted_within_it():
    """A changed step of a repetition is named by both numbers, one that is new as a whole only once."""
    turn = "  - {do: turn, to: 180 deg}\n"
    pauses = "      - {do: pause, time: 1 s}\n      - {do: pause, time: 2 s}\n"
    loop = f"  - do: repeat\n    times: 2\n    steps:\n{pauses}"
    assert words(RUN, (turn, loop)) == [
        "step 2 as frozen (turn): given -> gone",
        "step 2 (repeat): none -> added",
    ]
    text = (ROOT / RUN).read_text().replace(turn, loop)
    before = frozen_document(RUN, text)
    now = frozen_document(RUN, text.replace("times: 2", "times: 3").replace("time: 2 s", "time: 2.5 s"))
    assert before is not None
    assert now is not None
    assert [change.words() for change in differences(before, now)] == [
        "step 2 (repeat): times: 2 -> 3",
        "step 2.2 (pause): time: 2 s -> 2.5 s",
    ]


def test_law_things_are_told_apart_by_name_whatever_their_order():
    """Two walls that change places are one difference of order, not of all their corners."""
    before, now = documents(HALL)
    field = now.field_map
    swapped = field.model_copy(update={"elements": [*field.elements[1:], field.elements[0]]})
    object.__setattr__(now, "model", swapped)
    (said,) = [change.words() for change in differences(before, now)]
    assert said.startswith("elements: order ")


@pytest.mark.parametrize("other", ["fieldmaps/practice-floor.yaml", "fieldmaps/evening-hall.yaml"])
def test_law_every_loosening_is_among_the_differences(other):
    """Nothing that is read off as easier is missing from what has changed."""
    before = frozen_document(HALL, (ROOT / HALL).read_text())
    now = frozen_document(HALL, (ROOT / other).read_text())
    assert before is not None
    assert now is not None
    lines = {now.where(change.path)[0] for change in differences(before, now) if change.why}
    assert {loose.line for loose in loosenings(before, now)} <= lines
    assert lines
