"""Facts as JSON and back, exactly; what does not read back as itself is refused."""

from __future__ import annotations

import dataclasses
import json
from functools import cache
from typing import Any, TypeVar

from pydantic import TypeAdapter, ValidationError

T = TypeVar("T")


def encode(value: Any) -> bytes:
    """Return a frozen dataclass of plain values as JSON; floats in the shortest form that is exact.

    Numbers that are not finite are written as in JavaScript (`NaN`, `Infinity`).

    Raises
    ------
    TypeError
        If it holds anything that is not plain.
    """
    text = json.dumps(dataclasses.asdict(value), ensure_ascii=True, separators=(",", ":"), allow_nan=True)
    return text.encode("ascii")


def decode(kind: type[T], data: bytes) -> T | None:
    """Return the value of this kind that encodes to this data; None if there is none.

    Parameters
    ----------
    kind : type
        A dataclass whose fields, all the way down, are plain values, tuples or dataclasses.
    data : bytes
        From a file that anyone may have written.
    """
    try:
        name: Any = kind
        value: T = _adapter(name).validate_json(data, strict=True)
        return value if encode(value) == data else None
    except (ValidationError, ValueError, TypeError, RecursionError):
        return None


@cache
def _adapter(kind: Any) -> TypeAdapter[Any]:
    return TypeAdapter(kind)
