"""How dead-reckoning errors grow on lines, arcs and turns, against the published laws, in both engines.

Source of the laws: A. Kelly, "Linearized error propagation in odometry", Int. J. Robot. Res. 23(2)
(2004) 179-218 (transition matrix from memory, re-derived); K. S. Chong and L. Kleeman, "Accurate
odometry and error modelling for a mobile robot", ICRA 1997, 2783-2788. The closed forms were derived
from them; `tests/references/build_dead_reckoning.py` makes the arcs again by quadrature. The laws say
reported minus true for a reported path that drifts; here the belief keeps to the plan and the truth
drifts, so that to first order the sign turns.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, covariance, run_trials

from .outcomes import ENGINES, known
from .scenes import field_map, prepared, robot, run, tick

STRAIGHT = pytest.mark.evidence(
    source="Kelly 2004; Chong and Kleeman 1997 (derived)",
    compares="straight: walks, scale, start heading, bias",
    tolerance="1e-9 of it; trials 4 SE",
)
ARCS = pytest.mark.evidence(
    source="Kelly 2004; Chong and Kleeman 1997 (derived)",
    compares="arcs of 90, 180, 360 deg: all sources",
    tolerance="1e-9 of it; trials 4 SE",
)
TURNS = pytest.mark.evidence(
    source="Kelly 2004; Chong and Kleeman 1997 (derived)",
    compares="turns on the spot and rest",
    tolerance="5e-8; trials 4 SE",
)
CLOSED = pytest.mark.evidence(
    source="Kelly 2004, closed paths (derived)",
    compares="square, circle, figure of eight",
    tolerance="1e-12 to 0.5 %",
)

REFERENCE = json.loads((Path(__file__).parents[1] / "references" / "dead_reckoning.json").read_text())
WIDE = field_map(x=(-60.0, 60.0), y=(-60.0, 60.0))
TRIALS = 20_000
# Four standard errors of a covariance entry of whitened normals, largest on the diagonal.
SAMPLING = 4.0 * math.sqrt(2.0 / TRIALS)


def alone(steps: list[dict[str, Any]], errors: dict[str, Any], **more: Any) -> Prepared:
    """Return a case in which only the given sources act."""
    machine = {key: more.pop(key) for key in ("limits", "longest_tick", "drive") if key in more}
    return prepared(steps, robot(errors, **machine), believed=WIDE, **more)


def advance(distance_m: float) -> dict[str, Any]:
    """Return a straight."""
    return {"do": "advance", "distance": f"{distance_m!r} m"}


def arc(radius_m: float, turned_rad: float) -> dict[str, Any]:
    """Return an arc."""
    return {"do": "arc", "radius": f"{radius_m!r} m", "angle": f"{turned_rad!r} rad"}


def rotate(angle_deg: float) -> dict[str, Any]:
    """Return a turn on the spot."""
    return {"do": "rotate", "angle": f"{angle_deg!r} deg"}


def final_cov(case: Prepared) -> FloatArray:
    """Return the covariance at the end."""
    return covariance(case).moments[-1].cov


def assert_sampled(case: Prepared, expected: FloatArray) -> None:
    """Assert that the trials' covariance is the expected one within four standard errors."""
    error = run_trials(case, TRIALS, seed=11).moments[-1].error
    rank = np.linalg.matrix_rank(expected, tol=1e-9 * np.trace(expected))
    values, vectors = np.linalg.eigh(expected)
    main = vectors[:, -rank:] / np.sqrt(values[-rank:])
    whitened = np.cov((error @ main).T).reshape(rank, rank)
    assert whitened == pytest.approx(np.eye(rank), abs=SAMPLING)
    rest = error @ vectors[:, : 3 - rank]
    # What the law says does not move is of second order.
    assert np.abs(rest).max(initial=0.0) <= 0.05 * math.sqrt(values[-1])


# Straight line, L = 10 m (the fixture of the survey): q = 1e-4 rad^2/m, b = 1e-3 rad/m, alpha = 0.01,
# q_d = 4e-4 m^2/m.
L = 10.0


