"""The moments at which a routine is judged, read off its plan."""

from __future__ import annotations

from driftgate.plan.values import Plan
from driftgate.predict.values import Moment
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.routine import Routine


def moments_of(routine: Routine, plan: Plan, field: FieldMap) -> tuple[Moment, ...]:
    """Return the checkpoints in order of time, then the end; `field` is the true map."""
    straying = {e.id for e in field.elements if e.stray is not None and e.stray.probability > 0.0}
    seen: dict[str, int] = {}
    moments: list[Moment] = []
    timeline = plan.timeline
    for step in plan.steps:
        check = step.checkpoint
        if check is None:
            continue
        seen[check.name] = seen.get(check.name, 0) + 1
        round_mark = f"#{seen[check.name]}" if seen[check.name] > 1 else ""
        moments.append(
            Moment(
                name=check.name + round_mark,
                final=False,
                step=step.index,
                knot=int(timeline.first_tick[step.index]),
                pose=step.end_pose,
                within=check.within,
                required=check.required,
                points=check.points,
                after=tuple(check.after),
                doc_path=step.doc_path,
                may_stray=check.within.relative_to in straying,
                takes=tuple(check.takes),
            )
        )
    last = plan.steps[-1]
    moments.append(
        Moment(
            name="end",
            final=True,
            step=last.index,
            knot=len(timeline.time_s) - 1,
            pose=last.end_pose,
            within=routine.final.within,
            required=routine.final.required,
            points=routine.final.points,
            after=(),
            doc_path=("final",),
            may_stray=routine.final.within.relative_to in straying,
        )
    )
    return tuple(moments)


def moments_by_step(moments: tuple[Moment, ...]) -> dict[int, list[tuple[int, Moment]]]:
    """Return the moments, with their positions, by the planned step that they belong to."""
    due: dict[int, list[tuple[int, Moment]]] = {}
    for position, moment in enumerate(moments):
        due.setdefault(moment.step, []).append((position, moment))
    return due
