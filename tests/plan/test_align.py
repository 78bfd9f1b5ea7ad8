"""Steps of two versions of a routine that belong together, and the luck that they share."""

from __future__ import annotations

from driftgate.plan.align import checkpoint_names, step_pairs, with_luck_of
from driftgate.plan.flatten import flatten
from driftgate.plan.place import place_keys
from driftgate.schema.routine import Routine

START = {
    "pose": {"x": "1 m", "y": "1 m"},
    "spread": {"x": "1 mm", "y": "1 mm", "heading": "1 deg", "basis": "guess", "constant_over": "run"},
}
FINAL = {"within": {"x": "10 mm"}, "required": "90 %"}


def routine(*steps):
    """Return a routine of these steps."""
    return Routine.model_validate(
        {"kind": "routine", "format": 1, "title": "T", "robot": "r", "field": "f", "time_limit": "9 s",
         "start": START, "steps": list(steps), "final": FINAL}
    )  # fmt: skip


def advance(distance, name=None):
    """Return an advance."""
    return {"do": "advance", "distance": distance} | ({"name": name} if name else {})


def pause(time="1 s", name=None):
    """Return a pause."""
    return {"do": "pause", "time": time} | ({"name": name} if name else {})


def check(name, x="10 mm"):
    """Return a checkpoint."""
    return {"do": "checkpoint", "name": name, "within": {"x": x}, "required": "90 %"}


def keys(found):
    """Return the place keys of a routine's steps."""
    return place_keys(item.step for item in flatten(found.steps))


def paths(before, now):
    """Return which step belongs to which."""
    return [(p.before_path[1:], p.now_path[1:]) for p in step_pairs(before, now)]


def test_law_same_routine_keeps_its_luck():
    """Nothing changed: every step is its own counterpart, and the copy is equal."""
    one = routine(advance("1 m"), pause(), check("a"), advance("1 m"))
    assert paths(one, one) == [((i,), (i,)) for i in range(4)]
    assert with_luck_of(one, one) == one


def test_law_inserted_and_removed_steps_leave_the_others():
    """A step more or less has no counterpart, and the others keep theirs."""
    before = routine(advance("1 m", "out"), advance("2 m", "back"), check("a"))
    now = routine(pause(name="wait"), advance("1 m", "out"), check("a"))
    assert paths(before, now) == [((0,), (1,)), ((2,), (2,))]
    assert paths(now, before) == [((1,), (0,)), ((2,), (2,))]


def test_law_renamed_steps_share_luck():
    """A renamed step is known by its content, a named one among many equal ones too."""
    before = routine(advance("1 m", "out"), advance("1 m", "on"), check("a"), pause(name="rest"))
    now = routine(advance("1 m", "forth"), advance("1 m", "on"), check("b"), pause())
    assert checkpoint_names(before, now) == {"a": "b"}
    assert keys(with_luck_of(before, now)) == keys(now)


def test_law_edited_steps_share_luck():
    """A step that does the same thing by another amount in the same place is the same step."""
    before = routine(advance("1 m"), pause(), advance("2 m"))
    now = routine(advance("1.1 m"), pause(), advance("2 m"))
    assert keys(with_luck_of(before, now)) == keys(now)


def test_law_steps_that_swapped_keep_their_names():
    """Named steps that changed places are not taken for one another."""
    before = routine(advance("1 m", "one"), advance("2 m", "two"))
    now = routine(advance("2 m", "two"), advance("1 m", "one"))
    assert set(keys(with_luck_of(before, now))) == set(keys(now))
    assert {p.before.name for p in step_pairs(before, now)} == {p.now.name for p in step_pairs(before, now)}


def test_law_steps_inside_repetitions():
    """A repetition whose steps changed is still the same, and so are its steps."""
    before = routine({"do": "repeat", "times": 2, "steps": [advance("1 m", "in"), check("a")]})
    now = routine({"do": "repeat", "times": 3, "steps": [advance("1.2 m", "into"), check("b")]})
    assert checkpoint_names(before, now) == {"a": "b"}
    assert set(keys(with_luck_of(before, now))) <= set(keys(now))
