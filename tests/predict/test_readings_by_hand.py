"""What a sensor says, trial by trial: each kind of wrong reading from its own draws, in plain numbers.

A draw is addressed by seed, source and place. That a version draws otherwise would be seen here.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import run_trials
from driftgate.predict.recorder import FALSE_RETURN, NO_ECHO
from driftgate.predict.sources import source_table
from driftgate.predict.story import replay
from driftgate.predict.streams import Streams
from driftgate.predict.values import Outcome

from .scenes import GUESS, field_map, mark, prepared, robot, tick
from .test_echoes_by_hand import recorded, scene
from .test_story import busy_case

TRIALS, SEED = 40, 1
# The wall is 3 m ahead; the sensor says 0.05 to 5 m.
WALL_M, LOW_M, HIGH_M = 3.0, 0.05, 5.0
READING = {"constant_over": "reading", **GUESS}


def said(kind: str, wall_m: float, chance: float, where: float, normal: float) -> float:
    """Return what one trial's sensor says, nan for nothing."""
    match kind:
        case "noise":
            return wall_m + (0.004 + 0.01 * wall_m) * normal
        case "short":
            return wall_m - where * (wall_m - LOW_M) if chance < 0.5 else wall_m
        case "short, from the surface":
            # An exponential of 0.4 m, cut off at the other end.
            far = -0.4 * math.log(1.0 - where * (1.0 - math.exp(-(wall_m - LOW_M) / 0.4)))
            return wall_m - far if chance < 0.5 else wall_m
        case "short, from the sensor":
            far = -0.4 * math.log(1.0 - where * (1.0 - math.exp(-(wall_m - LOW_M) / 0.4)))
            return LOW_M + far if chance < 0.5 else wall_m
        case "long":
            return wall_m + where * (HIGH_M - wall_m) if chance < 0.5 else wall_m
        case "random":
            return LOW_M + where * (HIGH_M - LOW_M) if chance < 0.5 else wall_m
        case "stuck":
            return 1.25 if chance < 0.5 else wall_m
    assert kind == "dropout"
    return math.nan if chance < 0.5 else wall_m


HALF = {"probability": "50 %", **READING}
KINDS: dict[str, tuple[str, dict[str, Any]]] = {
    "noise": ("range_noise", {"noise": {"at_zero": "4 mm", "per_range": "1 %", **READING}}),
    "short": ("short_return", {"short_return": HALF}),
    "short, from the surface": ("short_return", {"short_return": {**HALF, "distance": "400 mm"}}),
    "short, from the sensor": (
        "short_return",
        {"short_return": {**HALF, "distance": "400 mm", "distance_from": "sensor"}},
    ),
    "long": ("long_return", {"long_return": HALF}),
    "random": ("random_return", {"random_return": HALF}),
    "stuck": ("random_return", {"random_return": {**HALF, "at": "1.25 m"}}),
    "dropout": ("dropout", {"dropout": HALF}),
}


@pytest.mark.parametrize("kind", KINDS)
def test_law_every_reading_is_what_its_draws_make_of_it(kind: str) -> None:
    """Half of the readings are wrong, each by its own uniforms; noise is a normal of its own."""
    source, errors = KINDS[kind]
    case = scene(errors=errors, reach={"low": f"{LOW_M!r} m", "high": f"{HIGH_M!r} m"})
    record, readings = recorded(case, TRIALS), case.plan.timeline.readings
    streams = Streams(SEED, 0, TRIALS)
    address = f"{source}:ahead", case.plan.steps[int(readings.step[0])].place, int(readings.ordinal[0])
    normal, (chance, where) = streams.normals(*address), streams.uniforms(*address)
    found = WALL_M + record.innovation_m[0]
    wanted = [said(kind, WALL_M, *drawn) for drawn in zip(chance, where, normal, strict=True)]
    assert found.tolist() == pytest.approx(wanted, abs=1e-12, nan_ok=True)
    wrong = chance < 0.5
    if kind == "noise":
        wrong[:] = False
    assert 10 < wrong.sum() < 30 or kind == "noise"
    nothing = NO_ECHO if kind == "dropout" else FALSE_RETURN
    assert record.origin[0].tolist() == np.where(wrong, nothing, 1).tolist()
    outcome = Outcome.NO_ECHO if kind == "dropout" else Outcome.ACCEPTED
    assert record.outcome[0].tolist() == np.where(wrong, int(outcome), int(Outcome.ACCEPTED)).tolist()


