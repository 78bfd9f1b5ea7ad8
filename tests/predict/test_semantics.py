"""Signs and rules that both engines share, so that their agreement alone would not show a slip.

Each expected value is worked out beside its case from the meaning of the source or rule.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.values import Outcome, TrialsResult

from .outcomes import ENGINES, known, spreads
from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run, single_reading, tick

ON_PAPER = pytest.mark.evidence(
    source="worked on paper",
    compares="three poses: fixes, walls, scale, contact",
    tolerance="1 nm to 2 µm; trials 4 SE",
)

WIDE = field_map(x=(-60.0, 60.0), y=(-60.0, 60.0))
DEGREE = math.radians(1.0)
ARC = {"do": "arc", "radius": "1 m", "angle": "90 deg"}
BACK_ARC = {**ARC, "backwards": True}


def advance(distance_m: float) -> dict[str, Any]:
    """Return a straight."""
    return {"do": "advance", "distance": f"{distance_m!r} m"}


def end_of(engine: str, steps: list[dict[str, Any]], errors: dict[str, Any], **more: Any) -> Any:
    """Return e, t and x at the end."""
    return known(prepared(steps, robot(errors, **more), believed=WIDE), engine)["end"]


# Signs of the error sources


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("way", "across"), [(1.0, math.sin(DEGREE)), (-1.0, -math.sin(DEGREE))])
def test_law_crab_angle_keeps_its_angle_when_backing(engine: str, way: float, across: float) -> None:
    """A crab angle of 1 deg to the left takes a robot left ahead, and right backing."""
    x = end_of(engine, [advance(way)], {"crab_angle": run(mean="1 deg", spread="0 deg")}).x
    assert x == pytest.approx([way * (math.cos(DEGREE) - 1.0), across, 0.0], abs=1e-12)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("step", [ARC, BACK_ARC], ids=["ahead", "backwards"])
def test_law_slip_is_outward(engine: str, step: dict[str, Any]) -> None:
    """Slip per radian turned moves the robot away from the centre of its arc, on the left here."""
    x = end_of(engine, [step], {"lateral_slip": run(per_turn="1 mm/rad")}, longest_tick="0.005 s").x
    # Outward (sin h, -cos h) over headings 0 to 90 deg: (1, -1) mm; backing, over 0 to -90: (-1, -1).
    ahead = 1.0 if step is ARC else -1.0
    assert x[:2] == pytest.approx([ahead * 1e-3, -1e-3], abs=2e-6)


SLOW = {"speed": "0.5 m/s", "acceleration": "5 m/s^2"}


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("errors", "outward"),
    [
        ({"lateral_slip": run(with_speed="10 ms")}, 1.0),
        ({"heading_latency": run(mean="10 ms", spread="0 ms")}, -1.0),
    ],
    ids=["slip", "latency"],
)
def test_law_speed_terms(engine: str, errors: dict[str, Any], outward: float) -> None:
    """Slip with speed pushes outward; a heading that lags lays the way too far out, the truth is inside."""
    x = end_of(engine, [ARC], errors, limits=SLOW, longest_tick="0.01 s").x
    # 10 ms x 0.5 m/s per radian in cruise = 5 mm (1, -1); in the ramps of 50 mm each it is less.
    cruise = 5e-3 * outward * np.array([1.0, -1.0])
    assert x[:2] == pytest.approx(cruise, rel=0.07)
    assert abs(x[0]) < 5e-3


@pytest.mark.parametrize("engine", ENGINES)
def test_law_wheel_offset(engine: str) -> None:
    """A wheel further left than believed reads short in a left turn; on the spot the belief backs off."""
    errors = {"wheel_offset": run(mean="2 mm", spread="0 mm")}
    on_arc = end_of(engine, [ARC], errors, longest_tick="0.005 s")
    # 2 mm per radian further along (cos h, sin h), h from 0 to 90 deg.
    assert on_arc.x[:2] == pytest.approx([2e-3, 2e-3], abs=1e-5)
    spot = end_of(engine, [{"do": "rotate", "angle": "90 deg"}], errors, longest_tick="0.005 s")
    assert spot.x == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)
    # t in field axes for the covariance, in those of the plan (90 deg) for a trial.
    assert np.hypot(*spot.t[:2]) == pytest.approx(2e-3 * math.sqrt(2.0), rel=1e-4)
    sign = np.array([-1.0, -1.0]) if engine == "covariance" else np.array([-1.0, 1.0])
    assert spot.t[:2] == pytest.approx(2e-3 * sign, rel=1e-3)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_heading_scale_and_bias_read_too_much(engine: str) -> None:
    """True turn = measured / (1 + scale); a positive bias makes the truth turn less."""
    turn = {"do": "rotate", "angle": "90 deg"}
    scale = end_of(engine, [turn], {"heading_scale": run(mean="1 %", spread="0 %")}).x
    assert scale[2] == pytest.approx(math.radians(90.0 / 1.01 - 90.0), abs=1e-12)
    case = prepared([turn], robot({"heading_bias": run(mean="0.1 deg/s", spread="0 deg/s")}), believed=WIDE)
    expected = -math.radians(0.1) * case.plan.duration_s
    assert known(case, engine)["end"].x[2] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_bias_at_rest_enters_the_belief_alone(engine: str) -> None:
    """A second of standing turns the belief by the bias and leaves the truth."""
    errors = {"heading_bias": run(mean="1 deg/s", spread="0 deg/s")}
    rest = end_of(engine, [{"do": "pause", "time": "1 s"}], errors)
    assert (rest.t[2], rest.e[2], rest.x[2]) == pytest.approx((DEGREE, -DEGREE, 0.0), abs=1e-12)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("own", "left"), [(None, -1.0), (2.0, -2.0)])
def test_law_sideways_scale(engine: str, own: float | None, left: float) -> None:
    """Sideways distance has the scale of forward distance unless it has its own."""
    errors = {"distance_scale": run(mean="1 %", spread="0 %")}
    if own is not None:
        errors["sideways_scale"] = run(mean=f"{own!r} %", spread="0 %")
    step = {"do": "sidestep", "distance": "1 m"}
    x = end_of(engine, [step], errors, drive="holonomic").x
    assert x[:2] == pytest.approx([0.0, 1.0 / (1.0 - left / 100.0) - 1.0], abs=1e-12)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_wall_tilts_about_its_middle(engine: str) -> None:
    """A wall tilted by 0.5 deg moves by the tangent at 1 m from its middle, and not at the middle."""
    tilt = math.radians(0.5)
    lean = 3.0 * math.tan(tilt)
    # The east wall from (4, -3) to (4, 3), counter-clockwise about (4, 0): its upper end goes to -x.
    corners = {
        "south": (-6.0, -3.0),
        "east": (4.0 + lean, -3.0),
        "north": (4.0 - lean, 3.0),
        "west": (-6.0, 3.0),
    }
    for y, expected in ((0.0, 0.0), (1.0, -math.tan(tilt))):
        case = prepared(
            [{"do": "look", "time": "0.1 s"}],
            robot(sensors=[range_sensor("ahead", 0.0, 0.0, 0.0)], correction={"update": {"law": "replace"}}),
            believed=field_map(x=(-6.0, 4.0), y=(-3.0, 3.0)),
            true=field_map(corners=corners),
            start=(0.0, y, 0.0),
        )
        # The reading is longer by the wall's shift, the belief goes back by it.
        assert known(case, engine)["end"].t[0] == pytest.approx(-expected, abs=1e-9)


# The correction's rules


NOISE = {"noise": {"at_zero": "5 mm", "per_range": "0 %", "constant_over": "reading", **GUESS}}
HALL = field_map(x=(0.0, 4.0), y=(0.0, 3.0))


def looking(
    seconds: float, correction: dict[str, Any], sensors: list[dict[str, Any]], **more: Any
) -> Prepared:
    """Return a case that looks, 3 m before the east wall."""
    return prepared(
        [{"do": "look", "time": f"{seconds!r} s"}],
        robot(sensors=sensors, correction=correction),
        believed=HALL,
        start=(1.0, 1.5, 0.0),
        **more,
    )


def count(result: TrialsResult, outcome: Outcome) -> int:
    """Return how many readings had an outcome."""
    return int(result.counts[..., outcome].sum())


def test_law_persistence_holds_the_first_readings_back() -> None:
    """With three in a row asked for, the first two of eleven are held back, the third and later used."""
    ahead = [range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz")]
    case = looking(1.0, {"persistence": {"readings": 3}}, ahead)
    result = run_trials(case, 10, 1)
    assert (count(result, Outcome.HELD_BACK), count(result, Outcome.ACCEPTED)) == (20, 90)
    assert covariance(case).accepted.tolist() == [False] * 2 + [True] * 9


@pytest.mark.parametrize("engine", ENGINES)
def test_law_a_fix_beyond_the_limit_is_clipped(engine: str) -> None:
    """A fix that would move the belief by 100 mm moves it by the limit of 30 mm."""
    correction = {"update": {"law": "replace", "largest_move": "30 mm"}, "when": "always"}
    case = prepared(
        [{"do": "pause", "time": "1 s"}],
        robot(sensors=[single_reading("ahead", 0.0, 0.5)], correction=correction),
        believed=field_map(x=(0.0, 4.0), y=(0.0, 3.0)),
        true=field_map(x=(0.1, 4.0), y=(0.0, 3.0)),
        start=(1.0, 1.5, 0.0),
        placed_against=["west"],
    )
    assert known(case, engine)["end"].t[0] == pytest.approx(0.030, abs=1e-12)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_a_clipped_fix_scales_the_heading_alike(engine: str) -> None:
    """Clipping keeps the direction of the fix: the ratio of turn to displacement is that of the whole fix."""
    ratios = []
    for limit in ({}, {"largest_move": "20 mm"}):
        correction = {"update": {"law": "kalman", **limit}, "when": "always"}
        case = prepared(
            [{"do": "pause", "time": "1 s"}],
            robot(sensors=[single_reading("oblique", 30.0, 0.5)], correction=correction),
            believed=HALL,
            true=field_map(x=(0.1, 4.0), y=(0.0, 3.0)),
            start=(1.0, 1.0, 0.0),
            placed_against=["west"],
        )
        t = known(case, engine)["end"].t
        ratios.append(t[2] / np.hypot(*t[:2]))
    assert np.hypot(*t[:2]) == pytest.approx(0.020, rel=1e-9)
    assert abs(ratios[0]) > 0.1
    # The displacement is taken in the belief's own axes, which the fix turns by a little.
    assert ratios[1] == pytest.approx(ratios[0], rel=1e-9)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_each_sensor_uses_the_belief_that_the_last_one_left(engine: str) -> None:
    """Two equal sensors that blend by a half at one instant leave a quarter, not nothing."""
    sensors = [single_reading("one", 0.0, 0.5), single_reading("two", 0.0, 0.5)]
    correction = {"update": {"law": "blend", "share": "50 %"}, "when": "always"}
    case = prepared(
        [{"do": "pause", "time": "1 s"}],
        robot(sensors=sensors, correction=correction),
        believed=HALL,
        true=field_map(x=(0.1, 4.0), y=(0.0, 3.0)),
        start=(1.0, 1.5, 0.0),
        placed_against=["west"],
    )
    assert known(case, engine)["end"].e[0] == pytest.approx(0.025, abs=1e-12)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_replacement_at_an_oblique_wall_moves_along_its_normal(engine: str) -> None:
    """A beam at 30 deg to the east wall's normal puts x right and leaves y as it was."""
    correction = {"update": {"law": "replace"}, "when": "always"}
    case = prepared(
        [{"do": "pause", "time": "1 s"}],
        robot(sensors=[single_reading("oblique", 30.0, 0.5)], correction=correction),
        believed=field_map(x=(0.0, 4.0), y=(-3.0, 3.0)),
        true=field_map(x=(0.1, 4.0), y=(-3.0, 3.0)),
        start=(2.0, 0.0, 0.0),
        placed_against=["west"],
    )
    assert known(case, engine)["end"].t == pytest.approx([0.1, 0.0, 0.0], abs=1e-9)


