"""Place keys and the other side's routine."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from plan_cases import case, field_map, routine

from driftgate.core.errors import ModelError
from driftgate.plan import mirror_routine, plan_case
from driftgate.plan.place import place_keys
from driftgate.schema.case import Case

STEPS = [
    {"do": "drive", "to": ["2 m", "1 m"]},
    {"do": "advance", "distance": "0.2 m"},
    {"do": "rotate", "angle": "90 deg", "name": "spin"},
    {"do": "advance", "distance": "0.2 m"},
    {"do": "rotate", "angle": "-90 deg", "name": "spin"},
    {"do": "arc", "radius": "0.4 m", "angle": "30 deg"},
]
X_LINE = {"x": "2.1 m", "pairs": {"east": "west"}}
Y_LINE = {"y": "1.5 m", "pairs": {"north": "south"}}


def places(*steps):
    """Return the place keys of a plan."""
    return [s.place for s in plan_case(case(*steps)).steps]


@given(st.integers(0, len(STEPS)))
@settings(deadline=None)
def test_law_inserting_a_step_changes_no_other_key(at):
    """A step inserted anywhere leaves every other key as it was."""
    with_it = places(*STEPS[:at], {"do": "pause", "time": "0.123 s"}, *STEPS[at:])

    assert with_it[:at] + with_it[at + 1 :] == places(*STEPS)


def test_law_keys_are_unique_and_follow_the_name():
    """No two steps share a key; equal content and equal names are counted."""
    keys = places(*STEPS)

    assert len(set(keys)) == len(keys)
    assert keys[2::2] == ["spin#1", "spin#2"]
    assert keys[1].endswith("#1")
    assert keys[3] == keys[1].replace("#1", "#2")


def test_law_content_tells_keys_apart():
    """A step that says something else has another key; spelling the same length otherwise has not."""
    inch, metre, other = (
        places({"do": "advance", "distance": d})[0] for d in ("10 in", "0.254 m", "0.2541 m")
    )

    assert inch == metre
    assert inch != other


def test_pin_key_of_a_plain_step():
    """The key of a step does not change from version to version, or every baseline would be re-dealt."""
    assert places({"do": "advance", "distance": "0.2 m"}) == ["~f24ef4f268d119f612b1bdbe#1"]


@pytest.mark.parametrize("line", [X_LINE, Y_LINE])
def test_law_both_sides_have_the_same_keys(line):
    """The mirrored side's plan has the keys of the routine as written."""
    on = field_map(mirror=line)
    written = routine(*STEPS)
    other = case(*STEPS, on=on)
    mirrored = Case(mirror_routine(written, on), other.robot, on, on, "mirrored")

    assert [s.place for s in plan_case(mirrored).steps] == places(*STEPS)
    assert [s.place for s in plan_case(mirrored, written).steps] == places(*STEPS)


@given(st.integers(-50_000, 50_000), st.sampled_from(["m", "in"]), st.integers(-3600, 3600))
def test_law_keys_survive_mirroring_back(tenths, unit, degrees):
    """Whatever is written, the mirror of the mirror has the same content to the key."""
    on = field_map(mirror={"x": "1.97 m"})
    steps = [
        {"do": "drive", "to": [f"{tenths / 10_000} {unit}", "1 m"]},
        {"do": "turn", "to": f"{degrees / 10} deg"},
    ]
    written = routine(*steps)
    back = mirror_routine(mirror_routine(written, on), on)

    assert place_keys(back.steps) == place_keys(written.steps)


FULL = [
    {"do": "drive", "to": ["2 m", "1 m"], "may_touch": ["east", "north"]},
    {"do": "curve", "through": [["2 m", "1.2 m"], ["2.5 m", "1.4 m"]], "end_heading": "20 deg"},
    {"do": "turn", "to": "30 deg"},
    {"do": "face", "point": ["3 m", "2 m"]},
    {"do": "advance", "distance": "0.2 m"},
    {"do": "repeat", "times": 2, "steps": [{"do": "arc", "radius": "0.3 m", "angle": "15 deg"}]},
    {"do": "sidestep", "distance": "0.2 m"},
    {"do": "rotate", "angle": "15 deg"},
    {"do": "square-up", "against": "east", "speed": "0.2 m/s"},
    {
        "do": "checkpoint",
        "name": "there",
        "required": "90 %",
        "within": {
            "x": {"low": "-1 cm", "high": "3 cm"},
            "y": "2 cm",
            "along": {"high": "1 cm"},
            "across": {"low": "-2 cm"},
            "heading": {"low": "-1 deg", "high": "3 deg"},
            "relative_to": "pot",
        },
        "takes": ["pot", "jar"],
    },
]


