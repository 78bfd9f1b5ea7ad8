"""What the stages found out about a case, apart from files, lines and array libraries.

`run.assemble` puts it at today's places in the files. Plain and small, so that it can be kept.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from driftgate.core.findings import DocPath, Level
from driftgate.judge.silent_value import Silent
from driftgate.judge.values import CaseVerdict
from driftgate.report.model import DarkTime, ReadingRow

T = TypeVar("T")

# No text from a file can hold this character: loading refuses it.
_MARK: Final = re.compile("\0([0-9]{1,9})\0")


@dataclass(frozen=True)
class StepFact:
    """A planned step: its name, what it does, where it stands in the document."""

    name: str | None
    label: str
    doc_path: DocPath


@dataclass(frozen=True)
class FindingFact:
    """A finding of the plan or sight stage, tied to a place in the document."""

    code: str
    doc_path: DocPath
    message: str
    level: Level
    suggestion: str


@dataclass(frozen=True)
class PlanFacts:
    """What the plan and sight stages say of a case.

    Attributes
    ----------
    steps : tuple of StepFact
        The planned steps.
    findings : tuple of FindingFact
        What they found.
    duration_s : float
        Planned duration. [s]
    energy_j : float
        Largest kinetic energy of the robot's travel on the plan, m v^2 / 2. [J]
    dark : tuple of DarkTime
        When no sensor can give a fix.
    tolerances : int
        How many tolerances are judged, contact included; none where the plan is infeasible.
    """

    steps: tuple[StepFact, ...]
    findings: tuple[FindingFact, ...]
    duration_s: float
    energy_j: float
    dark: tuple[DarkTime, ...]
    tolerances: int

    @property
    def feasible(self) -> bool:
        """Whether there is something to predict."""
        return self.tolerances > 0


@dataclass(frozen=True)
class JudgedFacts:
    """The verdict on a case, its texts with marks for steps, what became of readings, who gives no fix."""

    verdict: CaseVerdict
    readings: tuple[ReadingRow, ...]
    silent: tuple[Silent, ...] = ()


def steps_named(text: str) -> tuple[int, ...]:
    """Return the planned steps that a text has marks for, in order, each once."""
    return tuple(dict.fromkeys(int(mark.group(1)) for mark in _MARK.finditer(text)))


def step_mark(index: int) -> str:
    """Return a mark that stands for a planned step in a text until its line is known."""
    return f"\0{index}\0"


def with_steps(value: T, describe: Callable[[int], str]) -> T:
    """Return a value with every mark in its texts replaced by the words for that step.

    Parameters
    ----------
    value : object
        A frozen dataclass, a tuple or a plain value.
    describe : callable
        Words for a planned step's index.
    """

    def filled(inner: Any) -> Any:
        if isinstance(inner, str):
            return _MARK.sub(lambda mark: describe(int(mark.group(1))), inner)
        if isinstance(inner, tuple):
            return tuple(filled(item) for item in inner)
        if dataclasses.is_dataclass(inner) and not isinstance(inner, type):
            changes = {}
            for field in dataclasses.fields(inner):
                before = getattr(inner, field.name)
                after = filled(before)
                if after != before:
                    changes[field.name] = after
            return dataclasses.replace(inner, **changes) if changes else inner
        return inner

    result: T = filled(value)
    return result