def one_reading(
    engine: str, errors: dict[str, Any], angle_deg: float = 0.0, y_m: float = 0.0, **build: str
) -> tuple[float, float]:
    """Return the standard deviation of e ahead and of x, after one reading replaced the coordinate. [mm]"""
    sensor = single_reading("ahead", angle_deg, 0.5, errors=errors)
    walls = {"offset": "0 mm", "tilt": "0 deg", "constant_over": "field", **GUESS, **build}
    case = prepared(
        [{"do": "pause", "time": "1 s"}],
        robot(sensors=[sensor], correction={"update": {"law": "replace"}, "when": "always"}),
        believed=field_map(x=(-3.0, 3.0), y=(-3.0, 3.0), builds={"east": walls}),
        start=(0.0, y_m, 0.0),
        spread=("20 mm", "0 mm", "0 deg"),
    )
    found = spreads(case, engine)["end"].in_mm()
    return float(found[0][0]), float(found[2][0])


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("errors", "more", "left_mm"),
    [
        ({"bias": run(spread="5 mm")}, {}, 5.0),
        ({"scale": run(spread="1 %")}, {}, 30.0),  # of 3 m
        # With a known scale the start's 20 mm come back as 21: 1 mm is left.
        ({"scale": run(mean="5 %", spread="0 %")}, {}, 1.0),
        ({"noise": {"at_zero": "4 mm", "per_range": "0.5 %", "constant_over": "reading", **GUESS}}, {}, 19.0),
        ({"mount_position": run(spread="2 mm")}, {}, 2.0),
        # dr/dangle = r tan 30 deg, r = 3 m / cos 30 deg; along the normal times cos 30 deg: 3 m tan 30 deg.
        (
            {"mount_angle": run(spread="0.2 deg")},
            {"angle_deg": 30.0},
            3e3 * math.tan(math.radians(30.0)) * math.radians(0.2),
        ),
        ({}, {"offset": "4 mm"}, 4.0),
        ({}, {"tilt": "0.2 deg", "y_m": 1.0}, 1e3 * math.radians(0.2)),  # 1 m from the middle
    ],
    ids=["bias", "scale", "known scale", "noise", "mount", "mount angle", "wall offset", "wall tilt"],
)
def test_ref_errors_of_one_reading(
    engine: str, errors: dict[str, Any], more: dict[str, Any], left_mm: float
) -> None:
    """Replacing by one reading leaves exactly that reading's own error, whatever the start was."""
    e, x = one_reading(engine, errors, **more)
    # Four standard errors of 20 000 trials, and the second order of 20 mm in 3 m.
    within = 1e-9 if engine == "covariance" else 4.0 / math.sqrt(40_000) + 0.01
    assert e == pytest.approx(left_mm, rel=within)
    assert x == pytest.approx(20.0, rel=within)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_a_fix_ends_what_the_stretch_did_before_it(engine: str) -> None:
    """Standing for 4 s under a bias, fixed after 2 s: the stretch of the last 2 s is left."""
    sensors = [
        range_sensor(name, 0.0, y, 0.0, rate="0.002 Hz", phase="2 s")
        for name, y in (("one", 0.4), ("two", -0.4))
    ]
    timing = {"spread": "10 %", "constant_over": "step", **GUESS}
    machine = robot(
        {"heading_bias": run(mean="0.1 deg/s", spread="0 deg/s"), "step_timing": timing},
        sensors=sensors,
        correction={"when": "always"},
    )
    case = prepared([{"do": "pause", "time": "4 s"}], machine, believed=HALL, start=(1.0, 1.5, 0.0))
    _, t, x = spreads(case, engine)["end"].in_mm()
    assert t[2] == pytest.approx(0.1 * 0.1 * 2.0, rel=1e-6 if engine == "covariance" else 0.025)
    assert x[2] == 0.0


