"""From loaded routines to the cases that are judged."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from datetime import date

from driftgate.core.errors import ModelError
from driftgate.load.document import Document
from driftgate.load.project import LoadedRoutine
from driftgate.plan.mirror import mirror_routine
from driftgate.run.accepted import in_force
from driftgate.run.override import FieldOverride
from driftgate.run.status import InputError
from driftgate.schema.case import Case, Side
from driftgate.schema.routine import Routine


@dataclass(frozen=True, eq=False)
class NamedCase:
    """A case with the documents that it comes from.

    Attributes
    ----------
    case : Case
        What is judged; its routine holds the accepted exceptions that are in force.
    written : Routine
        The routine as written; the mirrored side takes its luck from it.
    document, robot, believed, true : Document
        The files.
    own_map : str
        Path of the map that the routine names.
    """

    case: Case
    written: Routine
    document: Document
    robot: Document
    believed: Document
    true: Document
    own_map: str = ""

    def tell(self) -> str:
        """Return the command that tells a trial of this case, without the trial and the seed."""
        words = ["driftgate", "explain", self.document.path]
        if self.case.side == "mirrored":
            words.append("--mirrored")
        if self.true.path != self.own_map:
            words += ["--field", self.true.path]
        if self.believed.path != self.own_map:
            words.append("--carry-field")
        return shlex.join(words)


def sides_of(routine: Routine) -> tuple[Side, ...]:
    """Return the sides of the field that a routine is judged on."""
    return ("as written", "mirrored") if routine.mirror else ("as written",)


def cases_of(
    loaded: LoadedRoutine, override: FieldOverride | None = None, today: date | None = None
) -> tuple[NamedCase, ...]:
    """Return every case of a routine: each true map, each side.

    The believed map is the routine's own field map; the true map is that map and each variant. A
    field map given apart adds a case, and is believed there only if it is to be carried. Of the
    routine's exceptions a case holds those that are in force on the day given; all without one.

    Raises
    ------
    ModelError
        If the routine is to be mirrored and its map has no mirror line.
    """
    pairs = [(loaded.field, loaded.field), *((loaded.field, variant) for variant in loaded.variants)]
    if override is not None:
        believed = override.document if override.carry else loaded.field
        known = {(a.path, b.path) for a, b in pairs}
        if (believed.path, override.document.path) not in known:
            pairs.append((believed, override.document))
    found = []
    for believed, true in pairs:
        for side in sides_of(loaded.document.routine):
            found.append(_named(loaded, believed, true, side, today))
    return tuple(found)


def _named(
    loaded: LoadedRoutine, believed: Document, true: Document, side: Side, today: date | None
) -> NamedCase:
    written = loaded.document.routine
    routine = written if side == "as written" else mirror_routine(written, believed.field_map)
    case = Case(in_force(routine, today), loaded.robot.robot, believed.field_map, true.field_map, side)
    return NamedCase(case, written, loaded.document, loaded.robot, believed, true, loaded.field.path)


def one_case(
    loaded: LoadedRoutine,
    override: FieldOverride | None = None,
    side: Side = "as written",
    today: date | None = None,
) -> NamedCase:
    """Return one case of a routine: on its own map, or on the one given apart.

    Raises
    ------
    InputError
        If the side is mirrored and the routine's map has no mirror line.
    """
    true = loaded.field if override is None else override.document
    believed = true if override is not None and override.carry else loaded.field
    try:
        return _named(loaded, believed, true, side, today)
    except ModelError as error:
        raise InputError(f"{loaded.document.path} cannot be mirrored: {error}") from error
