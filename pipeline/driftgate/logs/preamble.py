"""What a log says of itself before its header row."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import PurePosixPath, PureWindowsPath
from typing import Final

from driftgate.core.errors import UnitError
from driftgate.core.units import parse_quantity
from driftgate.load.text import shorten
from driftgate.load.wording import did_you_mean, one_of
from driftgate.logs.cells import foreign_separator
from driftgate.logs.table import Entry, Table
from driftgate.logs.values import ORIGINS, Origin
from driftgate.schema.accepted import DAY_EXAMPLE, parse_day

FORMAT: Final = "1"
LOG_KEY: Final = "driftgate log"
BEACONS_KEY: Final = "driftgate beacons"
_KEYS: Final = ("run", "day", "robot", "routine", "field", "origin", "reference spread", "note")
_LONGEST: Final = 200


@dataclass(frozen=True)
class Preamble:
    """The entries of a log's preamble, None where there is none; `entries` has their places by key."""

    entries: dict[str, Entry]
    run: str | None = None
    day: date | None = None
    origin: Origin | None = None
    robot: str | None = None
    routine: str | None = None
    field: str | None = None
    reference_spread: tuple[float, float, float] | None = None


def first_line_holds(table: Table, key: str) -> bool:
    """Say whether the file opens with "# key: 1"; if not, a finding says so."""
    first = table.preamble[0] if table.preamble and table.preamble[0].line == 1 else None
    if first is None or first.key != key:
        table.page.say(
            "DG601", 1, 1, f"the first line is not '# {key}: {FORMAT}'", f"write '# {key}: {FORMAT}'"
        )
        return False
    if first.value != FORMAT:
        words = f"this driftgate reads format {FORMAT}, not '{shorten(first.value)}'"
        table.page.say("DG601", 1, first.value_at, words, foreign_separator(first.value))
        return False
    return True


def read_preamble(table: Table) -> Preamble:
    """Return what the preamble of a log says; faults become findings of its page."""
    found: dict[str, Entry] = {}
    for entry in table.preamble[1:]:
        if entry.key not in _KEYS:
            words = f"unknown key '{shorten(entry.key)}'"
            table.page.say("DG602", entry.line, entry.key_at, words, did_you_mean(entry.key, _KEYS))
        elif entry.key in found and entry.key != "note":
            words = f"'{entry.key}' stands in line {found[entry.key].line} already"
            table.page.say("DG602", entry.line, entry.key_at, words, "delete one of them")
        elif len(entry.value) > _LONGEST:
            words = f"the value has {len(entry.value)} characters, at most {_LONGEST} are read"
            table.page.say("DG602", entry.line, entry.value_at, words)
        elif not entry.value:
            table.page.say("DG602", entry.line, entry.value_at, f"'{entry.key}' has no value")
        else:
            found[entry.key] = entry
    return Preamble(
        found,
        run=found["run"].value if "run" in found else None,
        day=_day(table, found),
        origin=_origin(table, found),
        robot=_file(table, found, "robot"),
        routine=_file(table, found, "routine"),
        field=_file(table, found, "field"),
        reference_spread=_spread(table, found),
    )


def _origin(table: Table, found: dict[str, Entry]) -> Origin | None:
    entry = found.get("origin")
    if entry is None:
        if not any(e.key == "origin" for e in table.preamble):
            table.page.say(
                "DG602", 1, 1, "the preamble does not say the run's origin", "add '# origin: measured'"
            )
        return None
    if entry.value not in ORIGINS:
        words = f"expected {one_of(ORIGINS)}, got '{shorten(entry.value)}'"
        table.page.say("DG602", entry.line, entry.value_at, words)
        return None
    return entry.value


def _day(table: Table, found: dict[str, Entry]) -> date | None:
    entry = found.get("day")
    if entry is None:
        return None
    try:
        return parse_day(entry.value)
    except ValueError:
        words = f"'{shorten(entry.value)}' is no day"
        advice = f"write it as year-month-day, for example {DAY_EXAMPLE}"
        table.page.say("DG602", entry.line, entry.value_at, words, advice)
    return None


def _file(table: Table, found: dict[str, Entry], key: str) -> str | None:
    entry = found.get(key)
    if entry is None:
        return None
    name = entry.value
    absolute = PurePosixPath(name).is_absolute() or bool(PureWindowsPath(name).drive)
    if absolute or "\\" in name or ".." in PurePosixPath(name).parts:
        words = f"'{shorten(name)}' is no path from the repository's root"
        table.page.say(
            "DG602", entry.line, entry.value_at, words, "write it like 'routines/robots/wren.yaml'"
        )
        return None
    return name


def _spread(table: Table, found: dict[str, Entry]) -> tuple[float, float, float] | None:
    entry = found.get("reference spread")
    if entry is None:
        return None
    example = "write for example '2 mm, 2 mm, 0.2 deg'"
    parts = entry.value.split(",")
    try:
        if len(parts) != 3:
            raise UnitError(f"expected three spreads: of x, y and heading, got {len(parts)}")
        x, y = (parse_quantity(part.strip(), "length") for part in parts[:2])
        heading = parse_quantity(parts[2].strip(), "angle")
        if not (min(x, y, heading) > 0.0 and max(x, y) < 10.0 and heading < 3.2):
            raise UnitError("a spread is more than 0, and less than 10 m or 180 deg")
    except UnitError as error:
        table.page.say("DG602", entry.line, entry.value_at, str(error), example)
        return None
    return x, y, heading