# What a sensor gets back


def reading_share(
    errors: dict[str, Any], outcome: Outcome, seconds: float = 1.0
) -> tuple[TrialsResult, float]:
    """Return trials of one sensor with false returns, and the share of an outcome."""
    sensor = range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz", errors={**NOISE, **errors})
    case = looking(seconds, {"gate": {"sigmas": 6.0}, "filter": {"range_at_zero": "5 mm"}}, [sensor])
    result = run_trials(case, 2000, 1)
    return result, count(result, outcome) / result.counts.sum()


def chance(probability: str, **more: Any) -> dict[str, Any]:
    """Return a source drawn per reading."""
    return {"probability": probability, "constant_over": "reading", **GUESS, **more}


def test_mc_dropout() -> None:
    """A dropout of 10 % leaves 10 % of the readings without an echo."""
    _, share = reading_share({"dropout": chance("10 %")}, Outcome.NO_ECHO)
    assert share == pytest.approx(0.10, abs=4.0 * math.sqrt(0.09 / 22_000))


@pytest.mark.parametrize("name", ["short_return", "long_return"])
def test_mc_false_returns_are_refused(name: str) -> None:
    """Nearly all false returns of 10 %, spread over metres, fail a gate; what passes is counted as wrong."""
    result, share = reading_share({name: chance("10 %")}, Outcome.GATE)
    wrong = result.wrongly_accepted.sum() / result.counts.sum()
    assert share + wrong == pytest.approx(0.10, abs=4.0 * math.sqrt(0.09 / 22_000))
    # Six sigmas are 30 to 40 mm of 3 m before the wall, of 17 m behind it.
    assert wrong < 0.10 * 0.05
    assert result.wrongly_refused.sum() == 0


