"""The true field of each trial: walls as built, structures and elements where they really are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.values import IntArray
from driftgate.predict.attach import Attachments, Displacement
from driftgate.predict.doubt import drawn_doubt, factor_key
from driftgate.predict.prepared import Prepared
from driftgate.predict.rough import inside_polygon
from driftgate.predict.sources import SourceTable
from driftgate.predict.streams import Streams
from driftgate.predict.tilt import TiltedLuck
from driftgate.predict.true_edges import Ends, TrueEdges, face_ends, farthest_moved
from driftgate.predict.values import BoolArray
from driftgate.schema.fieldmap import Stray
from driftgate.world.areas import cut_into_triangles, point_in_triangles
from driftgate.world.carry import wall_lines_to_corners
from driftgate.world.distance import point_to_segment
from driftgate.world.footprint import footprint_hull, hull_at, hull_meets_disc
from driftgate.world.values import Edge, PlacedElement, World

_STRAY_TRIES = 32
_POSES = 64  # of a plan that are looked at together
# Covers the rounding of a distance on any field. [m]
_ROUNDING_M = 1e-9


@dataclass(frozen=True)
class TrueElement:
    """One loose element in every trial.

    Attributes
    ----------
    source : PlacedElement
        Where the true map has it.
    x, y, heading : ndarray, shape (n,)
        Where it is.
    strayed : ndarray of int
        Trials in which it strayed.
    moved_m : float
        It is no further than this from its mapped place in any trial in which it did not stray.
    corners_x, corners_y : ndarray, shape (m, n), or None
        Corners of a polygon; None for a disc.
    gone : ndarray of bool, shape (n,), or None
        Whether the trial has taken it off the field. None: nobody has.
    pushed : ndarray of bool, shape (n,), or None
        Whether the robot has pushed it from its place. None: nobody has.
    """

    source: PlacedElement
    x: FloatArray
    y: FloatArray
    heading: FloatArray
    strayed: np.ndarray
    moved_m: float
    corners_x: FloatArray | None
    corners_y: FloatArray | None
    gone: BoolArray | None = None
    pushed: BoolArray | None = None

    def pushed_trials(self) -> IntArray:
        """Return the trials in which the robot has pushed it."""
        return np.zeros(0, dtype=np.intp) if self.pushed is None else np.flatnonzero(self.pushed)

    def present(self, clock_s: FloatArray, trials: slice | IntArray) -> BoolArray:
        """Return in which of some trials it is there; `clock_s` is theirs. [s]"""
        there = self.source.source.present
        present = clock_s >= there.begin
        if there.end is not None:
            present = present & (clock_s < there.end)
        if self.gone is not None:
            present = present & ~self.gone[trials]
        return np.asarray(present)


@dataclass(frozen=True)
class TrueWorld:
    """The true field of a batch of trials.

    Attributes
    ----------
    edges : tuple of Edge
        The true map's edges, as mapped.
    built : TrueEdges
        Where they are.
    moved_m : ndarray, shape (E,)
        Neither end of an edge is further than this from where the map has it.
    elements : tuple of TrueElement
        The loose elements.
    """

    edges: tuple[Edge, ...]
    built: TrueEdges
    moved_m: FloatArray
    elements: tuple[TrueElement, ...]


@dataclass(frozen=True)
class StrayList:
    """All strayed elements of a batch in one list, sorted by trial; arrays of length S.

    Attributes
    ----------
    trial, element : ndarray of int
        Which element strayed in which trial.
    x, y, reach_m : ndarray
        Where it lies, and how far it reaches from there. [m]
    """

    trial: np.ndarray
    element: np.ndarray
    x: FloatArray
    y: FloatArray
    reach_m: FloatArray

    def at(self, rows: IntArray) -> StrayList:
        """Return some of them, in their order."""
        return StrayList(self.trial[rows], self.element[rows], self.x[rows], self.y[rows], self.reach_m[rows])

    def inside(self, box: tuple[float, float, float, float]) -> StrayList:
        """Return those that reach into a box: low x, high x, low y, high y. [m]"""
        return self.at(self._rows_in(box))

    def _rows_in(self, box: tuple[float, float, float, float]) -> IntArray:
        low_x, high_x, low_y, high_y = box
        x, y, m = self.x, self.y, self.reach_m
        return np.flatnonzero((x >= low_x - m) & (x <= high_x + m) & (y >= low_y - m) & (y <= high_y + m))

    def near_each(self, pose: FloatArray, within_m: float) -> list[IntArray]:
        """Return for each pose, shape (K, 3), which of them come nearer to its place than that."""
        found: list[IntArray] = []
        for begin in range(0, len(pose), _POSES):
            some = pose[begin : begin + _POSES]
            low, high = some.min(axis=0) - within_m, some.max(axis=0) + within_m
            rows, x, y, m = self._rows_in((low[0], high[0], low[1], high[1])), self.x, self.y, self.reach_m
            dx, dy = x[rows] - some[:, 0, None], y[rows] - some[:, 1, None]
            near = dx * dx + dy * dy <= np.square(m[rows] + within_m)
            found += [rows[row] for row in near]
        return found


def stray_list(world: TrueWorld, keep: list[bool]) -> StrayList:
    """Return the strayed elements of a batch, of the elements to keep."""
    rows = [(j, e) for j, e in enumerate(world.elements) if keep[j] and len(e.strayed)]
    if not rows:
        none, empty = np.zeros(0, dtype=np.intp), np.zeros(0)
        return StrayList(none, none, empty, empty, empty)
    trial = np.concatenate([e.strayed for _, e in rows])
    element = np.concatenate([np.full(len(e.strayed), j, dtype=np.intp) for j, e in rows])
    x = np.concatenate([e.x[e.strayed] for _, e in rows])
    y = np.concatenate([e.y[e.strayed] for _, e in rows])
    reach = np.array([e.source.outline.reach_m for e in world.elements])[element]
    order = np.lexsort((element, trial))
    return StrayList(trial[order], element[order], x[order], y[order], reach[order])


class Draws:
    """The constants of the run in every trial, by key; deviations from the mean, and values."""

    def __init__(
        self, table: SourceTable, streams: Streams, count: int, luck: TiltedLuck | None = None
    ) -> None:
        self.luck = luck
        self.deviation: list[FloatArray | None] = []
        self.value: dict[str, FloatArray] = {}
        doubted = drawn_doubt(table.doubt, streams)
        for i, constant in enumerate(table.constants):
            deviation = None
            if constant.spread > 0.0:
                normals = streams.normals(constant.key, "run", 0)
                deviation = constant.spread * (normals if luck is None else luck.shifted(i, normals))
                # The error of a mean scales with what the spread turns out to be.
                factor = doubted.get(factor_key(constant.of or constant.key))
                deviation = deviation if factor is None else factor * deviation
            self.deviation.append(deviation)
            self.value[constant.key] = (
                np.full(1, constant.mean) if deviation is None else constant.mean + deviation
            )
            if constant.of and deviation is not None:
                self.value[constant.of] = self.value[constant.of] + deviation
                for key, times in constant.also:
                    self.value[key] = self.value[key] + times * deviation
        self.value |= doubted
        self.count = count
        self.off = table.off

    def displaced(self, displacement: Displacement) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return a displacement in every trial: mean + columns x deviations.

        Each of shape (n,), or all of shape (1,) where it is the same in all trials.
        """
        acting = [
            [(row[i], d) for i in np.flatnonzero(row).tolist() if (d := self.deviation[i]) is not None]
            for row in displacement.columns
        ]
        rows: list[FloatArray] = []
        for mean, terms in zip(displacement.mean, acting, strict=True):
            total = np.full(self.count if any(acting) else 1, mean)
            for slope, deviation in terms:
                total = total + slope * deviation
            rows.append(total)
        return rows[0], rows[1], rows[2]