def test_law_mirror_in_x_by_hand():
    """Places, headings, angles, sides and names are those of the reflected field."""
    line = {"x": "2.1 m", "pairs": {"east": "west", "pot": "tub"}}
    got = mirror_routine(routine(*FULL, at=(1.0, 1.0, 10.0), placed_against=["west"]), field_map(mirror=line))
    drive, curve, turn, face, advance, repeat, side, rotate, square, check = got.steps

    assert (got.start.pose.x, got.start.pose.y) == pytest.approx((3.2, 1.0))
    assert got.start.pose.heading == pytest.approx(math.radians(170))
    assert got.start.placed_against == ["east"]
    assert drive.to == pytest.approx((2.2, 1.0))
    assert drive.may_touch == ["west", "north"]
    assert curve.through[1] == pytest.approx((1.7, 1.4))
    assert curve.end_heading == pytest.approx(math.radians(160))
    assert turn.to == pytest.approx(math.radians(150))
    assert face.point == pytest.approx((1.2, 2.0))
    assert advance.distance == 0.2
    assert repeat.steps[0].angle == pytest.approx(math.radians(-15))
    assert side.distance == -0.2
    assert rotate.angle == pytest.approx(math.radians(-15))
    assert square.against == "west"
    within = check.within
    assert (within.x.low, within.x.high) == (-0.03, 0.01)
    assert within.y == 0.02
    assert (within.along.low, within.along.high) == (None, 0.01)
    assert (within.across.low, within.across.high) == (None, 0.02)
    assert (within.heading.low, within.heading.high) == pytest.approx((-math.radians(3), math.radians(1)))
    assert within.relative_to == "tub"
    assert check.takes == ["tub", "jar"]


def close(a, b):
    """Return whether two dumped documents are the same up to rounding."""
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(close(a[k], b[k]) for k in a)
    if isinstance(a, list | tuple):
        return len(a) == len(b) and all(close(x, y) for x, y in zip(a, b, strict=True))
    return a == pytest.approx(b, abs=1e-12) if isinstance(a, float) else a == b


@given(st.sampled_from(["x", "y"]), st.floats(-5.0, 5.0), st.floats(-3.0, 3.0), st.floats(-180.0, 180.0))
@settings(deadline=None, max_examples=40)
def test_law_mirrored_twice_is_as_written(axis, line_m, place_m, degrees):
    """The mirror of the mirror is the routine as written."""
    on = field_map(mirror={axis: f"{line_m:.4f} m", "pairs": {"east": "west", "pot": "tub"}})
    steps = [
        *FULL,
        {"do": "drive", "to": [f"{place_m:.5f} m", "0 m"]},
        {"do": "turn", "to": f"{degrees:.4f} deg"},
    ]
    written = routine(*steps, at=(round(place_m, 4), 1.0, round(degrees, 3)))
    twice = mirror_routine(mirror_routine(written, on), on)

    assert close(twice.model_dump(), written.model_dump())


@pytest.mark.parametrize("line", [X_LINE, Y_LINE])
def test_law_mirrored_plan_is_the_reflected_plan(line):
    """The plan of the mirrored routine is the reflection of the plan, tick by tick."""
    on = field_map(mirror=line)
    steps = [STEPS[0], {"do": "curve", "through": [["2.5 m", "1.3 m"]]}, *STEPS[1:]]
    one = case(*steps, at=(1.0, 1.0, 0.0), on=on)
    other = Case(mirror_routine(one.routine, on), one.robot, on, on, "mirrored")
    a, b = plan_case(one).timeline, plan_case(other).timeline

    assert b.time_s == pytest.approx(a.time_s, abs=1e-9)
    assert b.twist == pytest.approx(a.twist * [1, -1, -1], abs=1e-9)
    if "x" in line:
        assert b.pose[:, 0] == pytest.approx(4.2 - a.pose[:, 0], abs=1e-9)
        assert b.pose[:, 1] == pytest.approx(a.pose[:, 1], abs=1e-9)
    else:
        assert b.pose[:, 1] == pytest.approx(3.0 - a.pose[:, 1], abs=1e-9)


def test_law_mirror_keeps_which_sensors_fix():
    """The robot is not mirrored: the sensors that a step names are the same on the other side."""
    step = {"do": "drive", "to": ["2 m", "1 m"], "fixes": ["left"]}
    mirrored = mirror_routine(routine(step), field_map(mirror=X_LINE))
    assert mirrored.steps[0].fixes == ["left"]


def test_err_no_mirror_line():
    """A field map without a mirror line cannot mirror a routine."""
    with pytest.raises(ModelError, match="no mirror line"):
        mirror_routine(routine(*STEPS), field_map())