@STRAIGHT
def test_ref_straight_heading_walk() -> None:
    """Heading variance grows as q L, lateral as q L^3 / 3, correlated by sqrt(3)/2."""
    case = alone([advance(L)], {"heading_walk": tick(per_root_metre="0.01 rad/sqrt(m)")})
    cov = final_cov(case)

    assert cov[2, 2] == pytest.approx(1e-3, rel=1e-9)
    assert math.sqrt(cov[1, 1]) == pytest.approx(0.182574, abs=5e-7)
    assert cov[1, 1] == pytest.approx(1e-4 * L**3 / 3.0, rel=1e-9)
    assert cov[1, 2] / math.sqrt(cov[1, 1] * cov[2, 2]) == pytest.approx(math.sqrt(3.0) / 2.0, rel=1e-9)
    assert cov[0, 0] == pytest.approx(0.0, abs=1e-15)
    # Over 1 m, where the non-linear shortening (q L^2 / 2 of it) is below the sampling error.
    short = alone([advance(1.0)], {"heading_walk": tick(per_root_metre="0.01 rad/sqrt(m)")})
    assert_sampled(short, final_cov(short))


@STRAIGHT
def test_ref_straight_distance_walk() -> None:
    """Along-track variance grows as q_d L."""
    case = alone([advance(L)], {"distance_walk": tick(per_root_metre="0.02 m/sqrt(m)")})
    cov = final_cov(case)

    assert math.sqrt(cov[0, 0]) == pytest.approx(0.0632456, abs=5e-8)
    assert_sampled(case, np.diag([4e-4 * L, 0.0, 0.0]))


@STRAIGHT
def test_ref_straight_lateral_walk() -> None:
    """Lateral variance grows as the intensity times the length."""
    case = alone([advance(L)], {"lateral_walk": tick(per_root_metre="0.02 m/sqrt(m)")})

    assert final_cov(case) == pytest.approx(np.diag([0.0, 4e-4 * L, 0.0]), rel=1e-9, abs=1e-15)
    assert_sampled(case, np.diag([0.0, 4e-4 * L, 0.0]))


@STRAIGHT
def test_ref_straight_scale_and_start_heading() -> None:
    """Scale makes alpha L along the line, a start heading L delta across it."""
    scale = alone([advance(L)], {"distance_scale": run(spread="1 %")})
    assert math.sqrt(final_cov(scale)[0, 0]) == pytest.approx(0.1, rel=1e-9)
    assert_sampled(scale, np.diag([0.1**2, 0.0, 0.0]))

    turned = alone([advance(L)], {}, spread=("0 mm", "0 mm", "0.001 rad"))
    column = np.array([0.0, L * 1e-3, 1e-3])
    assert final_cov(turned) == pytest.approx(np.outer(column, column), rel=1e-9, abs=1e-15)
    assert_sampled(turned, np.outer(column, column))


@STRAIGHT
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_straight_bias(engine: str) -> None:
    """A heading bias of b per metre makes b L of heading and b L^2 / 2 across: 0.05 m."""
    # b = 1e-3 rad/m at 0.5 m/s; the ramps are symmetric, so that the integral of t ds is exactly L T / 2.
    bias = run(mean="0.0005 rad/s", spread="0 rad/s")
    limits = {"speed": "0.5 m/s", "acceleration": "5 m/s^2"}
    case = alone([advance(L)], {"heading_bias": bias}, limits=limits)
    end = known(case, engine)["end"].x
    duration_s = case.plan.duration_s

    # The exact chord bends by 1/3 (bL)^2 / 2 less; a tick holds its twist, which the ramps do not.
    assert end[2] == pytest.approx(-5e-4 * duration_s, rel=1e-9)
    assert end[1] == pytest.approx(-5e-4 * duration_s * L / 2.0, rel=1e-4)
    assert end[1] == pytest.approx(-0.05, rel=1e-2)


