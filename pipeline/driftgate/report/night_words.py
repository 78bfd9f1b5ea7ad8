"""What the reports of a night say, apart from their format."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from driftgate.judge.night import AS_IT_IS, CONTACT, Cell, Counted, Night, NightCase
from driftgate.judge.values import SEVERITY, Status
from driftgate.report.digits import exact, percent
from driftgate.report.night_model import Change, NightReport

# Kinds of fault in the order of the tables: what stands before the colon of a fault's key.
KINDS: Final = {
    "dead": "a sensor dead",
    "stuck": "a sensor stuck",
    "askew": "a sensor knocked askew",
    "gyro": "gyro drift doubled",
    "floor": "bumpy floor everywhere",
    "battery": "low battery",
    "start": "put down off its mark",
    "build": "field built at its tolerance's edge",
    "stray-beside": "strayed beside the way",
    "stray-in-the-way": "strayed into the way",
}
SURVIVES: Final[dict[Status, str]] = {"pass": "survives", "undecided": "open", "fail": "breaks"}


def left_words(used: float | None) -> str:
    """Return the margin that a share of a tolerance leaves, rounded down; "-" where it is unknown."""
    if used is None:
        return "-"
    # The difference is rounded off first, or 80 % used would leave 19 %.
    return percent(round(1.0 - used, 12), 0.0, digits=0, direction="down")


def kind_of(fault: str) -> str:
    """Return the kind of a fault."""
    return fault.partition(":")[0]


@dataclass(frozen=True)
class Placed:
    """A cell with the case that it belongs to."""

    case: NightCase
    cell: Cell

    def rank(self) -> tuple[int, float, float, str]:
        """Return what sorts the worst first: verdict, success, the share of a tolerance used."""
        used = math.inf if self.cell.used is None else self.cell.used
        return SEVERITY.index(self.cell.status), self.cell.share, -used, self.cell.title


@dataclass(frozen=True)
class KindRow:
    """A kind of fault over all routines.

    Attributes
    ----------
    kind, title : str
        The kind.
    worst : dict
        By routine, the worst cell over its fields, sides and sensors; none where it does not apply.
    """

    kind: str
    title: str
    worst: dict[str, Placed]

    @property
    def broken(self) -> int:
        """How many routines do not survive it."""
        return sum(one.cell.status == "fail" for one in self.worst.values())

    @property
    def share(self) -> float:
        """Mean over the routines of how often everything succeeds."""
        return sum(one.cell.share for one in self.worst.values()) / len(self.worst)

    @property
    def used(self) -> float:
        """The largest share of a tolerance that is used in any of the worst cells; infinite where unknown."""
        shares = [one.cell.used for one in self.worst.values()]
        return max(math.inf if share is None else share for share in shares)

    @property
    def margin(self) -> str:
        """The least margin of the worst cells."""
        return left_words(self.used if math.isfinite(self.used) else None)


def routines_of(night: Night) -> dict[str, str]:
    """Return the routines of a night in order: file and title."""
    return {case.routine: case.title for case in night.cases}


def matrix(night: Night) -> list[KindRow]:
    """Return every kind of fault with the worst cell of each routine, in the order of `KINDS`."""
    rows: dict[str, dict[str, Placed]] = {}
    for case in night.cases:
        for cell in case.cells:
            if cell.fault == AS_IT_IS:
                continue
            row = rows.setdefault(kind_of(cell.fault), {})
            placed = Placed(case, cell)
            if case.routine not in row or placed.rank() < row[case.routine].rank():
                row[case.routine] = placed
    order = [*KINDS, *(kind for kind in rows if kind not in KINDS)]
    return [KindRow(kind, KINDS.get(kind, kind), rows[kind]) for kind in order if kind in rows]


def ranking(night: Night) -> list[KindRow]:
    """Return the kinds of fault, what breaks most routines first, then by how often they still succeed."""
    return sorted(matrix(night), key=lambda row: (-row.broken, row.share, -row.used, row.title))


def worst_faults(night: Night, routine: str) -> list[Placed]:
    """Return the faults of a routine, each at the field and side where it is worst, the worst first."""
    found: dict[str, Placed] = {}
    for case in night.cases:
        for cell in case.cells if case.routine == routine else ():
            placed = Placed(case, cell)
            if cell.fault != AS_IT_IS and (
                cell.fault not in found or placed.rank() < found[cell.fault].rank()
            ):
                found[cell.fault] = placed
    return sorted(found.values(), key=Placed.rank)


def verdict_changes(before: Night, now: Night) -> list[str]:
    """Return which verdicts differ between two nights, cases as they are first."""
    old = {(case.key, cell.fault): cell for case in before.cases for cell in case.cells}
    plain, faulty = [], []
    for case in now.cases:
        for cell in case.cells:
            earlier = old.get((case.key, cell.fault))
            if earlier is None or earlier.status == cell.status:
                continue
            where = f"{case.routine} {case.place}"
            if cell.fault == AS_IT_IS:
                plain.append(f"{where}: {earlier.status} before, {cell.status} now")
            else:
                faulty.append(
                    f"{where}, {cell.title}: {SURVIVES[earlier.status]} before, {SURVIVES[cell.status]} now"
                )
    return plain + faulty


def input_changes(before: Night, now: Night) -> list[str]:
    """Return what a night's results hang on that differs from the night before: files, driftgate, cases."""
    found: dict[str, None] = {}
    if before.software != now.software:
        versions = f": {before.version} to {now.version}" if before.version != now.version else ""
        found[f"driftgate, or what it computes with{versions}"] = None
    old = {case.key: case for case in before.cases}
    for case in now.cases:
        if case.key not in old:
            found[f"new: {case.routine} {case.place}"] = None
            continue
        earlier = dict(old[case.key].inputs)
        files = {
            "routine": case.routine,
            "robot": case.robot,
            "carried map": case.carried,
            "field": case.field,
        }
        for name, key in case.inputs:
            if earlier.get(name) != key:
                found[files[name]] = None
    here = {case.key for case in now.cases}
    for gone, was in old.items():
        if gone not in here:
            found[f"gone: {was.routine} {was.place}"] = None
    return list(found)


