"""Sensors whose phase is drawn anew each run: which trials take which readings.

The plan holds the readings of a few equally spaced phases; each trial draws one of them per sensor and
takes part in those readings alone. For them the batch shrinks to these trials, and everything that looks
at a reading sees the smaller batch.
"""

from __future__ import annotations

import copy
from dataclasses import replace
from typing import TypeVar

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.plan.timeline import middle_phase, sub_phases
from driftgate.plan.values import IntArray
from driftgate.predict.candidates import BeamCandidates
from driftgate.predict.consider import Links, Three
from driftgate.predict.echoes import Echo, EchoMaker
from driftgate.predict.filter import Six
from driftgate.predict.filter_tally import FilterWatch
from driftgate.predict.prepared import Prepared
from driftgate.predict.streams import Streams
from driftgate.predict.trial_memory import CorrectionState, Tally
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import Draws, TrueElement, TrueWorld
from driftgate.predict.values import BoolArray

_UNASKED: FloatArray = np.full(1, np.nan)
Row = TypeVar("Row", FloatArray, IntArray, BoolArray)
_NONE: Three = (np.zeros(1), np.zeros(1), np.zeros(1))


class PartStreams(Streams):
    """The draws of some trials of a batch: each has those that it has in the whole batch."""

    def __init__(self, whole: Streams, who: IntArray) -> None:
        self._whole = whole
        self._who = who

    def uniforms(self, source: str, place: str, index: int) -> tuple[FloatArray, FloatArray]:
        """Return two independent uniforms per trial of the part."""
        first, second = self._whole.uniforms(source, place, index)
        return first.take(self._who), second.take(self._who)

    def normals(self, source: str, place: str, index: int) -> FloatArray:
        """Return one standard normal per trial of the part."""
        return self._whole.normals(source, place, index).take(self._who)


class PartMemory(CorrectionState):
    """The robot's memory in a part of the batch.

    Filter, links and fixes are gathered when they are first asked for: most readings never get so far.
    """

    def __init__(self, whole: CorrectionState, who: IntArray, slot: int) -> None:
        self._whole, self._who = whole, who
        self._filter: Six | None = None
        self._links: Links | None = None
        self._fixed: list[FloatArray] | None = None
        self.filtered = self.linked = self.moved = False  # whether a fix has changed them
        self.considers, self.paired = whole.considers, {}
        self.given_refusals, self.given_lost = pick(whole.refusals, who), whole.lost[who]
        self.refusals, self.lost = self.given_refusals, self.given_lost
        self.given_streak, self.given_surface = list(whole.streak), list(whole.streak_surface)
        for rows in (self.given_streak, self.given_surface):
            rows[slot] = pick(rows[slot], who)
        self.streak, self.streak_surface = list(self.given_streak), list(self.given_surface)

    @property
    def filter(self) -> Six:
        """The covariance."""
        if self._filter is None:
            xx, xy, xh, yy, yh, hh = (pick(v, self._who) for v in self._whole.filter)
            self._filter = xx, xy, xh, yy, yh, hh
        return self._filter

    @filter.setter
    def filter(self, value: Six) -> None:
        self._filter, self.filtered = value, True

    @property
    def links(self) -> Links:
        """How the error of the belief goes with the constants."""
        if self._links is None:
            rows, way = self._whole.links.rows, self._whole.links.way
            self._links = Links(
                {key: _row_of(row, self._who) for key, row in rows.items()},
                (pick(way[0], self._who), pick(way[1], self._who)),
            )
        return self._links

    @links.setter
    def links(self, value: Links) -> None:
        self._links, self.linked = value, True

    @property
    def fixed(self) -> list[FloatArray]:
        """The sum of all fixes."""
        if self._fixed is None:
            self._fixed = [pick(v, self._who) for v in self._whole.fixed]
        return self._fixed

    @fixed.setter
    def fixed(self, value: list[FloatArray]) -> None:
        self._fixed, self.moved = value, True


