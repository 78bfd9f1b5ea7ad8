"""Readings in the trials engine: echoes at their instant, the correction when they arrive."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.candidates import BeamCandidates, echo_knots
from driftgate.predict.echoes import Echo, EchoMaker
from driftgate.predict.phases import Part, Phases, pick
from driftgate.predict.prepared import Prepared
from driftgate.predict.streams import Streams
from driftgate.predict.trial_correction import Belief, Corrector
from driftgate.predict.trial_memory import CorrectionState, Tally
from driftgate.predict.trial_motion import Poses, wide
from driftgate.predict.trial_world import Draws, TrueWorld


class _Once:
    """An echo that is worked out when it is first asked for."""

    __slots__ = ("_echo", "_work")

    def __init__(self, work: Callable[[], Echo]) -> None:
        self._work = work
        self._echo: Echo | None = None

    def __call__(self) -> Echo:
        if self._echo is None:
            self._echo = self._work()
        return self._echo


class TrialReadings:
    """All readings of a batch of trials, in the order of time."""

    def __init__(
        self,
        prepared: Prepared,
        corrector: Corrector,
        candidates: BeamCandidates,
        world: TrueWorld,
        draws: Draws,
        streams: Streams,
    ) -> None:
        timeline = prepared.plan.timeline
        knots = np.arange(len(timeline.time_s) + 1)
        self._corrector = corrector
        self._compensates = prepared.case.robot.correction.compensate_latency
        self._count = draws.count
        self._echoes = EchoMaker(prepared, candidates, world, draws, streams)
        self._phases = Phases(prepared, candidates, world, draws, streams)
        self._arrive_from = np.searchsorted(timeline.readings.knot, knots)
        taken = echo_knots(prepared, draws.off)
        self._echo_order = np.argsort(taken, kind="stable")
        self._echo_from = np.searchsorted(taken[self._echo_order], knots)
        self._waiting: dict[int, tuple[Callable[[], Echo], Belief | None]] = {}

    def at(
        self,
        knot: int,
        p: Poses,
        clock_s: FloatArray,
        world: TrueWorld,
        memory: CorrectionState,
        tally: Tally,
    ) -> None:
        """Take the echoes of this instant, then process what arrives, in the order of the file."""
        for r in self._echo_order[self._echo_from[knot] : self._echo_from[knot + 1]].tolist():
            everybody = self._phases.everybody(r)
            part = None if everybody else self._phases.part(r)
            if everybody or part is not None:
                # Runs of false returns go on, whether or not anybody looks.
                (self._echoes if part is None else part.echoes).advance(r)
            if self._corrector.skips(r) is not None:
                continue
            if everybody or part is not None:
                self._take(r, part, p, clock_s, world, memory)
        for r in range(self._arrive_from[knot], self._arrive_from[knot + 1]):
            if self._phases.everybody(r):
                self._process(r, p, memory, tally, self._count)
                continue
            part = self._phases.part(r)
            if part is not None:
                self._process_part(r, part, p, memory, tally)

    def finished(self) -> None:
        """Close what is summed by trial in the parts of the batch."""
        self._phases.finished()

    def _take(
        self,
        r: int,
        part: Part | None,
        p: Poses,
        clock_s: FloatArray,
        world: TrueWorld,
        memory: CorrectionState,
    ) -> None:
        then = None
        if self._compensates:
            fixed = memory.fixed
            then = (p.bx - fixed[0], p.by - fixed[1], p.bh - fixed[2])
            if part is not None:
                then = pick(then[0], part.who), pick(then[1], part.who), pick(then[2], part.who)
        # Arrays are replaced and never written to, so this keeps the truth of this instant.
        here = Poses(p.bx, p.by, p.bh, p.xx, p.xy, p.xh)
        if part is None:
            work = partial(self._echoes.echo, r, here, clock_s, self._echoes.runs_now(), world)
        else:
            work = partial(part.echo, r, here, clock_s, part.echoes.runs_now(), world)
        self._waiting[r] = (_Once(work), then)

    def _process_part(self, r: int, part: Part, p: Poses, memory: CorrectionState, tally: Tally) -> None:
        own_p, own = part.beliefs(p), part.memory(memory, self._corrector.slot(r))
        self._process(r, own_p, own, part.tally(tally), len(part.who))
        part.keep(p, memory, own_p, own)

    def _process(self, r: int, p: Poses, memory: CorrectionState, tally: Tally, count: int) -> None:
        corrector = self._corrector
        outcome = corrector.skips(r)
        if outcome is not None:
            corrector.skip(r, outcome, memory, tally)
            return
        echo, then = self._waiting.pop(r)
        b = (p.bx, p.by, p.bh)
        if then is not None:
            fixed = memory.fixed
            b = (then[0] + fixed[0], then[1] + fixed[1], then[2] + fixed[2])
        belief = wide(b[0], count), wide(b[1], count), wide(b[2], count)
        other = self._waiting.get(corrector.partner(r), (None, None))[0]
        corrector.read(r, echo, p, belief, memory, tally, other)
