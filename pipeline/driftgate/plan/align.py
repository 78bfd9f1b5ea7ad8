"""Which step of one version of a routine is which of another, so that both draw the same luck."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from difflib import SequenceMatcher

from driftgate.plan.place import content_digest
from driftgate.plan.values import DocPath
from driftgate.schema.routine import AnyStep, Checkpoint, Repeat, Routine


@dataclass(frozen=True)
class StepPair:
    """A step of both versions, with its place in each document; a repetition comes before its steps."""

    before: AnyStep
    now: AnyStep
    before_path: DocPath
    now_path: DocPath


def step_pairs(before: Routine, now: Routine) -> list[StepPair]:
    """Return the steps that both versions have: the same, renamed, or edited.

    Steps with the same name, or without one and with the same content, belong together; of what lies
    between them, first those with the same content (renamed), then those that do the same kind of
    thing, in order (edited).
    """
    return list(_pairs(before.steps, now.steps, ("steps",), ("steps",)))


def checkpoint_names(before: Routine, now: Routine) -> dict[str, str]:
    """Return for each checkpoint of the earlier version its name in the later one."""
    return {
        pair.before.name: pair.now.name
        for pair in step_pairs(before, now)
        if isinstance(pair.before, Checkpoint) and isinstance(pair.now, Checkpoint)
    }


def with_luck_of(before: Routine, now: Routine) -> Routine:
    """Return the earlier version with the later one's place keys on the steps that both have.

    It serves `plan_case` as the routine that place keys are taken from, nothing else: a step without a
    name is given its counterpart's content digest for one.
    """
    keys = {pair.before_path: _base(pair.now) for pair in step_pairs(before, now)}
    return before.model_copy(update={"steps": _keyed(before.steps, ("steps",), keys)})


def _keyed(steps: Sequence[AnyStep], path: DocPath, keys: dict[DocPath, str]) -> list[AnyStep]:
    found: list[AnyStep] = []
    for i, step in enumerate(steps):
        if isinstance(step, Repeat):
            inner = _keyed(step.steps, (*path, i, "steps"), keys)
            found.append(step.model_copy(update={"steps": inner}))
            continue
        key = keys.get((*path, i))
        changed = key is not None and key != _base(step)
        found.append(step.model_copy(update={"name": key}) if changed else step)
    return found


def _base(step: AnyStep) -> str:
    return step.name or content_digest(step)


def _pairs(
    before: Sequence[AnyStep], now: Sequence[AnyStep], before_path: DocPath, now_path: DocPath
) -> Iterator[StepPair]:
    for i, j in sorted(_matched(before, now)):
        pair = StepPair(before[i], now[j], (*before_path, i), (*now_path, j))
        yield pair
        if isinstance(pair.before, Repeat) and isinstance(pair.now, Repeat):
            inner = ((*pair.before_path, "steps"), (*pair.now_path, "steps"))
            yield from _pairs(pair.before.steps, pair.now.steps, *inner)


def _matched(before: Sequence[AnyStep], now: Sequence[AnyStep]) -> list[tuple[int, int]]:
    old, new = list(range(len(before))), list(range(len(now)))
    found = _same(old, new, lambda i: _base(before[i]), lambda j: _base(now[j]))
    # A name that the other version still has belongs to its own step there, wherever that has gone.
    old_names, new_names = {step.name for step in before}, {step.name for step in now}
    for mine, its in (
        (lambda i: content_digest(before[i]), lambda j: content_digest(now[j])),
        (lambda i: before[i].do, lambda j: now[j].do),
    ):
        more = []
        for gap_old, gap_new in _gaps(found, len(before), len(now)):
            free_old = [i for i in gap_old if before[i].name is None or before[i].name not in new_names]
            free_new = [j for j in gap_new if now[j].name is None or now[j].name not in old_names]
            more += _same(free_old, free_new, mine, its)
        found = sorted([*found, *more])
    return found


def _same(
    old: list[int], new: list[int], mine: Callable[[int], str], its: Callable[[int], str]
) -> list[tuple[int, int]]:
    matcher = SequenceMatcher(None, [mine(i) for i in old], [its(j) for j in new], autojunk=False)
    return [
        (old[block.a + k], new[block.b + k])
        for block in matcher.get_matching_blocks()
        for k in range(block.size)
    ]


def _gaps(found: list[tuple[int, int]], old: int, new: int) -> Iterator[tuple[range, range]]:
    last_old = last_new = -1
    for i, j in [*found, (old, new)]:
        yield range(last_old + 1, i), range(last_new + 1, j)
        last_old, last_new = i, j
