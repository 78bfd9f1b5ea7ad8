"""The routine as one list of steps: repetitions unrolled, each step with its place and its label."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import assert_never

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
            return f"advance {step.distance:.3f} m"
        case Rotate():
            return f"rotate {_degrees(step.angle)}"
        case Arc():
            return f"arc of radius {step.radius:.3f} m by {_degrees(step.angle)}{_back(step.backwards)}"
        case Sidestep():
            return f"sidestep {abs(step.distance):.3f} m {'left' if step.distance >= 0.0 else 'right'}"
        case SquareUp():
            return f"square up against {step.against}{_back(step.backwards)}"
        case Pause():
            return f"pause {step.time:.2f} s"
        case Look():
            return f"look {step.time:.2f} s"
        case Actuate():
            return f"actuate {step.mechanism}"
        case Checkpoint():
            return f"checkpoint {step.name}"
        case Repeat():
            return f"repeat {step.times} times"
        case _:
            assert_never(step)


def _point(point: tuple[float, float]) -> str:
    return f"({point[0]:.2f}, {point[1]:.2f}) m"


def _degrees(angle_rad: float) -> str:
    return f"{math.degrees(angle_rad):.1f} deg"


def _back(backwards: bool) -> str:
    return " backwards" if backwards else ""
