"""Failing trials by cause, and how to have one told: words for every format."""

from __future__ import annotations

from driftgate.judge.cause_values import FailureCauses, FailureGroup
from driftgate.judge.values import MomentVerdict
from driftgate.report.model import CaseReport, worst_first


def whole_percents(counts: list[int]) -> list[int]:
    """Return shares in whole per cent that add up to 100: rounded down, the largest remainders up.

    Source: the largest-remainder method of A. Hamilton (1792), from memory.
    """
    total = sum(counts)
    if total == 0:
        return [0] * len(counts)
    found = [100 * count // total for count in counts]
    order = sorted(range(len(counts)), key=lambda i: (-(100 * counts[i] % total), i))
    for i in order[: 100 - sum(found)]:
        found[i] += 1
    return found


def trials_words(causes: FailureCauses) -> str:
    """Return which trials the groups are of: "182 failing trials", "the first 200 of 912 failing trials"."""
    if causes.looked_at < causes.failing:
        return f"the first {causes.looked_at} of {causes.failing} failing trials"
    return f"{causes.failing} failing trial{'' if causes.failing == 1 else 's'}"


def group_words(causes: FailureCauses, most: int) -> list[str]:
    """Return a few groups, largest first, the others together; shares add up to 100 %."""
    shown = list(causes.groups[: most if len(causes.groups) <= most else most - 1])
    rest = causes.groups[len(shown) :]
    shares = whole_percents([g.trials for g in shown] + [sum(g.trials for g in rest)])
    told = [f"{share} %" if share else "under 1 %" for share in shares]
    lines = [f"{share} {_words(group)}" for share, group in zip(told, shown, strict=False)]
    if rest:
        lines.append(f"{told[-1]} {len(rest)} other causes, for example trial {rest[0].example}")
    return lines


def _words(group: FailureGroup) -> str:
    return f"{group.cause}, for example trial {group.example}"


def tell_command(case: CaseReport, trial: int, seed: int) -> str:
    """Return what to type to have a trial told."""
    return f"{case.tell} --trial {trial} --seed {seed}"


def worst_moment(case: CaseReport) -> MomentVerdict | None:
    """Return the first of the worst tolerances whose worst trials are named."""
    if case.verdict is None:
        return None
    return next((moment for _, moment in worst_first(case.verdict) if moment.worst), None)


def worst_words(case: CaseReport, seed: int) -> str:
    """Return how to have the worst trial of a case told, and which come next; "" if none is named."""
    moment = worst_moment(case)
    if moment is None:
        return ""
    others = ", ".join(str(number) for number in moment.worst[1:])
    more = f" (then {others})" if others else ""
    return f"worst at {moment.name}: {tell_command(case, moment.worst[0], seed)}{more}"
