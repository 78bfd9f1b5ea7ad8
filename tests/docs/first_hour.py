"""The folder in which README's first hour plays: an empty one, in which a project is begun and changed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from scene import Scene, Stage, edit

_ROUTINE: Final = "routines/first.yaml"
_ROBOT: Final = "routines/robots/robot.yaml"
_FIELD: Final = "fieldmaps/field.yaml"


def _begun(folder: Path) -> Path:
    return folder / "seedlings"


def _narrow(folder: Path) -> None:
    edit(folder / _ROUTINE, "across: 60 mm", "across: 15 mm")


def _taped(folder: Path) -> None:
    for _ in ("front", "left"):
        edit(folder / _ROBOT, "bias: {spread: 4 mm, basis: guess", "bias: {spread: 2 mm, basis: measured")
        noise = "noise: {at_zero: 5 mm, per_range: 1 %, basis: guess"
        edit(folder / _ROBOT, noise, "noise: {at_zero: 2 mm, per_range: 0.5 %, basis: measured")
    edit(folder / _FIELD, "offset: 5 mm", "offset: 2 mm")
    edit(folder / _FIELD, "tilt: 0.2 deg   # 5 mm", "tilt: 0.1 deg   # 3 mm")
    edit(folder / _FIELD, "  basis: guess", "  basis: measured")


_STAGES: Final[dict[str, Stage]] = {
    "empty": lambda folder: folder,
    "begun": _begun,
    "narrow": _narrow,
    "taped": _taped,
}


def first_hour() -> Scene:
    """Return the folder, empty."""
    return Scene("hour", _STAGES)
