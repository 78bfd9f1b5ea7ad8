"""What would mend a log whose columns contradict each other: each likely slip is tried, one at a time.

Words that only say that two columns disagree send people to the wrong one. A unit, an axis or a column that
was exchanged makes every way of the run agree once it is taken back; a guess that is wrong does not.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from driftgate.calibrate.chain import logged_run
from driftgate.calibrate.tracks import track_of
from driftgate.calibrate.ways import TURNS_AGREE_RAD, WAY_M, Ways, ways_of
from driftgate.core.findings import Finding
from driftgate.core.pose import FloatArray
from driftgate.logs.values import Log

# Wheels, straight lines and directions agree within this (natural logarithm of a ratio, rad).
_LENGTHS_AGREE: Final = math.log(1.25)
_DIRECTIONS_AGREE_RAD: Final = 0.3
# A mend makes so many of the ways agree, and so many more than before; of so many ways at least.
_MENDED: Final = 0.8
_MORE: Final = 0.3
_LEAST_WAYS: Final = 3
# Where so few agree, and all do with one slip taken back, it is that (our choice).
_DISAGREE: Final = 0.75
_ALL: Final = 0.95
# On most ways a robot turns less than this: what wraps round and round agrees by chance. [rad]
_TURNS: Final = 2.0 * math.pi
# Mends are as good as each other within this share.
_AS_GOOD: Final = 0.05
_DEG: Final = math.pi / 180.0


@dataclass(frozen=True)
class _Mend:
    """A slip and its mend: the column to look at, the words, and the log without the slip."""

    title: str
    words: str
    mended: Callable[[Log], Log]


def with_mend(fault: Finding, log: Log) -> Finding:
    """Return a contradiction of a log's columns with what mends it, at that column, if one slip does."""
    before = _agreeing(log)
    found = _best(log, max(_MENDED, before + _MORE))
    return fault if found is None else _at_column(fault, log, *found)


def half_wrong(log: Log) -> Finding | None:
    """Return an error for a log of which a part of the ways disagree, all of which one slip explains."""
    before = _agreeing(log)
    if before > _DISAGREE:
        return None
    found = _best(log, _ALL)
    if found is None:
        return None
    words = (
        f"on {100.0 * (1.0 - before):.0f} % of the ways between reference poses the robot went or turned "
        "otherwise than its odometry says, and all of them fit with one change"
    )
    return _at_column(Finding(log.path, 1, 1, "DG618", words), log, *found)


def _best(log: Log, least: float) -> tuple[_Mend, _Mend | None] | None:
    """Return what makes most ways agree, and what does so as well in another column; None if few do."""
    tried = [(_agreeing(mend.mended(log)), mend) for mend in _mends(log)]
    best = max(share for share, _ in tried)
    if best < least:
        return None
    # Some slips are one to odometry and poses: a robot that drives sideways, and one that faces otherwise.
    as_good = [mend for share, mend in tried if share > best - _AS_GOOD]
    return as_good[0], next((mend for mend in as_good if mend.title != as_good[0].title), None)


def _at_column(fault: Finding, log: Log, mend: _Mend, other: _Mend | None) -> Finding:
    at, words = log.place(mend.title), mend.words
    if other is not None:
        words = f"{words}; or, as likely by these numbers, {other.words}"
    return replace(fault, line=at.line, column=at.column, path=at.path, excerpt=at.excerpt, suggestion=words)


def _agreeing(log: Log) -> float:
    """Return the share of a log's ways on which odometry and reference agree."""
    run = logged_run(track_of(log), log.reference_spread)
    if not run.headings:
        return 0.0
    return _share(ways_of(run))


def _share(ways: Ways) -> float:
    if len(ways.off_rad) < _LEAST_WAYS:
        return 0.0
    if np.median(np.abs(ways.driven_rad)) > _TURNS:
        return 0.0
    lengths = ~ways.long | (ways.stretch < _LENGTHS_AGREE)
    both = np.minimum(ways.driven_m, ways.came_m) > WAY_M
    directions = ~both | (np.abs(ways.aside_rad) < _DIRECTIONS_AGREE_RAD)
    return float(np.mean(lengths & directions & (ways.off_rad < TURNS_AGREE_RAD)))


