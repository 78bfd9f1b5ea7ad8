"""The robot's filter held against its own claims, as tables for a person."""

from __future__ import annotations

from driftgate.judge.consistency import Consistency, InnovationVerdict, RegionVerdict
from driftgate.report.digits import percent
from driftgate.report.text import plain, table


def filter_section(found: Consistency | None, mend: str) -> list[str]:
    """Return what there is to say of the filter; `mend` is a change that a run bears out, or why none is."""
    if found is None:
        return ["  the robot takes no fixes"]
    lines = [f"  {found.word}: {plain(found.sentence)}"]
    if mend:
        lines.append(f"  {plain(mend)}")
    lines += ["", "  Truth inside the filter's own regions (right: as often as they claim; mean square 3)"]
    header = (
        "at",
        "50 %",
        "68 %",
        "90 %",
        "95 %",
        "95 % in x",
        "in y",
        "in heading",
        "mean square",
        "verdict",
    )
    lines += table(header, [_moment(m) for m in found.moments])
    lines += ["", "  Innovations over their own spread, squared (necessary, not sufficient)"]
    header = (
        "from",
        "at the gate",
        "fixes",
        "mean of fixes",
        "right",
        "over 95 %",
        "over 99 %",
        "mean side",
        "reading's share",
        "these alone",
    )
    return lines + table(header, [_sensor(s) for s in found.sensors])


def _moment(m: RegionVerdict) -> tuple[str, ...]:
    return (
        plain(m.name),
        *(percent(share) for share in m.coverage["all"]),
        *(percent(m.coverage[axis][-1]) for axis in ("x", "y", "heading")),
        f"{m.mean:.2f} ({m.region[0]:.2f} to {m.region[1]:.2f})",
        m.word,
    )


def _sensor(s: InnovationVerdict) -> tuple[str, ...]:
    mean = "-" if s.mean_used is None else f"{s.mean_used:.2f} +- {s.error:.2f}"
    return (
        plain(s.name),
        str(s.tried),
        str(s.used),
        mean,
        f"{s.expected * s.region[0]:.2f} to {s.expected * s.region[1]:.2f}",
        percent(s.beyond_95),
        percent(s.beyond_99),
        f"{s.offset:+.2f} sd",
        percent(s.own),
        s.word,
    )
