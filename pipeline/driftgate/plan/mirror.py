"""The other side's routine: a routine reflected in the field map's mirror line."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from driftgate.core.errors import ModelError
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.routine import AngleBand, AnyStep, Band, Repeat, Routine, Start, Tolerance


@dataclass(frozen=True)
class _Reflection:
    """The line x = at_m (or y = at_m), and which walls, structures and elements swap."""

    axis: str
    at_m: float
    swap: dict[str, str]

    def point(self, point: tuple[float, float]) -> tuple[float, float]:
        x, y = point
        return (2.0 * self.at_m - x, y) if self.axis == "x" else (x, 2.0 * self.at_m - y)

    def heading(self, heading_rad: float) -> float:
        return math.pi - heading_rad if self.axis == "x" else -heading_rad

    def id(self, name: str) -> str:
        return self.swap.get(name, name)

    def ids(self, names: list[str]) -> list[str]:
        return [self.id(name) for name in names]


def mirror_routine(routine: Routine, field: FieldMap) -> Routine:
    """Return the routine for the other side of the field.

    Places and headings are reflected, turning angles and sidesteps change their sign, ids are
    swapped by the field map's pairs; one-sided tolerances swap their sides on the mirrored field
    axis, across the path and in heading, and so does what the start is off its mark. Start spreads, times
    and speeds stay.

    Parameters
    ----------
    routine : Routine
        As written.
    field : FieldMap
        With a mirror line.

    Returns
    -------
    Routine
        Mirrored; mirroring it again gives the routine as written, up to rounding.

    Raises
    ------
    ModelError
        If the field map has no mirror line, or not exactly one of x and y.
    """
    line = field.mirror
    if line is None or (line.x is None) == (line.y is None):
        raise ModelError("the field map has no mirror line: give exactly one of x and y under 'mirror'")
    swap = {**{b: a for a, b in line.pairs.items()}, **line.pairs}
    at_m = line.x if line.x is not None else line.y
    assert at_m is not None  # exactly one of them is given, checked above
    reflection = _Reflection("x" if line.x is not None else "y", at_m, swap)
    return routine.model_copy(
        update={
            "start": _start(routine.start, reflection),
            "steps": [_step(step, reflection) for step in routine.steps],
            "final": routine.final.model_copy(
                update={"within": _tolerance(routine.final.within, reflection)}
            ),
        }
    )


def _start(start: Start, reflection: _Reflection) -> Start:
    x, y = reflection.point((start.pose.x, start.pose.y))
    pose = start.pose.model_copy(update={"x": x, "y": y, "heading": reflection.heading(start.pose.heading)})
    update = {"pose": pose, "placed_against": reflection.ids(start.placed_against)}
    if start.off is not None:
        flipped = {name: -getattr(start.off, name) for name in (reflection.axis, "heading")}
        update["off"] = start.off.model_copy(update=flipped)
    return start.model_copy(update=update)


def _step(step: AnyStep, reflection: _Reflection) -> AnyStep:
    if isinstance(step, Repeat):
        return step.model_copy(update={"steps": [_step(inner, reflection) for inner in step.steps]})
    update = {**_geometry(step, reflection)}
    if hasattr(step, "may_touch"):
        update["may_touch"] = reflection.ids(step.may_touch)
    if step.do == "checkpoint":
        update["within"] = _tolerance(step.within, reflection)
        update["takes"] = reflection.ids(step.takes)
    return step.model_copy(update=update)


def _geometry(step: AnyStep, reflection: _Reflection) -> dict[str, Any]:
    """Return what the reflection changes of a step's own target."""
    match step.do:
        case "drive":
            return {"to": reflection.point(step.to)}
        case "curve":
            end = None if step.end_heading is None else reflection.heading(step.end_heading)
            return {"through": [reflection.point(point) for point in step.through], "end_heading": end}
        case "turn":
            return {"to": reflection.heading(step.to)}
        case "face":
            return {"point": reflection.point(step.point)}
        case "rotate" | "arc":
            return {"angle": -step.angle}
        case "sidestep":
            return {"distance": -step.distance}
        case "square-up":
            return {"against": reflection.id(step.against)}
        case _:
            return {}


def _tolerance(within: Tolerance, reflection: _Reflection) -> Tolerance:
    update: dict[str, Any] = {
        reflection.axis: _flipped(getattr(within, reflection.axis)),
        "across": _flipped(within.across),
        "heading": _flipped(within.heading),
    }
    if within.relative_to is not None:
        update["relative_to"] = reflection.id(within.relative_to)
    return within.model_copy(update=update)


def _flipped(size: float | Band | AngleBand | None) -> float | Band | AngleBand | None:
    """Return the tolerance of the opposite sign; a symmetric one is its own opposite."""
    if size is None or isinstance(size, float | int):
        return size
    low, high = size.low, size.high
    return size.model_copy(
        update={"low": None if high is None else -high, "high": None if low is None else -low}
    )
