"""What a night's report needs."""

from __future__ import annotations

from dataclasses import dataclass

from driftgate.core.findings import Finding
from driftgate.judge.night import Night, place_words
from driftgate.judge.trend import Shift


@dataclass(frozen=True)
class Series:
    """One tolerance of one case as it is, over the nights; tuples of one length.

    Attributes
    ----------
    routine, carried, field, side, tolerance : str
        Which.
    nights : tuple of str
        Days, rising.
    required : tuple of float
        Probability required.
    trials, successes, half : tuple of int
        As in `driftgate.judge.night.Counted`.
    used : tuple of float or None
        Share of the tolerance used.
    inputs : tuple of tuple of (str, str)
        Of each night: what the result hangs on, and its fingerprint.
    """

    routine: str
    carried: str
    field: str
    side: str
    tolerance: str
    nights: tuple[str, ...]
    required: tuple[float, ...]
    trials: tuple[int, ...]
    successes: tuple[int, ...]
    half: tuple[int, ...]
    used: tuple[float | None, ...]
    inputs: tuple[tuple[tuple[str, str], ...], ...]

    @property
    def key(self) -> tuple[str, str, str, str, str]:
        """What names it from night to night: of its case, and the tolerance."""
        return self.routine, self.carried, self.field, self.side, self.tolerance

    @property
    def place(self) -> str:
        """Field and side, for people."""
        return place_words(self.field, self.side)

    def changed(self, index: int) -> tuple[str, ...]:
        """Return which inputs of a night differ from those of the night before."""
        if index == 0:
            return ()
        before = dict(self.inputs[index - 1])
        return tuple(name for name, key in self.inputs[index] if before.get(name) != key)


@dataclass(frozen=True)
class Change:
    """Since when a tolerance holds more or less often.

    Attributes
    ----------
    series : Series
        The tolerance.
    early : bool
        Whether it shows at half of the tolerance, and not in success itself.
    shift : Shift
        The change.
    """

    series: Series
    early: bool
    shift: Shift

    @property
    def since(self) -> str:
        """The first night after the change."""
        return self.series.nights[self.shift.at]

    @property
    def inputs(self) -> tuple[str, ...]:
        """Which inputs changed then."""
        return self.series.changed(self.shift.at)


@dataclass(frozen=True)
class NightReport:
    """A night, and what became of the nights before.

    Attributes
    ----------
    version : str
        driftgate's.
    findings : tuple of Finding
        Of the files and the history.
    night : Night or None
        None where nothing was run.
    before : Night or None
        The latest night before it.
    kept : bool
        Whether it is in a history.
    series : tuple of Series
        Every tolerance over the nights, this one included.
    changes : tuple of Change
        The largest losses first.
    status, why, command
        As in any report.
    """

    version: str
    findings: tuple[Finding, ...]
    night: Night | None
    before: Night | None
    kept: bool
    series: tuple[Series, ...]
    changes: tuple[Change, ...]
    status: int
    why: str
    command: str
