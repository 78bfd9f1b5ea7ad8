"""Fill the holes of a faulty document, so that its remaining faults can be found in the same run.

The mended data is never used for anything but checks, and what the checks say about a mended place
is dropped: a student sees every fault that is there, and none that mending made.
"""

from __future__ import annotations

import copy
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any, Final, get_args, get_origin

from pydantic import BaseModel

from driftgate.core.findings import Finding, Level
from driftgate.core.units import DIMENSIONS
from driftgate.load.compose import Composed
from driftgate.load.document import KEY, DocPath, Document, Kind
from driftgate.load.fields import Option, literals, model_for, options_at, required_keys, step_into
from driftgate.load.validate import FORMAT, MODELS, validated_data
from driftgate.schema.accepted import DAY_EXAMPLE
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.quantity import Quantity
from driftgate.schema.routine import Pause

# Findings that say "there is no such name": not to be trusted once a name was mended.
_ABOUT_NAMES: Final = frozenset({"DG131", "DG137", "DG140", "DG141"})
_HOLD_NAMES: Final = ("walls", "structures", "elements", "steps", "mirror")
_MAY_BE_ABSENT: Final = ("structures", "elements", "mirror")
_MOST_ROUNDS: Final = 3  # mending one fault may uncover the next below it
_MOST_STEP_MODELS: Final = 3  # a union of more models than this is the one of all steps

_Fault = tuple[DocPath, str, str | int | None]


@dataclass(frozen=True, eq=False)
class MendedDocument(Document):
    """A document whose faults were mended, for further checks only.

    Attributes
    ----------
    mended : frozenset of DocPath
        Places that do not hold what the file says.
    made : dict
        Path of every finding made through this document, for `kept`.
    """

    mended: frozenset[DocPath]
    made: dict[Finding, DocPath] = field(default_factory=dict)

    @property
    def names_hold(self) -> bool:
        """Whether every name of the document is there as written."""
        return not any(_touches_a_name(place) for place in self.mended)

    def finding(
        self, code: str, doc_path: DocPath, message: str, suggestion: str = "", level: Level = "error"
    ) -> Finding:
        """Return a finding, remembering the path it is about."""
        finding = super().finding(code, doc_path, message, suggestion, level)
        self.made[finding] = tuple(part for part in doc_path if part != KEY)
        return finding

    def kept(self, findings: Iterable[Finding]) -> list[Finding]:
        """Return the findings that mending did not bring about."""
        return [f for f in findings if not self._brought_about(f, self.made.get(f, ()))]

    def _brought_about(self, finding: Finding, path: DocPath) -> bool:
        if finding.code in _ABOUT_NAMES and not self.names_hold:
            return True
        if finding.code == "DG135" and any(place[:1] == ("walls",) for place in self.mended):
            return True
        # Some findings stand at one key and depend on its neighbours as well.
        reach = {"DG133": path[:-1], "DG135": path[:2]}.get(finding.code, path)
        return any(_related(reach, place) for place in self.mended)


def _related(a: DocPath, b: DocPath) -> bool:
    shared = min(len(a), len(b))
    return a[:shared] == b[:shared]


def _touches_a_name(place: DocPath) -> bool:
    if len(place) <= 1:
        return not place or place[0] in _HOLD_NAMES
    is_whole_thing = isinstance(place[-1], int) and place[-2] in _HOLD_NAMES
    return is_whole_thing or place[-1] in ("id", "name", "do", "pairs")


def mended_document(composed: Composed, kind: Kind, faults: Sequence[_Fault]) -> MendedDocument | None:
    """Return the document with every fault mended, or None if that fails.

    Parameters
    ----------
    composed : Composed
        What the file holds.
    kind : str
        Which kind of document it is.
    faults : sequence of (place, type, name)
        Place of the value, pydantic's type of error, and the name of a missing or unknown key.
    """
    model = MODELS[kind]
    data: Any = copy.deepcopy(composed.data)
    places: set[DocPath] = set(composed.settled)
    if isinstance(data, dict):
        data.update(kind=kind, format=FORMAT)
    for _ in range(_MOST_ROUNDS):
        places |= _mend(data, model, faults)
        validated = validated_data(data, kind)
        if validated.model is not None:
            source = composed.source
            return MendedDocument(
                source.path, source.lines, source.positions, kind, validated.model, frozenset(places)
            )
        faults = validated.faults
    return None


