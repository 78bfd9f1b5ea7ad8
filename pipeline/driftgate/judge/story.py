"""One trial's story: what drifted, which readings mattered, why it ended off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.judge.blame import RANDOM, Blame, tightest_axis
from driftgate.judge.causes import CauseFinder, source_title
from driftgate.judge.reason import DIFFERS
from driftgate.predict.recorder import NOT_TRIED
from driftgate.predict.values import Outcome

# Fewer refusals in a row are everyday.
_LONG_RUN = 3


@dataclass(frozen=True)
class StoryPart:
    """A part of the error; `drawn` are the constants behind it as (key, multiples of the spread).

    Of the constants that make the most of it first.
    """

    title: str
    part: float
    random: bool
    drawn: tuple[tuple[str, float], ...]


@dataclass(frozen=True)
class StoryPoint:
    """One checkpoint, or the end: the axis that uses the most, its signed error, the share used."""

    name: str
    step: int
    axis: str
    error: float
    share: float
    success: bool
    touched: bool
    late: bool
    clock_s: float


@dataclass(frozen=True)
class StoryStep:
    """Where a planned step ended, and its readings.

    Attributes
    ----------
    index : int
        The planned step.
    truth, estimation : tuple of float
        True pose less plan, and true pose less belief, field axes. [m, m, rad]
    outcomes : tuple of (Outcome, int)
        What became of the readings that were tried.
    wrong : int
        Readings taken though they came from elsewhere.
    """

    index: int
    truth: tuple[float, float, float]
    estimation: tuple[float, float, float]
    outcomes: tuple[tuple[Outcome, int], ...]
    wrong: int


@dataclass(frozen=True)
class StoryReading:
    """One reading that was tried; `right` says whether it came from the expected surface.

    `of_pair` is "difference" or "mean" where innovation and spread are of what a pair makes of two readings.
    """

    time_s: float
    sensor: str
    step: int
    expected: str
    origin: str
    right: bool
    outcome: Outcome
    innovation_m: float
    predicted_m: float
    moved_m: float
    turned_rad: float
    of_pair: str = ""


@dataclass(frozen=True)
class StoryEvent:
    """Several readings of one sensor in a row with which one thing happened.

    `kind` is "wrong" (taken though from elsewhere) or "refused" (at the gate, a long run).
    """

    kind: str
    readings: tuple[StoryReading, ...]


@dataclass(frozen=True)
class Story:
    """One trial's story.

    Attributes
    ----------
    number : int
        The trial.
    fails_at : str
        The tolerance that it is told at, "" if it succeeds everywhere; then the tightest one.
    told_at : str
        The moment that `blame` is about.
    cause : str
        The main cause in plain words; "" if it succeeds.
    blame : Blame or None
        What makes up the error there.
    parts : tuple of StoryPart
        The same with titles, largest first.
    points, steps, events, readings
        Checkpoints, steps, what mattered among the readings, all readings that were tried.
    strayed : tuple of (str, float, float)
        Elements that strayed, and where they lie. [m]
    touched : tuple of (str, int) or None
        What was touched first, and in which step.
    lost : bool
        The robot raised its lost flag.
    """

    number: int
    fails_at: str
    told_at: str
    cause: str
    blame: Blame | None
    parts: tuple[StoryPart, ...]
    points: tuple[StoryPoint, ...]
    steps: tuple[StoryStep, ...]
    events: tuple[StoryEvent, ...]
    readings: tuple[StoryReading, ...]
    strayed: tuple[tuple[str, float, float], ...]
    touched: tuple[str, int] | None
    lost: bool


def story_of(finder: CauseFinder, trial: int = 0) -> Story:
    """Return the story of one replayed trial.

    Parameters
    ----------
    finder : CauseFinder
        Of the replayed trials.
    trial : int
        Which of them.
    """
    moments, record = finder.prepared.moments, finder.replay.record
    failed = [k for k in range(len(moments)) if not finder.success[k][trial]]
    step = int(finder.replay.trials.touch_step[trial])
    if failed or step >= 0:
        told = finder.cause(finder.told_at(failed, trial), trial)
        at, cause, found = told.moment, told.cause.words, told.blame
    else:
        at = max(range(len(moments)), key=lambda k: float(finder.shares[k].joint[trial]))
        cause, found = "", finder.blame(at, trial)
    readings = _readings(finder, trial)
    obstacle = int(finder.replay.trials.touch_obstacle[trial])
    return Story(
        number=int(finder.replay.numbers[trial]),
        fails_at=moments[at].name if cause else "",
        told_at=moments[at].name,
        cause=cause,
        blame=found,
        parts=() if found is None else _parts(finder, found, trial, cause if found.unexpected else ""),
        points=tuple(_point(finder, k, trial) for k in range(len(moments))),
        steps=_steps(finder, readings, trial),
        events=_events(readings),
        readings=readings,
        strayed=tuple((n, float(x[trial]), float(y[trial])) for n, did, x, y in record.strayed if did[trial]),
        touched=None if step < 0 else (finder.replay.trials.obstacles[obstacle], step),
        lost=bool(finder.replay.trials.lost[trial]),
    )


def _parts(finder: CauseFinder, found: Blame, trial: int, cause: str = "") -> tuple[StoryPart, ...]:
    drawn = finder.replay.drawn()[:, trial]
    rows = []
    for source, part in found.ranked():
        behind = [
            (abs(made), c.key, float(u))
            for c, u, made in zip(finder.replay.table.constants, drawn, found.by_constant, strict=True)
            if c.source == source and made != 0.0
        ]
        behind.sort(key=lambda item: (-item[0], item[1]))
        constants = tuple((key, u) for _, key, u in behind)
        title = source_title(finder.prepared, source)
        if source == RANDOM and cause.startswith(DIFFERS):
            title = DIFFERS
        rows.append(StoryPart(title, part, source == RANDOM, constants))
    return tuple(rows)


def _point(finder: CauseFinder, k: int, trial: int) -> StoryPoint:
    moment, shares = finder.prepared.moments[k], finder.shares[k]
    axis = tightest_axis(shares, trial)
    return StoryPoint(
        name=moment.name,
        step=moment.step,
        axis="" if axis is None else axis.limit.axis,
        error=0.0 if axis is None else float(axis.error[trial]),
        share=float(shares.joint[trial]),
        success=bool(finder.success[k][trial]),
        touched=bool(shares.touched[trial]),
        late=bool(shares.late[trial]),
        clock_s=float(finder.replay.trials.moments[k].clock_s[trial]),
    )


def _readings(finder: CauseFinder, trial: int) -> tuple[StoryReading, ...]:
    timeline, record = finder.prepared.plan.timeline, finder.replay.record
    sensors = finder.prepared.case.robot.sensors
    found = []
    for r in np.flatnonzero(record.outcome[:, trial] != NOT_TRIED).tolist():
        dx, dy, turn = record.move[r, :, trial].tolist()
        found.append(
            StoryReading(
                time_s=float(timeline.time_s[timeline.readings.knot[r]]),
                sensor=sensors[int(timeline.readings.sensor[r])].id,
                step=int(timeline.readings.step[r]),
                expected=finder.mishaps.expected_name(r, trial),
                origin=finder.mishaps.origin_name(r, trial),
                right=bool(finder.mishaps.right[r, trial]),
                outcome=Outcome(int(record.outcome[r, trial])),
                innovation_m=float(record.innovation_m[r, trial]),
                predicted_m=float(record.predicted_m[r, trial]),
                of_pair=("", "difference", "mean")[int(record.of_pair[r, trial])],
                moved_m=float(np.hypot(dx, dy)),
                turned_rad=turn,
            )
        )
    return tuple(found)


def _steps(finder: CauseFinder, readings: tuple[StoryReading, ...], trial: int) -> tuple[StoryStep, ...]:
    record = finder.replay.record
    found = []
    for step in finder.prepared.plan.steps:
        mine = [reading for reading in readings if reading.step == step.index]
        counts = tuple((o, n) for o in Outcome if (n := sum(r.outcome is o for r in mine)))
        wrong = sum(r.outcome is Outcome.ACCEPTED and not r.right for r in mine)
        truth, belief = record.truth[step.index, :, trial], record.belief[step.index, :, trial]
        found.append(StoryStep(step.index, _three(truth), _three(truth - belief), counts, wrong))
    return tuple(found)


def _three(values: FloatArray) -> tuple[float, float, float]:
    x, y, heading = values.tolist()
    return x, y, heading


def _kind(reading: StoryReading) -> str:
    if reading.outcome is Outcome.ACCEPTED and not reading.right:
        return "wrong"
    return "refused" if reading.outcome is Outcome.GATE else ""


def _events(readings: tuple[StoryReading, ...]) -> tuple[StoryEvent, ...]:
    """Return wrong readings that were taken, by the belief's move, then long runs of refusals."""
    runs: dict[str, list[list[StoryReading]]] = {}
    for reading in readings:
        mine = runs.setdefault(reading.sensor, [[]])
        last = mine[-1][-1] if mine[-1] else None
        same = last is not None and _kind(last) == _kind(reading)
        if same and _kind(reading) == "wrong" and last is not None:
            same = (last.origin, last.expected, last.step) == (reading.origin, reading.expected, reading.step)
        if same:
            mine[-1].append(reading)
        else:
            mine.append([reading])
    events = [StoryEvent(_kind(run[0]), tuple(run)) for mine in runs.values() for run in mine if run]
    wrong = [e for e in events if e.kind == "wrong"]
    refused = [e for e in events if e.kind == "refused" and len(e.readings) >= _LONG_RUN]
    wrong.sort(key=lambda e: (-sum(r.moved_m for r in e.readings), e.readings[0].time_s))
    refused.sort(key=lambda e: (-len(e.readings), e.readings[0].time_s))
    return (*wrong, *refused)
