"""A field map given on the command line, loaded by itself."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from driftgate.core.findings import Finding
from driftgate.load.document import Document
from driftgate.load.project import LoadedRoutine


@dataclass(frozen=True, eq=False)
class FieldOverride:
    """A field map given on the command line.

    Attributes
    ----------
    document : Document
        The map to judge on as the true field, besides those that a routine names.
    carry : bool
        Whether the robot carries it too.
    """

    document: Document
    carry: bool = False


def load_override(path: Path, carry: bool) -> tuple[FieldOverride | None, tuple[Finding, ...]]:
    """Load a field map given on the command line; None with findings when it is not sound.

    It may lie outside the repository: whoever types the command chose the file.
    """
    from driftgate.load.single import load_single

    found = load_single(path, "field map")
    if found.document is None:
        return None, found.findings
    return FieldOverride(found.document, carry), found.findings


def check_override(
    routines: Iterable[LoadedRoutine], override: FieldOverride, whose: str = "field map of the command line"
) -> tuple[Finding, ...]:
    """Return how the map given apart fails to stand for the fields of the routines."""
    from driftgate.load.checks_case import check_variant

    return tuple(
        replace(finding, message=f"{finding.message} ({whose})")
        for loaded in routines
        for finding in check_variant(loaded.document, ("field",), loaded.field, override.document)
    )
