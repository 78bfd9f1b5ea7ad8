"""What the schema allows at a place of a document: for messages and suggestions."""

from __future__ import annotations

import types
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import BaseModel
from pydantic.fields import FieldInfo

from driftgate.load.document import DocPath
from driftgate.schema.quantity import Quantity


@dataclass(frozen=True)
class Option:
    """One thing that a value may be: a quantity, a model, or another type.

    Attributes
    ----------
    type : Any
        The annotation without `Annotated`.
    quantity : Quantity or None
        Set when the value is a text with a unit.
    """

    type: Any
    quantity: Quantity | None = None

    @property
    def model(self) -> type[BaseModel] | None:
        """The model class, if it is one."""
        return self.type if isinstance(self.type, type) and issubclass(self.type, BaseModel) else None


def options_at(model: type[BaseModel], data: object, place: DocPath) -> tuple[Option, ...]:
    """Return what may stand at a place, given what does stand on the way there."""
    options: tuple[Option, ...] = (Option(model),)
    value = data
    for part in place:
        options = tuple(step_into(options, value, part))
        if isinstance(value, dict):
            value = value.get(part)
        elif isinstance(value, list) and isinstance(part, int) and part < len(value):
            value = value[part]
        else:
            value = None
    return options


def model_for(options: tuple[Option, ...], value: object) -> type[BaseModel] | None:
    """Return the model that a mapping is meant as; steps are told apart by `do`."""
    models = [option.model for option in options if option.model is not None]
    if len(models) > 1 and isinstance(value, dict):
        models = [m for m in models if value.get("do") in words_of(m, "do")]
    return models[0] if len(models) == 1 else None


def words_of(model: type[BaseModel], key: str) -> tuple[Any, ...]:
    """Return the words that a key of the model may hold; empty if it is free."""
    info = model.model_fields.get(key)
    if info is None:
        return ()
    return tuple(w for option in _of_field(info) for w in literals(option))


def literals(option: Option) -> tuple[Any, ...]:
    """Return the words of a `Literal`; empty for any other type."""
    return get_args(option.type) if get_origin(option.type) is Literal else ()


def required_keys(model: type[BaseModel]) -> list[str]:
    """Return the keys without a default, in order."""
    return [name for name, info in model.model_fields.items() if info.is_required()]


def step_into(options: tuple[Option, ...], value: object, part: str | int) -> Iterator[Option]:
    """Yield what may stand under a key or at an index of a value that is one of the options."""
    if isinstance(part, str):
        model = model_for(options, value)
        info = model.model_fields.get(part) if model is not None else None
        if info is not None:
            yield from _of_field(info)
            return
    for option in options:
        origin, arguments = get_origin(option.type), get_args(option.type)
        if origin is list and isinstance(part, int):
            yield from _unwrapped(arguments[0])
        elif origin is tuple and isinstance(part, int) and part < len(arguments):
            yield from _unwrapped(arguments[part])
        elif origin is dict and isinstance(part, str):
            yield from _unwrapped(arguments[1])


def _of_field(info: FieldInfo) -> Iterator[Option]:
    quantity = next((m for m in info.metadata if isinstance(m, Quantity)), None)
    if quantity is not None:
        yield Option(float, quantity)
    else:
        yield from _unwrapped(info.annotation)


def _unwrapped(annotation: Any) -> Iterator[Option]:
    origin = get_origin(annotation)
    if origin is Annotated:
        inner, *metadata = get_args(annotation)
        quantity = next((m for m in metadata if isinstance(m, Quantity)), None)
        if quantity is not None:
            yield Option(inner, quantity)
        else:
            yield from _unwrapped(inner)
    elif origin in (Union, types.UnionType):
        for member in get_args(annotation):
            if member is not types.NoneType:
                yield from _unwrapped(member)
    else:
        yield Option(annotation)
