"""What the reports of a night say, apart from their format."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from driftgate.judge.night import AS_IT_IS, Cell, Counted, Effect, Night, NightCase
from driftgate.judge.sampling import RARE_FROM, beyond_plain
from driftgate.judge.values import SEVERITY
from driftgate.report.digits import exact, percent
from driftgate.report.night_figures import left_words
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
# The worst first; what fails anyway says nothing of a fault.
_EFFECTS: Final[tuple[Effect, ...]] = ("breaks", "open", "survives", "already fails")


ALL_HOLD: Final = "Every routine holds on every field and side."
SAME_INPUTS: Final = "No input changed: the same model, other luck."
UNKNOWN_MARGIN: Final = (
    "margin -: not known, since trials fail for another reason than distance (contact, time), or are too few"
)
EFFECT_WORDS: Final = (
    "Survives: every tolerance still holds; breaks: one fails that does not fail as it is; open: the trials "
    "do not tell; already fails: it fails as it is, at every place."
)


def kind_of(fault: str) -> str:
    """Return the kind of a fault."""
    return fault.partition(":")[0]


@dataclass(frozen=True)
class Placed:
    """A cell with the case that it belongs to."""

    case: NightCase
    cell: Cell

    @property
    def effect(self) -> Effect:
        """What the fault does there."""
        return self.case.effect(self.cell)

    @property
    def breaks_first(self) -> str:
        """What it breaks first; empty where it breaks nothing, or nothing that it is shown to break."""
        return self.case.breaks_first(self.cell) if self.effect == "breaks" else ""

    def rank(self) -> tuple[int, float, float, str]:
        """Return what sorts the worst first: effect, success, the share of a tolerance used."""
        used = math.inf if self.cell.used is None else self.cell.used
        return _EFFECTS.index(self.effect), self.cell.share, -used, self.cell.title


@dataclass(frozen=True)
class KindRow:
    """A kind of fault over all routines.

    Attributes
    ----------
    kind, title : str
        The kind.
    worst : dict
        By routine, the worst cell over its fields, sides and sensors; none where it does not apply. A place
        at which the routine fails as it is counts only where it does so at all places.
    """

    kind: str
    title: str
    worst: dict[str, Placed]

    @property
    def sound(self) -> list[Placed]:
        """The worst cells of the routines that do not fail anyway."""
        return [one for one in self.worst.values() if one.effect != "already fails"]

    @property
    def broken(self) -> int:
        """How many routines it breaks."""
        return sum(one.effect == "breaks" for one in self.worst.values())

    @property
    def share(self) -> float | None:
        """Mean over the sound routines of how often everything succeeds; None without any."""
        return sum(one.cell.share for one in self.sound) / len(self.sound) if self.sound else None

    @property
    def used(self) -> float:
        """The largest share of a tolerance that a sound routine uses at its worst; infinite if unknown."""
        shares = [one.cell.used for one in self.sound]
        return max((math.inf if share is None else share for share in shares), default=math.inf)

    @property
    def broken_words(self) -> str:
        """How many routines it breaks of how many."""
        anyway = len(self.worst) - len(self.sound)
        words = f"{self.broken} of {len(self.worst)}"
        return f"{words} ({anyway} already {'fails' if anyway == 1 else 'fail'})" if anyway else words

    @property
    def share_words(self) -> str:
        """The mean, for people."""
        return "-" if self.share is None else percent(self.share)

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


@dataclass(frozen=True)
class RoutineRow:
    """A routine over all kinds of fault.

    Attributes
    ----------
    routine, title : str
        File and title.
    worst : dict
        By kind of fault, the worst cell over its fields, sides and sensors.
    """

    routine: str
    title: str
    worst: dict[str, Placed]

    def rank(self) -> tuple[int, float]:
        """Return what sorts first the routine that most faults break, then by its worst success."""
        broken = sum(placed.effect == "breaks" for placed in self.worst.values())
        return -broken, min((placed.cell.share for placed in self.worst.values()), default=1.0)


def by_routine(night: Night) -> list[RoutineRow]:
    """Return every routine that meets a fault, the one that most faults break first."""
    rows = matrix(night)
    found = [
        RoutineRow(name, title, {row.kind: row.worst[name] for row in rows if name in row.worst})
        for name, title in routines_of(night).items()
    ]
    return sorted((row for row in found if row.worst), key=RoutineRow.rank)


def as_it_is(night: Night) -> list[tuple[NightCase, Counted | None]]:
    """Return every tolerance of every case as it is, what does not pass first; None: infeasible."""
    found: list[tuple[NightCase, Counted | None]] = []
    for case in night.cases:
        cell = case.as_it_is
        found += [(case, None)] if cell is None else [(case, one) for one in cell.tolerances]
    return sorted(found, key=_shortfall)


def _shortfall(item: tuple[NightCase, Counted | None]) -> tuple[int, float]:
    one = item[1]
    if one is None:
        return -1, 0.0
    # Among those that pass the order of the files is the better one.
    return SEVERITY.index(one.status), 0.0 if one.status == "pass" else one.share - one.required


def short_of(night: Night) -> list[tuple[NightCase, Counted | None]]:
    """Return what does not pass as it is, the worst first."""
    return [item for item in as_it_is(night) if item[1] is None or item[1].status != "pass"]


def ranking(night: Night) -> list[KindRow]:
    """Return the kinds of fault, what breaks most routines first, then by how often they still succeed."""
    return sorted(matrix(night), key=_row_rank)


def _row_rank(row: KindRow) -> tuple[int, float, float, str]:
    return -row.broken, math.inf if row.share is None else row.share, -row.used, row.title


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
    old = {(case.key, cell.fault): Placed(case, cell) for case in before.cases for cell in case.cells}
    plain, faulty = [], []
    for case in now.cases:
        for cell in case.cells:
            earlier = old.get((case.key, cell.fault))
            if earlier is None:
                continue
            where = f"{case.routine} {case.place}"
            if cell.fault == AS_IT_IS:
                then, now_is = earlier.cell.status, cell.status
                if then != now_is:
                    plain.append(f"{where}: {then} before, {now_is} now")
            else:
                did, does = earlier.effect, case.effect(cell)
                if did != does:
                    faulty.append(f"{where}, {cell.title}: {did} before, {does} now")
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


def trials_words(night: Night) -> str:
    """Return how the night was sampled."""
    words = f"{night.trials} trials of each case as it is"
    if beyond_plain(_required(night)):
        words += f", and weighted ones for what requires {exact(RARE_FROM, 100)} % or more"
    if night.fault_trials:
        words += (
            f", {night.fault_trials} under each fault, {night.scout_trials} others for each place or "
            "way that a search tries"
        )
    return f"{words}; seed {night.seed}, the night's own; confidence {exact(night.confidence, 100)} %"


def open_words(night: Night) -> str:
    """Return which requirements the trials under a fault cannot show, for they are too few; empty if none."""
    from driftgate.judge.bounds import needed_trials

    required = {
        one.required
        for case in night.cases
        for cell in case.cells
        if cell.fault != AS_IT_IS
        for one in cell.tolerances
        if one.required < 1.0 and needed_trials(one.required, night.confidence) > night.fault_trials
    }
    if not required:
        return ""
    needed = needed_trials(max(required), night.confidence)
    shares = " and ".join(f"{exact(round(share, 12), 100)} %" for share in sorted(required))
    return (
        f"{night.fault_trials} trials cannot show {shares}: what requires that is open under a fault unless "
        f"it breaks (--fault-trials {needed} can show it)"
    )


def _required(night: Night) -> list[float]:
    cells = [case.as_it_is for case in night.cases]
    return [one.required for cell in cells if cell is not None for one in cell.tolerances]


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