def test_law_constants_and_strays_are_drawn_by_their_own_names() -> None:
    """Each by its key, once for a run; what strays, by the chance that it has."""
    case, numbers = busy_case(), np.arange(TRIALS)
    record, streams = replay(case, numbers, SEED).record, Streams(SEED, 0, TRIALS)
    for row, constant in zip(record.deviation, source_table(case.case).constants, strict=True):
        assert row == pytest.approx(constant.spread * streams.normals(constant.key, "run", 0), abs=1e-15)
    for name, strayed, _, _ in record.strayed:
        chance = streams.uniforms(f"element_stray:{name}", "run", 0)[0]
        assert strayed.tolist() == (chance < 0.3).tolist()


def test_law_steps_settle_and_stretch_by_draws_of_their_own() -> None:
    """Along the way and in heading about where the motion should end; the clock by what the step takes."""
    errors = {
        "settling": {"along": "3 mm", "heading": "0.5 deg", "constant_over": "step", **GUESS},
        "step_timing": {"mean": "0 %", "spread": "5 %", "constant_over": "step", **GUESS},
    }
    steps = [{"do": "advance", "distance": "0.5 m"}, mark("there"), {"do": "pause", "time": "2 s"}]
    case = prepared(steps, robot(errors), start=(0.0, 0.0, 90.0))
    found, streams = replay(case, np.arange(TRIALS), SEED), Streams(SEED, 0, TRIALS)
    first, last = case.plan.steps[0], case.plan.steps[-1]
    moment = found.trials.moments[0]
    along, turn = (streams.normals(f"settling:{what}", first.place, 0) for what in ("along", "heading"))
    # It turns, and then goes on or back along the heading that it has.
    assert moment.error[:, 2] == pytest.approx(math.radians(0.5) * turn, abs=1e-12)
    assert moment.error[:, 1] == pytest.approx(3e-3 * along * np.cos(moment.error[:, 2]), abs=1e-12)
    assert moment.error[:, 0] == pytest.approx(-3e-3 * along * np.sin(moment.error[:, 2]), abs=1e-12)
    # The odometry sees it.
    assert moment.estimation == pytest.approx(0.0, abs=1e-12)
    times = [(step, step.end_s - step.begin_s) for step in (first, last)]
    longer = [s * 0.05 * streams.normals("step_timing", step.place, 0) for step, s in times]
    clock_s = found.trials.moments[-1].clock_s
    assert clock_s == pytest.approx(case.plan.duration_s + longer[0] + longer[1], abs=1e-9)


def test_law_a_contact_walks_by_draws_of_its_own() -> None:
    """Over 0.85 m and the time of the step: along the wall, in the way rolled, and in the heading.

    The truth ends flush; what the heading walked the pivot takes back, and the gyro sees that. A way that
    walked on is cut short by the wall: the wheel has rolled the less.
    """
    errors = {
        "distance_walk": tick(per_root_metre="10 mm/sqrt(m)"),
        "lateral_walk": tick(per_root_metre="20 mm/sqrt(m)"),
    }
    turning = {"heading_walk": tick(per_root_metre="1 deg/sqrt(m)", per_root_second="0.5 deg/sqrt(s)")}
    press = {"do": "square-up", "against": "east", "speed": "0.4 m/s", "push": "0.25 s"}
    hall = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0))
    for sources in (errors, turning):
        case = prepared([press], robot(sources), believed=hall, start=(1.0, 0.0, 0.0))
        found, streams = run_trials(case, TRIALS, SEED).moments[-1], Streams(SEED, 0, TRIALS)
        step, way_m = case.plan.steps[0], 0.85
        drawn = {
            name: streams.normals(name, step.place, 0)
            for name in ("distance_walk", "lateral_walk", "heading_walk")
        }
        assert found.error[:, [0, 2]] == pytest.approx(0.0, abs=1e-12)
        if sources is errors:
            ahead, aside = 0.010 * math.sqrt(way_m), 0.020 * math.sqrt(way_m)
            # The share of the way that it takes to the wall.
            share = way_m / (way_m + ahead * drawn["distance_walk"])
            assert found.error[:, 1] == pytest.approx(share * aside * drawn["lateral_walk"], abs=1e-12)
            assert found.tracking[:, 0] == pytest.approx((share - 1.0) * way_m, abs=1e-12)
        else:
            seconds = step.end_s - step.begin_s
            turn = (
                math.radians(1.0)
                * np.hypot(math.sqrt(way_m), 0.5 * math.sqrt(seconds))
                * drawn["heading_walk"]
            )
            assert found.tracking[:, 2] == pytest.approx(-turn, abs=1e-12)