def change_words(change: Change) -> str:
    """Return a change in one line, without its series' name."""
    shift, series = change.shift, change.series
    word = "worse" if shift.worse else "better"
    what = "stays within half of the tolerance" if change.early else "holds"
    before, after = percent(shift.before, digits=2), percent(shift.after, digits=2)
    inputs = ", ".join(change.inputs) or "nothing that is known"
    return (
        f"{word} since {change.since}: {what} in {after} of the trials, {before} before "
        f"({series.nights[shift.begin]} to {series.nights[shift.at - 1]}); changed that night: {inputs}"
    )


def series_words(change: Change) -> str:
    """Return the tolerance that a change is of."""
    series = change.series
    return f"{series.routine} {series.place}, {series.tolerance}"


def margin_words(one: Counted) -> str:
    """Return what is left of the tolerance at the required probability."""
    return left_words(one.used)


def cell_margin(cell: Cell) -> str:
    """Return what is left of the tightest tolerance of a cell."""
    return left_words(cell.used)


def bound_words(one: Counted) -> str:
    """Return what is known of the probability of success against what is required.

    Of contact it is the other way round, as people speak of it.
    """
    if one.name == CONTACT:
        touched, allowed = one.trials - one.successes, exact(round(1.0 - one.required, 12), 100)
        high = percent(1.0 - one.lower, direction="up")
        return f"in {touched} of {one.trials} trials, p <= {high} ({allowed} % allowed)"
    need = f"need {exact(one.required, 100)} %"
    low = percent(one.lower, one.required, direction="down")
    high = percent(one.upper, one.required, direction="up")
    if one.status == "pass":
        return f"p >= {low} ({need})"
    if one.status == "fail":
        return f"p <= {high} ({need})"
    return f"p from {low} to {high} ({need})"


def trials_words(night: Night) -> str:
    """Return how the night was sampled."""
    words = f"{night.trials} trials of each case as it is"
    if night.fault_trials:
        words += (
            f", {night.fault_trials} under each fault, {night.scout_trials} others for each place or "
            "way that a search tries"
        )
    return f"{words}; seed {night.seed}, the night's own; confidence {exact(night.confidence, 100)} %"


def tried_words(night: Night) -> str:
    """Return how many places and ways were tried for the worst."""
    tried = sum(cell.tried for case in night.cases for cell in case.cells if cell.tried > 1)
    return f"{tried} places and ways were tried for the worst ones"


def alarm_words(report: NightReport) -> str:
    """Return what is looked for over the nights, and how often it would be a false alarm."""
    from driftgate.judge.trend import FALSE_ALARMS

    nights = max((len(series.nights) for series in report.series), default=0)
    return (
        f"{nights} {'night' if nights == 1 else 'nights'} in the history. Changes are looked for at nights "
        "whose inputs differ from the night before; were there none, at most one report in "
        f"{1.0 / FALSE_ALARMS:.0f} would name any."
    )