def test_mc_a_short_return_needs_no_echo_in_reach() -> None:
    """Beyond the sensor's reach there is no echo and no long return, but there are short ones."""
    for name, expected in (("short_return", 0.2), ("long_return", 0.0)):
        sensor = range_sensor(
            "ahead", 0.0, 0.0, 0.0, reach={"low": "0 m", "high": "2.9 m"}, errors={name: chance("20 %")}
        )
        # The map has the wall at 2.85 m, in reach; really it is at 3 m.
        machine = robot(sensors=[sensor], correction={"update": {"law": "blend", "share": "0 %"}})
        case = prepared(
            [{"do": "look", "time": "1 s"}],
            machine,
            believed=field_map(x=(0.0, 3.85), y=(0.0, 3.0)),
            true=HALL,
            start=(1.0, 1.5, 0.0),
        )
        result = run_trials(case, 500, 1)
        total = result.counts.sum()
        share = count(result, Outcome.ACCEPTED) / total
        assert share == pytest.approx(expected, abs=4.0 * math.sqrt(0.16 / total) if expected else 0.0)
        assert result.wrongly_accepted.sum() == count(result, Outcome.ACCEPTED)


def test_mc_false_returns_may_come_in_runs() -> None:
    """Runs of four keep the share and widen the scatter of their number from trial to trial."""
    numbers = {}
    for length in (1.0, 4.0):
        sensor = range_sensor(
            "ahead", 0.0, 0.0, 0.0, rate="20 Hz", errors={"short_return": chance("20 %", run_length=length)}
        )
        case = looking(3.0, {"update": {"law": "blend", "share": "0 %"}}, [sensor])
        parts = [run_trials(case, 1, 1, first=i).wrongly_accepted.sum() for i in range(80)]
        numbers[length] = np.array(parts) / 61.0
    for found in numbers.values():
        assert found.mean() == pytest.approx(0.2, abs=4.0 * found.std() / math.sqrt(80))
    # Chain with memory rho = 1 - 1/4 - 0.2 / (4 x 0.8) = 0.6875: variance (1 + rho) / (1 - rho) = 5.4 times.
    ratio = numbers[4.0].var() / numbers[1.0].var()
    assert 3.0 < ratio < 9.0


