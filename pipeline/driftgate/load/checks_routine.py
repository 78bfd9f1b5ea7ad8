"""What a routine's models cannot say alone, looking at the routine itself only."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from driftgate.core.findings import Finding
from driftgate.load.checks_accepted import check_accepted
from driftgate.load.checks_common import rising, unique_names
from driftgate.load.document import DocPath, Document
from driftgate.load.validate import dimension_of
from driftgate.load.wording import did_you_mean
from driftgate.schema.routine import (
    Actuate,
    AngleBand,
    AnyStep,
    Band,
    Beside,
    Checkpoint,
    Curve,
    MotionStep,
    Repeat,
    Tolerance,
    TurnTo,
)

# Every step is planned, predicted and reported by itself: more would be a slip, or a denial of service.
MOST_STEPS = 2000
# Of every checkpoint all trials are kept: 20 000 of them take 2 MB.
MOST_CHECKPOINTS = 200
# A full turn written in degrees may come out a rounding above one.
_ROUNDING = 1.0 + 1e-9


def steps_with_paths(steps: list[AnyStep], path: DocPath = ("steps",)) -> Iterator[tuple[AnyStep, DocPath]]:
    """Yield every step as written, once, with its place; repeated steps after their repeat."""
    for index, step in enumerate(steps):
        here = (*path, index)
        yield step, here
        if isinstance(step, Repeat):
            yield from steps_with_paths(step.steps, (*here, "steps"))


def tolerances(document: Document) -> Iterator[tuple[Tolerance, DocPath]]:
    """Yield every tolerance of a routine with its place."""
    routine = document.routine
    for step, path in steps_with_paths(routine.steps):
        if isinstance(step, Checkpoint):
            yield step.within, (*path, "within")
    yield routine.final.within, ("final", "within")


def unrolled_count(steps: list[AnyStep], kind: type[AnyStep] | None = None) -> int:
    """Return the number of steps, or of those of one kind, with every repetition written out."""
    return sum(
        step.times * unrolled_count(step.steps, kind)
        if isinstance(step, Repeat)
        else int(kind is None or isinstance(step, kind))
        for step in steps
    )


def check_routine(document: Document, data: Any) -> list[Finding]:
    """Return every fault of a routine that its models let through, without looking at other files.

    Parameters
    ----------
    document : Document
        The routine.
    data : dict
        Its plain data: a model keeps numbers only, and travel and speed must be of one kind.
    """
    routine = document.routine
    written = list(steps_with_paths(routine.steps))
    findings = unique_names(document, ((s.name, (*p, "name")) for s, p in written if s.name is not None))
    for step, path in written:
        if isinstance(step, Checkpoint) and step.name == "end":
            message = "'end' is what reports call the end of the routine"
            findings.append(document.finding("DG130", (*path, "name"), message, "choose another name"))
    findings += _check_after(document, written)
    findings += _check_takes(document, written)
    for tolerance, path in tolerances(document):
        findings += _check_tolerance(document, path, tolerance)
    findings += _check_headings(document, written)
    for step, path in written:
        if isinstance(step, Actuate):
            findings += _check_mechanism(document, path, step, _raw(data, path))
        if isinstance(step, MotionStep) and step.beside is not None:
            beside = (*path, "beside")
            findings += _check_mechanism(document, beside, step.beside, _raw(data, beside))
    findings += check_accepted(document, (step.name for step, _ in written if step.name is not None))
    steps, checkpoints = unrolled_count(routine.steps), unrolled_count(routine.steps, Checkpoint)
    if steps > MOST_STEPS:
        findings.append(_too_many(document, "DG139", steps, "steps", MOST_STEPS))
    if checkpoints > MOST_CHECKPOINTS:
        findings.append(_too_many(document, "DG147", checkpoints, "checkpoints", MOST_CHECKPOINTS))
    return findings


def _too_many(document: Document, code: str, count: int, what: str, most: int) -> Finding:
    many = str(count) if count < 10**9 else "more than 10^9"
    message = f"{many} {what} with every repetition written out; at most {most}"
    return document.finding(code, ("steps",), message, "repeat less often")


def _raw(data: Any, path: DocPath) -> Any:
    for part in path:
        data = data[part]
    return data


def _check_headings(document: Document, written: list[tuple[AnyStep, DocPath]]) -> list[Finding]:
    """Return a warning for every heading beyond a full turn: as a heading it is another one."""
    given: list[tuple[float | None, DocPath]] = [
        (document.routine.start.pose.heading, ("start", "pose", "heading"))
    ]
    for step, path in written:
        if isinstance(step, TurnTo):
            given.append((step.to, (*path, "to")))
        elif isinstance(step, Curve):
            given.append((step.end_heading, (*path, "end_heading")))
    findings = []
    for heading, path in given:
        if heading is not None and abs(heading) > 2.0 * math.pi * _ROUNDING:
            same = math.degrees(math.remainder(heading, 2.0 * math.pi))
            message = f"a heading of {math.degrees(heading):.6g} deg is one of {same:.6g} deg"
            advice = "write that, or use rotate to turn by an amount"
            findings.append(document.finding("DG146", path, message, advice, level="warning"))
    return findings


def _check_after(document: Document, written: list[tuple[AnyStep, DocPath]]) -> list[Finding]:
    every = [step.name for step, _ in written if isinstance(step, Checkpoint)]
    earlier: list[str] = []
    findings = []
    for step, path in written:
        if not isinstance(step, Checkpoint):
            continue
        for index, name in enumerate(step.after):
            place = (*path, "after", index)
            if name in earlier:
                continue
            if name in every:
                message = f"the checkpoint '{name}' does not come earlier"
                findings.append(
                    document.finding("DG137", place, message, "'after' names earlier checkpoints only")
                )
            else:
                message = f"there is no checkpoint called '{name}'"
                findings.append(document.finding("DG131", place, message, did_you_mean(name, earlier)))
        earlier.append(step.name)
    return findings


def _check_takes(document: Document, written: list[tuple[AnyStep, DocPath]]) -> list[Finding]:
    """Return a finding for every element that is taken more than once."""
    rounds = [path for step, path in written if isinstance(step, Repeat) and step.times > 1]
    first: dict[str, DocPath] = {}
    findings = []
    for step, path in written:
        for index, name in enumerate(step.takes if isinstance(step, Checkpoint) else ()):
            place = (*path, "takes", index)
            if name in first:
                line = document.where(first[name])[0]
                message = f"'{name}' is taken already, on line {line}"
                findings.append(document.finding("DG130", place, message, "delete one of them"))
            elif any(path[: len(around)] == around for around in rounds):
                message = f"'{name}' would be taken again in every round of the repetition"
                advice = "write the rounds out, each taking an element of its own"
                findings.append(document.finding("DG130", place, message, advice))
            first.setdefault(name, place)
    return findings


def _check_tolerance(document: Document, path: DocPath, tolerance: Tolerance) -> list[Finding]:
    axes = ("x", "y", "along", "across", "radial", "heading")
    findings = []
    if all(getattr(tolerance, axis) is None for axis in axes):
        message = "a tolerance needs at least one axis"
        findings.append(document.finding("DG138", path, message, f"add one of {', '.join(axes)}"))
    for axis in axes:
        band = getattr(tolerance, axis)
        if isinstance(band, Band | AngleBand):
            findings += _check_band(document, (*path, axis), band)
    return findings


def _check_band(document: Document, path: DocPath, band: Band | AngleBand) -> list[Finding]:
    if band.low is None and band.high is None:
        return [document.finding("DG138", path, "a lopsided tolerance needs 'low', 'high' or both")]
    findings = rising(document, path, band.low, band.high)
    if band.low is not None and band.low > 0.0:
        message = "'low' must not be above zero: the planned pose itself must be inside"
        findings.append(document.finding("DG138", (*path, "low"), message))
    if band.high is not None and band.high < 0.0:
        message = "'high' must not be below zero: the planned pose itself must be inside"
        findings.append(document.finding("DG138", (*path, "high"), message))
    return findings


def _check_mechanism(document: Document, path: DocPath, action: Actuate | Beside, raw: Any) -> list[Finding]:
    has_time = action.time is not None
    moving = [key for key in ("travel", "speed") if getattr(action, key) is not None]
    if (has_time and moving) or (not has_time and len(moving) != 2):
        message = "a mechanism needs either 'time', or 'travel' and 'speed'"
        return [document.finding("DG133", path, message)]
    if has_time:
        return []
    travel = dimension_of(raw["travel"], "length", "angle")
    speed = dimension_of(raw["speed"], "speed", "turn rate")
    if (travel == "length") == (speed == "speed"):
        return []
    wanted = "a speed such as '0.3 m/s'" if travel == "length" else "a turn rate such as '90 deg/s'"
    message = (
        f"the travel is {'a length' if travel == 'length' else 'an angle'}, so the speed must be {wanted}"
    )
    return [document.finding("DG133", (*path, "speed"), message)]