def _mend(data: Any, model: type[BaseModel], faults: Sequence[_Fault]) -> set[DocPath]:
    """Mend every fault in place, deepest first, and return the places."""
    places: set[DocPath] = set()
    for place, kind, name in sorted(faults, key=lambda fault: -len(fault[0])):
        if kind == "missing" and isinstance(name, str):
            mended = (*place, name)
            _put(data, mended, sample(options_at(model, data, mended)))
        elif kind in ("extra_forbidden", "bad_key"):
            mended = place
            _put(data, place, _Nothing)
        else:
            mended = place
            optional = _is_optional(model, data, place)
            _put(data, place, _Nothing if optional else sample(options_at(model, data, place)))
        if kind == "extra_forbidden" and len(place) == 1:
            # The unknown key may have been meant as one that is not there and that others refer to.
            places |= {(key,) for key in _MAY_BE_ABSENT if model is FieldMap and key not in data}
        else:
            places.add(mended)
    return places


class _Nothing:
    """Put in place of a value, it deletes the key."""


def _is_optional(model: type[BaseModel], data: object, place: DocPath) -> bool:
    if not place or not isinstance(place[-1], str):
        return False
    parent: Any = data
    try:
        for part in place[:-1]:
            parent = parent[part]
    except (KeyError, IndexError, TypeError):
        return False
    owner = model_for(options_at(model, data, place[:-1]), parent)
    return owner is not None and place[-1] in owner.model_fields and place[-1] not in required_keys(owner)


def _put(data: Any, place: DocPath, value: object) -> None:
    """Set or delete what stands at a place; a parent that went before is no matter."""
    try:
        for part in place[:-1]:
            data = data[part]
        if value is _Nothing and isinstance(data, dict):
            data.pop(place[-1], None)
        elif place:
            data[place[-1]] = value
    except (KeyError, IndexError, TypeError):
        return


def sample(options: Sequence[Option]) -> object:
    """Return some value that the schema allows, or None if that takes more than is worth it."""
    if len(options) > _MOST_STEP_MODELS and any(option.model is Pause for option in options):
        return {"do": "pause", "time": "1 s"}
    for option in options:
        value = _sample_one(option)
        if value is not None:
            return value
    return None


def _sample_one(option: Option) -> object:
    if option.quantity is not None:
        return _sample_quantity(option.quantity)
    words = literals(option)
    if words:
        return words[-1]  # for a drive the last one is holonomic, to which no key is forbidden
    if option.model is not None:
        model = option.model
        return {key: sample(options_at(model, {}, (key,))) for key in required_keys(model)}
    origin, arguments = get_origin(option.type), get_args(option.type)
    if origin is tuple:
        return [sample(_item_options(option, i)) for i in range(len(arguments))]
    if origin is list:
        # Three, since a list with a minimum is one of corners, or of steps.
        return [sample(_item_options(option, 0)) for _ in range(3)]
    plain: dict[Any, object] = {
        str: "placeholder",
        int: 1,
        float: 2.0,
        bool: False,
        dict: {},
        date: DAY_EXAMPLE,
    }
    return plain.get(origin or option.type)


def _item_options(option: Option, index: int) -> tuple[Option, ...]:
    return tuple(step_into((option,), [], index))


def _sample_quantity(quantity: Quantity) -> str:
    # Without a factor of its own, the SI unit has the factor one in every table but that of the ratio.
    dimension = DIMENSIONS[quantity.dimension]
    high = 1.0 if quantity.high is None else min(quantity.high, 1.0)
    if dimension.si == "1":
        return f"{100.0 * high:g} %"
    return f"{high:g} {dimension.si}"