def test_law_quantisation() -> None:
    """A sensor that rounds to 10 mm puts the belief on the nearest step."""
    correction = {"update": {"law": "replace"}, "when": "always"}
    case = prepared(
        [{"do": "pause", "time": "1 s"}],
        robot(sensors=[single_reading("ahead", 0.0, 0.5, resolution="10 mm")], correction=correction),
        believed=HALL,
        true=field_map(x=(0.0, 4.0037), y=(0.0, 3.0)),
        start=(1.0, 1.5, 0.0),
    )
    # 3.0037 m reads 3.000 m: no fix at all.
    assert known(case, "trials")["end"].t == pytest.approx([0.0, 0.0, 0.0], abs=1e-12)


# The trial's own clock, strays, contact


@pytest.mark.parametrize("over", ["run", "step"])
def test_law_step_timing_stretches_the_clock(over: str) -> None:
    """The clock runs long by the mean, and scatters by the spread (root-sum-square over steps)."""
    timing = {"mean": "10 %", "spread": "5 %", "constant_over": over, **GUESS}
    case = prepared(
        [{"do": "pause", "time": "3 s"}, {"do": "pause", "time": "4 s"}], robot({"step_timing": timing})
    )
    sd = 0.05 * (7.0 if over == "run" else 5.0)
    linear, sampled = covariance(case).moments[-1], run_trials(case, 4000, 1).moments[-1].clock_s
    assert (linear.clock_mean_s, linear.clock_sd_s) == pytest.approx((7.7, sd), rel=1e-9)
    assert sampled.mean() == pytest.approx(7.7, abs=4.0 * sd / math.sqrt(4000))
    assert sampled.std() == pytest.approx(sd, rel=4.0 / math.sqrt(8000))


