"""One trial's story, to be read at a glance: the biggest things first and marked, details on demand."""

from __future__ import annotations

import math

from driftgate.core.many import and_more
from driftgate.judge.reason import DIFFERS
from driftgate.judge.story import Story, StoryEvent, StoryPart, StoryReading, StoryStep
from driftgate.predict.values import Outcome
from driftgate.report.caution import FULL
from driftgate.report.digits import amount_words, percent
from driftgate.report.explain import heading
from driftgate.report.model import CaseReport
from driftgate.report.paint import Paint
from driftgate.report.text import plain, table

_STEPS = "Steps: true pose less plan at their ends (less belief), and readings; ! where it went wrong"
_PARTS_SHOWN = 5
_EVENTS_SHOWN = 6
_STEPS_SHOWN = 18
_LABEL = 36
_TAKEN = "taken"
# A part, or a step's own growth, of so much of the error is marked.
_BIG = 0.25
_ON_AXIS = {"along": "along the heading", "across": "across the heading", "radial": "in distance"}


def render_story(
    case: CaseReport, story: Story, seed: int, colour: bool = False, details: bool = False
) -> str:
    """Return the story of one trial.

    Parameters
    ----------
    case : CaseReport
        Which case it is a trial of.
    story : Story
        The trial's story.
    seed : int
        Of the run.
    colour : bool
        Whether to colour.
    details : bool
        Whether to show every step and every reading.
    """
    paint = Paint(colour)
    lines = [*heading(case, paint), "", *_why(story, seed, paint)]
    sections = [
        (_drift_title(story), _drift(story)),
        ("Checkpoints", _points(story)),
        ("Readings that mattered", _events(case, story)),
        (
            _STEPS,
            _steps(case, story, details),
        ),
    ]
    if details:
        sections.append(("Every reading that was tried", _readings(story)))
    for title, body in sections:
        if body:
            lines += ["", paint(title, "bold"), *body]
    return "\n".join([*lines, "", FULL[0], *FULL[2:4]]) + "\n"


def _why(story: Story, seed: int, paint: Paint) -> list[str]:
    status = paint.level(f"fails at {plain(story.fails_at)}", "fail") if story.fails_at else "succeeds"
    lines = [f"  trial {story.number} of seed {seed}: {status}"]
    if story.cause:
        lines.append(f"! main cause: {plain(story.cause)}")
    for name, x, y in story.strayed:
        lines.append(f"  {plain(name)} has strayed to ({x:.2f}, {y:.2f}) m")
    if story.touched is not None and not story.cause.startswith("touched"):
        lines.append(f"  touched {plain(story.touched[0])} in step {story.touched[1] + 1}")
    if story.lost:
        lines.append("  the robot raised its lost flag")
    return lines


def _signed(value: float, axis: str) -> str:
    return f"{'-' if value < 0.0 else '+'}{amount_words(abs(value), axis)}"


def _drift_title(story: Story) -> str:
    found = story.blame
    if found is None:
        return ""
    axis = _ON_AXIS.get(found.axis, f"in {found.axis}")
    size = f"{_signed(found.error, found.axis)}, {_share(found.share)} of the tolerance"
    return f"What makes the error {axis} at {plain(story.told_at)}: {size}"


def _share(share: float) -> str:
    return percent(share, 1.0, digits=0) if math.isfinite(share) else "more than all"


def _drift(story: Story) -> list[str]:
    found = story.blame
    if found is None:
        return []
    shown = [p for p in story.parts if p.part != 0.0 and (p.random or p in story.parts[:_PARTS_SHOWN])]
    rows = []
    for part in shown:
        mark = "!" if part.part * found.error > 0.0 and abs(part.part) >= _BIG * abs(found.error) else ""
        rows.append((mark, part.title, _signed(part.part, found.axis), _drawn(part)))
    others = found.error - math.fsum(part.part for part in shown)
    if len(story.parts) > len(shown):
        rows.append(("", "all others", _signed(others, found.axis), ""))
    lines = table(("", "from", "makes", "drawn in this trial"), rows, indent="")
    if found.unexpected:
        usual = amount_words(found.random_sd, found.axis)
        title = next(part.title for part in story.parts if part.random)
        if title == DIFFERS:
            words = f"Noise makes a spread of {usual} here: right readings of what stands elsewhere made it."
        else:
            words = (
                f"'{title}' is more here than noise makes (spread {usual}): readings were refused or wrong."
            )
        lines.append(f"  {words}")
    return lines


def _drawn(part: StoryPart) -> str:
    shown = [f"{plain(key)} {u:+.1f} spreads" for key, u in part.drawn[:2]]
    return ", ".join(shown)


def _points(story: Story) -> list[str]:
    rows = []
    for point in story.points:
        what = "ok" if point.success else "fails"
        if point.touched:
            what += ", touched"
        if point.late:
            what += ", late"
        rows.append(
            (
                "" if point.success else "!",
                plain(point.name),
                point.axis or "-",
                _signed(point.error, point.axis),
                _share(point.share),
                what,
                f"{point.clock_s:.2f} s",
            )
        )
    return table(("", "at", "tightest", "error", "of tolerance", "event", "own clock"), rows, indent="")


