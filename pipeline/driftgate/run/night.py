"""A night: every routine on every field and side it may meet, as it is and under every fault."""

from __future__ import annotations

import hashlib
import shlex
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Final

from driftgate import __version__
from driftgate.judge.night import AS_IT_IS, Cell, Night, NightCase
from driftgate.run.cache_key import hash_of, input_keys, plan_key, software_key
from driftgate.run.cases import NamedCase
from driftgate.run.night_work import KeptCells
from driftgate.run.workers import Crew, open_workers

Progress = Callable[[int, int, str], None]

TRIALS: Final = 40_000
FAULT_TRIALS: Final = 1000
SCOUT_TRIALS: Final = 250


@dataclass(frozen=True)
class NightSettings:
    """What a night runs and how.

    Attributes
    ----------
    day : date
        The night's day: its trials' seed hangs on it.
    paths : tuple of Path
        Routine files and folders; none: the folder `routines`.
    trials, fault_trials, scout_trials : int
        Of each case as it is, of each under each fault, and of each run of a search for the worst.
    faults : bool
        Whether faults are run at all.
    confidence : float
        Of every verdict.
    seed : int or None
        None: the night's own.
    workers : int or Scheduler
        Worker processes, or a cluster; changes no number.
    history : Path or None
        Folder in which nights are kept.
    """

    day: date
    paths: tuple[Path, ...] = ()
    trials: int = TRIALS
    fault_trials: int = FAULT_TRIALS
    scout_trials: int = SCOUT_TRIALS
    faults: bool = True
    confidence: float = 0.95
    seed: int | None = None
    workers: Crew = 1
    history: Path | None = None

    @property
    def night(self) -> str:
        """The night's name."""
        return self.day.isoformat()

    @property
    def luck(self) -> int:
        """The seed of the night's trials."""
        return seed_of(self.night) if self.seed is None else self.seed

    def of_cells(self) -> dict[str, object]:
        """Return what every cell depends on besides its case and its fault."""
        return {
            "seed": self.luck,
            "trials": self.trials,
            "fault trials": self.fault_trials,
            "scouts": self.scout_trials,
            "confidence": self.confidence,
        }

    def command(self) -> str:
        """Return the command line that gives the same numbers."""
        words = ["driftgate", "nightly", *(path.as_posix() for path in self.paths)]
        words += ["--night", self.night, "--trials", str(self.trials)]
        many = (self.fault_trials, self.scout_trials)
        if self.faults or many != (FAULT_TRIALS, SCOUT_TRIALS):
            words += ["--fault-trials", str(many[0]), "--scout-trials", str(many[1])]
        if self.confidence != NightSettings.confidence:
            words += ["--confidence", f"{100.0 * self.confidence:.12g}%"]
        if self.seed is not None:
            words += ["--seed", str(self.seed)]
        words += [] if self.faults else ["--no-faults"]
        words += [] if self.history is None else ["--history", self.history.as_posix()]
        return shlex.join(words)


def seed_of(night: str) -> int:
    """Return the seed of a night's trials, by its name.

    Each night has its own, so that nights are independent samples: with one seed for all, two nights with the
    same inputs would be equal to the last digit, and a third would add nothing to what they know.
    """
    digest = hashlib.sha256(f"driftgate night {night}".encode()).digest()
    return int.from_bytes(digest[:8], "big") >> 1


def scout_seed_of(seed: int) -> int:
    """Return the seed of a night's searches: the trials that choose the worst place do not judge it."""
    digest = hashlib.sha256(f"driftgate scouts {seed}".encode()).digest()
    return int.from_bytes(digest[:8], "big") >> 1


def run_key(settings: NightSettings, cases: Sequence[NamedCase]) -> str:
    """Return a fingerprint of everything that a night depends on.

    Raises
    ------
    OSError, TypeError
        If it cannot be told.
    """
    return hash_of(
        {
            "night": settings.night,
            "cells": settings.of_cells(),
            "faults": settings.faults,
            "cases": [[*_name(named), plan_key(named.case, named.written)] for named in cases],
        }
    )


def run_night(settings: NightSettings, cases: Sequence[NamedCase], run: str, progress: Progress) -> Night:
    """Return what a night finds out.

    Cells that are done are kept beside the history under the night's key as they are done, so that a night
    that was interrupted goes on where it was.

    Parameters
    ----------
    settings : NightSettings
        What is run and how.
    cases : sequence of NamedCase
        Every routine on every field and side.
    run : str
        The night's `run_key`.
    progress : callable
        Told (done, of how many, words).

    Raises
    ------
    FaultError
        If a worker process dies.
    """
    # The array libraries are imported only once there is something to predict.
    from driftgate.judge.sampling import Sampling
    from driftgate.run.night_cells import CaseOutline, CellTask, outline_case, work_cell
    from driftgate.run.tasks import fresh_key

    kept = KeptCells(settings.history, settings.of_cells(), cases, run)
    outlines: list[CaseOutline] = []
    cells: list[dict[str, Cell | None]] = [{} for _ in cases]
    with open_workers(settings.workers) as workers:
        for outline in workers.map(outline_case, [(named.case, named.written) for named in cases]):
            outlines.append(outline)
            progress(len(outlines), len(cases), "cases planned")
        total = sum(outline.tolerances for outline in outlines)
        tasks = []
        for i, (named, outline) in enumerate(zip(cases, outlines, strict=True)):
            if not outline.tolerances:
                continue
            key = fresh_key()
            wanted = [AS_IT_IS, *(fault for fault, _ in outline.faults if settings.faults)]
            for fault in wanted:
                known, cell = kept.cell(i, fault, total)
                cells[i][fault] = cell
                if known:
                    continue
                as_it_is = fault == AS_IT_IS
                # A cell under a fault is judged by itself; a night passes if every case passes as it is.
                rule = Sampling(settings.confidence, total if as_it_is else outline.tolerances)
                trials = settings.trials if as_it_is else settings.fault_trials
                luck = settings.luck
                scouts, scout_seed = settings.scout_trials, scout_seed_of(luck)
                task = CellTask(
                    named.case, named.written, i, fault, trials, scouts, luck, scout_seed, rule, key
                )
                tasks.append(task)
        ready = iter(tasks)
        results = workers.as_done(work_cell, lambda: next(ready, None))
        for done, (task, cell) in enumerate(results, start=1):
            cells[task.index][task.fault] = cell
            kept.keep(task.index, task.fault, total, cell)
            progress(done, len(tasks), "cases and faults worked out")
    return Night(
        night=settings.night,
        seed=settings.luck,
        version=__version__,
        software=software_key(),
        run=run,
        trials=settings.trials,
        fault_trials=settings.fault_trials if settings.faults else 0,
        scout_trials=settings.scout_trials if settings.faults else 0,
        confidence=settings.confidence,
        cases=tuple(
            NightCase(
                *_name(named)[:1],
                named.written.title,
                *_name(named)[1:],
                inputs=input_keys(named.case, named.written),
                cells=tuple(cell for cell in of_case.values() if cell is not None),
            )
            for named, of_case in zip(cases, cells, strict=True)
        ),
    )


def _name(named: NamedCase) -> tuple[str, str, str, str, str]:
    """Return routine, robot, map carried, true field and side."""
    return (
        named.document.path,
        named.robot.path,
        named.believed.path,
        named.true.path,
        named.case.side,
    )