class Part:
    """The trials of a batch that take a sensor's readings at one of its phases."""

    def __init__(
        self,
        who: IntArray,
        prepared: Prepared,
        candidates: BeamCandidates,
        world: TrueWorld,
        draws: Draws,
        streams: Streams,
    ) -> None:
        self.who = who
        self._count = draws.count
        self._watch: FilterWatch | None = None
        self._whole, self._world = world, _world_of(world, who, draws.count)
        own = copy.copy(draws)
        own.count = len(who)
        own.value = {key: pick(value, who) for key, value in draws.value.items()}
        own.deviation = [None if row is None else pick(row, who) for row in draws.deviation]
        self.echoes = EchoMaker(prepared, candidates, self._world, own, PartStreams(streams, who))

    def echo(
        self, r: int, p: Poses, clock_s: FloatArray, runs: dict[str, BoolArray], world: TrueWorld
    ) -> Echo:
        """Return what `EchoMaker.echo` gives for the part, of the whole batch's poses, clocks and field."""
        return self.echoes.echo(r, self.poses(p), pick(clock_s, self.who), runs, self.world(world))

    def world(self, whole: TrueWorld) -> TrueWorld:
        """Return the true field of the part; only what the trials moved since is gathered again."""
        if whole is not self._whole:
            pairs = zip(whole.elements, self._whole.elements, self._world.elements, strict=True)
            elements = tuple(
                mine if new is old else _element_of(new, self.who, self._count) for new, old, mine in pairs
            )
            self._whole, self._world = whole, replace(self._world, elements=elements)
        return self._world

    def poses(self, p: Poses) -> Poses:
        """Return the poses of the part."""
        return Poses(*(pick(v, self.who) for v in (p.bx, p.by, p.bh, p.xx, p.xy, p.xh)))

    def beliefs(self, p: Poses) -> Poses:
        """Return the poses of the part for what goes by the belief alone; the truth is that of no trial."""
        bx, by, bh = pick(p.bx, self.who), pick(p.by, self.who), pick(p.bh, self.who)
        return Poses(bx, by, bh, _UNASKED, _UNASKED, _UNASKED)

    def memory(self, whole: CorrectionState, slot: int) -> PartMemory:
        """Return the robot's memory in the part; pairs have fixed phases, and none waits here.

        `slot` is that of the sensor: no other one is touched.
        """
        return PartMemory(whole, self.who, slot)

    def tally(self, whole: Tally) -> Tally:
        """Return counts that add to those of the whole batch; what is kept by trial is the part's own."""
        if self._watch is None:
            self._watch = FilterWatch(whole.watch.tally)
        recorder = None if whole.recorder is None else whole.recorder.part(self.who)
        return replace(whole, watch=self._watch, recorder=recorder)

    def finished(self) -> None:
        """Close what is summed by trial."""
        if self._watch is not None:
            self._watch.finished()

    def keep(self, p: Poses, whole: CorrectionState, own_p: Poses, own: PartMemory) -> None:
        """Put what changed of the part's belief and memory among the whole batch's, which are replaced.

        `own` is what `memory` gave.
        """
        if own.moved:
            p.bx, p.by, p.bh = (
                self._put(a, b) for a, b in ((p.bx, own_p.bx), (p.by, own_p.by), (p.bh, own_p.bh))
            )
            whole.fixed = [self._put(a, b) for a, b in zip(whole.fixed, own.fixed, strict=True)]
        if own.filtered:
            xx, xy, xh, yy, yh, hh = (self._put(a, b) for a, b in zip(whole.filter, own.filter, strict=True))
            whole.filter = (xx, xy, xh, yy, yh, hh)
        if own.linked:
            rows_of = whole.links.rows
            links = {key: self._linked(rows_of.get(key, _NONE), row) for key, row in own.links.rows.items()}
            whole.links = Links(links, whole.links.way)
        whole.streak = self._put_some(whole.streak, own.streak, own.given_streak)
        whole.streak_surface = self._put_some(whole.streak_surface, own.streak_surface, own.given_surface)
        if own.refusals is not own.given_refusals:
            whole.refusals = self._put(whole.refusals, own.refusals)
        if own.lost is not own.given_lost:
            whole.lost = self._put(whole.lost, own.lost)

    def _put_some(self, whole: list[IntArray], own: list[IntArray], given: list[IntArray]) -> list[IntArray]:
        return [a if b is was else self._put(a, b) for a, b, was in zip(whole, own, given, strict=True)]

    def _linked(self, whole: Three, own: Three) -> Three:
        """Return a link of the whole batch with the part's own in it.

        Written in place: nobody but the robot's memory has these rows, each of them once. A row of one number
        may be anybody's.
        """
        if self._count == 1 or any(len(row) != self._count for row in whole):
            return self._put(whole[0], own[0]), self._put(whole[1], own[1]), self._put(whole[2], own[2])
        for row, mine in zip(whole, own, strict=True):
            row[self.who] = mine
        return whole

    def _put(self, whole: Row, own: Row) -> Row:
        """Return a row of the whole batch with the part's own values in it."""
        if own is whole:
            return whole
        put = whole.copy() if len(whole) == self._count else np.full(self._count, whole[0])
        put[self.who] = own
        return put