def true_world(prepared: Prepared, attach: Attachments, draws: Draws, streams: Streams) -> TrueWorld:
    """Return the true field of a batch of trials."""
    world = prepared.true
    walls = [edge for edge in world.edges if edge.kind == "wall"]
    ends = _wall_ends(walls, draws)
    mapped = np.array([(*w.a, *w.b) for w in walls]).T[:, :, None]
    moved_m = np.zeros(len(world.edges))
    moved_m[: len(walls)] = np.maximum(
        np.hypot(ends[0] - mapped[0], ends[1] - mapped[1]), np.hypot(ends[2] - mapped[2], ends[3] - mapped[3])
    ).max(axis=1)
    owners = {s.id: (s.at.x, s.at.y) for s in prepared.case.true.structures}
    moved = {name: draws.displaced(Displacement(np.zeros(3), attach.thing(name).columns)) for name in owners}
    for i, edge in enumerate(world.edges[len(walls) :], start=len(walls)):
        moved_m[i] = farthest_moved(edge, owners[edge.owner], moved[edge.owner])

    def place(i: int) -> Ends:
        if i < len(walls):
            return ends[0][i], ends[1][i], ends[2][i], ends[3][i]
        edge = world.edges[i]
        return face_ends(edge, owners[edge.owner], moved[edge.owner])

    elements = tuple(_true_element(e, prepared, attach, draws, streams) for e in world.elements)
    return TrueWorld(world.edges, TrueEdges(place), moved_m, elements)


