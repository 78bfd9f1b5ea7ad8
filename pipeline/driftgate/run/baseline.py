"""Every routine against a baseline: the same luck for both, both judged by the present tool."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from driftgate import __version__
from driftgate.judge.paired_values import Loosening
from driftgate.load.document import Document
from driftgate.load.project import LoadedRoutine, Project, load_project
from driftgate.report.compare_model import CaseChange, Comparison, Policy
from driftgate.run.cache_key import software_key
from driftgate.run.cases import NamedCase, cases_of
from driftgate.run.git import repository_of
from driftgate.run.inputs import DEFAULT_FOLDER, Inputs, root_of
from driftgate.run.kept import Kept, KeptOutcome, packed_bits, read_kept
from driftgate.run.override import check_override
from driftgate.run.snapshot import Snapshot, laid_out, snapshot_of
from driftgate.run.spread import Spread
from driftgate.run.status import InputError
from driftgate.run.workers import Crew, open_workers

if TYPE_CHECKING:
    from driftgate.run.judged_pair import CasePair

Progress = Callable[[int, int, str], None]

# Trials of a case that are worth a worker of their own.
_TRIALS_EACH = 1024


@dataclass(frozen=True)
class BaselineSettings:
    """What to compare with, and how.

    Attributes
    ----------
    baseline : str
        A git revision, or a file that `--keep-baseline` wrote.
    paths : tuple of Path
        As for `CheckSettings`.
    trials, seed, confidence, workers
        As for `CheckSettings`; the trials are those of both sides.
    policy : {"off", "warn", "fail"}
        What erosion does to the exit status.
    allowed : float
        Loss that is let through.
    only : frozenset of str, optional
        Paths of the routines to run; without it all. What was loosened or is gone shows for all.
    today : date, optional
        The day on which the present routines' accepted exceptions are looked at.
    """

    baseline: str
    paths: tuple[Path, ...] = ()
    trials: int = 4000
    seed: int = 1
    confidence: float = 0.95
    workers: Crew = 1
    policy: Policy = "warn"
    allowed: float = 0.02
    only: frozenset[str] | None = None
    today: date | None = None


def baseline_source(text: str, root: Path) -> tuple[Snapshot, Kept | None]:
    """Return the baseline's files, and the kept outcomes if it is a file.

    Raises
    ------
    InputError
        If it is neither a revision nor a kept baseline, or both.
    """
    file = Path(text)
    if not file.is_file():
        return snapshot_of(repository_of(root), text), None
    if "/" not in text and (root / ".git").exists() and repository_of(root).has(text):
        raise InputError(
            f"'{text}' is both a file and a revision: write ./{text} for the file, refs/heads/{text} "
            "or the commit for the revision"
        )
    kept = read_kept(file)
    return kept.snapshot(f"{file.as_posix()} (kept by driftgate {kept.version[:20]})"), kept


def compare_with_baseline(settings: BaselineSettings, inputs: Inputs, progress: Progress) -> Comparison:
    """Return what became of every routine since the baseline.

    Parameters
    ----------
    settings : BaselineSettings
        What to compare with, and how.
    inputs : Inputs
        The present routines, free of errors.
    progress : callable
        Told (done, of how many, words).

    Raises
    ------
    InputError
        If the baseline cannot be had.
    """
    root = root_of(settings.paths)
    snapshot, kept = baseline_source(settings.baseline, root)
    with _loaded(snapshot, settings.paths, root) as project:
        found = Comparison(
            snapshot.label, settings.seed, settings.trials, settings.confidence, 1, settings.allowed,
            settings.policy,
        )  # fmt: skip
        matched = _matched_routines(project.routines, inputs.routines)
        pairs, new, gone = _paired_cases(project.routines, matched, inputs, settings.today)
        unread = tuple(f for f in project.findings if f.level == "error")
        found = replace(found, loosenings=_loosenings(matched), new=new, gone=gone, unread=unread)
        if settings.only is not None:
            pairs = [pair for pair in pairs if pair.now.document.path in settings.only]
        return _judged(settings, found, pairs, kept, progress)


@contextmanager
def _loaded(snapshot: Snapshot, paths: Sequence[Path], root: Path) -> Iterator[Project]:
    with laid_out(snapshot) as folder:
        there = []
        for path in paths or (Path(DEFAULT_FOLDER),):
            real = path.resolve()
            if not real.is_relative_to(root):
                raise InputError(f"{path} lies outside the repository, so a baseline holds nothing of it")
            here = folder / real.relative_to(root)
            if here.exists():
                there.append(here)
        yield load_project(there, folder) if there else Project((), ())


def _matched_routines(
    before: Sequence[LoadedRoutine], now: Sequence[LoadedRoutine]
) -> list[tuple[LoadedRoutine, LoadedRoutine]]:
    """Return the routines that both have: by path, then by a title that is the only one of its kind."""
    old, new = ({loaded.document.path: loaded for loaded in some} for some in (before, now))
    found = [(old[path], new[path]) for path in new if path in old]
    moved = [loaded for path, loaded in old.items() if path not in new]
    for loaded in (loaded for path, loaded in new.items() if path not in old):
        title = loaded.document.routine.title
        same = [other for other in moved if other.document.routine.title == title]
        if len(same) == 1:
            found.append((same[0], loaded))
            moved.remove(same[0])
    return sorted(found, key=lambda pair: pair[1].document.path)


def _key(named: NamedCase, path: str) -> tuple[str, str, str]:
    # The believed map is no part of the key: a routine that moves to another map is still compared.
    own = named.true.path if named.true.path != named.believed.path else ""
    return path, own, named.case.side


def _paired_cases(
    before: Sequence[LoadedRoutine],
    matched: Sequence[tuple[LoadedRoutine, LoadedRoutine]],
    inputs: Inputs,
    today: date | None,
) -> tuple[list[CasePair], tuple[str, ...], tuple[str, ...]]:
    from driftgate.run.judged_pair import CasePair, label_of

    renamed = {old.document.path: new.document.path for old, new in matched}
    old_cases = {}
    for loaded in before:
        override = inputs.override
        if override is not None and check_override([loaded], override):
            override = None  # that version does not know this field; its own maps are compared
        for named in cases_of(loaded, override):
            path = loaded.document.path
            old_cases[_key(named, renamed.get(path, path))] = named
    pairs, new = [], []
    for loaded in inputs.routines:
        for named in cases_of(loaded, inputs.override, today):
            other = old_cases.pop(_key(named, loaded.document.path), None)
            if other is None:
                new.append(f"{loaded.document.path} on {label_of(named)}")
            else:
                pairs.append(CasePair(other, named))
    gone = tuple(f"{named.document.path} on {label_of(named)}" for named in old_cases.values())
    return pairs, tuple(new), gone


def _loosenings(matched: Sequence[tuple[LoadedRoutine, LoadedRoutine]]) -> tuple[Loosening, ...]:
    from driftgate.judge.loosening import loosenings

    found: dict[Loosening, None] = {}
    seen: set[tuple[str, str]] = set()
    for old, new in matched:
        variants = {variant.path: variant for variant in old.variants}
        documents: list[tuple[Document, Document]] = [
            (old.document, new.document),
            (old.robot, new.robot),
            (old.field, new.field),
            *((variants[v.path], v) for v in new.variants if v.path in variants),
        ]
        for before, now in documents:
            if (before.path, now.path) in seen:
                continue
            seen.add((before.path, now.path))
            found.update(dict.fromkeys(loosenings(before, now)))
    return tuple(found)


def _judged(
    settings: BaselineSettings,
    found: Comparison,
    pairs: Sequence[CasePair],
    kept: Kept | None,
    progress: Progress,
) -> Comparison:
    if not pairs:
        return found
    useful = 2 * len(pairs) * -(-settings.trials // _TRIALS_EACH)
    with open_workers(settings.workers, useful) as workers:
        comparing = _Comparing(settings, kept, workers, progress)
        unchanged = comparing.unchanged([pair for pair in pairs if pair.unchanged])
        changed, tolerances, strict = comparing.changed([pair for pair in pairs if not pair.unchanged])
        # In the order of the pairs.
        cases = [next(unchanged if pair.unchanged else changed) for pair in pairs]
    return replace(
        found, tolerances=tolerances, cases=tuple(cases), tool=tuple(comparing.tool), strict=strict
    )


class _Comparing:
    """The pairs of cases of one comparison, worked out; `tool` says where the tool judges otherwise."""

    def __init__(
        self, settings: BaselineSettings, kept: Kept | None, workers: Spread, progress: Progress
    ) -> None:
        self._settings, self._kept, self._workers, self._progress = settings, kept, workers, progress
        self.tool: list[str] = []

    def unchanged(self, pairs: Sequence[CasePair]) -> Iterator[CaseChange]:
        """Return what there is to say of pairs that are unchanged.

        No trials are needed to know it. Only where another software kept the baseline are they run, once for
        both sides, to see whether it came to the same.
        """
        from driftgate.run.judged_pair import asks, tool_changes, unchanged_case
        from driftgate.run.paired import paired_outcomes
        from driftgate.run.tasks import can_be_driven, plan_one

        settings, kept = self._settings, self._kept
        items = [pair.items[1] for pair in pairs]
        if kept is None or kept.seed != settings.seed or (kept.software and kept.software == software_key()):
            feasible = list(map(can_be_driven, items))
        else:
            planned = list(self._workers.map(plan_one, items))
            feasible = [plan.prepared is not None for plan in planned]
            again = [
                (pair, plan.prepared)
                for pair, plan in zip(pairs, planned, strict=True)
                if plan.prepared is not None
            ]
            outcomes = paired_outcomes(
                self._workers, [asks(prepared) for _, prepared in again], settings.seed,
                min(settings.trials, kept.trials), self._progress, "trials of the kept baseline again",
            )  # fmt: skip
            for (pair, _), found in zip(again, outcomes, strict=True):
                self.tool += tool_changes(pair, found, kept, settings.seed)
        return iter([unchanged_case(*of_one) for of_one in zip(pairs, feasible, strict=True)])

    def changed(self, pairs: Sequence[CasePair]) -> tuple[Iterator[CaseChange], int, int]:
        """Return what became of pairs that differ, of how many tolerances, and how many are too strict."""
        if not pairs:
            return iter(()), 1, 0
        # The array libraries are imported only once there is something to predict.
        from driftgate.judge.sampling import beyond_plain
        from driftgate.run.judged_pair import PlannedPair, tool_changes
        from driftgate.run.paired import paired_outcomes
        from driftgate.run.tasks import plan_one

        settings = self._settings
        plans = iter(list(self._workers.map(plan_one, [item for pair in pairs for item in pair.items])))
        planned = [PlannedPair(pair, next(plans), next(plans)) for pair in pairs]
        tolerances = max(1, sum(pair.comparisons() for pair in planned))
        each = 1.0 - (1.0 - settings.confidence) / tolerances
        to_run = [case for pair in planned for case in pair.to_run()]
        results = paired_outcomes(
            self._workers, to_run, settings.seed, settings.trials, self._progress,
            "trials against the baseline",
        )  # fmt: skip
        cases = []
        for planned_pair in planned:
            case = planned_pair.without_figures()
            if not case.note:
                before, now = next(results), next(results)
                case = replace(case, changes=planned_pair.changes(before, now, each))
                if self._kept is not None:
                    self.tool += tool_changes(planned_pair.pair, before, self._kept, settings.seed)
            cases.append(case)
        strict = beyond_plain(moment.required for pair in planned for moment in pair.demands())
        return iter(cases), tolerances, strict


def keep_baseline(inputs: Inputs, trials: int, seed: int, workers: Crew, progress: Progress) -> Kept:
    """Return the present state as a baseline to keep.

    Parameters
    ----------
    inputs : Inputs
        The present routines; a field map of the command line has no part in it.
    trials, seed : int
        Of the outcomes kept.
    workers : int or Scheduler
        Worker processes, or a cluster; changes nothing.
    progress : callable
        Told (done, of how many, words).
    """
    from driftgate.run.judged_pair import CONTACT, asks, case_key
    from driftgate.run.paired import paired_outcomes
    from driftgate.run.tasks import plan_one

    cases = [named for loaded in inputs.routines for named in cases_of(loaded)]
    outcomes = []
    with open_workers(workers) as pool:
        planned = list(pool.map(plan_one, [(named.case, named.written) for named in cases]))
        ready = [(n, p.prepared) for n, p in zip(cases, planned, strict=True) if p.prepared is not None]
        results = paired_outcomes(
            pool, [asks(p) for _, p in ready], seed, trials, progress, "trials of the baseline to keep"
        )
        for (named, _), found in zip(ready, results, strict=True):
            events = {m.name: m.success for m in found.moments} | {CONTACT: found.untouched}
            outcomes += [KeptOutcome(case_key(named), name, packed_bits(b)) for name, b in events.items()]
    return Kept(__version__, seed, trials, _texts(inputs.routines), tuple(outcomes), software_key())


def _texts(routines: Sequence[LoadedRoutine]) -> dict[str, str]:
    found = {}
    for loaded in routines:
        for document in (loaded.document, loaded.robot, loaded.field, *loaded.variants):
            found[document.path] = "\n".join(document.lines)
    return found
