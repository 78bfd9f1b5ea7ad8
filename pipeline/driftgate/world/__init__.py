"""The field as geometry: surfaces, loose elements, rays, footprints.

`build_world` turns a field map into a `World`; the other modules are array kernels on it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from driftgate.world.build import build_world
    from driftgate.world.values import Edge, Outline, PlacedElement, World

__all__ = ["Edge", "Outline", "PlacedElement", "World", "build_world"]


def __getattr__(name: str) -> object:
    """Import on first use, so that a kernel does not pull in the document models."""
    if name == "build_world":
        from driftgate.world import build

        return build.build_world
    if name in __all__:
        from driftgate.world import values

        return getattr(values, name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
