"""The field as geometry: what the later stages read instead of the document."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from driftgate.core.pose import FloatArray
from driftgate.schema.fieldmap import Element


@dataclass(frozen=True)
class Edge:
    """One straight surface: a wall, or one face of a structure. A reading's surface is one edge.

    Attributes
    ----------
    id : str
        "south" for a wall; "bench-a/2" for the third face of a structure, counted from 0.
    owner : str
        Id of the wall or structure.
    kind : {"wall", "structure"}
        What it belongs to.
    a, b : tuple of float
        End points, field frame, with the free side on the left of a -> b. [m]
    normal : tuple of float
        Unit normal into the free side.
    reference : bool
        May serve as reference surface.
    low_m, high_m : float
        Height range. [m]
    carrier : str or None
        Wall that carries it: the wall itself, or what a structure is fixed to.
    """

    id: str
    owner: str
    kind: Literal["wall", "structure"]
    a: tuple[float, float]
    b: tuple[float, float]
    normal: tuple[float, float]
    reference: bool
    low_m: float
    high_m: float
    carrier: str | None


@dataclass(frozen=True)
class Outline:
    """An element's outline in its own axes: a disc (`radius_m`) or a counter-clockwise polygon."""

    radius_m: float | None
    corners: FloatArray | None
    reach_m: float  # largest distance of any point from the element's origin


@dataclass(frozen=True)
class PlacedElement:
    """A loose element at its mapped place."""

    id: str
    pose: tuple[float, float, float]
    outline: Outline
    source: Element
    carrier: str | None  # wall that carries it, directly or through a structure


@dataclass(frozen=True)
class World:
    """A field map as geometry.

    Attributes
    ----------
    edges : tuple of Edge
        Walls in file order, then the faces of structures in file order.
    elements : tuple of PlacedElement
        Loose elements in file order.
    outline : ndarray, shape (W, 2)
        Corners of the wall polygon, counter-clockwise. [m]
    zones : tuple of (id, ndarray, float)
        Rough zones: id, polygon corners, bumps per metre.
    """

    edges: tuple[Edge, ...]
    elements: tuple[PlacedElement, ...]
    outline: FloatArray
    zones: tuple[tuple[str, FloatArray, float], ...]
