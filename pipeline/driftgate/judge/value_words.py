"""Values of documents as they might stand in a file."""

from __future__ import annotations

from datetime import date
from typing import Final

from pydantic import BaseModel

from driftgate.core.units import DIMENSIONS, SHOWN
from driftgate.load.fields import options_at
from driftgate.schema.base import REMARKS

# Unit that people think in, and its size in SI, by dimension.
UNITS: Final[dict[str, tuple[str, float]]] = {
    name: (unit, float(DIMENSIONS[name].units[unit])) for name, unit in SHOWN.items()
}
_MOST_CHARACTERS: Final = 100


def value_words(model: BaseModel, name: str, *inside: int | str, digits: int = 6) -> str:
    """Return a value of a model as it might stand in a file, cut to a length that a message can carry.

    Parameters
    ----------
    model : BaseModel
        What holds it.
    name : str
        Its key there.
    *inside : int or str
        Which part of it: indices and keys, but for those of a model, which holds its own.
    digits : int
        Significant digits of numbers.
    """
    value = getattr(model, name)
    for part in inside:
        value = value[part]
    words = _words(model, (name, *inside), value, digits)
    return words if len(words) <= _MOST_CHARACTERS else f"{words[: _MOST_CHARACTERS - 1]}…"


def _words(model: BaseModel, place: tuple[int | str, ...], value: object, digits: int) -> str:
    if value is None:
        return "none"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float):
        return _quantity_words(model, place, value, digits)
    if isinstance(value, BaseModel):
        return _model_words(value, digits)
    if isinstance(value, list | tuple):
        return f"[{', '.join(_words(model, (*place, i), item, digits) for i, item in enumerate(value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{k}: {_words(model, (*place, k), v, digits)}' for k, v in value.items())}}}"
    return value.isoformat() if isinstance(value, date) else str(value)


def _model_words(model: BaseModel, digits: int) -> str:
    parts = [
        f"{name}: {_words(model, (name,), getattr(model, name), digits)}"
        for name, field in type(model).model_fields.items()
        if name not in REMARKS
        and (field.is_required() or getattr(model, name) != field.get_default(call_default_factory=True))
    ]
    return f"{{{', '.join(parts)}}}"


def _quantity_words(model: BaseModel, place: tuple[int | str, ...], value: float, digits: int) -> str:
    options = options_at(type(model), {}, place)
    quantity = next((o.quantity for o in options if o.quantity is not None), None)
    if quantity is None:
        return f"{value:.{digits}g}"
    unit, size = UNITS.get(quantity.dimension, ("", 1.0))
    if not unit:
        return f"{value:.{digits}g}"
    return f"{value / size:.{digits}g} {unit}"
