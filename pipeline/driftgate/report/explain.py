"""One case in depth, as tables for a person."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.judge.consistency import Consistency
from driftgate.judge.ratio import error_on
from driftgate.judge.values import PreparedCase
from driftgate.predict.values import CovarianceResult, MomentCovariance, Outcome, TrialsResult
from driftgate.report.causes import group_words, trials_words, worst_words
from driftgate.report.caution import FULL
from driftgate.report.digits import amount_words, lost_words, percent, together_words
from driftgate.report.filter_section import filter_section
from driftgate.report.findings import render_accepted, render_findings
from driftgate.report.model import CaseReport
from driftgate.report.paint import Paint
from driftgate.report.terminal import (
    contact_words,
    disagreement_words,
    guess_words,
    moment_cells,
    status_words,
)
from driftgate.report.text import plain, table
from driftgate.schema.correction import Validity
from driftgate.sight.stages import Stage, stages
from driftgate.sight.values import END_OF
from driftgate.world.values import World

_SOURCES_SHOWN = 6
_GROUPS_SHOWN = 8
_READINGS = "Readings over all trials, each at the stage that refused it"
_FILTER = "Is the filter right about its own errors?"


@dataclass(frozen=True)
class Explained:
    """Everything that the stages gave for one case; predictions are None when the plan is infeasible."""

    report: CaseReport
    prepared: PreparedCase
    believed: World
    covariance: CovarianceResult
    trials: TrialsResult
    consistency: Consistency | None = None
    mend: str = ""


def render_infeasible(case: CaseReport, colour: bool = False) -> str:
    """Return what there is to say of a case whose plan is infeasible."""
    paint = Paint(colour)
    lines = [*heading(case, paint), "", *render_findings(case.findings, paint)]
    lines += [*render_accepted(case.accepted, paint), *_timeline_plain(case)]
    lines += ["", "The plan is infeasible, so nothing is predicted."]
    return "\n".join(lines) + "\n"


def render_filter(explained: Explained, colour: bool = False) -> str:
    """Return of one case only whether the robot's filter is right about its own errors."""
    paint = Paint(colour)
    body = filter_section(explained.consistency, explained.mend)
    # What no fix comes from has no part in the filter, and nothing below would say so.
    silent = render_findings(tuple(f for f in explained.report.findings if f.code == "DG303"), paint)
    lines = [*heading(explained.report, paint), *([""] if silent else []), *silent]
    return "\n".join([*lines, "", paint(_FILTER, "bold"), *body, "", *FULL]) + "\n"


def render_explanation(explained: Explained, colour: bool = False) -> str:
    """Return timeline, clearances, sight lines, errors, sources, readings and the filter of one case."""
    paint = Paint(colour)
    case = explained.report
    sections = [
        ("Timeline", _timeline(explained)),
        ("Clearance of the planned outline, nearest thing in each step", _clearances(explained)),
        ("Sight lines on the planned path and the believed map", _sight(explained)),
        ("Dark (DG301): no sensor can give a fix", _dark(case)),
        ("True error against the plan, by both engines", _errors(explained)),
        ("Why: estimation, tracking and what the filter believes of itself (covariance)", _inner(explained)),
        ("Error sources along each tolerance's tightest axis (covariance)", _sources(case)),
        (_READINGS, _readings(explained)),
        (_FILTER, filter_section(explained.consistency, explained.mend)),
        ("Verdicts", _verdicts(case, paint)),
        ("Failing trials by their main cause", _failures(explained)),
    ]
    lines = heading(case, paint)
    if case.findings:
        lines += ["", *render_findings(case.findings, paint)]
    if case.accepted:
        lines += ["", *render_accepted(case.accepted, paint)]
    for title, body in sections:
        lines += ["", paint(title, "bold"), *(body or ["  none"])]
    return "\n".join([*lines, "", *FULL]) + "\n"


def heading(case: CaseReport, paint: Paint) -> list[str]:
    """Return which case it is, and what to beware of."""
    return [
        paint(f"{plain(case.path)}  {plain(case.title)}", "bold"),
        f"  side: {case.side}",
        f"  robot: {plain(case.robot)}",
        f"  map carried: {plain(case.believed_map)}",
        f"  true map: {plain(case.true_map)}",
        f"  in motion: at most {case.energy_j:.1f} J of kinetic energy; keep clear",
        f"  planned duration: {case.duration_s:.2f} s of {case.time_limit_s:.2f} s",
    ]


def _line(line: int) -> str:
    return str(line) if line else ""


def _timeline_plain(case: CaseReport) -> list[str]:
    rows = [(str(s.number), _line(s.line), plain(s.label)) for s in case.steps]
    return ["", *table(("step", "line", "what"), rows)]


