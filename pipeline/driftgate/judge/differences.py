"""What differs between two versions of a document, value by value: which step, which thing, which number.

What means the same is no difference: units, the order of keys, defaults written out, comments, titles
and notes.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

from pydantic import BaseModel

from driftgate.judge.loosening import loosenings
from driftgate.judge.paired_values import Loosening
from driftgate.judge.value_words import value_words
from driftgate.load.document import DocPath, Document
from driftgate.plan.align import step_pairs
from driftgate.schema.base import REMARKS
from driftgate.schema.fieldmap import FieldMap, Wall
from driftgate.schema.routine import AnyStep, Repeat, Routine

_NONE: Final = "none"
# As many as it takes to tell two numbers apart; 15 are what every decimal number keeps.
_DIGITS: Final = (6, 15, 17)
# Keys by which the items of a list are told apart, whatever their order.
_NAMES: Final = ("id", "name")


@dataclass(frozen=True)
class Change:
    """One value that differs.

    Attributes
    ----------
    path : tuple
        Where it stands in the document as it is now; for what is gone, what it stood in.
    where : str
        For people: "step 3 (drive): to.x", "corner of walls 'south' and 'west': y", "time_limit".
    before, now : str
        Both values in words; "none" for what is not there.
    why : str
        Why it makes a pass easier; "" where it does not, or nobody can say.
    """

    path: DocPath
    where: str
    before: str
    now: str
    why: str = ""

    def words(self) -> str:
        """Return the change in one line."""
        why = f" ({self.why})" if self.why else ""
        return f"{self.where}: {self.before} -> {self.now}{why}"


def differences(before: Document, now: Document) -> list[Change]:
    """Return every value that differs between two versions of a document, in order of their place now.

    Steps are told apart as in `driftgate.plan.align`, other things by their names.
    """
    if type(before.model) is not type(now.model):
        return [Change(("kind",), "kind", before.kind, now.kind)]
    found = list(_models(before.model, now.model, (), ""))
    if isinstance(now.model, FieldMap):
        found = [_at_corner(change, now.model.walls) for change in found]
    easier = loosenings(before, now)
    whole = [replace(change, why=_why(change, now, easier)) for change in found]
    return sorted(whole, key=lambda c: (now.where(c.path)[:2], c.where))


def _at_corner(change: Change, walls: Sequence[Wall]) -> Change:
    """Return a change with a corner named by both walls that meet there: it moves an end of each."""
    match change.path:
        case ("walls", int(i), "corner", *_):
            axis = change.where.rpartition(".")[2]
            return replace(change, where=f"corner of walls '{walls[i - 1].id}' and '{walls[i].id}': {axis}")
    return change


def _why(change: Change, now: Document, easier: Sequence[Loosening]) -> str:
    """Return why a change makes a pass easier, from the loosening that stands at its place."""
    line, key = now.where(change.path)[0], str(change.path[-1]) if change.path else ""
    here = [loose for loose in easier if loose.line == line]
    same = [loose for loose in here if (loose.before, loose.now) == (change.before, change.now)]
    close = [loose for loose in here if loose.where.rpartition(".")[2] == key]
    return next((loose.why for loose in (*same, *close)), "")


def _models(before: BaseModel, now: BaseModel, path: DocPath, where: str) -> Iterator[Change]:
    """Yield what differs between two models of one type."""
    for name in type(now).model_fields:
        if name in REMARKS:
            continue
        old, new = getattr(before, name), getattr(now, name)
        if old == new:
            continue
        place, words = (*path, name), _joined(where, name)
        if name == "steps" and isinstance(before, Routine) and isinstance(now, Routine):
            yield from _steps(before, now)
        elif isinstance(old, BaseModel) and type(old) is type(new):
            yield from _models(old, new, place, words)
        elif isinstance(old, list) and isinstance(new, list):
            yield from _lists(before, now, name, place, words)
        elif isinstance(old, tuple) and isinstance(new, tuple) and len(old) == len(new):
            axes = "xy" if len(new) == 2 else [str(i + 1) for i in range(len(new))]
            for i in (i for i, pair in enumerate(zip(old, new, strict=True)) if pair[0] != pair[1]):
                yield _change(before, now, (name, i), (*place, i), _joined(words, axes[i]))
        else:
            yield _change(before, now, (name,), place, words)


def _joined(where: str, name: str) -> str:
    return f"{where}{name}" if where.endswith(": ") or not where else f"{where}.{name}"


def _change(before: BaseModel, now: BaseModel, at: tuple[Any, ...], path: DocPath, where: str) -> Change:
    for digits in _DIGITS:
        old, new = value_words(before, *at, digits=digits), value_words(now, *at, digits=digits)
        if old != new:
            break
    if old == new:  # long texts and lists that differ behind what is shown
        new = f"{new} (further on)"
    return Change(path, where, old, new)


def _lists(before: BaseModel, now: BaseModel, name: str, path: DocPath, where: str) -> Iterator[Change]:
    old, new = getattr(before, name), getattr(now, name)
    key = next((k for k in _NAMES if all(hasattr(item, k) for item in (*old, *new))), None)
    if key is not None:
        yield from _by_name(old, new, key, path, where)
        return
    for i in range(max(len(old), len(new))):
        place, words = (*path, i), _joined(where, str(i + 1))
        if i >= len(new):
            yield Change(path, words, value_words(before, name, i), _NONE)
        elif i >= len(old):
            yield Change(place, words, _NONE, value_words(now, name, i))
        elif old[i] != new[i]:
            if isinstance(old[i], BaseModel) and type(old[i]) is type(new[i]):
                yield from _models(old[i], new[i], place, words)
            else:
                yield _change(before, now, (name, i), place, words)


def _by_name(
    before: Sequence[Any], now: Sequence[Any], key: str, path: DocPath, where: str
) -> Iterator[Change]:
    old = {getattr(item, key): item for item in before}
    new = {getattr(item, key): item for item in now}
    for i, item in enumerate(now):
        name = getattr(item, key)
        if name not in old:
            yield Change((*path, i), _joined(where, name), _NONE, "added")
        elif old[name] != item:
            yield from _models(old[name], item, (*path, i), f"{_joined(where, name)}: ")
    for name in old:
        if name not in new:
            yield Change(path, _joined(where, name), "given", "gone")
    orders = ([name for name in old if name in new], [name for name in new if name in old])
    if orders[0] != orders[1]:
        yield Change(path, where, f"order {', '.join(orders[0])}", f"order {', '.join(orders[1])}")


# --- steps


def _steps(before: Routine, now: Routine) -> Iterator[Change]:
    pairs = step_pairs(before, now)
    for pair in pairs:
        where = f"{_step_words(pair.now_path, pair.now)}: "
        if type(pair.before) is not type(pair.now):
            yield Change(pair.now_path, f"{where}do", pair.before.do, pair.now.do)
        elif isinstance(pair.before, Repeat) and isinstance(pair.now, Repeat):
            # Its steps have pairs of their own.
            same = pair.before.model_copy(update={"steps": pair.now.steps})
            yield from _models(same, pair.now, pair.now_path, where)
        else:
            yield from _models(pair.before, pair.now, pair.now_path, where)
    kept = {pair.before_path for pair in pairs}
    new = {pair.now_path for pair in pairs}
    for path, step in _walk(before.steps, ("steps",)):
        if path not in kept and not _inside(path, kept):
            yield Change(("steps",), f"step {_number(path)} as frozen ({step.do})", _named(step), "gone")
    for path, step in _walk(now.steps, ("steps",)):
        if path not in new and not _inside(path, new):
            yield Change(path, _step_words(path, step), _NONE, "added")


def _inside(path: DocPath, kept: set[DocPath]) -> bool:
    """Say whether a step lies in a repetition that is gone or new as a whole."""
    return len(path) > 2 and path[:-2] not in kept


def _walk(steps: Sequence[AnyStep], path: DocPath) -> Iterator[tuple[DocPath, AnyStep]]:
    for i, step in enumerate(steps):
        yield (*path, i), step
        if isinstance(step, Repeat):
            yield from _walk(step.steps, (*path, i, "steps"))


def _number(path: DocPath) -> str:
    """Return the number of a step from 1, "4.2" for the second one of a repetition."""
    return ".".join(str(part + 1) for part in path if isinstance(part, int))


def _step_words(path: DocPath, step: AnyStep) -> str:
    name = f" '{step.name}'" if step.name else ""
    return f"step {_number(path)}{name} ({step.do})"


def _named(step: AnyStep) -> str:
    return f"'{step.name}'" if step.name else "given"
