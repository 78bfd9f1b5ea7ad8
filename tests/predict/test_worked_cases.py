"""Every worked case of the three poses, in both engines, with e, t and X relative to N.

The expected values are derived (exact SE(2), checked by hand where a closed form is given); the
convention is e = truth in the belief's frame, t = belief in the plan's frame, X = truth less plan.
Millimetres and degrees. A known start difference comes from a wall that the start is placed against
and that the true map has elsewhere, so that nothing is random and one trial gives the number.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared, covariance, run_trials

from .outcomes import ENGINES, by_name, known, spreads
from .scenes import (
    GUESS,
    REPLACE,
    THREE_BEAMS,
    field_map,
    mark,
    prepared,
    range_sensor,
    robot,
    routine,
    run,
    single_reading,
)

ON_PAPER = pytest.mark.evidence(
    source="worked on paper",
    compares="three poses: fixes, walls, scale, contact",
    tolerance="1 nm to 2 µm; trials 4 SE",
)

LOOK = {"do": "look", "time": "1 s"}
# A reading falls due at time zero; before the first look nothing may be taken.
WAIT = {"do": "pause", "time": "10 ms"}
# Standard error of a standard deviation from 20 000 normals is 0.5 %; four of them.
SAMPLING = 4.0 / math.sqrt(2.0 * 20_000)


def drive(x_m: float, y_m: float = 0.0, **more: Any) -> dict[str, Any]:
    """Return an absolute drive."""
    return {"do": "drive", "to": [f"{x_m!r} m", f"{y_m!r} m"], **more}


def advance(distance_m: float) -> dict[str, Any]:
    """Return a relative drive."""
    return {"do": "advance", "distance": f"{distance_m!r} m"}


def ahead_by(offset_m: float, steps: list[dict[str, Any]], **robot_: Any) -> Prepared:
    """Return a case whose truth starts so far ahead: placed against a wall that stands there."""
    machine = robot(sensors=robot_.pop("sensors", THREE_BEAMS), **robot_)
    return prepared(
        steps,
        machine,
        believed=field_map(),
        true=field_map(x=(-6.0 + offset_m, 6.0)),
        placed_against=["west"],
    )


def left_by(offset_m: float, steps: list[dict[str, Any]], **robot_: Any) -> Prepared:
    """Return a case whose truth starts so far to the left."""
    machine = robot(sensors=robot_.pop("sensors", THREE_BEAMS), **robot_)
    return prepared(
        steps,
        machine,
        believed=field_map(),
        true=field_map(y=(-6.0 + offset_m, 6.0)),
        placed_against=["south"],
    )


def turned_by(angle_rad: float, steps: list[dict[str, Any]], **robot_: Any) -> Prepared:
    """Return a case whose truth starts turned on the spot: its back on a wall that is built tilted."""
    swing = 6.0 * math.tan(angle_rad)
    corners = {
        "south": (-6.0 + swing, -6.0),
        "east": (6.0, -6.0),
        "north": (6.0, 6.0),
        "west": (-6.0 - swing, 6.0),
    }
    machine = robot(sensors=robot_.pop("sensors", THREE_BEAMS), **robot_)
    return prepared(
        steps,
        machine,
        believed=field_map(),
        true=field_map(corners=corners),
        placed_against=["west", "south"],
    )


def scaled(steps: list[dict[str, Any]], **robot_: Any) -> Prepared:
    """Return a case whose odometer reads 1 % long."""
    return prepared(steps, robot({"distance_scale": run(mean="1 %", spread="0 %")}, **robot_))


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("leg", "left"), [(drive(1.0), 0.0), (advance(1.0), 20.0)], ids=["absolute", "relative"]
)
def test_ref_truth_ahead_then_fix(engine: str, leg: dict[str, Any], left: float) -> None:
    """A fix leaves the truth 20 ahead of the plan; only an absolute leg takes it out."""
    steps = [WAIT, mark("start"), LOOK, mark("fixed"), leg, mark("after")]
    found = known(ahead_by(0.020, steps), engine)

    e, t, x = found["start"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((20.0, 0.0, 20.0), abs=1e-6)
    e, t, x = found["fixed"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((0.0, 20.0, 20.0), abs=1e-3)
    e, t, x = found["after"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((0.0, left, left), abs=1e-3)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_fix_shortly_before_an_absolute_step_ends(engine: str) -> None:
    """A fix 0.2 s before the end at a time constant of 0.4 s leaves 20 exp(-1/2) = 12.131."""
    seconds = 1.0 / 1.0 + 1.0 / 3.0  # 1 m at 1 m/s and 3 m/s^2
    case = ahead_by(
        0.020,
        [drive(1.0), mark("after")],
        sensors=[single_reading("front", 0.0, seconds - 0.2)],
        correction=REPLACE,
        controller={"time_constant": "0.4 s"},
    )
    assert case.plan.duration_s == pytest.approx(seconds)

    e, t, x = known(case, engine)["after"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((0.0, 12.131, 12.131), abs=1e-3)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_lateral_difference_becomes_heading(engine: str) -> None:
    """20 to the left, fixed, driven to a point 1 m on: heading -1.1458; 300 further on -5.999."""
    steps = [LOOK, mark("fixed"), drive(1.0), mark("there"), advance(0.3), mark("beyond")]
    # Steered to the very end: 0.5 mm are left at most where steering stops.
    found = known(left_by(0.020, steps), engine)

    e, t, x = found["fixed"].in_mm()
    assert (e[1], t[1], x[1]) == pytest.approx((0.0, 20.0, 20.0), abs=1e-3)
    e, t, x = found["there"].in_mm()
    assert (e[2], t[2], x[2]) == pytest.approx((0.0, -1.1458, -1.1458), abs=5e-4)
    assert (e[1], t[1], x[1]) == pytest.approx((0.0, 0.0, 0.0), abs=1e-3)
    e, t, x = found["beyond"].in_mm()
    # To first order -6.000, exactly -300 sin 1.1458 deg.
    assert (e[1], t[1], x[1]) == pytest.approx((0.0, -5.999, -5.999), abs=2e-3)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_turn_to_heading_keeps_lateral_difference_out(engine: str) -> None:
    """With "turn to 0 deg" before the advance neither heading nor lateral difference is left."""
    steps = [LOOK, drive(1.0), {"do": "turn", "to": "0 deg"}, mark("turned"), advance(0.3), mark("beyond")]
    # The turn is none on the plan: what closes it is the settling, at once with a time constant of zero.
    found = known(left_by(0.020, steps, controller={"settle": "50 ms"}), engine)

    for name in ("turned", "beyond"):
        for part in found[name].in_mm():
            assert part[1:] == pytest.approx([0.0, 0.0], abs=2e-3)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_scale_without_a_fix(engine: str) -> None:
    """An odometer 1 % long leaves the truth 19.802 short after two absolute metres."""
    found = known(scaled([drive(1.0), drive(2.0), mark("after")]), engine)

    e, t, x = found["after"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((-19.802, 0.0, -19.802), abs=1e-3)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("leg", "e_t_x"),
    [(drive(2.0), (-9.999, 0.0, -9.999)), (advance(1.0), (-9.901, -9.901, -19.802))],
    ids=["absolute", "relative"],
)
def test_ref_scale_with_a_fix_between(engine: str, leg: dict[str, Any], e_t_x: tuple[float, ...]) -> None:
    """A fix between two metres is made good by an absolute second leg, not by a relative one."""
    steps = [drive(1.0), LOOK, mark("fixed"), leg, mark("after")]
    found = known(scaled(steps, sensors=THREE_BEAMS), engine)

    e, t, x = found["fixed"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((0.0, -9.901, -9.901), abs=1e-3)
    e, t, x = found["after"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx(e_t_x, abs=1e-3)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("looks", "left"), [(False, 0.0), (True, 19.606)], ids=["no fix", "fix at the far end"]
)
def test_ref_out_and_back(engine: str, looks: bool, left: float) -> None:
    """Scale cancels out and back; a fix at the far end breaks the cancellation: +19.606."""
    pause = LOOK if looks else {"do": "pause", "time": "1 s"}
    steps = [drive(2.0), pause, mark("far"), drive(0.0, backwards=True), mark("back")]
    found = known(scaled(steps, sensors=THREE_BEAMS), engine)

    e, t, x = found["far"].in_mm()
    expected = (0.0, -19.802, -19.802) if looks else (-19.802, 0.0, -19.802)
    assert (e[0], t[0], x[0]) == pytest.approx(expected, abs=1e-3)
    e, t, x = found["back"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((left, 0.0, left), abs=1e-3)


POST = {
    "id": "post",
    "shape": {"rectangle": {"length": "100 mm", "width": "100 mm"}},
    "at": {"x": "3.55 m", "y": "2 m"},
    "fixed_to": "east",
}


def wall_case(leg: dict[str, Any], **within: Any) -> Prepared:
    """Return a case with a wall mapped at 3600 and built at 3610, with a post that is fixed to it."""
    moved = {**POST, "at": {"x": "3.56 m", "y": "2 m"}}
    steps = [drive(2.0), LOOK, mark("fixed"), leg, mark("after", **within)]
    return prepared(
        steps,
        robot(sensors=[range_sensor("front", 0.0, 0.0, 0.0)], correction={"update": {"law": "replace"}}),
        believed=field_map(x=(-6.0, 3.6), structures=[POST]),
        true=field_map(x=(-6.0, 3.61), structures=[moved]),
    )


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("leg", "left", "against_post"),
    [(drive(3.0), 10.0, 0.0), (advance(1.0), 0.0, -10.0)],
    ids=["absolute", "relative"],
)
def test_ref_wall_built_off(engine: str, leg: dict[str, Any], left: float, against_post: float) -> None:
    """A wall 10 off costs 10 after an absolute leg, and nothing against what is fixed to that wall."""
    found = known(wall_case(leg), engine)
    e, t, x = found["fixed"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((10.0, -10.0, 0.0), abs=1e-6)
    e, t, x = found["after"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((10.0, left - 10.0, left), abs=1e-6)

    _, _, x = known(wall_case(leg, radial="5 m", relative_to="post"), engine)["after"].in_mm()
    assert x[0] == pytest.approx(against_post, abs=1e-6)


def square_up(steps: list[dict[str, Any]], reset: bool) -> Prepared:
    """Return a case in which the truth, 30 ahead, squares up against a wall at its planned place."""
    press: dict[str, Any] = {"do": "square-up", "against": "east", "speed": "0.4 m/s"}
    if reset:
        press["reset"] = {"position": "1 mm", "heading": "0.1 deg"}
    return ahead_by(0.030, [drive(5.0), press, mark("wall"), *steps, mark("back")])


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("reset", "leg", "left"),
    [
        (False, drive(5.0, backwards=True), 30.0),
        (False, advance(-0.85), 0.0),
        (True, drive(5.0, backwards=True), 0.0),
        (True, advance(-0.85), 0.0),
    ],
    ids=["absolute", "relative", "reset absolute", "reset relative"],
)
def test_ref_squaring_up(engine: str, reset: bool, leg: dict[str, Any], left: float) -> None:
    """The wall puts the truth right; unless the belief is reset there, an absolute return spoils it."""
    found = known(square_up([leg], reset), engine)

    e, t, x = found["wall"].in_mm()
    expected = (0.0, 0.0, 0.0) if reset else (30.0, -30.0, 0.0)
    assert (e[0], t[0], x[0]) == pytest.approx(expected, abs=1e-6)
    e, t, x = found["back"].in_mm()
    assert (e[0], t[0], x[0]) == pytest.approx((expected[0], left - expected[0], left), abs=1e-6)


DEGREE = math.radians(1.0)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(
    ("steps", "left"),
    [
        ([drive(1.0)], 17.452),
        ([LOOK, drive(1.0)], 0.0),
        ([LOOK, advance(1.0)], 17.452),
        ([LOOK, {"do": "turn", "to": "0 deg"}, advance(1.0)], 0.0),
    ],
    ids=["nothing", "fix absolute", "fix relative", "fix turn relative"],
)
def test_ref_heading_error(engine: str, steps: list[dict[str, Any]], left: float) -> None:
    """1 deg of heading costs 17.452 over a metre, unless a fix and an absolute step come between."""
    looks = [{**s, "time": "20 s"} if s["do"] == "look" else s for s in steps]
    settling = {"settle": "50 ms"}
    case = turned_by(
        DEGREE, [WAIT, mark("start"), *looks, mark("after")], correction=AVERAGING, controller=settling
    )
    found = known(case, engine)

    e, t, x = found["start"].in_mm()
    assert (e, t, x) == (
        pytest.approx([0.0, 0.0, 1.0], abs=1e-6),
        pytest.approx([0.0, 0.0, 0.0], abs=1e-6),
        pytest.approx([0.0, 0.0, 1.0], abs=1e-6),
    )
    e, t, x = found["after"].in_mm()
    # To first order 17.453. The first reading's linearisation is 0.9 mm off (6 m / cos 1 deg), which the
    # filter takes for certain; 400 readings wear it down to 0.03 mm.
    within = 0.05
    fixed, turned = steps[0]["do"] == "look", len(steps) > 2
    assert x[1] == pytest.approx(left, abs=within)
    assert e[1] == pytest.approx(0.0 if fixed else left, abs=within)
    assert t[1] == pytest.approx(left if fixed and not turned else 0.0, abs=within)


AVERAGING = {
    "filter": {
        "start_x": "50 mm",
        "start_y": "50 mm",
        "start_heading": "3 deg",
        "range_at_zero": "1 mm",
        "range_per_range": "0 %",
    }
}


def sigma_case(leg: dict[str, Any]) -> Prepared:
    """Return the case of three sigmas: start 20, wall 10, scale 1 %."""
    build = {"offset": "10 mm", "tilt": "0 deg", "constant_over": "field", **GUESS}
    return prepared(
        [drive(1.0), LOOK, mark("fixed"), leg, mark("after")],
        robot(
            {"distance_scale": run(mean="0 %", spread="1 %")},
            sensors=[range_sensor("front", 0.0, 0.0, 0.0)],
            correction={"update": {"law": "replace"}},
        ),
        believed=field_map(builds={"east": build}),
        spread=("20 mm", "0 mm", "0 deg"),
    )


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("leg", "after"), [(drive(2.0), 14.142), (advance(1.0), 28.284)])
def test_ref_sigmas(engine: str, leg: dict[str, Any], after: float) -> None:
    """Start 20, wall 10, scale 1 %: 22.361 at the fix; then 14.142 absolute, 28.284 relative."""
    found = spreads(sigma_case(leg), engine)
    within = 2e-5 if engine == "covariance" else SAMPLING

    e, t, x = found["fixed"].in_mm()
    # e is the wall; B moved by start + scale + wall.
    assert (e[0], t[0], x[0]) == pytest.approx((10.0, math.sqrt(600.0), 22.361), rel=within)
    e, t, x = found["after"].in_mm()
    assert (e[0], x[0]) == pytest.approx((14.142, after), rel=within)


@ON_PAPER
@pytest.mark.parametrize(
    ("leg", "shares"),
    [
        (drive(2.0), {"wall_build": 0.5, "distance_scale": 0.5, "start_placement": 0.0}),
        (advance(1.0), {"wall_build": 0.0, "distance_scale": 0.5, "start_placement": 0.5}),
    ],
    ids=["absolute", "relative"],
)
def test_ref_shares_of_the_sigmas(leg: dict[str, Any], shares: dict[str, float]) -> None:
    """An absolute leg trades the start for the wall; a relative one keeps the start."""
    after = by_name(sigma_case(leg))["after"]

    for source, share in shares.items():
        part = after.by_source.get(source, np.zeros((3, 3)))
        assert part[0, 0] / after.cov[0, 0] == pytest.approx(share, abs=1e-9)


def hundred_readings(wall: str, considered: str = "0 mm") -> Prepared:
    """Return 100 readings of one wall from a robot that stands, and what it takes the wall to be off by."""
    noise = {"at_zero": "5 mm", "per_range": "0 %", "constant_over": "reading", **GUESS}
    own = {
        "start_x": "30 mm",
        "start_y": "0 mm",
        "start_heading": "0 deg",
        "range_at_zero": "5 mm",
        "range_per_range": "0 %",
        "wall": considered,
    }
    build = {"offset": wall, "tilt": "0 deg", "constant_over": "field", **GUESS}
    case = prepared(
        [{"do": "look", "time": "9.9 s"}, mark("after")],
        robot(
            sensors=[range_sensor("front", 0.0, 0.0, 0.0, rate="10 Hz", errors={"noise": noise})],
            correction={"filter": own},
        ),
        believed=field_map(builds={"east": build}),
        spread=("30 mm", "0 mm", "0 deg"),
    )
    assert len(case.plan.timeline.readings.knot) == 100
    return case


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_hundred_readings_of_one_wall(engine: str) -> None:
    """The filter says 0.500 of itself, the truth is 10.010; drawing the wall anew would give 1.118."""
    case = hundred_readings("10 mm")
    e, _, x = spreads(case, engine)["after"].in_mm()

    assert e[0] == pytest.approx(10.010, rel=5e-5 if engine == "covariance" else SAMPLING)
    assert x[0] == pytest.approx(30.0, rel=1e-9 if engine == "covariance" else SAMPLING)
    if engine == "covariance":
        assert math.sqrt(by_name(case)["after"].filter_cov[0, 0]) * 1e3 == pytest.approx(0.500, abs=5e-4)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_hundred_readings_of_a_wall_that_is_considered(engine: str) -> None:
    """A filter that considers the wall says of itself what is true: 9.877, and not 0.500.

    By Schmidt's gain on the full covariance of place and wall, (I - K H) P (I - K H)' + K R K' with
    K = (P H')_x / S and nothing for the wall. First reading: 900 / 1025 = 0.878049, P_xx = 109.756; the
    second, with P_xw = -87.805: 21.951 / 59.146 = 0.371134, P_xx = 101.609.
    """
    case = hundred_readings("10 mm", considered="10 mm")
    p, look, told = np.diag([900.0, 100.0]), np.array([1.0, 1.0]), []
    for _ in range(100):
        gain = np.array([(p @ look)[0] / (look @ p @ look + 25.0), 0.0])
        left = np.eye(2) - np.outer(gain, look)
        p = left @ p @ left.T + 25.0 * np.outer(gain, gain)
        told.append((gain[0], p[0, 0]))
    assert told[:2] == [
        pytest.approx((0.878049, 109.756), rel=5e-6),
        pytest.approx((0.371134, 101.609), rel=5e-6),
    ]
    e, _, _ = spreads(case, engine)["after"].in_mm()

    assert math.sqrt(p[0, 0]) == pytest.approx(9.8767, abs=5e-5)
    assert e[0] == pytest.approx(math.sqrt(p[0, 0]), rel=1e-9 if engine == "covariance" else SAMPLING)
    if engine == "covariance":
        claimed = by_name(case)["after"].filter_cov[0, 0] * 1e6
        assert claimed == pytest.approx(p[0, 0], rel=1e-9)


def test_law_filter_is_right_about_what_it_knows() -> None:
    """With the wall where the map has it, the filter's own 0.500 is the truth."""
    found = by_name(hundred_readings("0 mm"))["after"]

    assert found.estimation_cov[0, 0] == pytest.approx(found.filter_cov[0, 0], rel=1e-9)


def cross_track(rate_deg_s: float, seconds: float, engine: str) -> float:
    """Return the cross-track error of a straight at 0.1 m/s under a gyro bias. [m]"""
    bias = run(mean=f"{rate_deg_s!r} deg/s", spread="0 deg/s")
    slow = {"speed": "0.1 m/s", "acceleration": "5 m/s^2"}
    case = prepared(
        [advance(0.1 * seconds), mark("after")],
        robot({"heading_bias": bias}, limits=slow, longest_tick="0.1 s"),
    )
    return float(known(case, engine)["after"].x[1])


@pytest.mark.evidence(
    source="Kelly 2004; Chong and Kleeman 1997 (derived)",
    compares="twice the bias, twice the time",
    tolerance="0.2 %",
)
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_doubling_bias_and_doubling_time(engine: str) -> None:
    """Twice the bias gives twice the cross-track error, twice the time four times."""
    once = cross_track(0.01, 20.0, engine)

    assert cross_track(0.02, 20.0, engine) / once == pytest.approx(2.0, rel=1e-4)
    # The ramps of 20 ms at either end take 0.1 % of it.
    assert cross_track(0.01, 40.0, engine) / once == pytest.approx(4.0, rel=2e-3)
    # V b t^2 / 2 (A. Kelly 2004, straight line, from memory); a true robot turns against the bias.
    assert once == pytest.approx(-0.1 * math.radians(0.01) * 20.0**2 / 2.0, rel=2e-3)


def test_law_fix_moves_only_the_belief() -> None:
    """X relative to N is identical just before and just after a fix."""
    steps = [WAIT, mark("before"), LOOK, mark("behind")]
    case = ahead_by(0.020, steps)
    found = run_trials(case, 5, seed=2).moments
    assert np.array_equal(found[0].error, found[1].error)
    assert not np.array_equal(found[0].tracking, found[1].tracking)
    linear = covariance(case).moments
    assert np.array_equal(linear[0].mean, linear[1].mean)


def test_err_routine_builder_keeps_the_schema() -> None:
    """The builders make valid documents: a routine without steps is refused."""
    with pytest.raises(ValueError, match="steps"):
        routine([])