def _timeline(explained: Explained) -> list[str]:
    rows = []
    for place, step in zip(explained.report.steps, explained.prepared.plan.steps, strict=True):
        x, y, heading = step.end_pose
        rows.append(
            (
                str(place.number),
                _line(place.line),
                f"{step.begin_s:.2f} s",
                f"{step.end_s:.2f} s",
                f"({x:.3f}, {y:.3f}) m",
                f"{math.degrees(heading):.1f} deg",
                step.law.value,
                plain(place.label),
            )
        )
    return table(("step", "line", "begin", "end", "ends at", "heading", "law", "what"), rows)


def _clearances(explained: Explained) -> list[str]:
    rows = [
        (
            str(c.step + 1),
            _line(explained.report.steps[c.step].line),
            plain(c.obstacle),
            f"{1000.0 * c.distance_m:.0f} mm",
            f"{c.time_s:.2f} s",
        )
        for c in explained.prepared.plan.clearances
    ]
    return table(("step", "line", "nearest", "distance", "at"), rows)


def _sight(explained: Explained) -> list[str]:
    sight, readings = explained.prepared.sight, explained.prepared.plan.timeline.readings
    rows = []
    for number, sensor in enumerate(explained.prepared.case.robot.sensors):
        for place in explained.report.steps:
            own = readings.nominal & (readings.sensor == number)
            mine = np.flatnonzero(own & (readings.step == place.number - 1))
            if mine.size == 0:
                continue
            reasons = sight.reason[mine]
            words = Counter(sight.words(i) for i in mine[np.argsort(reasons, kind="stable")].tolist())
            what = ", ".join(f"{n} {word}" for word, n in words.items())
            named = sorted({sight.obstacle[i] for i in mine} - {""})
            for title, ends in (("in the way", False), ("too near", True)):
                if some := [name for name in named if name.startswith(END_OF) == ends]:
                    what += f"; {title}: {', '.join(some)}"
            surfaces = dict.fromkeys(
                explained.believed.edges[s].id for s in sight.surface[mine].tolist() if s >= 0
            )
            rows.append(
                (
                    plain(sensor.id),
                    str(place.number),
                    plain(", ".join(surfaces)) or "-",
                    _span(sight.range_m[mine], 1.0, "m", 2),
                    _span(sight.incidence_rad[mine], 180.0 / math.pi, "deg", 0),
                    plain(what),
                )
            )
    return table(("sensor", "step", "meets", "range", "incidence", "readings"), rows)


def _span(values: np.ndarray, factor: float, unit: str, decimals: int) -> str:
    known = values[np.isfinite(values)] * factor
    if known.size == 0:
        return "-"
    low, high = f"{known.min():.{decimals}f}", f"{known.max():.{decimals}f}"
    return f"{low} {unit}" if low == high else f"{low} to {high} {unit}"


def _dark(case: CaseReport) -> list[str]:
    rows = [
        (
            d.axis,
            f"{d.begin_s:.2f} s",
            f"{d.end_s:.2f} s",
            f"{d.first_step + 1} to {d.last_step + 1}",
        )
        for d in case.dark
    ]
    return table(("on", "from", "until", "steps"), rows)


def _sd(moment: MomentCovariance, which: str, axis: int) -> float:
    cov = {
        "error": moment.cov,
        "estimation": moment.estimation_cov,
        "tracking": moment.tracking_cov,
        "filter": moment.filter_cov,
    }[which]
    return math.sqrt(max(0.0, float(cov[axis, axis])))


def _errors(explained: Explained) -> list[str]:
    rows = []
    for moment, predicted, sampled in zip(
        explained.prepared.moments, explained.covariance.moments, explained.trials.moments, strict=True
    ):
        for i, axis in enumerate(("x", "y", "heading")):
            error = error_on(axis, sampled)
            size = np.sort(np.abs(error))
            rows.append(
                (
                    plain(moment.name),
                    axis,
                    amount_words(float(predicted.mean[i]), axis),
                    amount_words(float(error.mean()), axis),
                    amount_words(_sd(predicted, "error", i), axis),
                    amount_words(float(error.std()), axis),
                    amount_words(float(size[max(0, math.ceil(0.95 * size.size) - 1)]), axis),
                )
            )
    verdict = explained.report.verdict
    below = "95 % below (estimate)" if verdict is not None and verdict.looks else "95 % below"
    header = ("at", "axis", "mean, cov.", "mean, trials", "spread, cov.", "spread, trials", below)
    return table(header, rows)


def _inner(explained: Explained) -> list[str]:
    rows = []
    for moment, predicted in zip(explained.prepared.moments, explained.covariance.moments, strict=True):
        for i, axis in enumerate(("x", "y", "heading")):
            cells = (
                amount_words(_sd(predicted, which, i), axis) for which in ("estimation", "tracking", "filter")
            )
            rows.append((plain(moment.name), axis, *cells))
    return table(("at", "axis", "spread of estimation", "spread of tracking", "filter believes"), rows)