def _wall_ends(walls: list[Edge], draws: Draws) -> Ends:
    """Return the ends of the walls as built, each of shape (walls, n)."""
    mapped = np.array([(*w.a, *w.b) for w in walls], dtype=float).T
    offset, tilt = (
        np.array([draws.value[f"wall_build:{w.id}:{what}"] * np.ones(draws.count) for w in walls])
        for what in ("offset", "tilt")
    )
    return wall_lines_to_corners(mapped[0], mapped[1], mapped[2], mapped[3], offset, tilt)


def _true_element(
    element: PlacedElement, prepared: Prepared, attach: Attachments, draws: Draws, streams: Streams
) -> TrueElement:
    moved = attach.thing(element.id)
    dx, dy, turn = draws.displaced(Displacement(np.zeros(3), moved.columns))
    # Rows of their own: those of strayed trials are written to.
    x, y, heading = (
        np.zeros(draws.count) + (a + d) for a, d in zip(element.pose, (dx, dy, turn), strict=True)
    )
    largest = math.sqrt(float((dx * dx + dy * dy).max())) + _ROUNDING_M
    strayed = np.zeros(0, dtype=np.intp)
    stray = element.source.stray
    if stray is not None and "element_stray" not in attach.off:
        luck = draws.luck
        chance = stray.probability if luck is None else luck.stray_chance(element.id)
        lost = streams.uniforms(f"element_stray:{element.id}", "run", 0)[0] < chance
        if luck is not None:
            luck.note_strayed(element.id, lost)
        strayed = np.flatnonzero(lost)
        if len(strayed):
            _scatter_strays(element, stray, prepared, streams, strayed, x, y, heading)
    corners = element.outline.corners
    corners_x = corners_y = None
    if corners is not None:
        corners_x, corners_y = hull_at(corners, x, y, heading)
    return TrueElement(element, x, y, heading, strayed, largest, corners_x, corners_y)


def _scatter_strays(
    element: PlacedElement,
    stray: Stray,
    prepared: Prepared,
    streams: Streams,
    trials: np.ndarray,
    x: FloatArray,
    y: FloatArray,
    heading: FloatArray,
) -> None:
    """Draw where a strayed element lies: uniform over its region, clear of walls and of the start.

    Where nothing of the region is free the element stays at its mapped place.
    """
    key = f"element_stray:{element.id}"
    world, routine = prepared.true, prepared.case.routine
    region = world.outline if stray.region is None else np.array(stray.region, dtype=float)
    triangles = cut_into_triangles(region)
    hull = footprint_hull(prepared.case.robot.footprint)
    start = routine.start.pose
    hx, hy = hull_at(hull, np.array([start.x]), np.array([start.y]), np.array([start.heading]))
    heading[trials] = 2.0 * np.pi * streams.uniforms(key, "run", 1)[0][trials]
    open_trials: BoolArray = np.ones(len(trials), dtype=bool)
    for attempt in range(_STRAY_TRIES):
        which = streams.uniforms(key, "triangle", attempt)[0][trials]
        u, v = streams.uniforms(key, "place", attempt)
        px, py = point_in_triangles(triangles, which, u[trials], v[trials])
        fits = _clear_of_walls(world, px, py, element.outline.reach_m)
        fits &= ~hull_meets_disc(hx, hy, px, py, element.outline.reach_m)
        found = open_trials & fits
        x[trials[found]], y[trials[found]] = px[found], py[found]
        open_trials &= ~fits
        if not open_trials.any():
            return


def _clear_of_walls(world: World, x: FloatArray, y: FloatArray, reach_m: float) -> BoolArray:
    clear = inside_polygon(x, y, world.outline)
    for edge in world.edges:
        if edge.kind == "wall":
            clear &= point_to_segment(x, y, *edge.a, *edge.b) >= reach_m
    return clear
