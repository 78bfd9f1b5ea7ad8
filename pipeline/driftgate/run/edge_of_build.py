"""A field built off its drawing by stated amounts, with all that stands on its walls."""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.schema.base import PoseIn
from driftgate.schema.fieldmap import FieldMap, WallBuild
from driftgate.world.build import build_world
from driftgate.world.carry import carry_pose, edge_middle, wall_lines_to_corners
from driftgate.world.values import Edge


def built_field(field: FieldMap, offset_spreads: float, tilt_spreads: float) -> FieldMap | None:
    """Return a field whose walls are all off by so many of their own spreads, and by nothing else.

    What is fixed to a wall or placed against it, directly or through a structure, goes with it; its own
    placement stays as uncertain as it is.

    Parameters
    ----------
    field : FieldMap
        As drawn, or as measured.
    offset_spreads, tilt_spreads : float
        Into the field, and counter-clockwise about each wall's middle.

    Returns
    -------
    FieldMap or None
        None where no wall moves: its spreads are zero.
    """
    world = build_world(field)
    walls = world.edges[: len(field.walls)]
    builds = [wall.build or field.build for wall in field.walls]
    offset = np.array([[offset_spreads * build.offset] for build in builds])
    tilt = np.array([[tilt_spreads * build.tilt] for build in builds])
    if not (offset.any() or tilt.any()):
        return None
    corners = _corners(field, walls, offset, tilt)
    carried = {edge.id: (edge, float(offset[i, 0]), float(tilt[i, 0])) for i, edge in enumerate(walls)}

    def moved(at: PoseIn, carrier: str | None) -> PoseIn:
        if carrier is None:
            return at
        edge, by, turn = carried[carrier]
        pose = np.array([at.x, at.y, at.heading])
        x, y, heading = carry_pose(pose, edge_middle(edge), edge.normal, by, turn)
        return at.model_copy(update={"x": float(x), "y": float(y), "heading": float(heading)})

    carrier_of = {edge.owner: edge.carrier for edge in world.edges}
    carrier_of |= {element.id: element.carrier for element in world.elements}
    settled = {"offset": 0.0, "tilt": 0.0}
    return field.model_copy(
        update={
            "walls": [
                wall.model_copy(update={"corner": corner, "build": _settled(wall.build, settled)})
                for wall, corner in zip(field.walls, corners, strict=True)
            ],
            "build": field.build.model_copy(update=settled),
            "structures": [
                s.model_copy(update={"at": moved(s.at, carrier_of[s.id])}) for s in field.structures
            ],
            "elements": [e.model_copy(update={"at": moved(e.at, carrier_of[e.id])}) for e in field.elements],
        }
    )


def _settled(build: WallBuild | None, settled: dict[str, float]) -> WallBuild | None:
    return None if build is None else build.model_copy(update=settled)


def _corners(
    field: FieldMap, walls: tuple[Edge, ...], offset: FloatArray, tilt: FloatArray
) -> list[tuple[float, float]]:
    """Return where each wall of the file begins, built so."""
    ends = np.array([(*edge.a, *edge.b) for edge in walls])
    ax, ay, bx, by = wall_lines_to_corners(ends[:, 0], ends[:, 1], ends[:, 2], ends[:, 3], offset, tilt)
    # An edge has the inside on its left, whichever way round the file lists the corners.
    forwards = [
        edge.a == (float(w.corner[0]), float(w.corner[1])) for edge, w in zip(walls, field.walls, strict=True)
    ]
    return [
        (float(ax[i, 0]), float(ay[i, 0])) if ahead else (float(bx[i, 0]), float(by[i, 0]))
        for i, ahead in enumerate(forwards)
    ]
