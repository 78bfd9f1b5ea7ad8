"""The routine as one list of steps: repetitions unrolled, each step with its place and its label."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, assert_never

from driftgate.plan.values import DocPath
from driftgate.schema.routine import (
    Actuate,
    Advance,
    AnyStep,
    Arc,
    Checkpoint,
    Curve,
    DriveTo,
    Face,
    Look,
    Pause,
    Repeat,
    Rotate,
    Sidestep,
    SquareUp,
    TurnTo,
)

_MOST_DECIMALS: Final = 6


@dataclass(frozen=True)
class FlatStep:
    """One step to plan, its place in the document, and in which round of which repetition it is."""

    step: AnyStep
    doc_path: DocPath
    rounds: tuple[tuple[int, int], ...] = ()

    @property
    def label(self) -> str:
        """For people, with the rounds, the outermost first."""
        rounds = ", ".join(f"round {number} of {times}" for number, times in self.rounds)
        return describe(self.step) + (f" ({rounds})" if rounds else "")


def count_steps(steps: Sequence[AnyStep]) -> int:
    """Return how many steps there are when all repetitions are unrolled."""
    return sum(step.times * count_steps(step.steps) if isinstance(step, Repeat) else 1 for step in steps)


def flatten(
    steps: Sequence[AnyStep], path: DocPath = ("steps",), rounds: tuple[tuple[int, int], ...] = ()
) -> Iterator[FlatStep]:
    """Yield the steps in the order they are done."""
    for i, step in enumerate(steps):
        if isinstance(step, Repeat):
            for number in range(1, step.times + 1):
                yield from flatten(step.steps, (*path, i, "steps"), (*rounds, (number, step.times)))
        else:
            yield FlatStep(step, (*path, i), rounds)


def describe(step: AnyStep) -> str:
    """Return what a step does, for people."""
    match step:
        case DriveTo():
            return f"drive to {_point(step.to)}{_back(step.backwards)}"
        case Curve():
            through = f" through {n} points" if (n := len(step.through)) > 1 else ""
            return f"curve{through} to {_point(step.through[-1])}{_back(step.backwards)}"
        case TurnTo():
            return f"turn to {_degrees(step.to)}"
        case Face():
            return f"face {'away from ' if step.backwards else ''}{_point(step.point)}"
        case Advance():
            return f"advance {_digits(step.distance, 3)} m"
        case Rotate():
            return f"rotate {_degrees(step.angle)}"
        case Arc():
            return (
                f"arc of radius {_digits(step.radius, 3)} m by {_degrees(step.angle)}{_back(step.backwards)}"
            )
        case Sidestep():
            return (
                f"sidestep {_digits(abs(step.distance), 3)} m {'left' if step.distance >= 0.0 else 'right'}"
            )
        case SquareUp():
            return f"square up against {step.against}{_back(step.backwards)}"
        case Pause():
            return f"pause {_digits(step.time, 2)} s"
        case Look():
            return f"look {_digits(step.time, 2)} s"
        case Actuate():
            return f"actuate {step.mechanism}"
        case Checkpoint():
            return f"checkpoint {step.name}"
        case Repeat():
            return f"repeat {step.times} times"
        case _:
            assert_never(step)


def _point(point: tuple[float, float]) -> str:
    return f"({_digits(point[0], 2)}, {_digits(point[1], 2)}) m"


def _degrees(angle_rad: float) -> str:
    return f"{_digits(math.degrees(angle_rad), 1)} deg"


def _digits(value: float, least: int) -> str:
    """Return a number as the routine says it, so that no edit hides: so many decimals or more, up to six.

    Six leave out what converting units adds (745 mm is no exact number of metres in binary).
    """
    whole, _, decimals = f"{round(value, _MOST_DECIMALS) + 0.0:.{_MOST_DECIMALS}f}".partition(".")
    return f"{whole}.{decimals.rstrip('0').ljust(least, '0')}"


def _back(backwards: bool) -> str:
    return " backwards" if backwards else ""