@ARCS
@pytest.mark.parametrize("row", REFERENCE["arcs"], ids=lambda r: f"{math.degrees(r['turned_rad']):.0f} deg")
def test_ref_arc(row: dict[str, Any]) -> None:
    """On an arc all sources follow the closed forms, which the quadrature repeats."""
    radius, turned = row["radius_m"], row["turned_rad"]
    s, c = math.sin(turned), math.cos(turned)
    s2, c2 = math.sin(2.0 * turned), math.cos(2.0 * turned)
    q = radius * np.array([turned])  # heading
    walk = np.array(
        [
            [
                radius**3 * (turned + turned * c2 / 2.0 - 0.75 * s2),
                radius**3 * (1.0 + 2.0 * turned * s2 - 4.0 * c + 3.0 * c2) / 4.0,
                radius**2 * (turned * c - s),
            ],
            [0.0, radius**3 * (turned - turned * c2 / 2.0 - 2.0 * s + 0.75 * s2), 0.0],
            [0.0, radius**2 * (turned * s + c - 1.0), q[0]],
        ]
    )
    walk[1, 0], walk[2, 0], walk[1, 2] = walk[0, 1], walk[0, 2], walk[2, 1]
    distance = np.zeros((3, 3))
    distance[0, 0], distance[1, 1] = (radius * (2.0 * turned + sign * s2) / 4.0 for sign in (1, -1))
    distance[0, 1] = distance[1, 0] = radius * s**2 / 2.0
    start = np.array([radius * (c - 1.0), radius * s, 1.0])
    scale = np.array([radius * s, radius * (1.0 - c), 0.0])
    for name, value in (("heading_walk", walk), ("distance_walk", distance)):
        assert np.ravel(value) == pytest.approx(row[name], abs=1e-10)
    assert start == pytest.approx(row["start_heading"], abs=1e-12)
    assert scale == pytest.approx(row["scale"], abs=1e-12)

    steps = [arc(radius, turned)]
    spread, small = ("0 mm", "0 mm", "0.002 rad"), 0.002
    cases = (
        (alone(steps, {"heading_walk": tick(per_root_metre="0.002 rad/sqrt(m)")}), walk),
        (alone(steps, {"distance_walk": tick(per_root_metre="0.002 m/sqrt(m)")}), distance),
        (alone(steps, {"distance_scale": run(spread="0.2 %")}), np.outer(scale, scale)),
        (alone(steps, {}, spread=spread), np.outer(start, start)),
    )
    for case, unit in cases:
        assert final_cov(case) == pytest.approx(unit * small**2, rel=1e-9, abs=1e-14)
    assert_sampled(cases[0][0], walk * small**2)
    assert_sampled(cases[1][0], distance * small**2)


@ARCS
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("row", REFERENCE["arcs"], ids=lambda r: f"{math.degrees(r['turned_rad']):.0f} deg")
def test_ref_arc_bias(engine: str, row: dict[str, Any]) -> None:
    """On an arc a heading bias makes b R^2 (phi cos phi - sin phi, phi sin phi + cos phi - 1)."""
    radius, turned = row["radius_m"], row["turned_rad"]
    closed = radius**2 * np.array(
        [turned * math.cos(turned) - math.sin(turned), turned * math.sin(turned) + math.cos(turned) - 1.0]
    )
    assert closed == pytest.approx(row["bias_per_metre"][:2], abs=1e-12)

    # 1e-4 rad per metre at 0.1 m/s, whose ramps take 2 mm of the path.
    limits = {"speed": "0.1 m/s", "acceleration": "5 m/s^2"}
    bias = run(mean="0.00001 rad/s", spread="0 rad/s")
    case = alone([arc(radius, turned)], {"heading_bias": bias}, limits=limits, longest_tick="0.1 s")
    end = known(case, engine)["end"].x
    assert end[:2] == pytest.approx(-1e-4 * closed, abs=1e-4 * radius**2 * 5e-3)
    assert end[2] == pytest.approx(-1e-5 * case.plan.duration_s, rel=1e-9)


@TURNS
def test_ref_turns_on_the_spot() -> None:
    """A heading scale of 1 % over four left turns, then 2 m: 0.0628319 rad, 0.1256637 m (exact 0.1255811)."""
    steps = [*[rotate(90.0)] * 4, advance(2.0)]
    cov = final_cov(alone(steps, {"heading_scale": run(spread="1 %")}))
    assert math.sqrt(cov[2, 2]) == pytest.approx(0.0628319, abs=5e-8)
    assert math.sqrt(cov[1, 1]) == pytest.approx(0.1256637, abs=5e-8)

    # Opposite turns cancel.
    both = [rotate(90.0), rotate(-90.0), advance(2.0)]
    assert final_cov(alone(both, {"heading_scale": run(spread="1 %")})) == pytest.approx(0.0, abs=1e-20)

    # Exactly: each drawn scale g leaves the heading short by 2 pi g / (1 + g), the line turned by it.
    found = run_trials(alone(steps, {"heading_scale": run(spread="1 %")}), 2000, seed=5).moments[-1].error
    assert found[:, 1] == pytest.approx(2.0 * np.sin(found[:, 2]), abs=1e-12)
    assert found[:, 2].std() == pytest.approx(0.0628319, rel=4.0 / math.sqrt(4000) + 1e-3)


