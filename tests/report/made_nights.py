"""A made night: one case, a fault that breaks it, a series that has become worse."""

from __future__ import annotations

from dataclasses import replace

from driftgate.judge.night import Cell, Counted, Night, NightCase
from driftgate.judge.trend import Shift
from driftgate.report.night_model import Change, NightReport, Series

HOSTILE = "</style><script>alert(1)</script>\" onload='x' &amp; \u202e"


def cell(fault="", status="pass", together=97, title="", used=0.8):
    """Return a cell of 100 trials with one tolerance and contact."""
    end = Counted("end", 0.9, 100, together, 60, status, 0.93, 0.99, used, "x")
    contact = Counted("contact", 0.99, 100, 100, 100, "pass", 0.99, 1.0, None, "")
    return Cell(fault, title or fault, "", 1, 100, together, 5.0, (end, contact))


def night(day="2026-11-02", cells=None, title="Out", software="s", robot="2"):
    """Return a night of one case."""
    inputs = (("routine", "1"), ("robot", robot), ("carried map", "3"), ("field", "4"))
    cells = cells or (cell(), cell("gyro", "fail", 40, title), cell("dead:front", "pass", 99))
    case = NightCase(
        "out.yaml", title, "small.yaml", "box.yaml", "box.yaml", "as written", inputs, tuple(cells)
    )
    return Night(day, 1, "0", software, "r", 100, 100, 10, 0.95, (case,))


def series(successes=(97, 96, 80), inputs=(("robot", "1"), ("robot", "1"), ("robot", "2"))):
    """Return a series of 100 trials a night."""
    count = len(successes)
    return Series(
        "out.yaml", "box.yaml", "box.yaml", "as written", "end",
        tuple(f"2026-11-0{i + 1}" for i in range(count)), (0.9,) * count, (100,) * count,
        tuple(successes), tuple(successes), (0.8,) * count, tuple((pair,) for pair in inputs[:count]),
    )  # fmt: skip


def report(**changes):
    """Return a report with one change."""
    one = series()
    change = Change(one, False, Shift(2, 0, 3, 0.965, 0.8, 1e-6))
    plain = NightReport(
        "0", (), night(), night("2026-11-01", robot="0"), True, (one,), (change,), 1, "why", "again"
    )
    return replace(plain, **changes)