def _sources(case: CaseReport) -> list[str]:
    rows = []
    for moment in case.verdict.moments if case.verdict is not None else ():
        if moment.variance is None:
            continue
        for source in moment.variance.sources[:_SOURCES_SHOWN]:
            rows.append(
                (
                    plain(moment.name),
                    moment.binding,
                    source.title,
                    percent(source.share, digits=1),
                    source.basis,
                    source.constant_over,
                )
            )
        between = moment.variance.between_fields
        rows.append(
            (plain(moment.name), moment.binding, "all between fields", percent(between, digits=1), "", "")
        )
        rows.append(
            (
                plain(moment.name),
                moment.binding,
                "all guessed",
                percent(moment.variance.guessed, digits=1),
                "",
                "",
            )
        )
    return table(("at", "axis", "source", "share", "number is", "constant over"), rows)


def _readings(explained: Explained) -> list[str]:
    trials = explained.trials
    order = stages(explained.prepared.case.robot.correction)
    shown = [o for o in _by_stage(order) if trials.counts[:, :, o].sum()]
    header = (
        "sensor",
        "step",
        *(_outcome_words(o, explained.prepared.case.robot.correction.validity) for o in shown),
        "wrongly accepted",
        "wrongly refused",
        "mean move",
    )
    rows = []
    for i, sensor in enumerate(explained.prepared.case.robot.sensors):
        for place in [None, *explained.report.steps]:
            part = slice(None) if place is None else slice(place.number - 1, place.number)
            counts = trials.counts[i, part].sum(axis=0)
            if not counts.sum():
                continue
            accepted = int(counts[Outcome.ACCEPTED])
            move = 1e-9 * int(trials.fix_move_nm[i, part].sum()) / accepted if accepted else None
            rows.append(
                (
                    plain(sensor.id),
                    "all" if place is None else str(place.number),
                    *(str(int(counts[o])) for o in shown),
                    str(int(trials.wrongly_accepted[i, part].sum())),
                    str(int(trials.wrongly_refused[i, part].sum())),
                    "-" if move is None else amount_words(move, "x"),
                )
            )
    names = ", ".join(stage.value for stage in order)
    return [f"  stages in the robot's order: association, {names}, update", *table(header, rows)]


def _outcome_words(outcome: Outcome, validity: Validity) -> str:
    if outcome is Outcome.CORRIDOR and validity.edge_margin > 0.0:
        return "edge margin" if validity.corridor is None else "corridor or edge margin"
    return outcome.name.lower().replace("_", " ")


def _by_stage(order: Sequence[Stage]) -> list[Outcome]:
    """Return the outcomes in the order in which the robot comes to them."""
    policy = [Outcome.NOT_REFERENCE, Outcome.OUT_OF_RANGE, Outcome.INCIDENCE, Outcome.CORRIDOR]
    refused = {
        Stage.VALIDITY: [*policy, Outcome.TOO_FAST, Outcome.TURNING],
        Stage.ECHO: [Outcome.NO_ECHO],
        Stage.GATE: [Outcome.GATE],
        Stage.PERSISTENCE: [Outcome.HELD_BACK],
    }
    first = [Outcome.ACCEPTED, Outcome.SWITCHED_OFF, Outcome.IN_CONTACT, Outcome.NO_SURFACE]
    return first + [outcome for stage in order for outcome in refused[stage]]


def _failures(explained: Explained) -> list[str]:
    case = explained.report
    causes = None if case.verdict is None else case.verdict.causes
    lines = [] if causes is None else [f"of {trials_words(causes)}:", *group_words(causes, _GROUPS_SHOWN)]
    worst = worst_words(case, explained.trials.seed)
    return [f"  {plain(line)}" for line in [*lines, worst] if line]


def _verdicts(case: CaseReport, paint: Paint) -> list[str]:
    if case.verdict is None:
        return []
    rows = [(*moment_cells(m), guess_words(m)) for m in case.verdict.moments]
    lines = table(("at", "axis", "tolerance", "verdict", "probability", "rests on"), rows)
    for moment in case.verdict.moments:
        lines += [f"  {plain(moment.name)}: {plain(text)}" for text in (moment.note, moment.reason) if text]
    contact = case.verdict.contact
    status = paint.level(status_words(contact), contact.status)
    lines.append(f"  contact: {status}, {contact_words(contact)}")
    for place in contact.places[:_SOURCES_SHOWN]:
        where = case.steps[place.step].words() if 0 <= place.step < len(case.steps) else "an unknown step"
        # Of tilted trials a count is no share.
        many = f"{place.trials} weighted trials" if contact.tilted is not None else f"{place.trials}"
        lines.append(f"    {many} with {plain(place.obstacle)} in {plain(where)}")
    if case.verdict.lost:
        lines.append(f"  lost: the robot says that it is, {lost_words(case.verdict)}")
    lines.append(f"  everything together: {together_words(case.verdict)}")
    if case.verdict.looks:
        lines.append(f"  looked at after {', '.join(str(look) for look in case.verdict.looks)} trials")
    lines += [f"  the engines differ: {disagreement_words(d)}" for d in case.verdict.disagreements]
    return lines
