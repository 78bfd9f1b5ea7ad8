"""Siblings of the shipped scenario: copies with a named edit or two. Invented data, as there."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from driftgate.judge.values import MomentVerdict
from driftgate.report.model import CaseReport, RunReport
from driftgate.run.check import CheckSettings, check_routines

REPOSITORY = Path(__file__).resolve().parents[2]
FOLDERS = ("routines", "fieldmaps")
WREN = "routines/robots/wren.yaml"
CARRIER = "routines/robots/carrier.yaml"
HALL = "fieldmaps/hall.yaml"
FLOOR = "fieldmaps/practice-floor.yaml"
AS_BUILT = "fieldmaps/as-built.yaml"


@dataclass(frozen=True)
class Glasshouse:
    """A copy of the shipped files, the root of a repository of its own."""

    folder: Path

    def edit(self, file: str, *edits: tuple[str, str], after: str = "", times: int = 1) -> Glasshouse:
        """Replace texts in a file; each must be there exactly so many times, or the test has gone stale.

        With `after`, the first such text behind that mark is replaced, which must itself be there once.
        """
        path = self.folder / file
        text = path.read_text(encoding="utf-8")
        for old, new in edits:
            head, mark, tail = text.partition(after) if after else ("", "", text)
            if after:
                assert text.count(after) == 1, f"{file} holds the mark {after!r} {text.count(after)} times"
                assert old in tail, f"{file} holds no {old!r} behind {after!r}"
                text = head + mark + tail.replace(old, new, 1)
            else:
                assert text.count(old) == times, f"{file} holds {old!r} {text.count(old)} times, not {times}"
                text = text.replace(old, new)
        path.write_text(text, encoding="utf-8")
        return self

    def built(self, *edits: tuple[str, str], after: str = "") -> str:
        """Write a further map, the hall as drawn with edits, to be judged on as the true field."""
        shutil.copy(self.folder / HALL, self.folder / AS_BUILT)
        self.edit(AS_BUILT, *edits, after=after)
        return AS_BUILT

    def alone(self, name: str) -> Glasshouse:
        """Judge a routine on the drawn hall and as written only, which is quicker; lines stay the same."""
        file = f"routines/{name}.yaml"
        self.edit(file, ("also_on: [../fieldmaps/practice-floor.yaml]", "also_on: []"))
        if "mirror: true" in (self.folder / file).read_text(encoding="utf-8"):
            self.edit(file, ("mirror: true", "mirror: false"))
        return self

    def line(self, file: str, text: str) -> int:
        """Return the line, from 1, of the only place where a text stands."""
        lines = (self.folder / file).read_text(encoding="utf-8").splitlines()
        found = [number for number, line in enumerate(lines, 1) if text in line]
        assert len(found) == 1, f"{file} holds {text!r} on lines {found}, not on one"
        return found[0]

    def check(self, *names: str, trials: int = 500, field: str | None = None) -> RunReport:
        """Check routines by name; `field` is a further map of this copy, which is the current folder."""
        paths = tuple(self.folder / f"routines/{name}.yaml" for name in names)
        true_map = None if field is None else Path(field)
        return check_routines(CheckSettings(paths, trials, field=true_map, sample="fixed"))


def copy_glasshouse(folder: Path) -> Glasshouse:
    """Copy the shipped routines, robots and field maps into a folder and make it a root."""
    for name in FOLDERS:
        shutil.copytree(REPOSITORY / name, folder / name)
    (folder / "pyproject.toml").write_text("")
    return Glasshouse(folder)


def moment_of(case: CaseReport, name: str = "end") -> MomentVerdict:
    """Return the verdict on a checkpoint, or on the end."""
    assert case.verdict is not None
    (found,) = [moment for moment in case.verdict.moments if moment.name == name]
    return found


def line_of(case: CaseReport, name: str = "end") -> int:
    """Return the line that the report gives for a checkpoint, or for the end."""
    assert case.verdict is not None
    return case.places[[moment.name for moment in case.verdict.moments].index(name)][0]
