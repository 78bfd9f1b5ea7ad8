"""The field from above, to scale: what stands on it, the planned way, the error along it, trials."""

from __future__ import annotations

import math
from typing import Final

from driftgate.report.digits import percent
from driftgate.report.field_scale import BOTTOM, LEFT, TOP, FieldScale, field_scale, magnified
from driftgate.report.model import CaseReport
from driftgate.report.picture import CasePicture, Thing
from driftgate.report.svg import (
    Labels,
    circle,
    cross,
    drawing,
    group,
    line,
    num,
    oval,
    path,
    rect,
    round_step,
    text,
    title,
)
from driftgate.report.svg_legend import legend, legend_height
from driftgate.report.svg_marks import badges, failed_marks, keep_free, names, targets
from driftgate.report.svg_way import ellipses, failed_way, leg_shape, robots

# 95 % of a normal distribution in the plane.
_RADIUS_95: Final = 2.4477


def field_svg(case: CaseReport, picture: CasePicture) -> str:
    """Return the picture of the field of a case."""
    scale = field_scale(picture)
    labels = Labels()
    factor = magnified(picture)
    parts = [_grid(picture, scale), *_floor(picture, scale)]
    parts += [
        path(scale.all(trial.path), "trial", inner=title(f"trial {trial.number}")) for trial in picture.paths
    ]
    parts += ellipses(picture, scale, factor)
    parts += [failed_way(trial, scale) for trial in picture.failed]
    parts += [leg_shape(leg, scale) for leg in picture.legs if leg.moves]
    keep_free(picture, scale, labels)
    parts += targets(case, picture, scale, labels)
    parts += failed_marks(picture, scale, labels)
    parts += robots(picture, scale, labels)
    parts += badges(picture.legs, scale, labels)
    parts += names(picture, scale, labels)
    parts.append('<g class="cursor" data-cursor="field" visibility="hidden"></g>')
    items = _legend(picture, factor)
    parts.append(legend(items, scale.height + 6.0))
    place = f' data-x="{num(scale.x_m, 4)}" data-y="{num(scale.y_m, 4)}" data-per="{num(scale.per_m, 3)}"'
    place += f' data-left="{num(LEFT)}" data-base="{num(scale.height - BOTTOM)}" data-factor="{factor}"'
    return drawing(
        parts,
        scale.height + 6.0 + legend_height(items),
        _words(case, picture),
        f' data-picture="field"{place}',
    )


def _words(case: CaseReport, picture: CasePicture) -> str:
    walls = [s.id for s in picture.field.surfaces if s.kind == "wall"]
    names = [s.id for s in picture.field.structures]
    things = [t.id for t in picture.field.things]
    ends = picture.legs[-1].end if picture.legs else (0.0, 0.0, 0.0)
    begins = picture.legs[0].path[0] if picture.legs else (0.0, 0.0)
    words = (
        f"The field from above. Walls: {', '.join(walls)}. Structures: {', '.join(names) or 'none'}. "
        f"Loose: {', '.join(things) or 'none'}. The plan leads from ({begins[0]:.2f}, {begins[1]:.2f}) m "
        f"to ({ends[0]:.2f}, {ends[1]:.2f}) m in {len(picture.legs)} steps."
    )
    if picture.sampled:
        words += f" {picture.failing} of the first {picture.sampled} trials fail somewhere."
    return f"{case.title}. {words}"


def _grid(picture: CasePicture, scale: FieldScale) -> str:
    xs, ys = zip(*picture.field.outline, strict=True)
    step = round_step(max(max(xs) - min(xs), max(ys) - min(ys)), 9)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    base = scale.height - BOTTOM
    shapes = []
    for k in range(math.ceil(min(xs) / step - 1e-9), math.floor(max(xs) / step + 1e-9) + 1):
        x, _ = scale.at((k * step, 0.0))
        shapes.append(line((x, TOP), (x, base), "grid"))
        shapes.append(text(x, base + 14.0, f"{k * step:.{digits}f}", "small", "middle"))
    for k in range(math.ceil(min(ys) / step - 1e-9), math.floor(max(ys) / step + 1e-9) + 1):
        _, y = scale.at((0.0, k * step))
        right, _ = scale.at((max(xs), 0.0))
        shapes.append(line((LEFT, y), (right, y), "grid"))
        shapes.append(text(LEFT - 5.0, y + 3.5, f"{k * step:.{digits}f}", "small", "end"))
    shapes.append(text(LEFT - 5.0, base + 14.0, "m", "small", "end"))
    return group(shapes)


