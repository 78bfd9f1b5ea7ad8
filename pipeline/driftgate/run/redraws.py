"""Runs of trials that differ from the plain one in a stated way, spread over workers."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.judge.budget import MomentOutput, outputs_of
from driftgate.predict import Prepared, run_trials
from driftgate.predict.redrawn import run_redrawn
from driftgate.run.spread import Spread
from driftgate.run.tasks import BATCH, spans

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
    """Trials first .. first + count - 1 of variants of one case that differ in what is redrawn alone."""

    variants: tuple[Variant, ...]
    seed: int
    first: int
    count: int


def _run_part(part: _Part) -> list[tuple[MomentOutput, ...]]:
    """Return the outputs of each variant."""
    one = part.variants[0]
    prepared, count = one.prepared, part.count
    if len(part.variants) == 1:
        trials = run_trials(prepared, count, part.seed, part.first, off=one.off, redrawn=one.redrawn)
    else:
        sets = [variant.redrawn for variant in part.variants]
        trials = run_redrawn(prepared, count, part.seed, part.first, sets)
    found = outputs_of(prepared.moments, trials, prepared.case.routine.time_limit)
    return [
        tuple(output.part(k * count, (k + 1) * count) for output in found) for k in range(len(part.variants))
    ]


def _alike(one: Variant, other: Variant) -> bool:
    """Return whether two variants may share a batch: of one case, with luck alone between them."""
    return one.prepared is other.prepared and not (one.off or other.off)


def _together(variants: Sequence[Variant], count: int) -> Iterator[tuple[Variant, ...]]:
    """Yield the variants in order, those that make one batch together."""
    group: list[Variant] = []
    for variant in variants:
        if group and not (_alike(group[0], variant) and (len(group) + 1) * count <= BATCH):
            yield tuple(group)
            group = []
        group.append(variant)
    if group:
        yield tuple(group)


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
    groups = list(_together(variants, cut[0][1]))
    parts = (_Part(group, seed, first, count) for group in groups for first, count in cut)
    found = workers.map(_run_part, parts)
    done = 0
    for group in groups:
        outputs = [next(found) for _ in cut]
        done += len(group)
        if progress is not None:
            progress(done)
        for k in range(len(group)):
            yield _joined([output[k] for output in outputs])


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
