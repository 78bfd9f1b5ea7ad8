"""Single changes that might buy margin: each a changed case, in plain words."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from driftgate.judge.budget import AxisBudget, MomentBudget, MomentOutput
from driftgate.judge.growth import normal_points, predicted_success
from driftgate.judge.variance import variance_along
from driftgate.plan.values import PlannedStep
from driftgate.predict import Prepared, covariance
from driftgate.predict.sources import TITLES
from driftgate.predict.values import CovarianceResult, Moment
from driftgate.run.changes import (
    grown,
    with_compensation,
    with_gate,
    with_inserted,
    with_start_spread,
    with_step,
)
from driftgate.run.redraws import Progress
from driftgate.run.spread import Spread
from driftgate.run.tasks import plan_one
from driftgate.schema.case import Case
from driftgate.schema.routine import AnyStep, Look, MotionStep, Routine
from driftgate.sight.values import Reason

# How many of each kind are tried: the largest sources, the steps that add most, places to look from.
_SOURCES = 5
_STEPS = 2
_LOOKS = 2
LOOK_S = 0.5
_SLOWER = 0.7
_JIG = 1.0 / 3.0
_TIGHTER, _WIDER = 0.7, 1.4

# What halving a source takes; for the others it is said as it is.
_MEANS = {
    "heading_bias": "a better gyro, or a longer look for its bias at standstill: ",
    "heading_walk": "a quieter gyro: ",
    "heading_scale": "turns calibrated better: ",
    "distance_scale": "distances calibrated better: ",
    "sideways_scale": "sideways distances calibrated better: ",
    "range_noise": "quieter range sensors: ",
    "range_bias": "range sensors calibrated better: ",
    "range_scale": "range sensors calibrated better: ",
    "mount_position": "sensor mounts measured better: ",
    "mount_angle": "sensor mounts measured better: ",
    "wall_build": "walls built or measured better: ",
    "element_placement": "elements placed better: ",
}
# Sources whose size is a probability.
_CHANCES = frozenset({"element_stray", "dropout", "short_return", "long_return"})


@dataclass(frozen=True)
class Candidate:
    """A changed case, with the routine that its luck hangs on, and the change in words."""

    change: str
    case: Case
    written: Routine


@dataclass(frozen=True)
class AsItIs:
    """A case before any change, and what is known of it.

    Attributes
    ----------
    prepared : Prepared
        The case with its plan.
    written : Routine
        Its routine as written, on which the luck hangs.
    predicted : CovarianceResult
        The covariance engine's answer.
    plain : tuple of MomentOutput
        Its trials.
    budget : tuple of MomentBudget
        Its error budget.
    binding : tuple of str
        The tightest axis of each moment.
    """

    prepared: Prepared
    written: Routine
    predicted: CovarianceResult
    plain: tuple[MomentOutput, ...]
    budget: tuple[MomentBudget, ...]
    binding: tuple[str, ...]


def candidates(workers: Spread, as_it_is: AsItIs, index: int, progress: Progress) -> list[Candidate]:
    """Return the single changes that apply to a case and might help one of its tolerances.

    Parameters
    ----------
    workers : Spread
        Who looks for places to look from.
    as_it_is : AsItIs
        The case and what is known of it.
    index : int
        The moment that is to be helped.
    progress : callable
        Told (done, of how many, words).
    """
    case, written = as_it_is.prepared.case, as_it_is.written
    axis = as_it_is.binding[index]
    tight = next(found for found in as_it_is.budget[index].axes if found.limit.axis == axis)
    return [
        *_sources(case, written, tight),
        *_jig(case, written),
        *_gates(case, written),
        *_compensated(case, written),
        *_slower(as_it_is, axis, index),
        *_looks(workers, as_it_is, index, progress),
    ]


def _sources(case: Case, written: Routine, tight: AxisBudget) -> Iterator[Candidate]:
    """Yield the largest sources halved; the start has its jig."""
    largest = sorted(tight.rows, key=lambda row: -max(row.covariance_share, row.size * (not row.few_trials)))
    names = [row.source.name for row in largest if row.source.name != "start_placement"][:_SOURCES]
    if "heading_bias" not in names:
        names.append("heading_bias")
    for name in names:
        halved = grown(case, name, 0.5)
        if halved is not None:
            halving = "half as likely" if name in _CHANCES else "spread halved"
            yield Candidate(f"{_MEANS.get(name, '')}{TITLES[name]}, {halving}", halved, written)


def _jig(case: Case, written: Routine) -> Iterator[Candidate]:
    changed = with_start_spread(case, _JIG)
    if changed != case:
        yield Candidate("a jig for the start pose: start placement, spread to a third", changed, written)


def _gates(case: Case, written: Routine) -> Iterator[Candidate]:
    gate = case.robot.correction.gate
    for word, factor in (("tighter", _TIGHTER), ("wider", _WIDER)):
        changed = with_gate(case, factor)
        if gate is not None and changed is not None and case.robot.sensors:
            sigmas = f"{gate.sigmas:g} to {factor * gate.sigmas:.3g} sigmas"
            yield Candidate(f"a {word} gate: {sigmas}", changed, written)


def _compensated(case: Case, written: Routine) -> Iterator[Candidate]:
    """Yield readings compared with the pose at their echo, where their latency is more than their noise."""
    changed = with_compensation(case)
    if changed is not None:
        change = "readings compared with the pose at their echo: compensate_latency: true"
        yield Candidate(change, changed, written)


def step_growth(
    prepared: Prepared, predicted: CovarianceResult, axis: str, moment: Moment
) -> list[tuple[float, PlannedStep]]:
    """Return by how much the variance along an axis grows over each motion before a moment, largest first.

    By the covariance engine. [m² or rad²]
    """
    first = prepared.plan.timeline.first_tick
    found = []
    for step in prepared.plan.steps[: moment.step + 1]:
        begin, end = int(first[step.index]), int(first[step.index + 1])
        if isinstance(step.source, MotionStep) and end > begin:
            before, after = (
                variance_along(predicted.knot_cov[knot], axis, moment.pose[2]) for knot in (begin, end)
            )
            found.append((after - before, step))
    found.sort(key=lambda item: (-item[0], item[1].index))
    return found


def _slower(as_it_is: AsItIs, axis: str, index: int) -> Iterator[Candidate]:
    """Yield the motions over which the error grows most, slower: lower speed, or turn rate on the spot."""
    prepared = as_it_is.prepared
    case = prepared.case
    taken: set[tuple[str | int, ...]] = set()
    for grows, step in step_growth(prepared, as_it_is.predicted, axis, prepared.moments[index]):
        if len(taken) == _STEPS or grows <= 0.0:
            return
        first = prepared.plan.timeline.first_tick
        rate = prepared.plan.timeline.rate[int(first[step.index]) : int(first[step.index + 1]) + 1]
        speed = float(np.hypot(rate[:, 0], rate[:, 1]).max())
        turn = float(np.abs(rate[:, 2]).max())
        if step.doc_path in taken or max(speed, turn) <= 0.0:
            continue
        taken.add(step.doc_path)
        name = f"'{step.name}', {step.label}" if step.name else step.label
        if speed > 1e-6:
            limits, words = {"speed": _SLOWER * speed}, f"{speed:.2f} to {_SLOWER * speed:.2f} m/s"
        else:
            limits = {"turn_rate": _SLOWER * turn}
            words = f"{math.degrees(turn):.0f} to {math.degrees(_SLOWER * turn):.0f} deg/s"

        def slowed(source: AnyStep, limits: dict[str, float] = limits) -> AnyStep:
            return source.model_copy(update=limits)

        routine = with_step(case.routine, step.doc_path, slowed)
        # The luck hangs on the routine as written, so that the slower step keeps its own.
        change = f"step {step.index + 1} slower ({name}): {words}"
        yield Candidate(change, replace(case, routine=routine), as_it_is.written)


@dataclass(frozen=True)
class LookPlace:
    """A look put in before a top-level step, and the moment that it should help."""

    candidate: Candidate
    position: int
    index: int


def _looks(workers: Spread, as_it_is: AsItIs, index: int, progress: Progress) -> list[Candidate]:
    """Return looks where sight says that a fix is possible and the covariance engine gains most."""
    prepared, written = as_it_is.prepared, as_it_is.written
    case = prepared.case
    if not (case.robot.correction.enabled and case.robot.sensors):
        return []
    moment = prepared.moments[index]
    # A name of its own: the luck of a look that is there already must stay with it.
    look = Look.model_validate({"do": "look", "time": f"{LOOK_S!r} s", "name": "one-more-look"})
    places = [
        LookPlace(
            Candidate(
                f"a look of {LOOK_S:g} s {words}",
                replace(case, routine=with_inserted(case.routine, position, look)),
                with_inserted(written, position, look),
            ),
            position,
            index,
        )
        for position, words in boundaries(prepared, moment)
    ]
    gains = []
    for gain in workers.map(look_success, places):
        gains.append(gain)
        progress(len(gains), len(places), "places to look from")
    base = _success(prepared, as_it_is.predicted, index)
    best = sorted(range(len(places)), key=lambda i: (-gains[i], i))[:_LOOKS]
    # The best place is worth a run even if covariance sees no gain; a second one only if it does.
    return [places[i].candidate for i in best if gains[i] > base or (i == best[0] and gains[i] >= 0.0)]


def boundaries(prepared: Prepared, moment: Moment) -> Iterator[tuple[int, str]]:
    """Yield the places before top-level steps up to a moment's own, with words; none beside a look."""
    steps = prepared.case.routine.steps
    last = -1
    for step in prepared.plan.steps[: moment.step + 1]:
        position = step.doc_path[1]
        assert isinstance(position, int)
        # A repetition is one place, however often it goes round.
        if position == last:
            continue
        last = position
        if isinstance(steps[position], Look) or (position and isinstance(steps[position - 1], Look)):
            continue
        yield position, f"before step {step.index + 1} ({step.label})"


def look_success(place: LookPlace) -> float:
    """Return the success that covariance predicts with a look; minus one where it can give no fix."""
    prepared = plan_one((place.candidate.case, place.candidate.written)).prepared
    if prepared is None:
        return -1.0
    look = next(s.index for s in prepared.plan.steps if s.doc_path == ("steps", place.position))
    readings = prepared.plan.timeline.readings
    mine = readings.nominal & (readings.step == look)
    if not (prepared.sight.reason[mine] == Reason.USABLE).any():
        return -1.0
    return _success(prepared, covariance(prepared), place.index)


def _success(prepared: Prepared, predicted: CovarianceResult, index: int) -> float:
    found = predicted.moments[index]
    return predicted_success(prepared.moments[index], found.mean, found.cov, normal_points())
