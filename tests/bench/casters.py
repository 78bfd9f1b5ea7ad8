"""Ray casting alone: the engine's kernels against general-purpose casters on the hall of workload W.

Every caster gets the same beams, those of the trials near the plan, and the same 40 edges and 12 discs
at their mapped places. shapely is always there; the compiled ones are tried if they are installed.
"""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np
from plain_loop import Surfaces
from shapely import LineString, Point

from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared
from driftgate.world.beam import sensor_beam
from driftgate.world.culling import candidates_for_beam, candidates_for_disc
from driftgate.world.rays import edge_arrays, range_to_disc, range_to_segment

Beams = tuple[FloatArray, FloatArray, FloatArray, FloatArray]  # each of shape (readings, trials)

REACH_M = 6.0
POSITION_M, ANGLE_RAD = 0.1, 0.1
_HEIGHT_M = 1.0


def beams_of(prepared: Prepared, readings: int, trials: int) -> tuple[Beams, Beams]:
    """Return the planned beams of some readings, and those of trials near them."""
    timeline, rng = prepared.plan.timeline, np.random.default_rng(1)
    which = np.linspace(0, len(timeline.readings.knot) - 1, readings).astype(int)
    pose = timeline.pose[timeline.readings.knot[which]]
    mounts = [prepared.case.robot.sensors[s].mount for s in timeline.readings.sensor[which]]
    x, y, heading = (np.array([getattr(m, name) for m in mounts]) for name in ("x", "y", "heading"))
    planned = sensor_beam(pose[:, 0], pose[:, 1], pose[:, 2], x, y, heading)
    off = rng.uniform(-0.05, 0.05, (3, readings, trials))
    near = sensor_beam(
        pose[:, 0, None] + off[0],
        pose[:, 1, None] + off[1],
        pose[:, 2, None] + off[2],
        x[:, None],
        y[:, None],
        heading[:, None],
    )
    return planned, near


def ours(prepared: Prepared, planned: Beams, beams: Beams, cull: bool) -> FloatArray:
    """Return ranges by the engine's kernels, over what culling leaves or over everything."""
    e = edge_arrays(prepared.true.edges)
    cx, cy = np.array([d.pose[:2] for d in prepared.true.elements]).T
    radius = np.array([d.outline.reach_m for d in prepared.true.elements])
    shape = (len(planned[0]), len(e.ax))
    edges, discs = np.ones(shape, bool), np.ones((shape[0], len(cx)), bool)
    if cull:
        bound = REACH_M, POSITION_M, ANGLE_RAD
        edges = candidates_for_beam(*planned, *bound, e.ax, e.ay, e.bx, e.by, 0.0)
        discs = candidates_for_disc(*planned, *bound, cx, cy, radius, 0.0)
    found = np.full(beams[0].shape, np.inf)
    for row in range(shape[0]):
        beam = tuple(b[row] for b in beams)
        for i in np.flatnonzero(edges[row]):
            found[row] = np.minimum(found[row], range_to_segment(*beam, e.ax[i], e.ay[i], e.bx[i], e.by[i]))
        for j in np.flatnonzero(discs[row]):
            found[row] = np.minimum(found[row], range_to_disc(*beam, cx[j], cy[j], radius[j]))
    return found


def by_shapely(prepared: Prepared, beams: Beams) -> FloatArray:
    """Return ranges by shapely, one by one over a search tree."""
    shapes = [LineString([e.a, e.b]) for e in prepared.true.edges]
    shapes += [Point(d.pose[:2]).buffer(d.outline.reach_m, quad_segs=32) for d in prepared.true.elements]
    field = Surfaces(shapes)
    flat = zip(*(b.ravel().tolist() for b in beams), strict=True)
    return np.array([field.cast(*beam, REACH_M)[0] for beam in flat]).reshape(beams[0].shape)