POT = {
    "id": "pot",
    "shape": {"circle": {"radius": "100 mm"}},
    "at": {"x": "2 m", "y": "1.5 m"},
    "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
}


def test_mc_strays_keep_off_the_start_and_inside_the_walls() -> None:
    """A pot that strays anywhere never lies on the robot's start; a robot that stands is never touched."""
    strayed = {**POT, "stray": {"probability": "100 %", "constant_over": "run", **GUESS}}
    case = prepared(
        [{"do": "advance", "distance": "1 mm"}],
        robot(correction={"enabled": False}),
        believed=field_map(
            x=(0.0, 2.2), y=(0.0, 1.0), elements=[{**strayed, "at": {"x": "2 m", "y": "0.8 m"}}]
        ),
        start=(0.5, 0.5, 0.0),
    )
    touched = run_trials(case, 3000, 1).touch_step >= 0
    # Within the last millimetre one in a thousand may be met.
    assert touched.mean() < 3e-3


@pytest.mark.parametrize(
    ("begin", "end", "touches"), [(0.0, 0.5, False), (0.0, 5.0, True), (4.0, 9.0, False)]
)
def test_law_elements_come_and_go_on_the_trials_clock(begin: float, end: float, touches: bool) -> None:
    """A pot in the path is touched only while it is there."""
    present = {"begin": f"{begin!r} s", "end": f"{end!r} s"}
    case = prepared(
        [{"do": "advance", "distance": "2 m"}],
        robot(correction={"enabled": False}),
        believed=field_map(x=(0.0, 4.0), y=(0.0, 3.0), elements=[{**POT, "present": present}]),
        start=(1.0, 1.5, 0.0),
    )
    assert np.all((run_trials(case, 3, 1).touch_step >= 0) == touches)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_tolerance_turns_with_its_element(engine: str) -> None:
    """Against an element turned by 1 deg, what is 1 m from it is wanted 17.45 mm further over."""
    turned = {**POT, "at": {"x": "2 m", "y": "1.5 m", "heading": "1 deg"}}
    case = prepared(
        [{"do": "advance", "distance": "0.2 m"}, mark("there", radial="5 m", relative_to="pot")],
        robot(correction={"enabled": False}),
        believed=field_map(x=(0.0, 4.0), y=(0.0, 3.0), elements=[POT]),
        true=field_map(x=(0.0, 4.0), y=(0.0, 3.0), elements=[turned]),
        start=(0.8, 1.5, 0.0),
    )
    # The robot stands at (1.0, 1.5), 1 m behind the pot: wanted is -sin 1 deg in y and 1 deg of heading.
    x = known(case, engine)["there"].x
    assert x[1:] == pytest.approx([math.sin(DEGREE), -DEGREE], abs=5e-6)


@pytest.mark.parametrize(("behind_m", "late_s"), [(0.04, 0.1), (-0.04, 0.0)])
def test_law_late_contact_shifts_the_clock(behind_m: float, late_s: float) -> None:
    """A robot 40 mm behind goes on for 0.1 s at 0.4 m/s; an early one pushes until the planned end."""
    case = prepared(
        [{"do": "square-up", "against": "east", "speed": "0.4 m/s"}, mark("wall")],
        robot(correction={"enabled": False}),
        believed=HALL,
        true=field_map(x=(-behind_m, 4.0), y=(0.0, 3.0)),
        start=(3.0, 1.5, 0.0),
        placed_against=["west"],
    )
    wall = run_trials(case, 2, 1).moments[0]
    assert wall.clock_s == pytest.approx(case.plan.duration_s + late_s, abs=1e-9)
    assert wall.error == pytest.approx(0.0, abs=1e-12)
    assert covariance(case).moments[0].clock_mean_s == pytest.approx(case.plan.duration_s + late_s, abs=1e-9)


