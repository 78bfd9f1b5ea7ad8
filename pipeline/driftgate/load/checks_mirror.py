"""Whether what a mirrored routine refers to has its mirror image on the field."""

from __future__ import annotations

import math
from collections.abc import Iterator

from driftgate.core.findings import Finding
from driftgate.load.checks_routine import steps_with_paths, tolerances
from driftgate.load.document import DocPath, Document
from driftgate.schema.fieldmap import FieldMap, MirrorLine
from driftgate.schema.routine import Checkpoint, MotionStep, SquareUp

# Fields are built more exactly than this; a counterpart further off is another thing. [m]
_APART_M = 0.05

Place = tuple[float, float]


def check_mirror(routine: Document, field: Document) -> list[Finding]:
    """Return the references of a mirrored routine whose counterpart is not where the mirror puts it."""
    model, line = routine.routine, field.field_map.mirror
    if not model.mirror or line is None or (line.x is None) == (line.y is None):
        return []
    places = _places(field.field_map)
    swap = {**{b: a for a, b in line.pairs.items()}, **line.pairs}
    findings, seen = [], set()
    for name, path in _references(routine):
        other = swap.get(name, name)
        if name in seen or name not in places or other not in places:
            continue
        seen.add(name)
        wanted, real = _reflected(places[name], line), places[other]
        if math.dist(wanted, real) > _APART_M:
            message = (
                f"mirrored, '{name}' should be at ({wanted[0]:.2f} m, {wanted[1]:.2f} m), "
                f"but its counterpart '{other}' is at ({real[0]:.2f} m, {real[1]:.2f} m)"
            )
            advice = f"name its counterpart under 'mirror: pairs' in {field.path}, or write 'mirror: false'"
            findings.append(routine.finding("DG140", path, message, advice))
    return findings


def _references(routine: Document) -> Iterator[tuple[str, DocPath]]:
    model = routine.routine
    for i, name in enumerate(model.start.placed_against):
        yield name, ("start", "placed_against", i)
    for step, path in steps_with_paths(model.steps):
        if isinstance(step, SquareUp):
            yield step.against, (*path, "against")
        if isinstance(step, MotionStep):
            for i, name in enumerate(step.may_touch):
                yield name, (*path, "may_touch", i)
        if isinstance(step, Checkpoint):
            for i, name in enumerate(step.takes):
                yield name, (*path, "takes", i)
    for tolerance, path in tolerances(routine):
        if tolerance.relative_to is not None:
            yield tolerance.relative_to, (*path, "relative_to")


def _places(field: FieldMap) -> dict[str, Place]:
    """Return where everything is: a wall by its middle, the rest by its outline's centroid."""
    from driftgate.load import outlines

    found: dict[str, Place] = {}
    for i, wall in enumerate(field.walls):
        after = field.walls[(i + 1) % len(field.walls)].corner
        found[wall.id] = ((wall.corner[0] + after[0]) / 2.0, (wall.corner[1] + after[1]) / 2.0)
    shapes = [(s.id, s.shape, s.at) for s in field.structures]
    shapes += [(e.id, e.shape, e.at) for e in field.elements]
    for name, shape, at in shapes:
        middle = outlines.placed(shape, at).centroid
        found[name] = (float(middle.x), float(middle.y))
    return found


def _reflected(place: Place, line: MirrorLine) -> Place:
    if line.x is not None:
        return 2.0 * line.x - place[0], place[1]
    return place[0], 2.0 * (line.y or 0.0) - place[1]
