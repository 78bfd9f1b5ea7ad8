"""The field as geometry: surfaces, loose elements, rays, footprints.

`build_world` turns a field map into a `World`; the other modules are array kernels on it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

if TYPE_CHECKING:
    from driftgate.world.build import build_world
    from driftgate.world.values import Edge, Outline, PlacedElement, World

__all__ = ["Edge", "Outline", "PlacedElement", "World", "build_world"]

__getattr__ = lazy_names(
    __name__,
    {
        "Edge": "values",
        "Outline": "values",
        "PlacedElement": "values",
        "World": "values",
        "build_world": "build",
    },
)
