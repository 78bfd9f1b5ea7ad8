"""The field, the robot's outline and the planned way, as pictures show them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import Plan
from driftgate.predict.recorder import Recorder
from driftgate.report.model import CaseReport
from driftgate.report.picture import Field, Leg, Point, Structure, Surface, Thing, Zone
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import Element
from driftgate.world.build import build_world, place, shape_corners
from driftgate.world.values import PlacedElement

# A surface that the robot's map has elsewhere by less looks the same. [m]
_SAME_M = 1e-3
# What a drawn line may leave out. [m]
_FINE_M = 1.5e-3


def picture_field(case: Case, record: Recorder | None, sampled: int = 0) -> Field:
    """Return the true map as drawn, with where strayed things lie in the first trials of a record."""
    world = build_world(case.true)
    believed: list[tuple[Point, Point]] = []
    if case.true is not case.believed:
        real = {edge.id: edge for edge in world.edges}
        for edge in build_world(case.believed).edges:
            same = real.get(edge.id)
            if same is None or max(math.dist(edge.a, same.a), math.dist(edge.b, same.b)) > _SAME_M:
                believed.append((edge.a, edge.b))
    taken = _taken(case)
    strayed = {} if record is None else {name: (did, x, y) for name, did, x, y in record.strayed}
    things = []
    for element in world.elements:
        lie: tuple[Point, ...] = ()
        if element.id in strayed:
            did, x, y = (part[:sampled] for part in strayed[element.id])
            lie = tuple((float(a), float(b)) for a, b in zip(x[did], y[did], strict=True))
        things.append(_thing(element, lie, taken.get(element.id, "")))
    return Field(
        outline=_points(world.outline),
        surfaces=tuple(Surface(e.id, e.kind, e.a, e.b, e.reference) for e in world.edges),
        structures=tuple(
            Structure(s.id, _points(place(corners, s.at)))
            for s in case.true.structures
            if (corners := shape_corners(s.shape)) is not None
        ),
        things=tuple(things),
        zones=tuple(Zone(name, _points(corners), float(bumps)) for name, corners, bumps in world.zones),
        believed=tuple(believed),
    )


def _taken(case: Case) -> dict[str, str]:
    """Return, for every element that a checkpoint takes, the checkpoint's name."""
    found: dict[str, str] = {}
    waiting = list(case.routine.steps)
    while waiting:
        step = waiting.pop()
        waiting += getattr(step, "steps", [])
        for name in getattr(step, "takes", []):
            found[name] = str(step.name)
    return found


def _thing(element: PlacedElement, strayed: tuple[Point, ...], taken: str) -> Thing:
    source, corners = element.source, element.outline.corners
    return Thing(
        id=source.id,
        corners=() if corners is None else _points(place(corners, source.at)),
        centre=(source.at.x, source.at.y),
        radius_m=element.outline.radius_m or 0.0,
        scatter_m=(source.scatter.x, source.scatter.y),
        stray=0.0 if source.stray is None else source.stray.probability,
        strayed=strayed,
        words=_thing_words(source, taken),
    )


def _thing_words(source: Element, taken: str) -> str:
    words = []
    if source.present.begin > 0.0:
        words.append(f"there from {source.present.begin:g} s")
    if source.present.end is not None:
        words.append(f"gone after {source.present.end:g} s")
    if source.pushable:
        words.append("can be pushed")
    if taken:
        words.append(f"taken at {taken}")
    return ", ".join(words)


def picture_legs(plan: Plan, report: CaseReport, fixes: Sequence[int] | None) -> tuple[Leg, ...]:
    """Return the planned steps with their ways."""
    timeline, legs = plan.timeline, []
    for step, shown in zip(plan.steps, report.steps, strict=True):
        first, last = (int(k) for k in timeline.first_tick[step.index : step.index + 2])
        way = timeline.pose[first : last + 1, :2]
        moves = last > first and float(np.abs(way - way[0]).max()) > _SAME_M
        end = step.end_pose
        legs.append(
            Leg(
                number=shown.number,
                label=shown.label,
                name=step.name or "",
                line=shown.line,
                begin_s=step.begin_s,
                end_s=step.end_s,
                path=thinned(way) if moves else ((float(end[0]), float(end[1])),),
                moves=moves,
                checkpoint=step.checkpoint is not None,
                end=(float(end[0]), float(end[1]), float(end[2])),
                fixes=0 if fixes is None else int(fixes[step.index]),
            )
        )
    return tuple(legs)


def thinned(way: FloatArray, fine_m: float = _FINE_M) -> tuple[Point, ...]:
    """Return a line with fewer points, none of the others further off than `fine_m`.

    References
    ----------
    .. [1] D. H. Douglas and T. K. Peucker, Cartographica 10(2), 1973, pp. 112-122 (from memory).
    """
    keep = np.zeros(len(way), dtype=bool)
    keep[[0, -1]] = True
    waiting = [(0, len(way) - 1)]
    while waiting:
        low, high = waiting.pop()
        if high - low < 2:
            continue
        a, b, inner = way[low], way[high], way[low + 1 : high]
        along = b - a
        length2 = float(along @ along)
        share = ((inner - a) @ along / length2).clip(0.0, 1.0) if length2 > 0.0 else np.zeros(len(inner))
        off = np.hypot(*(inner - a - share[:, None] * along).T)
        worst = int(off.argmax())
        if off[worst] > fine_m:
            keep[low + 1 + worst] = True
            waiting += list(pairwise((low, low + 1 + worst, high)))
    return _points(way[keep])


def _points(rows: FloatArray) -> tuple[Point, ...]:
    return tuple((float(x), float(y)) for x, y in rows)
