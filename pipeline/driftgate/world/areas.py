"""Uniform points in a simple polygon, by a fixed number of uniforms."""

from __future__ import annotations

import numpy as np

from driftgate.core.pose import FloatArray


def cut_into_triangles(corners: FloatArray) -> FloatArray:
    """Return triangles that tile a simple polygon.

    Parameters
    ----------
    corners : ndarray, shape (m, 2)
        Corners in either order. [m]

    Returns
    -------
    ndarray, shape (m - 2, 3, 2)
        Triangles; fewer where corners lie on one line.

    Notes
    -----
    Ear clipping: every simple polygon has two ears (G. H. Meisters, "Polygons have ears", Amer. Math.
    Monthly 82 (1975) 648-651, from memory).
    """
    points = [(float(x), float(y)) for x, y in corners]
    if sum(_cross((0.0, 0.0), a, b) for a, b in zip(points, [*points[1:], points[0]], strict=True)) < 0.0:
        points.reverse()
    triangles = []
    while len(points) > 3:
        ear = next((i for i in range(len(points)) if _is_ear(points, i)), None)
        if ear is None:  # only slivers on one line are left
            break
        triangles.append((points[ear - 1], points[ear], points[(ear + 1) % len(points)]))
        del points[ear]
    triangles.append((points[0], points[1], points[2]))
    return np.array([t for t in triangles if _cross(*t) > 0.0])


def point_in_triangles(
    triangles: FloatArray, which: FloatArray, u: FloatArray, v: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return points uniform over triangles that tile an area.

    Parameters
    ----------
    triangles : ndarray, shape (t, 3, 2)
        From `cut_into_triangles`.
    which, u, v : ndarray, shape (n,)
        Independent uniforms on (0, 1): one chooses the triangle by its area, two the point in it.

    Returns
    -------
    x, y : ndarray, shape (n,)
        The points. [m]
    """
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    area = (b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0])
    chosen = np.searchsorted(np.cumsum(area) / area.sum(), which)
    chosen = np.minimum(chosen, len(triangles) - 1)
    # Beyond the diagonal of the parallelogram the point is turned back into the triangle.
    over = u + v > 1.0
    s, t = np.where(over, 1.0 - u, u), np.where(over, 1.0 - v, v)
    point = a[chosen] + s[:, None] * (b - a)[chosen] + t[:, None] * (c - a)[chosen]
    return np.ascontiguousarray(point[:, 0]), np.ascontiguousarray(point[:, 1])


Point = tuple[float, float]


def _cross(a: Point, b: Point, c: Point) -> float:
    return (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])


def _is_ear(points: list[Point], i: int) -> bool:
    a, b, c = points[i - 1], points[i], points[(i + 1) % len(points)]
    if _cross(a, b, c) <= 0.0:
        return False
    others = (p for p in points if p not in (a, b, c))
    return not any(
        _cross(a, b, p) >= 0.0 and _cross(b, c, p) >= 0.0 and _cross(c, a, p) >= 0.0 for p in others
    )
