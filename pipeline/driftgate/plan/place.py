"""Place keys: what a step's random streams hang on, so that an inserted step re-deals nothing."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from hashlib import blake2b
from typing import Any, Final

from driftgate.schema.routine import AnyStep

# Numbers of a step are told apart to a nanometre (nanosecond, nanoradian): a routine mirrored twice
# differs from the one as written by rounding alone, and must keep its keys.
_GRID: Final = 1e9
# Off every short decimal or binary fraction, so that no written number lies on a rounding boundary.
_OFFSET: Final = 0.1415926


def place_keys(steps: Iterable[AnyStep]) -> tuple[str, ...]:
    """Return the place key of each step of a flattened routine.

    A key is the step's name, else a digest of its content, then "#" and its occurrence among equal
    ones, from 1. The position in the routine has no part in it: a step inserted elsewhere changes no
    other key unless it has the same name or the same content.

    Parameters
    ----------
    steps : iterable of AnyStep
        Repetitions unrolled, in order; for the other side of the field, the routine as written.

    Returns
    -------
    tuple of str
        One key per step.
    """
    seen: Counter[str] = Counter()
    digests: dict[int, str] = {}
    keys = []
    for step in steps:
        # The rounds of a repetition share the step's object; its digest is made once.
        base = step.name or digests.setdefault(id(step), "") or content_digest(step)
        digests[id(step)] = base
        seen[base] += 1
        keys.append(f"{base}#{seen[base]}")
    return tuple(keys)


def content_digest(step: AnyStep) -> str:
    """Return a digest of what a step does; "~" keeps it apart from every name.

    Its name is left out, and so is which sensors may fix in it: that is the robot's business, and
    two ways of correcting one routine are compared on the same luck.
    """
    content = _canonical(step.model_dump(exclude_defaults=True, exclude={"name", "fixes"}))
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    return "~" + blake2b(text.encode(), digest_size=12).hexdigest()


def _canonical(value: Any) -> Any:
    if isinstance(value, float):
        return round(value * _GRID + _OFFSET)
    if isinstance(value, dict):
        return {str(key): _canonical(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_canonical(item) for item in value]
    return value