def _events(case: CaseReport, story: Story) -> list[str]:
    lines = []
    for event in story.events[:_EVENTS_SHOWN]:
        lines.append(_event(case, event))
    rest = and_more(len(story.events) - _EVENTS_SHOWN)
    if rest:
        lines.append(f"  {rest} of this kind (--details shows every reading)")
    if not lines and story.readings:
        lines = ["  none was wrongly taken, and none refused at the gate several times in a row"]
    return lines or ["  no reading was tried"]


def _event(case: CaseReport, event: StoryEvent) -> str:
    first, last = event.readings[0], event.readings[-1]
    where = case.steps[first.step].words() if first.step < len(case.steps) else f"step {first.step + 1}"
    when = f"{first.time_s:.2f} s" if first is last else f"{first.time_s:.2f} to {last.time_s:.2f} s"
    many = f"{len(event.readings)} times" if len(event.readings) > 1 else "once"
    if event.kind == "wrong":
        moved = amount_words(sum(r.moved_m for r in event.readings), "x")
        turned = amount_words(sum(abs(r.turned_rad) for r in event.readings), "heading")
        return plain(
            f"! {first.sensor} took {first.origin} for {first.expected}, {many}, {when}, {where}: "
            f"moved the belief {moved} and {turned}"
        )
    right = sum(r.right for r in event.readings)
    wrong = sorted({r.origin for r in event.readings if not r.right})
    said = f"{right} of them right" if right else ""
    said += (", " if said and wrong else "") + (f"came from {', '.join(wrong)}" if wrong else "")
    mark = "!" if 2 * right > len(event.readings) else " "
    return plain(f"{mark} the gate refused {first.sensor} {many} in a row, {when}, from {where} on; {said}")


def _steps(case: CaseReport, story: Story, details: bool) -> list[str]:
    if not story.steps:
        return []
    notable = _notable(story)
    shown = [s for s in story.steps if details or s.index in notable]
    rows = [
        (
            _mark(story, step),
            _step_words(case, step.index),
            *(
                f"{amount_words(t, axis)} ({amount_words(e, axis)})"
                for axis, t, e in zip(("x", "y", "heading"), step.truth, step.estimation, strict=True)
            ),
            _outcomes(step, details),
        )
        for step in shown
    ]
    lines = table(("", "step", "x", "y", "heading", "readings"), rows, indent="")
    left_out = len(story.steps) - len(shown)
    return [*lines, f"  {left_out} quieter steps left out (--details)"] if left_out else lines


def _growth(story: Story) -> dict[int, float]:
    """Return by how much the true pose went further off in each step: lengths, a radian as a metre."""
    grown, before = {}, 0.0
    for step in story.steps:
        x, y, heading = step.truth
        now = math.hypot(x, y, heading)
        grown[step.index], before = now - before, now
    return grown


def _notable(story: Story) -> set[int]:
    """Return the steps to show: the checkpoints', wrong readings, contact, then by growth of the error."""
    keep = [p.step for p in story.points if not p.success] + [s.index for s in story.steps if s.wrong]
    keep += [] if story.touched is None else [story.touched[1]]
    grown = _growth(story)
    keep += sorted(grown, key=lambda index: (-abs(grown[index]), index))
    return set(list(dict.fromkeys(keep))[:_STEPS_SHOWN])


def _mark(story: Story, step: StoryStep) -> str:
    """Return "!" for wrong readings, a touch, and where the error grew most before the trial failed."""
    touch = [] if story.touched is None else [story.touched[1]]
    failed = [point.step for point in story.points if not point.success]
    last = min(failed + touch, default=math.inf)
    grown = {index: by for index, by in _growth(story).items() if index <= last}
    largest = max(grown.values(), default=0.0)
    most = largest > 0.0 and grown.get(step.index) == largest
    return "!" if step.wrong or step.index in touch or most else ""


def _step_words(case: CaseReport, index: int) -> str:
    place = case.steps[index]
    label = plain(place.label)
    return f"{place.number} {label if len(label) <= _LABEL else label[: _LABEL - 3] + '...'}"


def _outcomes(step: StoryStep, details: bool) -> str:
    words, by_rule = [], 0
    for outcome, count in step.outcomes:
        if outcome < Outcome.NO_ECHO and outcome is not Outcome.ACCEPTED and not details:
            by_rule += count
            continue
        name = _TAKEN if outcome is Outcome.ACCEPTED else outcome.name.lower().replace("_", " ")
        wrong = f" ({step.wrong} wrong)" if outcome is Outcome.ACCEPTED and step.wrong else ""
        words.append(f"{count} {name}{wrong}")
    if by_rule:
        words.append(f"{by_rule} out of the question")
    return ", ".join(words)


def _readings(story: Story) -> list[str]:
    rows = [_reading(reading) for reading in story.readings]
    header = ("at", "step", "sensor", "expected", "came from", "outcome", "innovation", "spread", "moved")
    return table(header, rows)


def _reading(r: StoryReading) -> tuple[str, ...]:
    known = math.isfinite(r.innovation_m)
    return (
        f"{r.time_s:.2f} s",
        str(r.step + 1),
        plain(r.sensor),
        plain(r.expected),
        plain(r.origin),
        r.outcome.name.lower().replace("_", " "),
        _signed(r.innovation_m, "x") + (f" ({r.of_pair})" if r.of_pair else "") if known else "-",
        amount_words(r.predicted_m, "x") if known else "-",
        amount_words(r.moved_m, "x") if r.outcome is Outcome.ACCEPTED else "-",
    )
