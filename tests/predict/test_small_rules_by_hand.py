"""Rules of one line each, at the places where they change over."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.core.errors import ModelError
from driftgate.predict import prepare, run_trials
from driftgate.predict.bounds import ANGLE_SLACK_RAD, FEW, POSITION_SLACK_M, SHARES, Bounded
from driftgate.predict.path_record import PathRecorder
from driftgate.predict.story import replay
from driftgate.predict.trial_motion import sinc_half
from driftgate.predict.trial_world import _clear_of_walls
from driftgate.predict.trials_engine import run_recorded
from driftgate.predict.values import Outcome
from driftgate.schema.case import Case
from driftgate.schema.routine import PoseOff
from driftgate.sight.values import Reason
from driftgate.world.build import build_world

from .scenes import GUESS, field_map, prepared, robot, routine, run, single_reading

LOOK = {"do": "look", "time": "0.1 s"}


@pytest.mark.parametrize("turn_rad", [0.0, 0.01, -0.3, 1.0, 1.4, -1.4])
def test_law_the_chord_of_a_turn(turn_rad: float) -> None:
    """A chord over its arc, sin(a / 2) / (a / 2), to 1e-9 up to 1.4 rad."""
    exact = math.sin(0.5 * turn_rad) / (0.5 * turn_rad) if turn_rad else 1.0
    assert sinc_half(turn_rad) == pytest.approx(exact, abs=1e-9)


def test_law_a_stray_keeps_off_the_walls_alone() -> None:
    """100 mm of reach: no nearer to a wall, and inside; a structure is nothing to it."""
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.6 m", "width": "0.3 m"}},
        "at": {"x": "0 m", "y": "0 m"},
    }
    world = build_world(field_map(x=(-2.0, 2.0), y=(-1.0, 1.0), structures=[bench]))
    places = [(0.0, 0.16), (0.0, 0.2), (0.0, 0.89), (0.0, 0.91), (1.91, 0.0), (-1.89, 0.0), (2.5, 0.0)]
    found = _clear_of_walls(world, *np.array(places).T, 0.1)
    assert found.tolist() == [True, True, True, False, False, True, False]


@pytest.mark.parametrize(
    ("trials", "more"),
    [(0, {}), (-1, {}), (2, {"first": -1}), (2, {"seed": -1}), (2, {"batch": 0})],
)
def test_err_numbers_of_trials_out_of_range(trials: int, more: dict[str, Any]) -> None:
    """At least one trial in a batch of at least one, from number and seed zero on."""
    case = prepared([LOOK])
    with pytest.raises(ModelError, match="must be positive"):
        run_trials(case, trials, **{"seed": 1, **more})


def test_law_the_least_numbers_of_trials() -> None:
    """One trial, of number zero and seed zero, in a batch of one."""
    found = run_trials(prepared([LOOK]), 1, seed=0, first=0, batch=1)
    assert found.trials == 1


def test_law_outcomes_are_reasons_as_far_as_these_go() -> None:
    """Same number, same name, up to TURNING; no two reasons and no two outcomes are one."""
    assert [r.name for r in list(Reason)[1:10]] == [o.name for o in list(Outcome)[1:10]]
    assert [int(r) for r in list(Reason)[:10]] == [int(o) for o in list(Outcome)[:10]] == list(range(10))
    assert Reason(0) is Reason.USABLE
    assert Outcome(0) is Outcome.ACCEPTED
    assert (len(Reason), len(Outcome)) == (13, 13)
    assert [r.words for r in Reason] == [r.name.lower().replace("_", " ") for r in Reason]
    # The robot's own tests know nothing of what comes after its turning.
    assert [r.name for r in Reason if r.tried] == ["USABLE", "OBSTRUCTED", "OVER_OR_UNDER", "FLOOR_FIRST"]


@pytest.mark.parametrize(
    ("axis", "reach"), [(0, POSITION_SLACK_M), (1, POSITION_SLACK_M), (2, ANGLE_SLACK_RAD)]
)
def test_law_a_trial_on_a_bound_is_inside_it(axis: int, reach: float) -> None:
    """By place and by turn; of so many trials that one may be left out the one beyond is."""
    poses = np.zeros((3, math.ceil(1.0 / FEW)))
    poses[axis, 5], poses[axis, 7] = SHARES[2] * reach, -SHARES[3] * reach
    found = Bounded(*poses)
    assert (found.level, found.far.tolist()) == (3, [])
    level, few = found.most()
    assert (level, few.tolist()) == (2, [7])
    poses[axis, 7] = reach
    assert (Bounded(*poses).level, Bounded(*poses).far.tolist()) == (len(SHARES) - 1, [])


def test_law_a_belief_that_sees_nothing_refuses_the_planned_surface_wrongly() -> None:
    """The gyro drifts at rest; whoever believes to look past the bench refuses an echo that came from it.

    The bench, 1 m wide and 1 m off, is seen from 26.6 degrees to either side; over the walls nothing is. The
    drift of 4 s takes the belief there in some trials, and no fix is made before.
    """
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.4 m", "width": "1 m"}},
        "at": {"x": "1.2 m", "y": "0 m"},
        "reference": True,
    }
    field = field_map(structures=[bench], wall_height={"low": "0 m", "high": "50 mm"})
    machine = robot(
        {"heading_bias": run(mean="0 deg/s", spread="6 deg/s")},
        [single_reading("ahead", 0.0, 4.0)],
        {"when": "always", "validity": {"reference": True}},
    )
    case = prepared([{"do": "pause", "time": "4 s"}], machine, believed=field)
    found = replay(case, np.arange(60), 1)
    past = np.abs(found.record.belief[0, 2]) > math.atan2(0.5, 1.0)
    assert 5 < past.sum() < 55
    counts = found.trials.counts[0, 0]
    assert counts[Outcome.NO_SURFACE] == past.sum()
    assert counts[Outcome.ACCEPTED] == 60 - past.sum()
    assert found.trials.wrongly_refused.sum() == past.sum()
    assert found.trials.wrongly_accepted.sum() == 0


@pytest.mark.parametrize("behind_m", [0.0, 0.3])
@pytest.mark.parametrize("before", [[], [{"do": "pause", "time": "0.1 s"}]])
def test_law_the_knot_of_a_first_contact(behind_m: float, before: list[dict[str, Any]]) -> None:
    """The first at which the bumper is at the pot, -1 where it does not get there; and its step."""
    pot = {
        "id": "pot",
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": "0.7 m", "y": "0 m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
    }
    document = routine([*before, {"do": "advance", "distance": "0.6 m"}])
    start = document.start.model_copy(update={"off": PoseOff.model_validate({"x": f"{-behind_m!r} m"})})
    field = field_map(elements=[pot])
    case = prepare(Case(document.model_copy(update={"start": start}), robot(), field, field))
    record = PathRecorder(case, 3)
    found = run_recorded(case, np.arange(3), 1, record)
    bumper_m = case.plan.timeline.pose[:, 0] + 0.15
    knot = -1 if behind_m else int(np.argmax(bumper_m > 0.64))
    assert record.touch_knot.tolist() == [knot] * 3
    assert found.touch_step.tolist() == [-1 if behind_m else len(before)] * 3
    assert found.moments[-1].touched.tolist() == [not behind_m] * 3