def by_embree(prepared: Prepared, beams: Beams) -> Callable[[], FloatArray]:
    """Return a caster over an Embree scene: edges as upright rectangles, discs as prisms of 64 sides."""
    from embreex import rtcore_scene
    from embreex.mesh_construction import TriangleMesh

    sides = [(*e.a, *e.b) for e in prepared.true.edges]
    turn = np.linspace(0.0, 2.0 * np.pi, 65)
    for d in prepared.true.elements:
        x, y = d.pose[0] + d.outline.reach_m * np.cos(turn), d.pose[1] + d.outline.reach_m * np.sin(turn)
        sides += list(zip(x[:-1], y[:-1], x[1:], y[1:], strict=True))
    a, b, c, d = (np.empty((len(sides), 3), dtype=np.float32) for _ in range(4))
    table = np.array(sides)
    for corner, columns, z in ((a, (0, 1), 0.0), (b, (2, 3), 0.0), (c, (2, 3), 2.0), (d, (0, 1), 2.0)):
        corner[:, :2], corner[:, 2] = table[:, columns], z * _HEIGHT_M
    triangles = np.concatenate([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)])
    scene = rtcore_scene.EmbreeScene()
    scene_mesh = TriangleMesh(scene, triangles)
    px, py, ux, uy = (v.ravel() for v in beams)
    origins = np.column_stack([px, py, np.full(len(px), _HEIGHT_M)]).astype(np.float32)
    directions = np.column_stack([ux, uy, np.zeros(len(px))]).astype(np.float32)

    def cast() -> FloatArray:
        assert scene_mesh is not None  # the scene holds no reference of its own
        far = np.asarray(scene.run(origins, directions, query="DISTANCE"), dtype=float)
        return np.where(far < 1e9, far, np.inf).reshape(beams[0].shape)

    return cast


def by_mujoco(prepared: Prepared, beams: Beams) -> Callable[[], FloatArray]:
    """Return a caster over a MuJoCo model: edges as thin boxes, discs as cylinders."""
    import mujoco

    geoms = []
    for e in prepared.true.edges:
        (ax, ay), (bx, by) = e.a, e.b
        half, turn = 0.5 * float(np.hypot(bx - ax, by - ay)), float(np.arctan2(by - ay, bx - ax))
        middle = f"{(ax + bx) / 2} {(ay + by) / 2} 1"
        geoms.append(f'<geom type="box" size="{half} 1e-5 1" pos="{middle}" euler="0 0 {turn}"/>')
    for d in prepared.true.elements:
        geoms.append(f'<geom type="cylinder" size="{d.outline.reach_m} 1" pos="{d.pose[0]} {d.pose[1]} 1"/>')
    text = f'<mujoco><compiler angle="radian"/><worldbody>{"".join(geoms)}</worldbody></mujoco>'
    model = mujoco.MjModel.from_xml_string(text)
    data = mujoco.MjData(model)
    mujoco.mj_forward(model, data)
    px, py, ux, uy = (v.ravel() for v in beams)
    starts = np.column_stack([px, py, np.full(len(px), _HEIGHT_M)])
    directions = np.column_stack([ux, uy, np.zeros(len(px))])
    met = np.zeros(1, dtype=np.int32)

    def cast() -> FloatArray:
        far = np.array(
            [
                mujoco.mj_ray(model, data, start, direction, None, 1, -1, met)
                for start, direction in zip(starts, directions, strict=True)
            ]
        )
        return np.where(far >= 0.0, far, np.inf).reshape(beams[0].shape)

    return cast


def compare(prepared: Prepared, quick: bool) -> list[str]:
    """Return the lines of the table of casters."""
    readings, trials = (40, 512) if quick else (160, 4096)
    planned, beams = beams_of(prepared, readings, trials)
    few = tuple(b[:, :8] for b in beams)
    truth = ours(prepared, planned, beams, cull=False)
    rows: list[tuple[str, float, FloatArray]] = []

    def add(name: str, cast: Callable[[], FloatArray], rays: int) -> None:
        best = min(_cpu_seconds(cast) for _ in range(3))
        rows.append((name, rays / best, cast()))

    add("the engine's, culled from the plan", lambda: ours(prepared, planned, beams, True), truth.size)
    add("the engine's, every surface", lambda: ours(prepared, planned, beams, False), truth.size)
    add("shapely, one by one", lambda: by_shapely(prepared, few), few[0].size)
    skipped = []
    for name, build, some in (
        ("Embree (embreex), in one call", by_embree, beams),
        ("MuJoCo mj_ray, one by one", by_mujoco, tuple(b[:, :64] for b in beams)),
    ):
        try:
            cast = build(prepared, some)
        except ImportError as error:
            skipped.append(f"  {name}: skipped, {error}")
            continue
        add(name, cast, some[0].size)
    lines = [f"  {'caster':36} {'million rays/s':>14} {'engine is':>10} {'99 % agree to':>14}"]
    for name, rate, ranges in rows:
        same = truth[:, : ranges.shape[1]]
        both = np.isfinite(same) & np.isfinite(ranges)
        off = np.quantile(np.abs(same - ranges)[both], 0.99)
        lines.append(f"  {name:36} {rate / 1e6:14.3f} {rows[0][1] / rate:9.1f}x {off:12.0e} m")
    return lines + skipped


def _cpu_seconds(work: Callable[[], object]) -> float:
    begin = time.process_time()
    work()
    return time.process_time() - begin
