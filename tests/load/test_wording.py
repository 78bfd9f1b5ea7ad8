"""What is suggested is what was meant: each suggestion here is one that loads."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.core.errors import UnitError
from driftgate.core.units import DIMENSIONS, parse_quantity
from driftgate.load import load_routine
from driftgate.load.checks_common import known_name
from driftgate.load.compose import compose
from driftgate.load.document import DocPath, Kind
from driftgate.load.fields import Option, options_at
from driftgate.load.mend import sample
from driftgate.load.validate import MODELS, dimension_of, validated_data, validation_findings
from driftgate.load.wording import alike, expected, quantity_fault
from driftgate.schema.quantity import Quantity
from driftgate.schema.routine import Routine


@pytest.mark.parametrize(
    ("written", "dimension", "suggested"),
    [
        ('24"', "length", "24 in"),
        ("24 inches", "length", "24 in"),
        ("24 Inch", "length", "24 in"),
        ("2 feet", "length", "2 ft"),
        ("1 metre", "length", "1 m"),
        ("1,5 m", "length", "1.5 m"),
        (".5 m", "length", "0.5 m"),
        ("5. m", "length", "5 m"),
        ("012 in", "length", "12 in"),
        ("1_000 mm", "length", "1000 mm"),
        ("90°", "angle", "90 deg"),
        ("90 degrees", "angle", "90 deg"),
        ("90 dge", "angle", "90 deg"),
        ("3 sec", "time", "3 s"),
        ("1 m/s²", "acceleration", "1 m/s^2"),
        ("1 mps", "speed", "1 m/s"),
        ("95 percent", "ratio", "95 %"),
        ("30 hz", "frequency", "30 Hz"),
        ("5 lbs", "mass", "5 lb"),
    ],
)
def test_law_unit_suggestions_parse(written: str, dimension: str, suggested: str) -> None:
    """How people write a unit is refused, and answered with the spelling that is read."""
    with pytest.raises(UnitError):
        parse_quantity(written, dimension)
    code, _, suggestion = quantity_fault(written, [Quantity(dimension)])

    assert (code, suggestion) == ("DG111", f"write '{suggested}'")
    parse_quantity(suggested, dimension)


@pytest.mark.parametrize("dimension", sorted(DIMENSIONS))
@given(st.integers(-99, 99) | st.floats(-99, 99).map(lambda x: round(x, 3)))
def test_law_bare_numbers_are_answered_with_a_unit(dimension: str, number: float) -> None:
    """A bare number of any dimension is answered with at least one text that parses."""
    code, message, suggestion = quantity_fault(number, [Quantity(dimension)])
    texts = re.findall(r"'([^']*)'", suggestion)

    assert code == "DG111"
    assert message.endswith("needs its unit")
    assert texts
    for text in texts:
        parse_quantity(text, dimension)


@given(st.text(max_size=30), st.sampled_from(sorted(DIMENSIONS)))
def test_err_any_text_is_answered(text: str, dimension: str) -> None:
    """Any text where a quantity belongs has an answer in one line."""
    code, message, suggestion = quantity_fault(text, [Quantity(dimension, low=0.0, high=0.0)])
    assert code in ("DG111", "DG112")
    assert message
    assert "\n" not in message + suggestion


def test_law_unit_of_something_else_is_no_slip_of_spelling() -> None:
    """A unit of another dimension is not corrected into one of this: the number would be wrong."""
    _, message, suggestion = quantity_fault("3 m", [Quantity("time")])
    assert message == "'m' is no unit of time"
    assert suggestion == "use one of s, ms, min"


@pytest.mark.parametrize(
    ("word", "meant"),
    [("titel", "title"), ("time-limit", "time_limit"), ("TimeLimit", "time_limit"), ("colour", ""), ("", "")],
)
def test_law_did_you_mean(word: str, meant: str) -> None:
    """Slips of spelling, of case and of the joining sign find their key; another word finds none."""
    assert alike(word, Routine.model_fields) == meant


@pytest.mark.parametrize(
    ("text", "dimension"),
    [("1 m/s", "speed"), ("1 rev/s", "turn rate"), ("1 rpm", "turn rate"), ("1 s", ""), (3, ""), ("", "")],
)
def test_law_dimension_of_a_text(text: object, dimension: str) -> None:
    """Speed and turn rate are told apart by the whole unit."""
    assert dimension_of(text, "speed", "turn rate") == dimension


# No check goes on where a waiver or a manifest has a fault of form, so that none of them is ever mended.
@pytest.mark.parametrize("kind", sorted(MODELS.keys() - {"waivers", "freeze"}))
def test_law_samples_fit_their_schema(kind: str) -> None:
    """The sample of each kind of document, made of required keys only, is valid."""
    model = MODELS[kind]  # type: ignore[index]
    model.model_validate(sample((Option(model),)))


def test_law_options_follow_the_step() -> None:
    """What may stand at a place depends on what the step does."""
    data = {"steps": [{"do": "turn", "to": 1}, {"do": "drive", "to": 1}]}
    (angle,) = options_at(Routine, data, ("steps", 0, "to"))
    (point,) = options_at(Routine, data, ("steps", 1, "to"))

    assert angle.quantity is not None
    assert angle.quantity.dimension == "angle"
    assert point.quantity is None
    assert options_at(Routine, data, ("steps", 1, "nothing")) == ()


@pytest.mark.parametrize(
    ("number", "dimension", "hint"),
    [
        (95, "ratio", "write '95 %'"),
        (0.95, "ratio", "write '95 %' if 0.95 is a share of one, else '0.95 %'"),
        (30, "length", "write for example '30 mm' or '30 cm'"),
        (340, "length", "write for example '340 mm'"),
        (1.5, "length", "write for example '1.5 m'"),
        (90, "angle", "write for example '90 deg'"),
    ],
)
def test_law_a_bare_number_gets_a_unit_of_its_size(number: float, dimension: str, hint: str) -> None:
    """95 is no share of one, and a robot is not 30 m wide."""
    assert quantity_fault(number, [Quantity(dimension)])[2] == hint


@pytest.mark.parametrize(
    ("kind", "place", "said"),
    [
        ("field map", ("wall_height",), "keys and values such as {low: ..., high: ...}"),
        ("robot", ("sensors", 0, "reach"), "keys and values such as {low: ..., high: ...}"),
        ("robot", ("sensors", 0, "errors", "noise"), "{basis: ..., at_zero: ..., constant_over: ...}"),
        ("robot", ("correction",), "keys and values such as {update: ...}"),
    ],
)
def test_law_where_keys_belong_they_are_named(kind: Kind, place: DocPath, said: str) -> None:
    """A quantity where a mapping belongs is answered with the mapping's keys."""
    options = options_at(MODELS[kind], {"sensors": [{}]}, place)
    assert said in expected(options)


def test_law_a_pitch_is_pointed_to_the_errors() -> None:
    """A mount has no pitch: it is one of the sensor's errors, and the hint says so."""
    text = (Path(__file__).parents[2] / "routines/robots/wren.yaml").read_text(encoding="utf-8")
    assert "mount: {" in text
    text = text.replace("mount: {", "mount: {pitch: 5 deg, ", 1)
    loaded = compose(text, "robot.yaml", tuple(text.splitlines()))
    (found,) = validation_findings(loaded, "robot", validated_data(loaded.data, "robot"))
    assert found.code == "DG108"
    assert "errors: {mount_pitch: ...}" in found.suggestion


def test_law_kinds_are_listed_as_one_speaks() -> None:
    """An element is needed, or a wall, structure or element."""
    known = {"pot": "element", "west": "wall"}
    document = load_routine(Path(__file__).parents[2] / "routines/corner-dash.yaml").document
    (one,) = known_name(document, (), "west", known, ("element",))
    assert one.message == "'west' is a wall; an element is needed here"
    (three,) = known_name(document, (), "east", known, ("wall", "structure", "element"))
    assert three.message == "there is no wall, structure or element called 'east'"