@TURNS
def test_ref_walk_in_turns_and_at_rest() -> None:
    """The heading walks with the time (also at rest, where only the belief does) and with the turn."""
    turn = alone([rotate(90.0)], {"heading_walk": tick(per_root_radian="0.01 rad/sqrt(rad)")})
    expected = np.diag([0.0, 0.0, 1e-4 * math.pi / 2.0])
    assert final_cov(turn) == pytest.approx(expected, rel=1e-9, abs=1e-18)
    assert_sampled(turn, expected)

    rest = alone(
        [{"do": "pause", "time": "5 s"}, advance(1.0)],
        {"heading_walk": tick(per_root_second="0.001 rad/sqrt(s)")},
    )
    moment = covariance(rest).moments[-1]
    duration_s = rest.plan.duration_s
    # Belief alone at rest; the relative leg is then driven on the true heading, which did not move.
    assert moment.cov[2, 2] == pytest.approx(1e-6 * (duration_s - 5.0), rel=1e-9)
    assert moment.estimation_cov[2, 2] == pytest.approx(1e-6 * duration_s, rel=1e-9)
    found = run_trials(rest, TRIALS, seed=4).moments[-1]
    assert found.error[:, 2].var() == pytest.approx(1e-6 * (duration_s - 5.0), rel=SAMPLING)
    assert found.estimation[:, 2].var() == pytest.approx(1e-6 * duration_s, rel=SAMPLING)


SQUARE = [advance(4.0), rotate(90.0)] * 4
SLOW = {"speed": "0.2 m/s", "acceleration": "5 m/s^2"}


@CLOSED
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_closed_path_scale_cancels(engine: str) -> None:
    """On a closed path a distance scale and a start heading leave the end where it began."""
    square = alone(SQUARE, {"distance_scale": run(mean="1 %", spread="0 %")})
    assert known(square, engine)["end"].x[:2] == pytest.approx([0.0, 0.0], abs=1e-12)

    turned = alone(SQUARE, {}, spread=("0 mm", "0 mm", "2 deg"))
    if engine == "covariance":
        assert final_cov(turned)[:2, :2] == pytest.approx(0.0, abs=1e-20)
    else:
        error = run_trials(turned, 100, seed=1).moments[-1].error
        assert np.abs(error[:, :2]).max() < 1e-12
        assert error[:, 2].std() > math.radians(1.0)


@CLOSED
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_closed_path_bias_does_not_cancel(engine: str) -> None:
    """A square of 4 m driven left from a corner ends b (32, -32) off, a circle b 2 pi R^2 along x."""
    rate = 2e-6
    errors = {"heading_bias": run(mean="0.000002 rad/s", spread="0 rad/s")}
    case = alone(SQUARE, errors, limits=SLOW, longest_tick="0.1 s")
    turn_s = case.plan.steps[1].end_s - case.plan.steps[1].begin_s
    straight = rate / 0.2 * np.array([32.0, -32.0])
    # The spot turns take time as well: a turn about corner k moves the end by (-(y - y_k), x - x_k).
    corners = rate * turn_s * np.array([4.0 + 4.0, -4.0 - 4.0])
    end = known(case, engine)["end"].x[:2]
    assert end == pytest.approx(-(straight + corners), rel=3e-3)

    circle = alone([arc(1.3, 2.0 * math.pi)], errors, limits=SLOW, longest_tick="0.05 s")
    end = known(circle, engine)["end"].x[:2]
    unit = rate / 0.2 * 2.0 * math.pi * 1.3**2
    assert end == pytest.approx([-unit, 0.0], abs=5e-3 * unit)


@CLOSED
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_figure_of_eight_hides_bias(engine: str) -> None:
    """A figure of eight hides a heading bias to first order, but keeps 4 pi R b of heading."""
    row = REFERENCE["figure_of_eight"]
    assert row["end"][:2] == pytest.approx([-2.7e-5, -8.7e-5], abs=5e-7)  # as the survey has it
    radius, b = row["radius_m"], row["bias_per_m"]
    errors = {"heading_bias": run(mean=f"{b * 0.2!r} rad/s", spread="0 rad/s")}
    steps = [arc(radius, 2.0 * math.pi), arc(radius, -2.0 * math.pi)]
    case = alone(steps, errors, limits=SLOW, longest_tick="0.05 s")
    end = known(case, engine)["end"].x
    assert end[2] == pytest.approx(-4.0 * math.pi * radius * b, rel=3e-3)
    # One circle alone moves by 2 pi R^2 b = 10.6 mm; what the ramps leave of the cancellation is below
    # 0.05 mm, the residual of second order (the same for either sign of b) is 0.09 mm.
    second = np.array(row["end"][:2]) if engine == "trials" else np.zeros(2)
    assert np.abs(end[:2]) == pytest.approx(np.abs(second), abs=5e-5)