def test_law_a_wall_out_of_reach_is_not_touched() -> None:
    """A robot that has not touched by the late time stays where it then is."""
    case = prepared(
        [{"do": "square-up", "against": "east", "speed": "0.4 m/s", "late": "0.5 s"}, mark("wall")],
        robot(correction={"enabled": False}),
        believed=HALL,
        true=field_map(x=(-0.3, 4.0), y=(0.0, 3.0)),
        start=(3.0, 1.5, 0.0),
        placed_against=["west"],
    )
    # 300 mm behind, 0.5 s at 0.4 m/s are 200 mm of it.
    assert run_trials(case, 2, 1).moments[0].error[:, 0] == pytest.approx(-0.1, abs=1e-9)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_driven_wheels_go_on_while_pushing(engine: str) -> None:
    """Encoders of driven wheels count the push of 0.3 s at 0.4 m/s; tracking wheels stop with the robot."""
    for source, moved in (("driven wheels", 0.12), ("tracking wheel", 0.0)):
        case = prepared(
            [{"do": "square-up", "against": "east", "speed": "0.4 m/s", "push": "0.3 s"}, mark("wall")],
            robot(correction={"enabled": False}, distance_from=source),
            believed=HALL,
            start=(3.0, 1.5, 0.0),
        )
        found = known(case, engine)["wall"]
        assert (found.t[0], found.x[0]) == pytest.approx((moved, 0.0), abs=1e-12)


def test_mc_bumps_come_as_often_as_the_zone_says() -> None:
    """Over 2 m of a zone with 3 bumps per metre the along-track variance is six bumps'."""
    zone = {
        "id": "patch",
        "area": [["0 m", "-1 m"], ["5 m", "-1 m"], ["5 m", "1 m"], ["0 m", "1 m"]],
        "bumps": "3 1/m",
    }
    case = prepared(
        [advance(2.0)],
        robot({"bump": tick(along="2 mm", heading="0 deg")}),
        believed=field_map(x=(-60.0, 60.0), y=(-60.0, 60.0), rough_zones=[zone]),
    )
    expected = 6.0 * (2e-3) ** 2
    assert covariance(case).moments[-1].cov[0, 0] == pytest.approx(expected, rel=1e-2)
    sample = run_trials(case, 8000, 1).moments[-1].error[:, 0]
    # Compound Poisson of normals: kurtosis 3 + 3 / 6; a variance scatters by sqrt((kurtosis - 1) / n).
    assert sample.var() == pytest.approx(expected, rel=4.0 * math.sqrt(2.5 / 8000) + 1e-2)


def test_mc_rare_slips_come_as_often_and_as_large_as_the_file_says() -> None:
    """Over 2 m at 0.1 a metre: a fifth of a slip is expected, all of it along the way, by both engines."""
    slips = {"rare_slip": tick(rate="0.1 1/m", along="50 mm")}
    expected = 0.2 * 0.05**2
    case = prepared([advance(2.0)], robot(slips), believed=field_map(x=(-60.0, 60.0), y=(-60.0, 60.0)))
    found = covariance(case).moments[-1]
    assert found.by_source["rare_slip"][0, 0] == pytest.approx(expected, rel=1e-6)
    assert found.cov[1, 1] == pytest.approx(0.0, abs=1e-15)
    count = 8000
    sample = run_trials(case, count, 1).moments[-1].error
    assert not sample[:, 1:].any()
    # Poisson: exp(-0.2) of the trials have no slip, and what some have is of the size stated.
    quiet = math.exp(-0.2)
    none = np.mean(np.abs(sample[:, 0]) < 1e-12)
    assert none == pytest.approx(quiet, abs=4.5 * math.sqrt(quiet * (1.0 - quiet) / count))
    # Compound Poisson of normals: kurtosis 3 + 3 / 0.2.
    assert sample[:, 0].var() == pytest.approx(expected, rel=4.5 * math.sqrt(17.0 / count))


def test_mc_the_way_to_a_wall_slips_as_well() -> None:
    """Squared up over 1.35 m and backed away by as much, without a reset: both ways' slips count."""
    case = prepared(
        [
            {"do": "square-up", "against": "east", "speed": "0.4 m/s"},
            {"do": "drive", "to": ["2.5 m", "1.5 m"], "backwards": True},
        ],
        robot({"rare_slip": tick(rate="10 1/m", along="3 mm")}, correction={"enabled": False}),
        believed=HALL,
        start=(2.5, 1.5, 0.0),
    )
    assert case.plan.contacts[0].travel_m == pytest.approx(1.35, abs=1e-6)
    predicted = covariance(case).moments[-1].cov[0, 0]
    assert predicted == pytest.approx(2.0 * 13.5 * 0.003**2, rel=1e-2)
    sample = run_trials(case, 6000, 1).moments[-1].error[:, 0]
    # Compound Poisson of normals: kurtosis 3 + 3 / 27.
    assert sample.var() == pytest.approx(predicted, rel=4.5 * math.sqrt(2.11 / 6000))
