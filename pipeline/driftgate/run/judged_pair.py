"""One case of two times, planned with the same luck and held against the same demands."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from driftgate.judge.outcomes import Outcomes, moment_change, same_runs, success_change
from driftgate.judge.paired_values import Change
from driftgate.plan.align import checkpoint_names, with_luck_of
from driftgate.predict import Prepared
from driftgate.predict.values import Moment
from driftgate.report.compare_model import CaseChange
from driftgate.run.cache_key import case_content
from driftgate.run.cases import NamedCase
from driftgate.run.kept import CaseKey, Kept, unpacked_bits
from driftgate.run.paired import PairedCase
from driftgate.run.tasks import Planned
from driftgate.schema.case import Case
from driftgate.schema.routine import Routine

CONTACT = "contact"
TOGETHER = "all together"
_INFEASIBLE_AS_IT_WAS = "the plan is infeasible, as it was"


@dataclass(frozen=True, eq=False)
class CasePair:
    """A case of both times."""

    before: NamedCase
    now: NamedCase

    @cached_property
    def items(self) -> tuple[tuple[Case, Routine], tuple[Case, Routine]]:
        """What to plan: each case with the routine that its luck hangs on.

        The earlier version takes the luck of the present one, so that the present trials are those of
        every other command.
        """
        luck = with_luck_of(self.before.written, self.now.written)
        return (self.before.case, luck), (self.now.case, self.now.written)

    @property
    def own_luck(self) -> bool:
        """Whether the earlier version keeps the luck that it has by itself."""
        return self.items[0][1] == self.before.written

    @cached_property
    def unchanged(self) -> bool:
        """Whether both versions are the same case with the same luck: then so is every trial.

        By content: comments, titles, notes and the files' names are no part of it.
        """
        old, new = self.items
        return case_content(*old) == case_content(*new)

    @cached_property
    def _names(self) -> dict[str, str]:
        return {**checkpoint_names(self.before.written, self.now.written), "end": "end"}

    def name_now(self, name: str) -> str:
        """Return the present name of a moment of the earlier version; empty if it is gone."""
        base, mark, number = name.partition("#")
        return f"{self._names[base]}{mark}{number}" if base in self._names else ""

    @property
    def label(self) -> str:
        """True map and side."""
        return label_of(self.now)


def label_of(named: NamedCase) -> str:
    """Return the true map and side of a case."""
    side = "" if named.case.side == "as written" else f", {named.case.side}"
    return f"{named.true.path}{side}"


def case_key(named: NamedCase) -> CaseKey:
    """Return which case it is."""
    return CaseKey(named.document.path, named.believed.path, named.true.path, named.case.side)


def unchanged_case(pair: CasePair, feasible: bool) -> CaseChange:
    """Return what there is to say of a pair that is unchanged."""
    note = "" if feasible else _INFEASIBLE_AS_IT_WAS
    return replace(_case_change(pair), note=note, unchanged=True)


def _case_change(pair: CasePair) -> CaseChange:
    now, was = pair.now.document.path, pair.before.document.path
    return CaseChange(now, pair.now.written.title, pair.label, "" if was == now else was)


def asks(prepared: Prepared) -> PairedCase:
    """Return a case held against what its own routine asks for."""
    return PairedCase(prepared, prepared.moments, prepared.case.routine.time_limit)


def tool_changes(pair: CasePair, before: Outcomes, kept: Kept, seed: int) -> list[str]:
    """Return where the kept baseline, judged again, comes out otherwise than when it was kept."""
    if kept.seed != seed or not pair.own_luck:
        return []
    key = case_key(pair.before)
    events = {m.name: m.success for m in before.moments} | {CONTACT: before.untouched}
    common = min(kept.trials, before.trials)
    found = []
    for outcome in kept.outcomes:
        if outcome.case != key or outcome.name not in events:
            continue
        was = unpacked_bits(outcome.packed, kept.trials)[:common]
        others = int((was != events[outcome.name][:common]).sum())
        if others:
            where = f"{key.path} on {label_of(pair.before)}, {outcome.name}"
            found.append(f"{where}: {others} of {common} trials come out otherwise")
    return found


@dataclass(frozen=True, eq=False)
class PlannedPair:
    """A case of both times, planned."""

    pair: CasePair
    old: Planned
    new: Planned

    def to_run(self) -> list[PairedCase]:
        """Return both cases, the present one held against what the baseline asks; none if infeasible."""
        if self.old.prepared is None or self.new.prepared is None:
            return []
        asked = {self.pair.name_now(m.name): m for m in self.old.prepared.moments}
        moments = tuple(
            replace(m, within=asked[m.name].within, required=asked[m.name].required) if m.name in asked else m
            for m in self.new.prepared.moments
        )
        return [
            asks(self.old.prepared),
            PairedCase(self.new.prepared, moments, self.pair.before.written.time_limit),
        ]

    def demands(self) -> tuple[Moment, ...]:
        """Return the baseline's moments that are compared, with what it asks; none if infeasible."""
        if self.old.prepared is None or self.new.prepared is None:
            return ()
        present = {m.name for m in self.new.prepared.moments}
        return tuple(m for m in self.old.prepared.moments if self.pair.name_now(m.name) in present)

    def comparisons(self) -> int:
        """Return how many changes are judged: common moments, contact, all together."""
        if self.old.prepared is None or self.new.prepared is None:
            return 0
        return len(self.demands()) + 2

    def without_figures(self) -> CaseChange:
        """Return what there is to say before anything is run."""
        found = _case_change(self.pair)
        if self.old.prepared is None and self.new.prepared is None:
            return replace(found, note=_INFEASIBLE_AS_IT_WAS)
        if self.new.prepared is None:
            return replace(found, note="the plan was feasible and is no longer", broke=True)
        if self.old.prepared is None:
            return replace(found, note="the plan was infeasible and is feasible now")
        before = {m.name: self.pair.name_now(m.name) for m in self.old.prepared.moments}
        present = [m.name for m in self.new.prepared.moments]
        return replace(
            found,
            renamed=tuple((a, b) for a, b in before.items() if b in present and a != b),
            new=tuple(name for name in present if name not in before.values()),
            gone=tuple(a for a, b in before.items() if b not in present),
        )

    def changes(self, before: Outcomes, now: Outcomes, confidence: float) -> tuple[Change, ...]:
        """Return what became of every tolerance, of contact, and of all together."""
        present = {moment.name: moment for moment in now.moments}
        found = []
        for old in before.moments:
            new = present.get(self.pair.name_now(old.name))
            if new is not None:
                found.append(moment_change(old, new, confidence))
        same = same_runs(before, now)
        for name, was, is_ in (
            (CONTACT, before.untouched, now.untouched),
            (TOGETHER, before.everything, now.everything),
        ):
            found.append(replace(success_change(name, was, is_, confidence), same=same))
        return tuple(found)
