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
    from driftgate.load.checks_field import check_field_map
    from driftgate.load.compose import compose
    from driftgate.load.text import TextError, read_text, real_path, split_lines
    from driftgate.load.validate import kind_of, validated_data, validation_findings

    shown = path.as_posix()
    try:
        real = real_path(path)
        text = read_text(real, real.parent)
    except TextError as error:
        return None, (Finding(shown, error.line, error.column, "DG101", error.reason, excerpt=error.excerpt),)
    composed = compose(text, shown, split_lines(text))
    findings: list[Finding] = list(composed.findings)
    if not composed.whole:
        return None, tuple(findings)
    kind, faults = kind_of(composed)
    findings += faults
    if kind is None:
        return None, tuple(findings)
    if kind != "field map":
        return None, (*findings, Finding(shown, 1, 1, "DG122", f"the file is a {kind}, not a field map"))
    validated = validated_data(composed.data, kind)
    findings += validation_findings(composed, kind, validated)
    if validated.model is None or findings:
        return None, tuple(findings)
    document = Document(shown, composed.source.lines, composed.source.positions, kind, validated.model)
    findings = check_field_map(document)
    if any(finding.level == "error" for finding in findings):
        return None, tuple(findings)
    return FieldOverride(document, carry), tuple(findings)


def check_override(routines: Iterable[LoadedRoutine], override: FieldOverride) -> tuple[Finding, ...]:
    """Return how the map given apart fails to stand for the fields of the routines."""
    from driftgate.load.checks_case import check_variant

    return tuple(
        replace(finding, message=f"{finding.message} (field map of the command line)")
        for loaded in routines
        for finding in check_variant(loaded.document, ("field",), loaded.field, override.document)
    )
