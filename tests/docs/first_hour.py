"""The folder in which README's first hour plays: an empty one, in which a project is begun and changed."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from scene import Scene, Stage, edit

ROOT: Final = Path(__file__).resolve().parents[2]
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


# What the second pass measured, with the first one's corrections in the robot's code. Invented data.
_SECOND: Final = """\
kind: tape sheet
format: 1
title: Our robot, second pass
day: "2026-11-04"
heading_from: gyro
straights:
  - {tape: 2.002 m, robot: 2.001 m}
  - {tape: 1.997 m, robot: 1.999 m}
  - {tape: 2.004 m, robot: 2.000 m}
  - {tape: 1.999 m, robot: 2.001 m}
  - {tape: 1.998 m, robot: 2.000 m}
square:
  side: 1.5 m
  lap_time: 16.2 s
  right:
    - {tape: [-3 mm, -4 mm], robot: [0 mm, -1 mm]}
    - {tape: [5 mm, 2 mm], robot: [1 mm, 0 mm]}
    - {tape: [-6 mm, -3 mm], robot: [0 mm, 1 mm]}
    - {tape: [2 mm, -1 mm], robot: [-1 mm, 0 mm]}
    - {tape: [-2 mm, 1 mm], robot: [1 mm, 1 mm]}
  left:
    - {tape: [4 mm, -2 mm], robot: [1 mm, 0 mm]}
    - {tape: [-3 mm, 5 mm], robot: [0 mm, 1 mm]}
    - {tape: [1 mm, 0 mm], robot: [0 mm, -1 mm]}
    - {tape: [-5 mm, 3 mm], robot: [-1 mm, 0 mm]}
    - {tape: [3 mm, -2 mm], robot: [1 mm, 1 mm]}
"""


def _measured(folder: Path) -> None:
    sheets = folder / "routines" / "calibration"
    sheets.mkdir()
    first = (ROOT / "routines" / "calibration" / "wren-tape.yaml").read_text()
    first = first.replace("title: Wren, after the new gyro", "title: Our robot, first pass")
    (sheets / "first-pass.yaml").write_text(first)
    (sheets / "second-pass.yaml").write_text(_SECOND)


def _in_use(folder: Path) -> None:
    edit(folder / _ROUTINE, "robot: robots/robot.yaml", "robot: robots/robot-taped.yaml")


_STAGES: Final[dict[str, Stage]] = {
    "empty": lambda folder: folder,
    "begun": _begun,
    "narrow": _narrow,
    "taped": _taped,
    "measured": _measured,
    "in-use": _in_use,
}


def first_hour() -> Scene:
    """Return the folder, empty."""
    return Scene("hour", _STAGES)