class Phases:
    """Which trials of a batch take each reading, and their parts of it."""

    def __init__(
        self,
        prepared: Prepared,
        candidates: BeamCandidates,
        world: TrueWorld,
        draws: Draws,
        streams: Streams,
    ) -> None:
        self._readings = prepared.plan.timeline.readings
        self._parts: dict[tuple[int, int], Part | None] = {}
        for s, sensor in enumerate(prepared.case.robot.sensors):
            if not sensor.random_phase:
                continue
            slots = len(sub_phases(sensor))
            drawn = np.full(draws.count, middle_phase(sensor), dtype=np.intp)
            if "range_phase" not in draws.off:
                uniform = streams.uniforms(f"range_phase:{sensor.id}", "run", 0)[0]
                drawn = np.minimum((uniform * slots).astype(np.intp), slots - 1)
            for slot in range(slots):
                who = np.flatnonzero(drawn == slot)
                part = Part(who, prepared, candidates, world, draws, streams) if len(who) else None
                self._parts[s, slot] = part

    def everybody(self, r: int) -> bool:
        """Return whether all trials take a reading."""
        return bool(self._readings.slot[r] < 0)

    def finished(self) -> None:
        """Close what is summed by trial in every part."""
        for part in self._parts.values():
            if part is not None:
                part.finished()

    def part(self, r: int) -> Part | None:
        """Return the part of the batch that takes a reading of random phase; None for nobody."""
        return self._parts[int(self._readings.sensor[r]), int(self._readings.slot[r])]


def pick(row: Row, who: IntArray) -> Row:
    """Return some trials of a row; one value that stands for all trials stays as it is."""
    return row if len(row) == 1 else row.take(who)


def _row_of(link: Three, who: IntArray) -> Three:
    return pick(link[0], who), pick(link[1], who), pick(link[2], who)


def _world_of(world: TrueWorld, who: IntArray, count: int) -> TrueWorld:
    elements = tuple(_element_of(element, who, count) for element in world.elements)
    return replace(world, built=world.built.part(who), elements=elements)


def _element_of(element: TrueElement, who: IntArray, count: int) -> TrueElement:
    strayed = np.zeros(count, dtype=bool)
    strayed[element.strayed] = True
    x, y = element.corners_x, element.corners_y
    return replace(
        element,
        x=element.x[who],
        y=element.y[who],
        heading=element.heading[who],
        strayed=np.flatnonzero(strayed[who]),
        corners_x=None if x is None else x[:, who],
        corners_y=None if y is None else y[:, who],
        gone=None if element.gone is None else element.gone[who],
        pushed=None if element.pushed is None else element.pushed[who],
    )
