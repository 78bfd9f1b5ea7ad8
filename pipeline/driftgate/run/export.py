"""Routines handed over to the robot's own code."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from driftgate import __version__
from driftgate.core.findings import Finding
from driftgate.report.model import CaseReport
from driftgate.run.cache_key import inputs_fingerprint
from driftgate.run.cases import NamedCase, one_case, sides_of
from driftgate.run.inputs import Inputs, load_inputs, nothing_words
from driftgate.run.status import Exit, counted, findings_status, judged_status

if TYPE_CHECKING:
    from driftgate.predict import Prepared


@dataclass(frozen=True)
class ExportedCase:
    """The files of one routine for one side of the field.

    Attributes
    ----------
    path, title, side : str
        Which routine, for which side.
    name : str
        Of its files and identifiers.
    fingerprint : str
        Hash of what the robot is given, 64 hexadecimal digits.
    files : mapping
        File name to text.
    vectors : int
        Number of test vectors.
    """

    path: str
    title: str
    side: str
    name: str
    fingerprint: str
    files: Mapping[str, str]
    vectors: int

    @property
    def short_fingerprint(self) -> str:
        """Return what the robot shows of the fingerprint."""
        return self.fingerprint[:8]


@dataclass(frozen=True)
class Export:
    """What there is to hand over: findings of the files, plans that cannot be driven, or all cases."""

    findings: tuple[Finding, ...]
    infeasible: tuple[CaseReport, ...]
    cases: tuple[ExportedCase, ...]
    status: Exit
    why: str


def export_routines(
    paths: Sequence[Path], field: Path | None = None, carry_field: bool = False, today: date | None = None
) -> Export:
    """Return what is handed over of some routines, for each of their sides; nothing is written.

    Parameters
    ----------
    paths : sequence of Path
        Routine files and folders; none: the folder `routines`.
    field : Path, optional
        A field map; with `carry_field` the robots carry it instead of their own.
    carry_field : bool
        See there.
    today : date, optional
        The day on which accepted exceptions are looked at.
    """
    inputs = load_inputs(paths, field, carry_field)
    status, why = findings_status(inputs.findings)
    if status is not Exit.PASS:
        return Export(inputs.findings, (), (), status, why)
    if not inputs.routines:
        return Export(inputs.findings, (), (), Exit.NOTHING, nothing_words(paths))

    from driftgate.run.gather import report_of
    from driftgate.run.tasks import plan_one

    cases = carried_cases(inputs, today)
    infeasible, exported = [], []
    for named, name in zip(cases, case_names(cases), strict=True):
        planned = plan_one((named.case, named.written))
        if planned.prepared is None:
            infeasible.append(report_of(named, planned))
        else:
            exported.append(export_case(named, planned.prepared, name))
    if infeasible:
        status, why = judged_status(infeasible)
        return Export(inputs.findings, tuple(infeasible), (), status, f"{why}: nothing was written")
    return Export(inputs.findings, (), tuple(exported), Exit.PASS, counted(len(exported), "routine"))


def carried_cases(inputs: Inputs, today: date | None = None) -> tuple[NamedCase, ...]:
    """Return every side of every routine, on the map that the robot carries."""
    return tuple(
        one_case(loaded, inputs.override, side, today)
        for loaded in inputs.routines
        for side in sides_of(loaded.document.routine)
    )


def case_names(cases: Sequence[NamedCase]) -> list[str]:
    """Return names for the files of some cases, no two alike: from the routines' own file names."""
    from driftgate.export.names import unique_identifiers

    stems = (PurePosixPath(named.document.path).stem for named in cases)
    sides = ("-mirrored" if named.case.side == "mirrored" else "" for named in cases)
    return unique_identifiers(f"{stem[:30]}{side}" for stem, side in zip(stems, sides, strict=True))


def export_case(named: NamedCase, prepared: Prepared, name: str) -> ExportedCase:
    """Return the files of one case: byte for byte the same for the same inputs on one machine.

    Parameters
    ----------
    named : NamedCase
        The case.
    prepared : Prepared
        The same, ready for the engines.
    name : str
        From `case_names`.
    """
    from driftgate.export.files import case_files
    from driftgate.export.gather import Origin

    fingerprint = inputs_fingerprint(named.case)
    origin = Origin(name, named.document.path, fingerprint, __version__)
    made = case_files(prepared, origin)
    return ExportedCase(
        named.document.path,
        named.case.routine.title,
        named.case.side,
        name,
        fingerprint,
        made.files,
        made.vectors,
    )


def common_files() -> dict[str, str]:
    """Return the files that those of all cases go with: types, reference code, example and check."""
    from driftgate.export.files import shared_files

    return shared_files(__version__)


def check_room(folder: Path) -> None:
    """Raise WriteError if nothing can be written into a folder, before anything is worked out."""
    from driftgate.export.files import MARKS
    from driftgate.report.write import check_ours

    check_ours(folder, common_files(), MARKS)


def write_export(folder: Path, cases: Sequence[ExportedCase]) -> int:
    """Write all files into one folder and return how many.

    Raises
    ------
    WriteError
        If they cannot be written there.
    """
    from driftgate.export.files import MARKS
    from driftgate.report.write import write_folder

    texts = common_files()
    for case in cases:
        texts.update(case.files)
    write_folder(folder, texts, MARKS)
    return len(texts)
