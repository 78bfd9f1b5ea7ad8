"""The field map document: walls, structures, loose elements, rough zones."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from driftgate.schema.base import (
    AngleSize,
    Duration,
    HeightRange,
    Id,
    Length,
    Model,
    Point,
    PoseIn,
    PoseSpread,
    Probability,
    Shape,
    Size,
    Sourced,
    Text,
)
from driftgate.schema.quantity import Quantity

Bumps = Annotated[float, Quantity("count per length", low=0.0, high=100.0)]


class WallBuild(Sourced):
    """How accurately a wall is built: standard deviations of its offset and its tilt.

    The offset is along the wall's normal, the tilt is about the middle of the wall.
    """

    offset: Size
    tilt: AngleSize
    constant_over: Literal["field"]


class Wall(Model):
    """One wall; it starts at `corner` and runs to the corner of the next wall in the list."""

    id: Id
    corner: Point
    reference: bool = True
    build: WallBuild | None = None


class StructureBuild(PoseSpread):
    """How accurately a structure is placed, about the place that its wall carries it to."""

    constant_over: Literal["field"]


class Structure(Model):
    """A fixed thing on the field, a polygon or a rectangle."""

    id: Id
    shape: Shape
    at: PoseIn
    height: HeightRange = HeightRange()
    fixed_to: Id | None = None
    reference: bool = False
    build: StructureBuild | None = None


class Scatter(PoseSpread):
    """How a loose element is scattered about its place."""

    constant_over: Literal["run"]


class Stray(Sourced):
    """The chance that an element lies somewhere else altogether.

    `region` is where to; without it, anywhere inside the walls.
    """

    probability: Probability
    region: Annotated[list[Point], Field(min_length=3, max_length=50)] | None = None
    constant_over: Literal["run"]


class Presence(Model):
    """From when to when, on the routine's clock, the element is there."""

    begin: Duration = 0.0
    end: Duration | None = None


class Element(Model):
    """A loose thing on the field."""

    id: Id
    shape: Shape
    at: PoseIn
    height: HeightRange = HeightRange()
    placed_against: Id | None = None
    scatter: Scatter
    stray: Stray | None = None
    present: Presence = Presence()
    pushable: Annotated[
        bool, Field(description="the robot's outline moves it out of the way instead of passing through")
    ] = False


class RoughZone(Model):
    """A patch of floor that jolts the robot as its `errors.bump` says: so many times a metre driven in it."""

    id: Id
    area: Annotated[list[Point], Field(min_length=3, max_length=50)]
    bumps: Bumps


class MirrorLine(Model):
    """How the two sides of the field correspond.

    Exactly one of `x` (the line x = const swaps left and right) and `y`. `pairs` says which
    walls, structures and elements swap; whatever is not listed is its own counterpart.
    """

    x: Length | None = None
    y: Length | None = None
    pairs: dict[Id, Id] = {}


class FieldMap(Model):
    """A field map: the drawing, or a field as measured."""

    kind: Literal["field map"]
    format: Literal[1]
    title: Text
    note: Text | None = None
    walls: Annotated[list[Wall], Field(min_length=3, max_length=100)]
    wall_height: HeightRange = HeightRange()
    build: WallBuild
    structures: Annotated[list[Structure], Field(max_length=200)] = []
    elements: Annotated[list[Element], Field(max_length=200)] = []
    rough_zones: Annotated[list[RoughZone], Field(max_length=50)] = []
    mirror: MirrorLine | None = None


def surfaces_of(field_map: FieldMap) -> int:
    """Return how many surfaces a map has: walls, sides of rectangles and polygons, discs."""
    fixed, loose = field_map.structures, field_map.elements
    return len(field_map.walls) + sum(_sides(t.shape) for t in fixed) + sum(_sides(t.shape) for t in loose)


def _sides(shape: Shape) -> int:
    if shape.polygon is not None:
        return len(shape.polygon.corners)
    return 4 if shape.rectangle is not None else 1
