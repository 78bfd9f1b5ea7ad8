"""The pictures of a run as files of their own."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from pathlib import PurePosixPath

from driftgate.report.model import RunReport
from driftgate.report.picture import CasePicture
from driftgate.report.svg import alone
from driftgate.report.svg_budget import budget_svg
from driftgate.report.svg_field import field_svg
from driftgate.report.svg_target import target_svg
from driftgate.report.svg_time import time_svg

# The routine's file, the true map and the side of a case.
CaseKey = tuple[str, str, str]
# What each name goes on with after that.
_SHOWN = ("field.svg", "time.svg", "close-", "budget-")


def render_svg(report: RunReport, pictures: Sequence[CasePicture | None]) -> dict[str, str]:
    """Return the pictures of every case, by name of file.

    A name is that of the routine's file, of the true map where the routine is judged on several,
    "mirrored" for that side, and what is shown: "corner-dash-hall-mirrored-field.svg".
    """
    stems = _stems([(case.path, case.true_map, case.side) for case in report.cases])
    found = {}
    for case, picture, stem in zip(report.cases, pictures, stems, strict=True):
        if picture is None:
            continue
        side = ", mirrored" if case.side == "mirrored" else ""
        heading = f"{case.title} on {case.true_title}{side}"
        shown = {"field": field_svg(case, picture)}
        if picture.instants:
            shown["time"] = time_svg(case, picture)
            for k, target in enumerate(picture.targets):
                shown[f"close-{_plain(target.name)}"] = target_svg(case, picture, k)
        for moment in () if case.verdict is None else case.verdict.moments:
            if budget := budget_svg(case, picture, moment.name):
                shown[f"budget-{_plain(moment.name)}"] = budget
        for what, drawn in shown.items():
            found[f"{stem}-{what}.svg"] = alone(drawn, f"{heading}: {what}")
    return found


def names_taken(cases: Sequence[CaseKey], there: Iterable[str]) -> list[str]:
    """Return those of the file names in a folder that pictures of these cases may have, before any is drawn.

    Parameters
    ----------
    cases : sequence of (str, str, str)
        Routine's file, true map and side of each case, in the order of the report.
    there : iterable of str
        Names in the folder.
    """
    begun = tuple(f"{stem}-{what}" for stem in _stems(cases) for what in _SHOWN)
    return [name for name in there if name.startswith(begun) and name.endswith(".svg")]


def _stems(cases: Sequence[CaseKey]) -> list[str]:
    """Return what the names of the files of each case begin with, no two the same."""
    maps: dict[str, set[str]] = {}
    for path, true_map, _ in cases:
        maps.setdefault(path, set()).add(true_map)
    found: list[str] = []
    for path, true_map, side in cases:
        parts = [PurePosixPath(path).stem]
        if len(maps[path]) > 1:
            parts.append(PurePosixPath(true_map).stem)
        if side == "mirrored":
            parts.append("mirrored")
        name = _plain("-".join(parts))
        stem, again = name, 2
        while stem in found:
            stem, again = f"{name}-{again}", again + 1
        found.append(stem)
    return found


def _plain(name: str) -> str:
    """Return a name that is one on every file system."""
    return re.sub(r"[^a-z0-9-]+", "-", name.lower()).strip("-")[:80] or "picture"