@CLOSED
def test_ref_closed_path_distance_walk_does_not_cancel() -> None:
    """A random walk of the distance does not cancel on a closed path: q_d times 8 m along each axis."""
    cov = final_cov(alone(SQUARE, {"distance_walk": tick(per_root_metre="0.01 m/sqrt(m)")}))
    assert cov[:2, :2] == pytest.approx(np.diag([8e-4, 8e-4]), rel=1e-9, abs=1e-15)


WALKS = {
    "heading_walk": tick(per_root_metre="0.01 rad/sqrt(m)"),
    "distance_walk": tick(per_root_metre="0.02 m/sqrt(m)"),
    "lateral_walk": tick(per_root_metre="0.01 m/sqrt(m)"),
}


@pytest.mark.parametrize("parts", [2, 100])
def test_law_splitting_a_leg_changes_nothing(parts: int) -> None:
    """One leg or a hundred, the same covariance (one Jacobian per leg would lose 25 % across)."""
    errors = {**WALKS, "distance_scale": run(spread="1 %"), "crab_angle": run(spread="1 deg")}
    start = ("10 mm", "10 mm", "1 deg")
    whole = final_cov(alone([advance(5.0)], errors, spread=start))
    split = final_cov(alone([advance(5.0 / parts)] * parts, errors, spread=start))
    assert split == pytest.approx(whole, rel=1e-6)
    bent = final_cov(alone([arc(1.5, 2.0)], errors, spread=start))
    bends = final_cov(alone([arc(1.5, 2.0 / parts)] * parts, errors, spread=start))
    assert bends == pytest.approx(bent, rel=1e-6)


def test_law_length_of_ticks_changes_nothing() -> None:
    """Ticks of half a second or of 10 ms give the same covariance."""
    errors = {**WALKS, "distance_scale": run(spread="1 %")}
    coarse = final_cov(alone([advance(5.0), arc(1.5, 2.0)], errors, longest_tick="0.5 s"))
    fine = final_cov(alone([advance(5.0), arc(1.5, 2.0)], errors, longest_tick="0.01 s"))
    assert coarse == pytest.approx(fine, rel=1e-6, abs=1e-12)


def test_law_length_of_ticks_changes_no_trials_moment() -> None:
    """Trials in n ticks lose 1 / (4 n^2) of the lateral variance: nothing at 50, 6 % at two."""
    errors = {"heading_walk": tick(per_root_metre="0.01 rad/sqrt(m)")}
    lateral = 1e-4 / 3.0
    case = alone([advance(1.0)], errors, longest_tick="0.02 s")
    assert run_trials(case, TRIALS, seed=9).moments[-1].error[:, 1].var() == pytest.approx(
        lateral, rel=SAMPLING
    )


# K. S. Chong and L. Kleeman, ICRA 1997: wheel noise of a robot on parquet [sqrt(m)], its true track [m].
WHEELS, TRACK_M = (0.00040, 0.00058), 0.36898


@pytest.mark.evidence(
    source="Chong and Kleeman 1997, constants",
    compares="wheel noise over 10 m and a quarter turn",
    tolerance="5e-9",
)
def test_ref_published_wheel_noise() -> None:
    """Chong and Kleeman's robot: 10 m leave 6.03828 mrad, 1.11400 mm along, 34.86201 mm across.

    Their model has the wheels err apart: k_L^2 and k_R^2 per metre. On a straight that is a distance walk of
    half the root of their sum, and a heading walk of the root over the track; a quarter turn on the spot
    leaves 1.02792 mrad. The constants are published, the closed forms derived from the model. What the wheels
    make of distance and heading together is no part of the drift model.
    """
    both = math.hypot(*WHEELS)
    walks = {
        "distance_walk": tick(per_root_metre=f"{both / 2.0!r} m/sqrt(m)"),
        "heading_walk": tick(
            per_root_metre=f"{both / TRACK_M!r} rad/sqrt(m)",
            per_root_radian=f"{both / math.sqrt(2.0 * TRACK_M)!r} rad/sqrt(rad)",
        ),
    }
    straight = alone([advance(10.0)], walks)
    along, across, heading = np.sqrt(np.diag(final_cov(straight)))
    assert heading == pytest.approx(0.00603828, abs=5e-9)
    assert along == pytest.approx(0.00111400, abs=5e-9)
    assert across == pytest.approx(0.03486201, abs=5e-9)
    assert_sampled(straight, final_cov(straight))
    assert math.sqrt(final_cov(alone([rotate(90.0)], walks))[2, 2]) == pytest.approx(0.00102792, abs=5e-9)


