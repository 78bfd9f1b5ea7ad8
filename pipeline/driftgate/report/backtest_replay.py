"""The replays of a backtest, for people: under each setting its runs, and all of them together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from driftgate.report.text import plain, table

if TYPE_CHECKING:
    from driftgate.report.backtest_model import CorrectionRow

INSIDE = "inside\n50 68 90 95 %"
# A longer name of a run is cut in its middle.
_LONGEST = 14
_TITLES = (
    "\nrun", "error in m\nRMS 95 % worst", "worst\nseed", INSIDE, "innovations,\n1 if right",
    "used\n/refused", "refused, %\nfalse good", "good ones\nrefused", "lost\n/said", "as the\nrobot",
    "\nverdict",
)  # fmt: skip


def inside_cell(inside: Sequence[float]) -> str:
    """Return shares in whole per cent; 100 is all of them."""
    return " ".join(f"{min(round(100.0 * share), 100 if share == 1.0 else 99)}" for share in inside)


def replay_lines(rows: Sequence[CorrectionRow]) -> list[str]:
    """Return the table: a line for each setting, below it the runs. Columns that nobody fills are left out.

    Of settings that are tried beside the first one, several runs are shown together.
    """
    grouped: dict[str, list[CorrectionRow]] = {}
    for row in rows:
        grouped.setdefault(_setting(row), []).append(row)
    cells: list[tuple[str, ...]] = []
    for i, (setting, of) in enumerate(grouped.items()):
        cells.append((setting,))
        if i == 0 or len(of) == 1:
            cells += [_cells(row) for row in of]
        if len(of) > 1:
            cells.append(_all_runs(of))
    filled = [i for i in range(len(_TITLES)) if any(len(row) > 1 and row[i] for row in cells)]
    shown = [row if len(row) == 1 else tuple(row[i] for i in filled) for row in cells]
    first = rows[0].score
    words = f"  {first.seeds} seed{'s' if first.seeds > 1 else ''}, {_poses(rows)}; "
    words += f"dead reckoning alone: {first.alone_rmse_m:.3f} m"
    lines = ["", "Correction, replayed", words, *table(tuple(_TITLES[i] for i in filled), shown)]
    if not all(row.judged for row in rows):
        lines.append("  In brackets: no verdict rests on it.")
    return lines


def _poses(rows: Sequence[CorrectionRow]) -> str:
    """Return at how many poses each run is scored."""
    counts = sorted({row.score.poses for row in rows})
    many = f"{counts[0]}" if len(counts) == 1 else f"{counts[0]} to {counts[-1]}"
    return f"{many} measured pose{'' if counts[-1] == 1 else 's'} each"


def _cells(row: CorrectionRow) -> tuple[str, ...]:
    s = row.score
    return (
        _name(row.run),
        f"{s.rmse_m.mean():.3f} {s.p95_m:.3f} {s.worst_m:.2f}",
        f"{s.rmse_m.max():.3f}" if s.seeds > 1 else "",
        inside_cell(s.inside),
        "" if math.isnan(s.normalised_used) else f"{s.normalised_used:.2f}",
        f"{s.outcomes.get('accepted', 0)}/{s.outcomes.get('gate', 0)}",
        *_refused(s.false_refused, s.good_refused),
        f"{s.strayed}/{s.said_lost}",
        "" if row.same is None else f"{100.0 * row.same:.1f} %",
        s.word if row.judged else f"({s.word})",
    )


def _all_runs(rows: Sequence[CorrectionRow]) -> tuple[str, ...]:
    """Return a row of all runs under one setting: one run has few measured poses."""
    scores = [row.score for row in rows]
    poses = [s.poses for s in scores]
    inside = [_mean([s.inside[k] for s in scores], poses) or 0.0 for k in range(len(scores[0].inside))]
    square = _mean([float((s.rmse_m**2).mean()) for s in scores], poses) or 0.0
    used, refused = ([s.outcomes.get(name, 0) for s in scores] for name in ("accepted", "gate"))
    readings = [sum(s.outcomes.values()) for s in scores]
    normal = _mean([s.normalised_used for s in scores], used)
    return (
        f"all {len(rows)} runs",
        f"{math.sqrt(square):.3f}       {max(s.worst_m for s in scores):.2f}",
        f"{max(float(s.rmse_m.max()) for s in scores):.3f}" if scores[0].seeds > 1 else "",
        inside_cell(inside),
        "" if normal is None else f"{normal:.2f}",
        f"{sum(used)}/{sum(refused)}",
        *_refused(
            *(_mean([getattr(s, f"{n}_refused") for s in scores], readings) for n in ("false", "good"))
        ),
        f"{sum(s.strayed for s in scores)}/{sum(s.said_lost for s in scores)}",
        "",
        "",
    )


def _mean(values: Sequence[float | None], weights: Sequence[int]) -> float | None:
    """Return a weighted mean of the values that are there; None without any."""
    known = [(v, w) for v, w in zip(values, weights, strict=True) if v is not None and math.isfinite(v) and w]
    return sum(v * w for v, w in known) / sum(w for _, w in known) if known else None


def _refused(false: float | None, good: float | None) -> tuple[str, str]:
    """Return the cells of the shares refused: both together, or of good readings alone."""
    if false is not None:
        return f"{100.0 * false:.1f} {'-' if good is None else f'{100.0 * good:.1f}'}", ""
    return "", "" if good is None else f"{100.0 * good:.1f} %"


def _setting(row: CorrectionRow) -> str:
    way = row.way_back
    gate = "no gate" if row.gate is None else f"gate {row.gate:g} sigma"
    if way is None:
        return f"{gate}, no way back"
    return (
        f"{gate}, way back after {way.refusals} refusals (x{way.factor:g}), lost after {way.lost_after} more"
    )


def _name(run: str) -> str:
    name = plain(run)
    half = _LONGEST // 2
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - half - 1]}…{name[-half:]}"
