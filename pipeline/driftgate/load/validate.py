"""Plain data to a model, or every fault of it at its exact place."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, get_origin

from pydantic import BaseModel, ValidationError

from driftgate.core.errors import UnitError
from driftgate.core.findings import Finding
from driftgate.core.rules import RULES
from driftgate.core.units import DIMENSIONS, parse_quantity
from driftgate.load.compose import MOST_FINDINGS, Composed
from driftgate.load.document import KEY, AnyModel, DocPath, Kind
from driftgate.load.fields import Option, literals, model_for, options_at, words_of
from driftgate.load.text import shorten
from driftgate.load.wording import (
    POINT_EXAMPLE,
    Fault,
    alike,
    did_you_mean,
    expected,
    found,
    listed,
    one_of,
    quantity_fault,
)
from driftgate.schema.accepted import NOT_BLANK
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.freeze import Freeze
from driftgate.schema.quantity import Quantity
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Routine
from driftgate.schema.sensor import Mount
from driftgate.schema.tape import TapeSheet
from driftgate.schema.waivers import GONE, STATE, Waivers

MODELS: Final[dict[Kind, type[AnyModel]]] = {
    "routine": Routine,
    "field map": FieldMap,
    "robot": Robot,
    "tape sheet": TapeSheet,
    "waivers": Waivers,
    "freeze": Freeze,
}
FORMAT: Final = 1

# A key that only one kind has: it says what a file without a kind was meant to be.
_TELLTALE: Final[dict[str, Kind]] = {
    "steps": "routine",
    "walls": "field map",
    "drive": "robot",
    "heading_from": "tape sheet",
    "waivers": "waivers",
    "digest": "freeze",
}
# What people call steps. The first word of each answer is a step.
_OTHER_STEPS: Final = {
    **dict.fromkeys(("move", "go", "goto", "go-to", "drive-to", "line", "straight"), "'drive' (to a point)"),
    **dict.fromkeys(("forward", "backward", "back", "back-up"), "'advance' (by a distance; back: negative)"),
    **dict.fromkeys(("spin", "pivot"), "'turn' (to a heading) or 'rotate' (by an angle)"),
    **dict.fromkeys(("strafe", "slide"), "'sidestep'"),
    **dict.fromkeys(("wait", "sleep", "delay", "stop"), "'pause'"),
    **dict.fromkeys(("path", "spline", "follow"), "'curve'"),
    **dict.fromkeys(("aim", "look-at", "point-at"), "'face'"),
    **dict.fromkeys(("align", "bump", "ram"), "'square-up'"),
    **dict.fromkeys(("lift", "grab", "arm", "gripper", "score"), "'actuate', with 'mechanism'"),
    **dict.fromkeys(("loop", "for"), "'repeat'"),
}
# What is looked for here and stands elsewhere.
_ELSEWHERE: Final[dict[tuple[type[BaseModel] | None, str], str]] = {
    (Mount, "pitch"): "how far it looks up or down is one of the sensor's errors: errors: {mount_pitch: ...}",
}
_PLAIN_UNION_MEMBER: Final = "function-plain[parse()]"


@dataclass(frozen=True)
class _Error:
    """A pydantic error, brought back to the file."""

    place: DocPath
    type: str
    name: str | int | None
    context: Mapping[str, Any]
    message: str


def kind_of(composed: Composed) -> tuple[Kind | None, list[Finding]]:
    """Return which kind of document it is (or was most likely meant to be) and what is wrong with that."""
    data, source = composed.data, composed.source
    if not isinstance(data, dict):
        message = f"expected keys and values, got {found(data)}"
        return None, [source.finding("DG110", (), message, "start with 'kind:' and 'format: 1'")]
    findings = []
    kind = data.get("kind")
    meant = next((k for k in MODELS if k == kind), None)
    if meant is None and ("kind",) not in composed.settled:
        guess = alike(kind, MODELS) if isinstance(kind, str) else ""
        guess = guess or next((k for key, k in _TELLTALE.items() if key in data), "")
        said = "the key 'kind' is missing" if "kind" not in data else f"no kind of document: {found(kind)}"
        advice = f"write 'kind: {guess}'" if guess else f"write 'kind: ' and {one_of(MODELS)}"
        findings.append(source.finding("DG107", ("kind",), said, advice))
        meant = next((k for k in MODELS if k == guess), None)
    number = data.get("format")
    if (
        "format" in data
        and (type(number) is not int or number != FORMAT)
        and ("format",) not in composed.settled
    ):
        message = f"this driftgate reads format {FORMAT}, not {found(number)}"
        findings.append(source.finding("DG107", ("format",), message, f"write 'format: {FORMAT}'"))
    return meant, findings


@dataclass(frozen=True)
class Validated:
    """The outcome of holding data against a model.

    Attributes
    ----------
    model : AnyModel or None
        None if anything is wrong.
    errors : tuple
        What is wrong, by place in the file.
    """

    model: AnyModel | None
    errors: tuple[_Error, ...] = ()

    @property
    def faults(self) -> list[tuple[DocPath, str, str | int | None]]:
        """Place, type and key name of every error."""
        return [(error.place, error.type, error.name) for error in self.errors]


def validated_data(data: object, kind: Kind) -> Validated:
    """Return the model of the data, or what is wrong with it."""
    try:
        return Validated(MODELS[kind].model_validate(data))
    except ValidationError as error:
        raw = error.errors(include_url=False, include_input=False)
    return Validated(None, tuple(_brought_back(item, data) for item in raw))


def validation_findings(composed: Composed, kind: Kind, validated: Validated) -> list[Finding]:
    """Return every error as a finding at its place.

    Places that the composer has a finding for are passed over in silence.
    """
    groups: dict[DocPath, list[_Error]] = {}
    for error in validated.errors:
        if error.place not in (("kind",), ("format",)) and not _settled(error, composed):
            groups.setdefault(_group_place(error), []).append(error)
    findings: list[Finding] = []
    for errors in groups.values():
        findings += _group_findings(errors, MODELS[kind], composed)
        if len(findings) > MOST_FINDINGS:
            break
    return findings


def _settled(error: _Error, composed: Composed) -> bool:
    if error.type == "missing" and error.name == "kind":
        return True
    # A missing key may be one of those that the composer refused, but then both are worth knowing.
    return any(error.place[:n] in composed.settled for n in range(len(error.place) + 1))


def _group_place(error: _Error) -> DocPath:
    """Return where errors compete: those of one value are one fault, unless keys are concerned."""
    if error.type in ("missing", "extra_forbidden") and isinstance(error.name, str):
        return (*error.place, KEY, error.name)
    return error.place


def _brought_back(item: Any, data: object) -> _Error:
    """Drop what pydantic adds to the place: tags of unions, names of their members, "[key]"."""
    place: list[str | int] = []
    value, tagged = data, False
    for part in item["loc"]:
        if isinstance(value, dict):
            if not tagged and isinstance(part, str) and part == value.get("do") and place:
                tagged = True
                continue
            if part in value:
                place.append(part)
                value, tagged = value[part], False
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            place.append(part)
            value, tagged = value[part], False
    last = item["loc"][-1] if item["loc"] else None
    kind = "bad_key" if last == "[key]" else item["type"]
    return _Error(tuple(place), kind, last, item.get("ctx") or {}, item["msg"])


def _group_findings(errors: list[_Error], model: type[BaseModel], composed: Composed) -> list[Finding]:
    first = errors[0]
    value = _value_at(composed.data, first.place)
    if isinstance(value, list) and first.type == "literal_error":
        # A list was meant as the other member of the union, if that takes lists.
        first = next((e for e in errors if e.type.endswith(("too_short", "too_long"))), first)
    if first.type == "extra_forbidden":
        return [_unknown_key(first, model, composed)]
    options = options_at(model, composed.data, first.place)
    quantities = [option.quantity for option in options if option.quantity is not None]
    source = composed.source
    if any(e.type == "value_error" for e in errors) and quantities:
        if isinstance(value, dict) and any(option.model is not None for option in options):
            # A mapping was meant as the other member of the union, whose own faults are told apart.
            return []
        if not isinstance(value, str | int | float) or isinstance(value, bool):
            return [source.finding("DG110", first.place, f"expected {expected(options)}, got {found(value)}")]
        code, message, suggestion = quantity_fault(value, quantities)
        if code == "DG112" and _swapped(first.place, composed.data, quantities):
            code, message, suggestion = "DG134", "'low' must be less than 'high'", "swap or correct them"
        return [source.finding(code, first.place, message, suggestion)]
    code, message, suggestion = _fault(first, value, options)
    if value == [] and first is not errors[0]:
        words = [str(word) for option in options for word in literals(option)]
        suggestion = f"name at least one, or write {one_of(words)}"
    place = first.place
    if first.type == "bad_key":
        place = (*place, KEY)
    elif first.type == "union_tag_invalid":
        place = (*place, "do")
    elif first.type == "missing" and (*place, str(first.name), KEY) in source.positions:
        # No file has a place for what is not there: a change on the command line took it away.
        place, suggestion = (*place, str(first.name), KEY), "it must be there, and null takes it away"
    return [source.finding(code, place, message, suggestion)]


def _swapped(place: DocPath, data: object, quantities: Sequence[Quantity]) -> bool:
    """Return whether an upper end is refused that would do as the lower one of a range, and is below it."""
    if not place or place[-1] != "high":
        return False
    ends: Any = _value_at(data, place[:-1])
    for quantity in quantities if isinstance(ends, dict) else ():
        try:
            low = parse_quantity(ends.get("low"), quantity.dimension)
            high = parse_quantity(ends.get("high"), quantity.dimension)
        except UnitError:
            continue
        return 0.0 <= high < low
    return False


def _unknown_key(error: _Error, model: type[BaseModel], composed: Composed) -> Finding:
    parent = error.place[:-1]
    value = _value_at(composed.data, parent)
    owner = model_for(options_at(model, composed.data, parent), value)
    known = list(owner.model_fields) if owner is not None else []
    given = value if isinstance(value, dict) else {}
    name = str(error.name)
    free = [key for key in known if key not in given]
    close = alike(name, free) or alike(name, known)
    advice = _ELSEWHERE.get((owner, name), "")
    before, colon, behind = name.partition(":")
    if not advice and colon and before in known:
        advice = f"write '{before}: {shorten(behind.strip())}', with a blank after the colon"
    if not advice:
        advice = f"did you mean '{close}'?" if close else f"allowed here: {listed(known)}"
    return composed.source.finding("DG108", (*error.place, KEY), f"unknown key '{shorten(name)}'", advice)


def _fault(error: _Error, value: object, options: Sequence[Option]) -> Fault:
    """Return code, message and suggestion of any fault but an unknown key or a quantity."""
    if error.type == "missing":
        return _missing(error, value, options)
    if error.type == "union_tag_not_found":
        close = alike("do", value) if isinstance(value, dict) else ""
        advice = f"write 'do' for '{close}'" if close else f"write 'do: ' and {one_of(_do_words(options))}"
        return "DG109", "missing key 'do': what the step does", advice
    if error.type == "union_tag_invalid":
        do = value.get("do") if isinstance(value, dict) else None
        words = _do_words(options)
        if isinstance(do, str):
            other = _OTHER_STEPS.get(do.lower().replace("_", "-"), "")
            advice = f"the step for that is {other}" if other else did_you_mean(do, words)
            return "DG113", f"no step is called '{shorten(do)}'", advice
        return "DG110", f"'do' holds {found(do)}", f"write 'do: ' and {one_of(words)}"
    if error.type == "literal_error":
        return _not_a_word(value, options)
    if error.type == "value_error":
        return "DG110", f"{error.context.get('error')}, got {found(value)}", ""
    if error.context.get("pattern") == NOT_BLANK:
        return "DG112", "the text is blank", ""
    if error.context.get("pattern") == STATE:
        what = f"12 to 64 of the digits 0-9 and a-f, or '{GONE}'"
        message = f"'{shorten(str(value))}' is no state of a file: {what}"
        return "DG113", message, "take the entry that 'driftgate verify' prints"
    if error.type in ("string_pattern_mismatch", "bad_key"):
        text = str(error.place[-1]) if error.type == "bad_key" and error.place else str(value)
        slug = _slug(text)
        return (
            "DG113",
            f"'{shorten(text)}' is no name: names are lower-case words joined by '-', at most 40 characters",
            f"write '{slug}'" if slug else "",
        )
    if error.type.endswith(("too_short", "too_long")):
        return _wrong_length(error, value)
    if error.type in ("greater_than", "greater_than_equal", "less_than", "less_than_equal", "finite_number"):
        return "DG112", f"{shorten(str(value))} is out of range: {_bound(error)}", ""
    if error.type in ("int_parsing_size", "int_from_float"):
        return "DG112", f"expected a whole number of usual size, got {found(value)}", ""
    if error.type.endswith("_type") and options:
        advice = f'write "{shorten(str(value))}" in quotes' if _quotes_help(value, options) else ""
        if isinstance(value, str) and any(get_origin(option.type) is tuple for option in options):
            advice = f"a point stands in brackets: {POINT_EXAMPLE}"
        return "DG110", f"expected {expected(options)}, got {found(value)}", advice
    return "DG110", f"not allowed here: {shorten(error.message, 120)}", ""


def _missing(error: _Error, value: object, options: Sequence[Option]) -> Fault:
    if isinstance(error.name, int):
        return "DG112", "a point has two numbers, [x, y]", f"write for example {POINT_EXAMPLE}"
    owner = model_for(tuple(options), value)
    inner = options_at(owner, value, (error.name,)) if owner is not None and error.name else ()
    what = f": {expected(inner)}" if inner else ""
    return "DG109", f"missing key '{error.name}'{what}", f"add '{error.name}:'"


def _not_a_word(value: object, options: Sequence[Option]) -> Fault:
    words = [str(word) for option in options for word in literals(option)]
    if not isinstance(value, str):
        return "DG110", f"expected {one_of(words)}, got {found(value)}", ""
    if value in RULES:
        return (
            "DG113",
            f"a finding {value} cannot be accepted",
            f"only {one_of(words).removeprefix('one of ')}",
        )
    close = alike(value, words)
    advice = f"did you mean '{close}'?" if close else f"write {one_of(words)}"
    return "DG113", f"expected {one_of(words)}, got {found(value)}", advice


def _wrong_length(error: _Error, value: object) -> Fault:
    low, high = error.context.get("min_length"), error.context.get("max_length")
    thing, unit = ("list", "item") if isinstance(value, list) else ("text", "character")
    size = len(value) if isinstance(value, list | str) else 0
    if error.context.get("field_type") == "Tuple":
        advice = f"write for example {POINT_EXAMPLE}"
        mended = _decimal_points(value)
        if mended:
            advice = f"a comma ends a number here: write [{mended}], with decimal points"
        return "DG112", f"a point has two numbers, [x, y], got {size}", advice
    bound, number = ("at least", low) if low is not None else ("at most", high)
    plural = "" if number == 1 else "s"
    return (
        "DG112",
        f"the {thing} has {size} {unit}{'' if size == 1 else 's'}, needs {bound} {number} {unit}{plural}",
        "",
    )


def _decimal_points(value: object) -> str:
    """Return a point of two numbers with decimal commas, [2,1 m, 2,2 m], with points; "" if it is none."""
    if not isinstance(value, list) or not 3 <= len(value) <= 4:
        return ""
    texts, rest = [], list(value)
    while rest:
        whole = rest.pop(0)
        if isinstance(whole, int) and not isinstance(whole, bool) and rest and isinstance(rest[0], str):
            whole = f"{whole}.{rest.pop(0)}"
        if not isinstance(whole, str) or whole[:1] not in "+-0123456789" or not dimension_of(whole, "length"):
            return ""
        texts.append(shorten(whole))
    return ", ".join(texts) if len(texts) == 2 else ""


def _bound(error: _Error) -> str:
    words = {"gt": "more than", "ge": "at least", "lt": "less than", "le": "at most"}
    for key, word in words.items():
        if key in error.context:
            return f"must be {word} {error.context[key]:g}"
    return "must be a finite number"


def _do_words(options: Sequence[Option]) -> list[str]:
    return [str(w) for option in options if option.model is not None for w in words_of(option.model, "do")]


def _quotes_help(value: object, options: Sequence[Option]) -> bool:
    is_number = isinstance(value, int | float | bool) and not (isinstance(value, float) and math.isnan(value))
    return is_number and any(option.type is str for option in options)


def _slug(text: str) -> str:
    words = "".join(c if c.isascii() and c.isalnum() else " " for c in text.lower()).split()
    slug = "-".join(words)[:40].strip("-")
    return slug if slug[:1].isalpha() else ""


def _value_at(data: object, place: DocPath) -> object:
    value: Any = data
    for part in place:
        value = value[part]
    return value


def dimension_of(value: object, *names: str) -> str:
    """Return which of the dimensions a text has a unit of, or an empty text."""
    if not isinstance(value, str):
        return ""
    # The longest unit wins, so that "m/s" is never taken for "s".
    fits = [(unit, name) for name in names for unit in DIMENSIONS[name].units if value.strip().endswith(unit)]
    return max(fits, key=lambda fit: len(fit[0]))[1] if fits else ""