def _floor(picture: CasePicture, scale: FieldScale) -> list[str]:
    field = picture.field
    parts = [path(scale.all(field.outline), "floor", closed=True)]
    parts += [
        path(
            scale.all(z.corners),
            "zone",
            closed=True,
            inner=title(f"{z.id}: rough, {z.bumps_per_m:g} bumps per metre"),
        )
        for z in field.zones
    ]
    parts += [
        path(scale.all(s.corners), "structure", closed=True, inner=title(s.id)) for s in field.structures
    ]
    parts += [_thing(thing, scale) for thing in field.things]
    for surface in field.surfaces:
        a, b = scale.at(surface.a), scale.at(surface.b)
        if surface.reference or surface.kind == "wall":
            what = "reference surface" if surface.reference else "no reference surface"
            style = "wall" if surface.reference else "wall other"
            parts.append(path([a, b], style, inner=title(f"{surface.id}: {what}")))
    parts += [line(scale.at(a), scale.at(b), "believed") for a, b in field.believed]
    return parts


def _thing(thing: Thing, scale: FieldScale) -> str:
    x, y = scale.at(thing.centre)
    sx, sy = (_RADIUS_95 * sd * scale.per_m for sd in thing.scatter_m)
    words = f"{thing.id}: scatter {1000 * thing.scatter_m[0]:.0f} x {1000 * thing.scatter_m[1]:.0f} mm"
    if thing.stray > 0.0:
        words += f", strayed in {percent(thing.stray)}"
    words += f", {thing.words}" if thing.words else ""
    shapes = []
    if thing.corners:
        shapes.append(path(scale.all(thing.corners), "thing", closed=True))
        shapes.append(oval(x, y, max(sx, 1.0), max(sy, 1.0), 0.0, "scatter"))
    else:
        radius = thing.radius_m * scale.per_m
        shapes.append(circle(x, y, radius, "thing"))
        shapes.append(oval(x, y, radius + sx, radius + sy, 0.0, "scatter"))
    for point in thing.strayed:
        a, b = scale.at(point)
        diamond = [(a, b - 4.0), (a + 4.0, b), (a, b + 4.0), (a - 4.0, b)]
        shapes.append(path(diamond, "stray", closed=True))
    return group([title(words), *shapes])


def _legend(picture: CasePicture, factor: int) -> list[tuple[str, str]]:
    """Return the key of what is drawn, and of nothing else."""
    field, items = picture.field, []
    if any(s.reference for s in field.surfaces):
        items.append((line((0, 6), (20, 6), "wall"), "reference surface"))
    if any(s.kind == "wall" and not s.reference for s in field.surfaces):
        items.append((line((0, 6), (20, 6), "wall other"), "wall, no reference"))
    if field.structures:
        items.append((rect(1, 1, 18, 10, "structure"), "structure"))
    if field.things:
        items.append(
            (circle(10, 6, 5, "thing") + circle(10, 6, 7.5, "scatter"), "loose, and 95 % of its scatter")
        )
    if any(t.strayed for t in field.things):
        items.append((path([(10, 1), (15, 6), (10, 11), (5, 6)], "stray", closed=True), "strayed in a trial"))
    if field.zones:
        items.append((rect(1, 1, 18, 10, "zone"), "rough zone"))
    if field.believed:
        items.append((line((0, 6), (20, 6), "believed"), "where the robot's own map has it"))
    if any(leg.moves for leg in picture.legs):
        way = path([(0, 6), (20, 6)], "leg") + path([(13, 6), (7, 2), (7, 10)], "arrow", closed=True)
        items.append((way, "planned way"))
    if picture.legs:
        items.append((rect(1, 1, 18, 10, "robot"), "robot, to scale"))
    if picture.instants:
        times = "" if factor == 1 else f", drawn {factor} times larger"
        items.append((oval(10, 6, 9, 5, 0, "ellipse"), f"95 % of true positions{times}"))
    if picture.paths:
        items.append((line((0, 6), (20, 6), "trial"), f"true way, trials 0 to {len(picture.paths) - 1}"))
    if picture.targets:
        mark = circle(10, 6, 6, "target") + rect(6, 3, 8, 6, "within")
        items.append((mark, "checkpoint and its tolerance, hit rate"))
    if picture.failed:
        items.append(
            (line((0, 6), (20, 6), "failed") + cross(10, 6, 4, "cross"), "failed trial; letters: table")
        )
    return items
