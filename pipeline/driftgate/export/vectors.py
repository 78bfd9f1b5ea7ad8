"""Test vectors from the model itself: readings of a plan, with beliefs and memories of many kinds.

Candidates go through the trials engine's own corrector; of each sensor, outcome and effect a few are kept.
What a rounding could decide otherwise is not: a candidate counts only if everything that is decided stays
so when belief and reading are moved a little.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.export.constants import Numbering
from driftgate.export.values import Pose
from driftgate.export.vector_draws import Draws, LinkRows, Spread, Three, covariance_at, links_at, pose_at
from driftgate.export.vector_motion import NO_MOTION, move_vectors, reset_vectors, start_vector
from driftgate.export.vector_sight import Remarks, remarks_of
from driftgate.export.vector_values import Instant, Reading, Result, State, Vector, VectorKind
from driftgate.plan.values import IntArray
from driftgate.predict.consider import NO_LINKS, Links
from driftgate.predict.echoes import Echo
from driftgate.predict.filter import Six
from driftgate.predict.prepared import Prepared
from driftgate.predict.recorder import NOT_TRIED, Recorder
from driftgate.predict.trial_correction import Corrector
from driftgate.predict.trial_expect import Looks
from driftgate.predict.trial_memory import CorrectionState
from driftgate.predict.trial_motion import Poses
from driftgate.predict.values import BoolArray, Outcome
from driftgate.sight.expect import belief_knots
from driftgate.sight.pairs import partners, slots
from driftgate.world.footprint import footprint_reach_m

# Candidates by reading, readings looked at by sensor, and how many of one kind are kept (our choice).
_CANDIDATES: Final = 48
_READINGS: Final = 16
_KEPT: Final = 4
# How far belief and reading are moved to see that no rounding decides. [m, rad]
_NUDGE: Final = 1e-7
# A fix that goes this share of the largest move was limited.
_LIMITED: Final = 0.999
# A fix that turns the belief by so much went the short way round. [rad]
_HALF_TURN_RAD: Final = 3.0


class _Given(NamedTuple):
    """Candidates of one reading, or of the two of a pair; arrays over n.

    `now` and `then` are the belief's deviations from the plan at the arrival, and of the belief that the
    reading is compared with; streaks are by slot; a reading is nan where nothing came back.
    """

    rows: tuple[int, ...]
    pair: int
    now: Three
    then: Three
    filter: Six
    streak: list[IntArray]
    streak_surface: list[IntArray]
    links: Links
    refusals: IntArray
    readings: tuple[FloatArray, ...]
    remarks: Remarks


class _Made(NamedTuple):
    """What the model made of them: beliefs, memory, and by reading the outcome and the surface expected."""

    now: Three
    memory: CorrectionState
    outcome: tuple[IntArray, ...]
    surface: tuple[IntArray, ...]


def vectors_of(prepared: Prepared) -> tuple[Vector, ...]:
    """Return the test vectors of a case: start, readings, pairs, moves and resets; the same ones every time.

    Parameters
    ----------
    prepared : Prepared
        The case.
    """
    first = start_vector(prepared)
    return (first, *_Readings(prepared).vectors(), *move_vectors(prepared), *reset_vectors(prepared))


def outcomes_of(vectors: Sequence[Vector]) -> dict[Outcome, int]:
    """Return how many readings of the vectors have each outcome."""
    count = dict.fromkeys(Outcome, 0)
    for vector in vectors:
        for result in vector.results:
            count[result.outcome] += 1
    return count


class _Readings:
    """Makes the vectors of readings and pairs."""

    def __init__(self, prepared: Prepared) -> None:
        self._prepared = prepared
        self._rule = prepared.case.robot.correction
        self._timeline = prepared.plan.timeline
        self._knots = belief_knots(prepared.case, prepared.plan)
        self._corrector = Corrector(prepared, prepared.filter, self._knots)
        self._looks = Looks(prepared, self._knots)
        self._slots = slots(prepared.case.robot)
        self._numbering = Numbering(prepared)
        self._partners = partners(prepared.case.robot, self._timeline.readings)

    def vectors(self) -> list[Vector]:
        """Return a few vectors of each kind, spread over the routine."""
        found: dict[tuple[object, ...], list[tuple[_Given, _Made, int]]] = {}
        for row in self._rows():
            partner = self._partners.get(row)
            if partner is None:
                self._look((row,), -1, found)
            else:
                self._look((row, partner.reading), partner.pair, found)
        return [self._vector(*some[at]) for some in found.values() for at in _spread(len(some), _KEPT)]

    def _rows(self) -> list[int]:
        """Return readings of every sensor, spread over what the plan says of them."""
        readings, reason = self._timeline.readings, self._prepared.sight.reason
        # The second of two that go together comes with the first.
        seconds = {partner.reading for partner in self._partners.values()}
        rows: list[int] = []
        for sensor in range(self._slots.sensors):
            mine = np.flatnonzero((readings.sensor == sensor) & readings.nominal)
            kinds = np.unique(reason[mine])
            each = max(_READINGS // max(len(kinds), 1), 2)
            for kind in kinds:
                some = mine[reason[mine] == kind]
                rows += some[_spread(len(some), each)].tolist()
        return sorted(set(rows) - seconds)

    def _look(
        self,
        rows: tuple[int, ...],
        pair: int,
        found: dict[tuple[object, ...], list[tuple[_Given, _Made, int]]],
    ) -> None:
        given = self._candidates(rows, pair)
        made = self._run(_threefold(given))
        sure = _decided_alike(made) & ~given.remarks.tied
        for i in np.flatnonzero(sure).tolist():
            found.setdefault(self._kind(given, made, i), []).append((given, made, i))

    def _kind(self, given: _Given, made: _Made, i: int) -> tuple[object, ...]:
        """Return what a candidate is an example of."""
        back, most = self._rule.way_back, self._rule.update.largest_move
        refusals = int(made.memory.refusals[i])
        widened = back is not None and refusals > int(given.refusals[i]) and refusals % back.refusals == 0
        x, y, turn = (float(part[i]) for part in made.memory.fixed)
        moved = max(math.hypot(x, y), footprint_reach_m(self._prepared.case.robot.footprint) * abs(turn))
        pair_slots = made.memory.streak[self._slots.sensors :] if given.pair >= 0 else []
        return (
            tuple(int(self._timeline.readings.sensor[r]) for r in given.rows),
            tuple(int(outcome[i]) for outcome in made.outcome),
            bool(made.memory.lost[i]),
            widened,
            most is not None and moved > _LIMITED * most,
            abs(turn) > _HALF_TURN_RAD,
            tuple(bool(remark[i]) for remark in given.remarks),
            tuple(int(streak[i]) > 0 for streak in pair_slots),
        )

    def _candidates(self, rows: tuple[int, ...], pair: int) -> _Given:
        draws = Draws(rows[0], _CANDIDATES)
        now, then = draws.beliefs(self._rule.compensate_latency)
        own = draws.covariance()
        streak = draws.streaks(self._rule, len(self._slots.names))
        readings: list[FloatArray] = []
        surfaces: list[IntArray] = []
        remarks: Remarks | None = None
        for which, r in enumerate(rows):
            sensor = int(self._timeline.readings.sensor[r])
            expected = self._looks.expect(r, sensor, then)
            model, filter_ = expected.model, self._prepared.filter
            spread = Spread(filter_.range_at_zero_m[sensor], filter_.range_per_range[sensor], filter_.wall_m)
            off = draws.off(which)
            sd = spread.of(own, (model.d_x, model.d_y, model.d_heading), model.range_m)
            read = np.maximum(np.round(model.range_m + off * sd, 6), 0.0)
            # Where no surface is expected, something is read all the same.
            readings.append(np.where(expected.surface >= 0, read, np.where(np.isnan(off), np.nan, 1.0)))
            surfaces.append(expected.surface)
            time_s = float(self._timeline.time_s[self._knots[r]])
            found = remarks_of(self._prepared, sensor, time_s, expected)
            remarks = found if remarks is None else remarks | found
        assert remarks is not None  # there is a reading
        # Mostly the streak is one of the surface expected now.
        other = draws.uniform("other surface") < 0.2
        streak_surface = np.where(other, (surfaces[0] + 1) % len(self._prepared.believed.edges), surfaces[0])
        return _Given(
            rows,
            pair,
            now,
            then,
            own,
            streak,
            [np.maximum(streak_surface, 0)] * len(streak),
            self._links(draws, own, rows),
            draws.refusals(self._rule),
            tuple(readings),
            remarks,
        )

    def _links(self, draws: Draws, own: Six, rows: tuple[int, ...]) -> Links:
        """Return links to the constants of the readings, planned surface included, and to a few others."""
        numbering, every = self._numbering, list(range(self._slots.sensors))
        mine = [int(self._timeline.readings.sensor[r]) for r in rows]
        planned = {int(self._prepared.sight.surface[r]) for r in rows} & set(numbering.surfaces)
        others = [s for s in numbering.surfaces if s not in planned]
        keys = numbering.keys_of(mine + [s for s in every if s not in mine][:1], sorted(planned) + others[:1])
        return draws.links(own, keys) if keys else NO_LINKS

    def _run(self, given: _Given) -> _Made:
        """Put the candidates through the model."""
        count = len(given.refusals)
        zero = np.zeros(count)
        p = Poses(*given.now, zero, zero, zero)
        memory = CorrectionState(
            filter=given.filter,
            streak=list(given.streak),
            streak_surface=list(given.streak_surface),
            refusals=given.refusals,
            lost=np.zeros(count, dtype=bool),
            fixed=[zero, zero, zero],
            links=given.links,
        )
        tally = self._corrector.tally()
        tally.recorder = recorder = Recorder(self._prepared, count)
        nowhere = np.full(count, -1, dtype=np.intp)
        echoes = [Echo(reading, nowhere) for reading in given.readings]
        for which, r in enumerate(given.rows):
            skipped = self._corrector.skips(r)
            if skipped is not None:
                self._corrector.skip(r, skipped, memory, tally)
                continue
            # A second reading is compared with the same belief, and what the first has mended of it.
            x, y, heading = (t + f for t, f in zip(given.then, memory.fixed, strict=True))
            both = which == 0 and self._corrector.partner(r) >= 0
            self._corrector.read(
                r,
                lambda echo=echoes[which]: echo,  # type: ignore[misc]  # takes no argument
                p,
                (x, y, heading),
                memory,
                tally,
                (lambda: echoes[1]) if both else None,
            )
        # What is alike in all trials may be kept once.
        memory.streak = [np.broadcast_to(streak, (count,)) for streak in memory.streak]
        memory.fixed = [np.broadcast_to(part, (count,)) for part in memory.fixed]
        outcome = []
        for r in given.rows:
            skipped = self._corrector.skips(r)
            tried = recorder.outcome[r]
            outcome.append(tried if skipped is None else np.full(count, int(skipped), dtype=np.intp))
            assert skipped is not None or not np.any(tried == NOT_TRIED)
        surface = tuple(recorder.expected[r] for r in given.rows)
        return _Made((p.bx, p.by, p.bh), memory, tuple(outcome), surface)

    def _linked(self, links: Links, i: int) -> LinkRows:
        return links_at(links, self._numbering, i)

    def _vector(self, given: _Given, made: _Made, i: int) -> Vector:
        timeline, memory = self._timeline, made.memory
        row = given.rows[0]
        knot, then_knot = int(timeline.readings.knot[row]), int(self._knots[row])
        rate = timeline.rate[knot]
        readings = [
            Reading(
                sensor=int(timeline.readings.sensor[r]),
                planned_surface=int(self._prepared.sight.surface[r]),
                echoed=not math.isnan(reading[i]),
                range_m=0.0 if math.isnan(reading[i]) else float(reading[i]),
            )
            for r, reading in zip(given.rows, given.readings, strict=True)
        ]
        return Vector(
            kind=VectorKind.READING if given.pair < 0 else VectorKind.PAIR,
            pair=given.pair,
            instant=Instant(
                step=int(timeline.readings.step[row]),
                time_s=float(timeline.time_s[then_knot]),
                speed_m_s=float(math.hypot(rate[0], rate[1])),
                turn_rate_rad_s=float(rate[2]),
                heading_rad=float(timeline.pose[knot, 2]),
            ),
            compared=pose_at(timeline.pose[then_knot], given.then, i),
            readings=tuple(readings),
            motion=NO_MOTION,
            before=State(
                pose=pose_at(timeline.pose[knot], given.now, i),
                covariance=covariance_at(given.filter, i),
                fixed=Pose(0.0, 0.0, 0.0),
                streak=tuple(int(s[i]) for s in given.streak),
                streak_surface=tuple(int(s[i]) for s in given.streak_surface),
                **self._linked(given.links, i)._asdict(),
                refusals=int(given.refusals[i]),
                lost=False,
            ),
            after=State(
                pose=pose_at(timeline.pose[knot], made.now, i),
                covariance=covariance_at(memory.filter, i),
                fixed=Pose(*(float(part[i]) for part in memory.fixed)),
                streak=tuple(int(s[i]) for s in memory.streak),
                streak_surface=tuple(int(s[i]) for s in memory.streak_surface),
                **self._linked(memory.links, i)._asdict(),
                refusals=int(memory.refusals[i]),
                lost=bool(memory.lost[i]),
            ),
            results=tuple(
                Result(Outcome(int(outcome[i])), int(surface[i]))
                for outcome, surface in zip(made.outcome, made.surface, strict=True)
            ),
        )


def _tiled(row: Three) -> Three:
    return np.tile(row[0], 3), np.tile(row[1], 3), np.tile(row[2], 3)


def _spread(count: int, wanted: int) -> list[int]:
    """Return so many indices, or all, spread over a count."""
    return np.unique(np.linspace(0, count - 1, wanted).round().astype(int)).tolist() if count else []


def _threefold(given: _Given) -> _Given:
    """Return the candidates, then all again with belief and reading moved a little, then moved back."""
    by = np.repeat([0.0, _NUDGE, -_NUDGE], _CANDIDATES)

    def three(values: FloatArray, sign: float = 1.0) -> FloatArray:
        return np.tile(values, 3) + sign * by

    def same(values: IntArray) -> IntArray:
        return np.tile(values, 3)

    (x, y, heading), (then_x, then_y, then_heading) = given.now, given.then
    xx, xy, xh, yy, yh, hh = (np.tile(part, 3) for part in given.filter)
    return given._replace(
        now=(three(x), three(y, -1.0), three(heading)),
        then=(three(then_x), three(then_y, -1.0), three(then_heading)),
        filter=(xx, xy, xh, yy, yh, hh),
        streak=[same(streak) for streak in given.streak],
        streak_surface=[same(surface) for surface in given.streak_surface],
        links=Links({key: _tiled(row) for key, row in given.links.rows.items()}, given.links.way),
        refusals=same(given.refusals),
        readings=tuple(three(reading) for reading in given.readings),
    )


def _decided_alike(made: _Made) -> BoolArray:
    """Return for which candidates everything that is decided, rather than computed, comes out the same."""
    memory = made.memory
    alike = np.ones(_CANDIDATES, dtype=bool)
    for decided in (*made.outcome, *made.surface, *memory.streak, memory.refusals, memory.lost):
        first, second, third = np.split(np.asarray(decided), 3)
        alike &= (first == second) & (first == third)
    return alike
