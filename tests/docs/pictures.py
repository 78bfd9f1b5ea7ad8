"""The pictures that README shows: drawn of a shipped routine by the code that draws them for everybody."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from driftgate.report.as_svg import render_svg
from driftgate.run.cases import cases_of
from driftgate.run.check import CheckSettings, judged_cases, unchanged_report
from driftgate.run.inputs import load_inputs
from driftgate.run.pictures import pictures_of

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / ".images"
ROUTINE = "routines/three-bench-run.yaml"
SHOWN = ("field", "time", "budget-first-bench", "close-first-bench")


def pictures() -> dict[str, str]:
    """Return the pictures by name of file: the routine as written, on the hall as drawn."""
    before = Path.cwd()
    os.chdir(ROOT)
    try:
        settings = CheckSettings((Path(ROUTINE),))
        (loaded,) = load_inputs(settings.paths).routines
        cases, tolerances = judged_cases(settings, cases_of(loaded)[:1])
        nothing = unchanged_report(settings, "")
        report = replace(nothing, cases=tuple(cases), tolerances=tolerances)
        drawn = render_svg(report, pictures_of(settings, report, lambda done, total, what: None))
    finally:
        os.chdir(before)
    stem = Path(ROUTINE).stem
    return {name: drawn[name] for name in (f"{stem}-{what}.svg" for what in SHOWN)}


def remake_pictures() -> bool:
    """Write the pictures, and nothing else, into their folder; return if anything changed."""
    wanted = pictures()
    FOLDER.mkdir(exist_ok=True)
    there = {path.name: path.read_text(encoding="utf-8") for path in FOLDER.iterdir()}
    for name in there.keys() - wanted.keys():
        (FOLDER / name).unlink()
    for name, text in wanted.items():
        (FOLDER / name).write_text(text, encoding="utf-8", newline="\n")
    return there != wanted
