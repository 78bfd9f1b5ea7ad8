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
from driftgate.predict.filter_tally import FilterWatch
from driftgate.predict.prepared import Prepared
from driftgate.predict.streams import Streams
from driftgate.predict.trial_memory import CorrectionState, Tally
from driftgate.predict.trial_motion import Poses
from driftgate.predict.trial_world import Draws, TrueElement, TrueWorld
from driftgate.predict.values import BoolArray

# What the memory has a row of for every slot, or for every coordinate.
_BY_SLOT = ("streak", "streak_surface", "fixed")
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
        return first[self._who], second[self._who]

    def normals(self, source: str, place: str, index: int) -> FloatArray:
        """Return one standard normal per trial of the part."""
        return self._whole.normals(source, place, index)[self._who]


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
        self._given: CorrectionState | None = None
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

    def memory(self, whole: CorrectionState) -> CorrectionState:
        """Return the robot's memory in the part; pairs have fixed phases, and none waits here."""
        xx, xy, xh, yy, yh, hh = (pick(v, self.who) for v in whole.filter)
        own = CorrectionState(
            filter=(xx, xy, xh, yy, yh, hh),
            streak=[pick(v, self.who) for v in whole.streak],
            streak_surface=[pick(v, self.who) for v in whole.streak_surface],
            refusals=pick(whole.refusals, self.who),
            lost=whole.lost[self.who],
            fixed=[pick(v, self.who) for v in whole.fixed],
            considers=whole.considers,
            links=Links(
                {key: _row_of(row, self.who) for key, row in whole.links.rows.items()},
                (pick(whole.links.way[0], self.who), pick(whole.links.way[1], self.who)),
            ),
        )
        # Rows are replaced, never written to: those that still are these need not be put back.
        self._given = replace(
            own, streak=list(own.streak), streak_surface=list(own.streak_surface), fixed=list(own.fixed)
        )
        return own

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

    def keep(self, p: Poses, memory: CorrectionState, own_p: Poses, own: CorrectionState) -> None:
        """Put what changed of the part's belief and memory among the whole batch's, which are replaced.

        `own` is what `memory` gave last.
        """
        given = self._given
        assert given is not None
        if own.fixed[0] is not given.fixed[0]:  # a fix moves the belief and what goes with it
            p.bx, p.by, p.bh = (
                self._put(a, b) for a, b in ((p.bx, own_p.bx), (p.by, own_p.by), (p.bh, own_p.bh))
            )
        if own.filter is not given.filter:
            xx, xy, xh, yy, yh, hh = (self._put(a, b) for a, b in zip(memory.filter, own.filter, strict=True))
            memory.filter = (xx, xy, xh, yy, yh, hh)
        for name in _BY_SLOT:
            rows = zip(*(getattr(state, name) for state in (memory, own, given)), strict=True)
            setattr(memory, name, [a if b is was else self._put(a, b) for a, b, was in rows])
        if own.links is not given.links:
            rows_of = memory.links.rows
            links = {key: self._linked(rows_of.get(key, _NONE), row) for key, row in own.links.rows.items()}
            memory.links = Links(links, memory.links.way)
        if own.refusals is not given.refusals:
            memory.refusals = self._put(memory.refusals, own.refusals)
        if own.lost is not given.lost:
            memory.lost = self._put(memory.lost, own.lost)

    def _linked(self, whole: Three, own: Three) -> Three:
        return self._put(whole[0], own[0]), self._put(whole[1], own[1]), self._put(whole[2], own[2])

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
    return row if len(row) == 1 else row[who]


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
