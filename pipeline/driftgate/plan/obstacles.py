"""Everything on the field that the robot's body can meet, as segments and discs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.world.footprint import (
    hull_at,
    hull_distance_to_point,
    hull_distance_to_segment,
)
from driftgate.world.values import PlacedElement, World


@dataclass(frozen=True)
class Obstacles:
    """Segments grown by a radius: a disc is a segment without length.

    Attributes
    ----------
    ids : tuple of str
        Walls, structures and elements in the order of the field map.
    owner : ndarray of int, shape (m,)
        Index into `ids` of each segment.
    a, b : ndarray, shape (m, 2)
        End points, field frame. [m]
    radius_m : ndarray, shape (m,)
        Zero but for discs.
    begin_s, end_s : ndarray, shape (m,)
        From when to when it is there, on the plan's clock.
    """

    ids: tuple[str, ...]
    owner: IntArray
    a: FloatArray
    b: FloatArray
    radius_m: FloatArray
    begin_s: FloatArray
    end_s: FloatArray

    def of(self, ids: set[str]) -> IntArray:
        """Return the segments of some obstacles."""
        wanted = [i for i, name in enumerate(self.ids) if name in ids]
        return np.flatnonzero(np.isin(self.owner, wanted))


def obstacles_of(world: World, robot_height_m: float) -> Obstacles:
    """Return what stands at the height of the robot, elements at their mapped places."""
    rows: list[tuple[str, tuple[float, float], tuple[float, float], float, float, float]] = [
        (edge.owner, edge.a, edge.b, 0.0, -math.inf, math.inf)
        for edge in world.edges
        if edge.low_m < robot_height_m
    ]
    for element in world.elements:
        if element.source.height.low < robot_height_m:
            rows.extend(_element_rows(element))
    ids = tuple(dict.fromkeys(row[0] for row in rows))
    index = {name: i for i, name in enumerate(ids)}
    return Obstacles(
        ids=ids,
        owner=np.array([index[row[0]] for row in rows], np.intp),
        a=np.array([row[1] for row in rows], float).reshape(-1, 2),
        b=np.array([row[2] for row in rows], float).reshape(-1, 2),
        radius_m=np.array([row[3] for row in rows], float),
        begin_s=np.array([row[4] for row in rows], float),
        end_s=np.array([row[5] for row in rows], float),
    )


def _element_rows(
    element: PlacedElement,
) -> list[tuple[str, tuple[float, float], tuple[float, float], float, float, float]]:
    there = element.source.present
    begin, end = there.begin, math.inf if there.end is None else there.end
    x, y, heading = element.pose
    if element.outline.corners is None:
        return [(element.id, (x, y), (x, y), element.outline.radius_m or 0.0, begin, end)]
    c, s = math.cos(heading), math.sin(heading)
    corners = [(x + c * u - s * v, y + s * u + c * v) for u, v in element.outline.corners.tolist()]
    return [
        (element.id, a, b, 0.0, begin, end) for a, b in zip(corners, [*corners[1:], corners[0]], strict=True)
    ]


def pair_distance(hull: FloatArray, poses: FloatArray, obstacles: Obstacles, segment: IntArray) -> FloatArray:
    """Return the distance of the footprint at pose i to segment i, zero where they overlap. [m]"""
    hx, hy = hull_at(hull, poses[:, 0], poses[:, 1], poses[:, 2])
    (ax, ay), (bx, by) = obstacles.a[segment].T, obstacles.b[segment].T
    radius = obstacles.radius_m[segment]
    disc, line = radius > 0.0, radius <= 0.0
    distance = np.empty(len(poses))
    to_centre = hull_distance_to_point(hx[:, disc], hy[:, disc], ax[disc], ay[disc])
    distance[disc] = np.maximum(to_centre - radius[disc], 0.0)
    distance[line] = hull_distance_to_segment(
        hx[:, line], hy[:, line], ax[line], ay[line], bx[line], by[line]
    )
    return distance


def owner_distance(
    hull: FloatArray, poses: FloatArray, obstacles: Obstacles, segments: IntArray
) -> FloatArray:
    """Return the distance of the footprint at each pose to the nearest of some segments. [m]"""
    if segments.size == 0:
        return np.full(len(poses), np.inf)
    row, column = np.repeat(np.arange(len(poses)), segments.size), np.tile(segments, len(poses))
    distance = pair_distance(hull, poses[row], obstacles, column)
    return np.asarray(np.min(distance.reshape(len(poses), -1), axis=1))


def origin_distance(poses: FloatArray, obstacles: Obstacles) -> FloatArray:
    """Return the distance of the robot's origin to every segment, shape (n, m). [m]"""
    way = obstacles.b - obstacles.a
    square = np.maximum(np.sum(way * way, axis=-1), 1e-30)
    x = poses[:, 0, None] - obstacles.a[:, 0]
    y = poses[:, 1, None] - obstacles.a[:, 1]
    share = np.clip((x * way[:, 0] + y * way[:, 1]) / square, 0.0, 1.0)
    away = np.hypot(x - share * way[:, 0], y - share * way[:, 1])
    return np.asarray(away - obstacles.radius_m)
