"""Runs of trials that differ from the plain one in a stated way, spread over workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.judge.budget import MomentOutput, outputs_of
from driftgate.predict import Prepared, run_trials
from driftgate.run.spread import Spread
from driftgate.run.tasks import spans

NONE: frozenset[str] = frozenset()
Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Variant:
    """A case, with sources redrawn from their second stream or switched off."""

    prepared: Prepared
    redrawn: frozenset[str] = NONE
    off: frozenset[str] = NONE


@dataclass(frozen=True)
class _Part:
    variant: Variant
    seed: int
    first: int
    count: int


def _run_part(part: _Part) -> tuple[MomentOutput, ...]:
    variant = part.variant
    prepared = variant.prepared
    trials = run_trials(prepared, part.count, part.seed, part.first, off=variant.off, redrawn=variant.redrawn)
    return outputs_of(prepared.moments, trials, prepared.case.routine.time_limit)


def run_variants(
    workers: Spread,
    variants: Sequence[Variant],
    trials: int,
    seed: int,
    progress: Callable[[int], None] | None = None,
) -> Iterator[tuple[MomentOutput, ...]]:
    """Yield each variant's outputs over trials 0 .. trials - 1, in order.

    Parameters
    ----------
    workers : Spread
        Who does it; neither their number nor the size of a batch changes a result.
    variants : sequence of Variant
        What to run.
    trials, seed : int
        Of every run: the same luck.
    progress : callable, optional
        Told how many variants are done.
    """
    cut = spans(0, trials)
    parts = (_Part(variant, seed, first, count) for variant in variants for first, count in cut)
    found = workers.map(_run_part, parts)
    for done in range(len(variants)):
        outputs = [next(found) for _ in cut]
        if progress is not None:
            progress(done + 1)
        yield _joined(outputs)


def _joined(parts: list[tuple[MomentOutput, ...]]) -> tuple[MomentOutput, ...]:
    if len(parts) == 1:
        return parts[0]
    return tuple(
        MomentOutput(
            {axis: np.concatenate([p.axes[axis] for p in pieces]) for axis in pieces[0].axes},
            np.concatenate([p.event for p in pieces]),
            np.concatenate([p.touched for p in pieces]),
        )
        for pieces in zip(*parts, strict=True)
    )