def _mends(log: Log) -> Iterator[_Mend]:
    """Yield slips, the likeliest first."""
    for title in ("heading", "reference heading"):
        yield _Mend(
            title,
            f"it seems that '{title}' holds radians: give it the title '{title} [rad]'",
            _turned(title, lambda h: h / _DEG),
        )
        yield _Mend(
            title,
            f"it seems that '{title}' holds degrees: give it the title '{title} [deg]'",
            _turned(title, lambda h: h * _DEG),
        )
    yield _Mend(
        "heading",
        "it seems that 'heading' counts clockwise: it counts counter-clockwise, seen from above; change its "
        "sign",
        _turned("heading", lambda h: -h),
    )
    yield _Mend(
        "reference heading",
        "it seems that 'reference heading' counts clockwise: it counts counter-clockwise, seen from above; "
        "change its sign",
        _turned("reference heading", lambda h: -h),
    )
    yield _Mend(
        "reference heading",
        "it seems that 'reference heading' counts clockwise from the y axis, as a compass does: it counts "
        "counter-clockwise from the x axis; write 90 deg less what stands there",
        _turned("reference heading", lambda h: 0.5 * math.pi - h),
    )
    for quarters, words in ((1, "add 90 deg"), (-1, "take 90 deg off"), (2, "add 180 deg")):
        yield _Mend(
            "reference heading",
            f"it seems that 'reference heading' counts from another axis than the field's x axis: {words}",
            _turned("reference heading", _ahead_by(0.5 * math.pi * quarters)),
        )
    yield from _of_wheels(log)
    yield _Mend("reference x", "exchange the titles 'reference x' and 'reference y'", _placed((1, 0), (1, 1)))
    for axis, signs in (("x", (-1, 1)), ("y", (1, -1))):
        yield _Mend(
            f"reference {axis}",
            f"it seems that 'reference {axis}' counts the other way: change its sign, in the axes of the "
            "field map",
            _placed((0, 1), signs),
        )


def _of_wheels(log: Log) -> Iterator[_Mend]:
    def rolled(forward: FloatArray, sideways: FloatArray) -> Callable[[Log], Log]:
        return lambda own: replace(own, forward_m=forward, sideways_m=sideways)

    ahead, left = log.forward_m, log.sideways_m
    for title, forward, sideways in (
        ("forward", _as_counter(log, ahead), left),
        ("sideways", ahead, _as_counter(log, left)),
        ("forward", _as_counter(log, ahead), _as_counter(log, left)),
    ):
        yield _Mend(
            title,
            f"it seems that '{title}' holds the counter since the start: write what was rolled since the row "
            "before, the difference from row to row",
            rolled(forward, sideways),
        )
    yield _Mend(
        "forward",
        "it seems that 'forward' counts backwards: it counts ahead; change its sign",
        rolled(-ahead, left),
    )
    if {"forward", "sideways"} & set(log.titles):
        exchange = "exchange the titles 'forward' and 'sideways'"
        if not {"forward", "sideways"} <= set(log.titles):
            one = "forward" if "forward" in log.titles else "sideways"
            exchange = f"it seems that this wheel is the {'sideways' if one == 'forward' else 'forward'} one"
        for words, forward, sideways in (
            (exchange, left, ahead),
            (f"{exchange}, and change the sign of 'sideways' then", left, -ahead),
            (f"{exchange}, and change the sign of 'forward' then", -left, ahead),
        ):
            yield _Mend("forward", words, rolled(forward, sideways))


def _as_counter(log: Log, wheel: FloatArray) -> FloatArray:
    """Return the increments of a column that holds a counter."""
    rows = np.flatnonzero(log.has_odometry)
    out = np.zeros_like(wheel)
    out[rows] = np.diff(wheel[rows], prepend=wheel[rows[:1]])
    return out


def _ahead_by(turn_rad: float) -> Callable[[FloatArray], FloatArray]:
    return lambda heading: heading + turn_rad


def _turned(title: str, turn: Callable[[FloatArray], FloatArray]) -> Callable[[Log], Log]:
    def mended(log: Log) -> Log:
        if title == "heading":
            return replace(log, heading_rad=turn(log.heading_rad))
        reference = log.reference.copy()
        reference[:, 2] = turn(reference[:, 2])
        return replace(log, reference=reference)

    return mended


def _placed(axes: tuple[int, int], signs: tuple[int, int]) -> Callable[[Log], Log]:
    def mended(log: Log) -> Log:
        reference = log.reference.copy()
        reference[:, :2] = np.array(signs) * reference[:, list(axes)]
        return replace(log, reference=reference)

    return mended