@pytest.mark.evidence(
    source="Siegwart and Nourbakhsh 2004, 5.2.4 (share derived)",
    compares="lateral variance lost by 1, 2, 10 steps",
    tolerance="4 standard errors",
)
@pytest.mark.parametrize(("cells", "share"), [(1, 0.75), (2, 0.9375), (10, 0.9975)])
def test_ref_midpoint_steps_lose_a_known_share(cells: int, share: float) -> None:
    """Mid-point steps keep 1 - 1 / (4 n^2) of the lateral variance, all of the heading's and of the engine's.

    The step form is that of R. Siegwart and I. Nourbakhsh, Introduction to Autonomous Mobile Robots (2004),
    section 5.2.4; the share is derived from it. One step of a whole leg loses a quarter.
    """
    # So fast a start and stop that cells of time are cells of length; no turns that ask for ticks.
    sharp = {"speed": "1 m/s", "acceleration": "200 m/s^2", "turn_rate": "10 deg/s"}
    length_m = 0.4
    errors = {"heading_walk": tick(per_root_metre="0.01 rad/sqrt(m)")}
    duration_s = alone([advance(length_m)], errors, limits=sharp).plan.duration_s
    tick_s = duration_s / cells + 1e-9
    case = alone([advance(length_m)], errors, limits=sharp, longest_tick=f"{tick_s!r} s")
    error = run_trials(case, TRIALS, seed=9).moments[-1].error
    assert error[:, 1].var() == pytest.approx(share * 1e-4 * length_m**3 / 3.0, rel=SAMPLING)
    assert error[:, 2].var() == pytest.approx(1e-4 * length_m, rel=SAMPLING)
    assert final_cov(case)[1, 1] == pytest.approx(1e-4 * length_m**3 / 3.0, rel=1e-3)


@pytest.mark.evidence(
    source="Kratky and Porod 1949 (from memory)",
    compares="heading walk far from linear: moments of trials",
    tolerance="4 standard errors",
)
def test_mc_exact_moments_of_a_wandering_line() -> None:
    """At q = 0.2 rad^2/m over 5 m the trials have the exact moments, far from the linear 8.33 m^2."""
    row = REFERENCE["wandering_line"]
    expected = (3.934693, 21.306132, 4.742961)  # Kratky and Porod 1949, from memory, derived
    assert (row["mean_x"], row["mean_r2"], row["mean_y2"]) == pytest.approx(expected, abs=1e-6)
    case = alone([advance(5.0)], {"heading_walk": tick(per_root_metre=f"{math.sqrt(0.2)!r} rad/sqrt(m)")})
    error = run_trials(case, TRIALS, seed=7).moments[-1].error
    x, y = 5.0 + error[:, 0], error[:, 1]
    for sample, mean in zip((x, x**2 + y**2, y**2), expected, strict=True):
        assert sample.mean() == pytest.approx(mean, abs=4.0 * sample.std() / math.sqrt(TRIALS))
    assert final_cov(case)[1, 1] == pytest.approx(0.2 * 5.0**3 / 3.0, rel=1e-9)


@pytest.mark.evidence(
    source="Mardia and Jupp (from memory)",
    compares="wrapped start heading: moments of trials",
    tolerance="4 standard errors",
)
def test_mc_exact_moments_of_a_turned_line() -> None:
    """A start heading of sd 0.5 rad over 1 m: mean x 0.882497, variances 0.024465 and 0.196735."""
    # Wrapped normal, K. V. Mardia and P. E. Jupp, Directional Statistics (from memory, derived).
    case = alone([advance(1.0)], {}, spread=("0 mm", "0 mm", "0.5 rad"))
    error = run_trials(case, TRIALS, seed=8).moments[-1].error
    x, y = 1.0 + error[:, 0], error[:, 1]
    for sample, mean in (
        (x, 0.882497),
        ((x - 0.882497) ** 2, 0.024465),
        (y**2, 0.196735),
    ):
        assert sample.mean() == pytest.approx(mean, abs=4.0 * sample.std() / math.sqrt(TRIALS))
