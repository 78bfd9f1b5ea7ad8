"""From the field map document to geometry: edges, placed elements, carriers."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.schema.base import PoseIn, Shape
from driftgate.schema.fieldmap import Element, FieldMap, Structure
from driftgate.world.values import Edge, Outline, PlacedElement, World

Corner = tuple[float, float]


def build_world(field_map: FieldMap) -> World:
    """Return a field map as geometry.

    Wall i runs from its corner to the corner of the next wall in the file. Whichever way round
    the file lists the corners, every edge has its free side on the left of a -> b: the inside of
    the field for a wall, the outside of the structure for a face.

    Parameters
    ----------
    field_map : FieldMap
        The validated document.

    Returns
    -------
    World
        Walls in file order, then the faces of the structures in file order, each structure's
        faces in the order of its corners as written.

    Raises
    ------
    ModelError
        If a surface has no length, a polygon has no area, a structure is a disc, or something is
        fixed to or placed against a thing that is not on the map. A document that was loaded has
        none of these.
    """
    carriers = _carriers(field_map)
    outline = np.array([wall.corner for wall in field_map.walls], dtype=float)
    edges = _wall_edges(field_map, outline)
    for structure in field_map.structures:
        edges.extend(_face_edges(structure, carriers[structure.id]))
    return World(
        edges=tuple(edges),
        elements=tuple(_placed(element, carriers) for element in field_map.elements),
        outline=outline if signed_area(outline) > 0.0 else outline[::-1].copy(),
        zones=tuple(
            (zone.id, np.array(zone.area, dtype=float), zone.bumps) for zone in field_map.rough_zones
        ),
    )


def signed_area(corners: FloatArray) -> float:
    """Return the area of a simple polygon, positive if its corners run counter-clockwise. [m2]

    Source: the shoelace formula (Meister, 1769; from memory). Taken about the first corner, so that
    a small polygon far from the origin keeps its digits.
    """
    x, y = (corners - corners[0]).T
    return float(0.5 * np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))


def shape_corners(shape: Shape) -> FloatArray | None:
    """Return the corners of a rectangle or polygon in its own axes as written, None for a disc.

    A rectangle's faces are 0 ahead, 1 left, 2 behind, 3 right.
    """
    if shape.rectangle is not None:
        half_l, half_w = 0.5 * shape.rectangle.length, 0.5 * shape.rectangle.width
        return np.array([(half_l, -half_w), (half_l, half_w), (-half_l, half_w), (-half_l, -half_w)])
    if shape.polygon is not None:
        return np.array(shape.polygon.corners, dtype=float)
    return None


def outline_of(shape: Shape) -> Outline:
    """Return a shape as an outline in its own axes, corners counter-clockwise.

    Raises
    ------
    ModelError
        If the shape is none, or a polygon without area.
    """
    if shape.circle is not None:
        return Outline(radius_m=shape.circle.radius, corners=None, reach_m=shape.circle.radius)
    corners = shape_corners(shape)
    if corners is None:
        raise ModelError("a shape must be a circle, a rectangle or a polygon")
    area = signed_area(corners)
    if area == 0.0:
        raise ModelError("a polygon must enclose an area")
    ordered = corners if area > 0.0 else corners[::-1].copy()
    return Outline(radius_m=None, corners=ordered, reach_m=float(np.hypot(*ordered.T).max()))


def place(corners: FloatArray, at: PoseIn) -> FloatArray:
    """Return corners given in a thing's own axes, in the field frame, shape (m, 2). [m]"""
    c, s = math.cos(at.heading), math.sin(at.heading)
    x, y = corners.T
    return np.column_stack([at.x + c * x - s * y, at.y + s * x + c * y])


def _carriers(field_map: FieldMap) -> dict[str, str | None]:
    """Return, for every wall and structure, the wall that carries it."""
    carriers: dict[str, str | None] = {wall.id: wall.id for wall in field_map.walls}
    fixed_to = {structure.id: structure.fixed_to for structure in field_map.structures}
    for structure in field_map.structures:
        here, seen = structure.fixed_to, {structure.id}
        # A structure may stand on another; follow the chain down to a wall.
        while here is not None and here in fixed_to:
            if here in seen:
                raise ModelError(f"structure {structure.id!r} is fixed to itself through others")
            seen.add(here)
            here = fixed_to[here]
        if here is not None and here not in carriers:
            raise ModelError(f"structure {structure.id!r} is fixed to {here!r}, which is not on the map")
        carriers[structure.id] = here
    return carriers


def _wall_edges(field_map: FieldMap, outline: FloatArray) -> list[Edge]:
    area = signed_area(outline)
    if area == 0.0:
        raise ModelError("the walls must enclose an area")
    count = len(field_map.walls)
    edges = []
    for i, wall in enumerate(field_map.walls):
        here, after = _pair(outline[i]), _pair(outline[(i + 1) % count])
        a, b = (here, after) if area > 0.0 else (after, here)
        edges.append(
            Edge(
                id=wall.id,
                owner=wall.id,
                kind="wall",
                a=a,
                b=b,
                normal=_normal(a, b, wall.id),
                reference=wall.reference,
                low_m=field_map.wall_height.low,
                high_m=field_map.wall_height.high,
                carrier=wall.id,
            )
        )
    return edges


def _face_edges(structure: Structure, carrier: str | None) -> list[Edge]:
    own = shape_corners(structure.shape)
    if own is None:
        raise ModelError(f"structure {structure.id!r} must be a rectangle or a polygon")
    area = signed_area(own)
    if area == 0.0:
        raise ModelError(f"structure {structure.id!r} must enclose an area")
    corners = place(own, structure.at)
    edges = []
    for i in range(len(corners)):
        here, after = _pair(corners[i]), _pair(corners[(i + 1) % len(corners)])
        # The inside is left of a counter-clockwise polygon's edge; the free side must be.
        a, b = (after, here) if area > 0.0 else (here, after)
        face = f"{structure.id}/{i}"
        edges.append(
            Edge(
                id=face,
                owner=structure.id,
                kind="structure",
                a=a,
                b=b,
                normal=_normal(a, b, face),
                reference=structure.reference,
                low_m=structure.height.low,
                high_m=structure.height.high,
                carrier=carrier,
            )
        )
    return edges


def _placed(element: Element, carriers: dict[str, str | None]) -> PlacedElement:
    against = element.placed_against
    if against is not None and against not in carriers:
        raise ModelError(f"element {element.id!r} is placed against {against!r}, which is not on the map")
    return PlacedElement(
        id=element.id,
        pose=(element.at.x, element.at.y, element.at.heading),
        outline=outline_of(element.shape),
        source=element,
        carrier=None if against is None else carriers[against],
    )


def _pair(point: Sequence[float] | FloatArray) -> Corner:
    return float(point[0]), float(point[1])


def _normal(a: Corner, b: Corner, name: str) -> Corner:
    """Return the unit normal on the left of a -> b."""
    dx, dy = b[0] - a[0], b[1] - a[1]
    length = math.hypot(dx, dy)
    if length == 0.0:
        raise ModelError(f"surface {name!r} has no length")
    return -dy / length, dx / length
