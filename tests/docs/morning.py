"""The folder in which README's code freeze and competition morning play.

A copy of three routines of the repository and what they read; each stage changes it further.
"""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Final

from scene import Scene, Stage, edit

from driftgate.load.manifest import frozen_document
from driftgate.run.cache_key import document_fingerprint

ROOT: Final = Path(__file__).resolve().parents[2]
TODAY: Final = "2026-11-28"
_ROUTINES: Final = ("corner-dash", "aisle-steps", "square-up")
_DASH: Final = "routines/corner-dash.yaml"


def _evening(folder: Path) -> None:
    (folder / "routines/robots").mkdir(parents=True)
    (folder / "pyproject.toml").write_text("")
    for name in _ROUTINES:
        shutil.copy(ROOT / f"routines/{name}.yaml", folder / "routines")
    shutil.copy(ROOT / "routines/robots/wren.yaml", folder / "routines/robots")
    shutil.copytree(ROOT / "fieldmaps", folder / "fieldmaps")
    for robot in (ROOT / "routines/robots").glob("*.yaml"):
        shutil.copy(robot, folder / "routines/robots")


def _edited(folder: Path) -> None:
    edit(folder / _DASH, "to: [3.7 m, 440 mm]", "to: [3.7 m, 445 mm]")
    edit(folder / "routines/robots/wren.yaml", "\n", " Battery B.\n")


def _waived(folder: Path) -> None:
    document = frozen_document(_DASH, (folder / _DASH).read_text())
    assert document is not None
    state = document_fingerprint(document.model)[:12]
    entry = (
        f"file: {_DASH}",
        f'state: "{state}"',
        "verdict: pass",
        "who: drive team, seen by the coach",
        "why: the tray stands 5 mm nearer here",
        'until: "2026-11-29"',
    )
    listed = "\n    ".join(entry)
    text = f"kind: waivers\nformat: 1\nwaivers:\n  - {listed}\n"
    (folder / "routines/waivers.yaml").write_text(text)


def _taped_out(folder: Path) -> None:
    text = (folder / "fieldmaps/hall.yaml").read_text()
    taped = folder / "fieldmaps/taped-out.yaml"
    taped.write_text(text)
    for old, new in (
        ("title: Glasshouse hall as drawn", "title: Hall as taped out, Saturday"),
        ("corner: [4.2 m, 0 m]", "corner: [4.215 m, 0 m]"),
        ("corner: [4.2 m, 2.5 m]", "corner: [4.212 m, 2.5 m]"),
        ("corner: [0 m, 2.5 m]", "corner: [-4 mm, 2.5 m]"),
    ):
        edit(taped, old, new)


_STAGES: Final[dict[str, Stage]] = {
    "evening": _evening,
    "edited": _edited,
    "waived": _waived,
    "taped-out": _taped_out,
}


def morning() -> Scene:
    """Return the folder, empty."""
    return Scene("morning", _STAGES)
