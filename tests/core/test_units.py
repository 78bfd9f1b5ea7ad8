"""The unit table against exact definitions and against pint; what pint misreads is refused."""

from __future__ import annotations

import math
import re
from fractions import Fraction

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.core.errors import UnitError
from driftgate.core.units import DIMENSIONS, parse_quantity, quantity_pattern

PINT = pytest.mark.evidence(source="library pint", compares="every unit", tolerance="1e-14; 1e-12")

PAIRS = [(name, unit) for name, dimension in DIMENSIONS.items() for unit in dimension.units]

# How pint writes what it would misread or does not know under our spelling.
PINT_NAMES = {"%": "percent", "rev": "turn", "in": "inch", "1/in": "1/inch", "rpm": "turn/minute"}


@pytest.fixture(scope="module")
def registry() -> pint.UnitRegistry:
    """Pint's table of units."""
    return pint.UnitRegistry()


def in_pint(registry: pint.UnitRegistry, value: float, unit: str, si: str) -> float:
    """Return a value in SI by pint's factors."""
    name = PINT_NAMES.get(unit, re.sub(r"\bin\b", "inch", unit).replace("rev", "turn"))
    name = re.sub(r"sqrt\((\w+)\)", r"\1**0.5", name)
    target = re.sub(r"sqrt\((\w+)\)", r"\1**0.5", si)
    return float((value * registry.Unit(name)).to("dimensionless" if target == "1" else target).magnitude)


@PINT
@pytest.mark.parametrize(("dimension", "unit"), PAIRS)
def test_ref_factor_equals_pint(registry: pint.UnitRegistry, dimension: str, unit: str) -> None:
    """Every factor of the table is pint's, to 1e-14."""
    ours = parse_quantity(f"1 {unit}", dimension)
    assert ours == pytest.approx(in_pint(registry, 1.0, unit, DIMENSIONS[dimension].si), rel=1e-14)


@PINT
@given(
    st.sampled_from(PAIRS),
    st.floats(-1e6, 1e6, allow_nan=False).filter(lambda x: x == 0.0 or abs(x) > 1e-6),
    st.sampled_from(["", " ", "   "]),
)
def test_ref_value_equals_pint(
    registry: pint.UnitRegistry, pair: tuple[str, str], number: float, blank: str
) -> None:
    """Any number in any unit gives pint's value, to 1e-12."""
    dimension, unit = pair
    ours = parse_quantity(f"{number!r}{blank or ' '}{unit}", dimension)
    assert ours == pytest.approx(in_pint(registry, number, unit, DIMENSIONS[dimension].si), rel=1e-12)


@pytest.mark.evidence(
    source="NIST SP 811 (2008), B.8, and definitions of the SI",
    compares="values that are exact by definition",
    tolerance="exact",
)
@pytest.mark.parametrize(
    ("text", "dimension", "exact"),
    [
        # NIST SP 811 (2008), Appendix B.8, exactly: 1 in = 2.54 E-02 m, 1 ft = 3.048 E-01 m,
        # 1 lb = 4.5359237 E-01 kg.
        ("24 in", "length", 0.6096),
        ("1 ft", "length", 0.3048),
        ("0.1 in", "length", 0.00254),
        ("1 lb", "mass", 0.45359237),
        ("12 ft/s", "speed", 3.6576),
        ("180 deg", "angle", math.pi),
        ("60 rpm", "turn rate", 2.0 * math.pi),
        ("95 %", "ratio", 0.95),
        ("250 ms", "time", 0.25),
        ("2 1/in", "count per length", 10_000 / 127),
    ],
)
def test_ref_exact_by_definition(text: str, dimension: str, exact: float) -> None:
    """Quantities whose value is exact by definition come out as the nearest float."""
    assert parse_quantity(text, dimension) == exact


@given(st.decimals(-1000, 1000, places=4), st.sampled_from(["m", "cm", "mm", "in", "ft"]))
def test_law_lengths_are_correctly_rounded(number: object, unit: str) -> None:
    """A length is the float nearest to its exact rational value."""
    factor = {
        "m": 1,
        "cm": Fraction(1, 100),
        "mm": Fraction(1, 1000),
        "in": Fraction(254, 10000),
        "ft": Fraction(3048, 10000),
    }
    text = f"{number:f}"
    assert parse_quantity(f"{text} {unit}", "length") == float(Fraction(text) * factor[unit])


def test_err_what_pint_misreads(registry: pint.UnitRegistry) -> None:
    """The texts that pint reads as something else (it does, shown here) are refused."""
    # What pint makes of an open quote depends on its version and Python's tokenizer; we refuse it.
    assert registry("3 ft 2 in").check("[length]**2")
    assert math.isnan(registry("nan m").magnitude)
    assert math.isinf(registry("1e400 m").magnitude)
    for text in ('24"', "3 ft 2 in", "nan m", "1e400 m"):
        with pytest.raises(UnitError):
            parse_quantity(text, "length")


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "m",
        "24",
        "24 ",
        "24in.",
        "012 m",
        "1_000 m",
        "1,5 m",
        ".5 m",
        "5. m",
        "0x10 m",
        "1e m",
        "1e5000 m",
        "inf m",
        "+-1 m",
        "1 m m",
        "1 M",
        "1 meter",
        "1 mm/s",
        "٣ m",
        "1\xa0m",
        "1 m\n2 m",
        "-",
        "1" * 100 + " m",
        "1:30 m",
        None,
        1,
        1.5,
        True,
        math.nan,
        [],
        {},
        b"1 m",
    ],
)
def test_err_no_length(text: object) -> None:
    """What is not one plain finite number with a unit of length is refused."""
    with pytest.raises(UnitError):
        parse_quantity(text, "length")


@given(st.sampled_from(PAIRS), st.sampled_from(sorted(DIMENSIONS)))
def test_err_unit_of_another_kind(pair: tuple[str, str], dimension: str) -> None:
    """A unit is accepted by the dimensions that list it and by no other."""
    unit = pair[1]
    if unit in DIMENSIONS[dimension].units:
        parse_quantity(f"1 {unit}", dimension)
    else:
        with pytest.raises(UnitError, match="is no unit of"):
            parse_quantity(f"1 {unit}", dimension)


@given(
    st.text(max_size=12) | st.from_regex(r"\A[0-9.eE+-]{0,6} ?[a-z/%^()]{0,8}\Z"),
    st.sampled_from(sorted(DIMENSIONS)),
)
def test_law_pattern_and_parser_agree(text: str, dimension: str) -> None:
    """The pattern for editors accepts what the parser accepts, but for numbers that overflow."""
    matches = re.fullmatch(quantity_pattern(dimension), text, re.ASCII) is not None
    if matches and len(text) < 5:  # too short for an exponent that overflows
        assert math.isfinite(parse_quantity(text, dimension))
    elif not matches:
        with pytest.raises(UnitError):
            parse_quantity(text, dimension)


@pytest.mark.parametrize("name", sorted(DIMENSIONS))
def test_law_examples_are_valid(name: str) -> None:
    """Each dimension's own example parses, and its SI unit has the factor one."""
    dimension = DIMENSIONS[name]
    assert math.isfinite(parse_quantity(dimension.example, name))
    if dimension.si != "1":
        assert parse_quantity(f"1 {dimension.si}", name) == 1.0
