"""What stays the same all through a run, considered by the robot's filter: by full matrices, and in runs."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.core.pose import FloatArray
from driftgate.judge.consistency import mean_normalised
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.consider import (
    NO_LINK,
    Constant,
    Link,
    Links,
    SensorConstants,
    after_fix,
    carried,
    constant_of,
    link_to,
    reset_links,
    with_constant,
)
from driftgate.predict.filter import Six, as_matrix, joseph, kalman_gain, reset_normal, times_h
from driftgate.predict.filter_model import filter_model, wall_offset
from driftgate.predict.prepared import prepare
from driftgate.world.beam import expected_range

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run

ALL = np.ones(1, dtype=bool)
HERE, ELSEWHERE = np.array([3]), np.array([4])


def six_of(p: FloatArray) -> Six:
    """Return a covariance as the six arrays of one trial."""
    return tuple(np.array([p[i, j]]) for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)))  # type: ignore[return-value]


def links_of(c: FloatArray) -> Links:
    """Return links to as many slots as the matrix (3, slots) has columns."""
    return {slot: Link(*(np.array([v]) for v in column), HERE) for slot, column in enumerate(c.T)}


def joint(p: Six, links: Links) -> FloatArray:
    """Return the covariance of pose and constants as one matrix."""
    c = np.array([[float(v[0]) for v in link[:3]] for _, link in sorted(links.items())]).T
    return np.block([[as_matrix(p), c], [c.T, np.eye(c.shape[1])]])


def drawn(rng: np.random.Generator, slots: int) -> tuple[Six, Links, FloatArray]:
    """Return a joint covariance: pose and links as the filter holds them, and as one matrix."""
    root = rng.normal(0.0, 0.03, (3, 3))
    mixed = rng.uniform(-1.0, 1.0, (3, slots)) * 0.5 / math.sqrt(slots)
    p = root @ root.T + 1e-6 * np.eye(3)
    c = np.linalg.cholesky(p) @ mixed
    return six_of(p), links_of(c), np.block([[p, c], [c.T, np.eye(slots)]])


def fixed(
    p: Six, links: Links, slot: int, h: FloatArray, sd_m: float, noise_m2: float, law: str = "kalman"
) -> tuple[Six, Links, FloatArray]:
    """Return covariance, links and gain after one fix of a slot on the surface that is linked already."""
    hs = (h[0:1], h[1:2], h[2:3])
    constant = Constant(np.array([sd_m]), np.array([0.5]))
    ph = times_h(p, hs)
    s = hs[0] * ph[0] + hs[1] * ph[1] + hs[2] * ph[2] + noise_m2
    a, s = with_constant(ph, s, hs, link_to(links, slot, HERE, constant), constant)
    k = kalman_gain(a, s)
    if law != "kalman":
        k = (0.4 * k[0] + 0.1, 0.7 * k[1], 0.9 * k[2] - 0.05)
    return joseph(p, k, a, s), after_fix(links, slot, HERE, constant, k, hs, ALL), np.ravel(k)


@pytest.mark.evidence(
    source="Schmidt 1966; Jazwinski 1970, 8.4 (from memory)",
    compares="consider filter: gain, covariances",
    tolerance="1e-9 of it",
)
@pytest.mark.parametrize("law", ["kalman", "any gain"])
def test_ref_schmidts_gain_on_the_full_covariance(law: str) -> None:
    """A fix is (I - K H) P (I - K H)' + K R K' of pose and all constants, with no gain for the constants.

    Schmidt's gain is that of the full Kalman filter with the rows of the constants set to zero.
    """
    rng = np.random.default_rng(5)
    for _ in range(30):
        slots = int(rng.integers(1, 5))
        p, links, full = drawn(rng, slots)
        slot, h = int(rng.integers(slots)), rng.normal(0.0, 1.0, 3)
        sd_m, noise_m2 = float(rng.uniform(0.001, 0.02)), float(rng.uniform(1e-6, 1e-4))
        look = np.concatenate([h, np.zeros(slots)])
        look[3 + slot] = sd_m
        new, new_links, gain = fixed(p, links, slot, h, sd_m, noise_m2, law)
        k = np.concatenate([gain, np.zeros(slots)])
        if law == "kalman":
            assert gain == pytest.approx((full @ look)[:3] / (look @ full @ look + noise_m2), rel=1e-9)
        left = np.eye(3 + slots) - np.outer(k, look)
        expected = left @ full @ left.T + noise_m2 * np.outer(k, k)
        assert joint(new, new_links) == pytest.approx(expected, rel=1e-9, abs=1e-14)


@settings(max_examples=60, deadline=None)
@given(
    prior_m=st.floats(1e-4, 1.0),
    sd_m=st.floats(0.0, 0.1),
    noise_m=st.floats(1e-4, 0.1),
    readings=st.integers(1, 60),
)
def test_law_readings_of_one_wall_never_tell_more_than_the_wall(
    prior_m: float, sd_m: float, noise_m: float, readings: int
) -> None:
    """However many there are, what is left is no less than of one perfect reading of a wall that may be off.

    It never rises, and without a constant it is what a plain filter has.
    """
    zero = np.zeros(1)
    p: Six = (np.array([prior_m**2]), zero, zero, zero, zero, zero)
    links: Links = {}
    before = prior_m**2
    for _ in range(readings):
        p, links, _ = fixed(p, links, 0, np.array([1.0, 0.0, 0.0]), sd_m, noise_m**2)
        assert float(p[0][0]) <= before * (1.0 + 1e-9)
        before = float(p[0][0])
    assert before >= (1.0 - 1e-6) * prior_m**2 * sd_m**2 / (prior_m**2 + sd_m**2)
    if sd_m == 0.0:
        assert before == pytest.approx(1.0 / (1.0 / prior_m**2 + readings / noise_m**2), rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_law_pose_and_constants_stay_a_covariance(seed: int) -> None:
    """After fixes, ways, surfaces that change and resets no eigenvalue of the whole is below zero."""
    rng = np.random.default_rng(seed)
    p, links, full = drawn(rng, 3)
    for _ in range(25):
        h, slot = rng.normal(0.0, 1.0, 3), int(rng.integers(3))
        match int(rng.integers(4)):
            case 0:
                dx, dy = rng.normal(0.0, 0.1, (2, 1))
                step = np.eye(3)
                step[0, 2], step[1, 2] = -float(dy[0]), float(dx[0])
                p = six_of(step @ as_matrix(p) @ step.T)
                links = carried(links, dx, dy, float(rng.uniform(0.5, 1.0)))
            case 1 if rng.uniform() < 0.2:
                normal = (math.cos(h[0]), math.sin(h[0]))
                p, links = reset_normal(p, normal, 0.002, 0.01), reset_links(links, normal, ALL)
            case 2:
                constant = constant_of(np.array([1e-5]), 2e-5)
                c = link_to(links, slot, ELSEWHERE, constant)
                links = {**links, slot: Link(*c, HERE)}
            case _:
                p, links, _ = fixed(p, links, slot, h, float(rng.uniform(0.0, 0.02)), 1e-6)
        values = np.linalg.eigvalsh(joint(p, links) / np.max(full))
        assert values[0] > -1e-9


def test_law_links_go_the_way_the_pose_goes() -> None:
    """Over a way C becomes Phi C times what is left of it; a reset leaves its part along the wall."""
    rng = np.random.default_rng(1)
    _, links, full = drawn(rng, 2)
    c = full[:3, 3:]
    phi = np.array([[1.0, 0.0, -0.3], [0.0, 1.0, 0.2], [0.0, 0.0, 1.0]])
    moved = carried(links, np.array([0.2]), np.array([0.3]), 0.8)
    reset = reset_links(links, (0.6, 0.8), ALL)
    along = np.outer([0.8, -0.6, 0.0], [0.8, -0.6, 0.0])
    for slot in range(2):
        assert np.ravel(moved[slot][:3]) == pytest.approx(0.8 * phi @ c[:, slot], rel=1e-12)
        assert np.ravel(reset[slot][:3]) == pytest.approx(along @ c[:, slot], rel=1e-12, abs=1e-18)
    nobody = reset_links(links, (0.6, 0.8), ~ALL)
    assert np.ravel(nobody[1][:3]) == pytest.approx(c[:, 1])


def test_law_on_another_surface_the_sensors_own_part_is_left() -> None:
    """Of 3 mm of the sensor's and 4 mm of the wall's 9 / 25 is the same on the next wall, on this one all."""
    constant = constant_of(np.array([9e-6]), 16e-6)
    links = {2: Link(np.array([1e-3]), np.array([0.0]), np.array([2e-3]), HERE)}
    assert constant.sd_m == pytest.approx(5e-3)
    assert np.ravel(link_to(links, 2, HERE.copy(), constant)) == pytest.approx([1e-3, 0.0, 2e-3])
    assert np.ravel(link_to(links, 2, ELSEWHERE, constant)) == pytest.approx([3.6e-4, 0.0, 7.2e-4])
    assert np.ravel(link_to(links, 1, HERE, constant)) == pytest.approx([0.0, 0.0, 0.0])


def test_law_a_reading_that_is_not_used_leaves_the_links() -> None:
    """Of two trials the one that refuses keeps what it had, its surface included."""
    zero, two = np.zeros(2), np.full(2, 1e-3)
    constant = Constant(np.full(2, 5e-3), np.full(2, 0.5))
    used = np.array([True, False])
    k, h = (np.where(used, 0.4, 0.0), zero, zero), (np.ones(2), zero, zero)
    links = {0: Link(two, zero, zero, np.array([3, 3])), 1: Link(two, two, two, np.array([3, 3]))}
    new = after_fix(links, 0, np.array([4, 4]), constant, k, h, used)
    assert new[0].x == pytest.approx([5e-4 - 0.4 * (5e-4 + 5e-3), 1e-3])
    assert new[0].surface.tolist() == [4, 3]
    assert new[1].x == pytest.approx([6e-4, 1e-3])
    fresh = after_fix({}, 0, np.array([4, 4]), constant, k, h, used)
    assert fresh[0].x == pytest.approx([-0.4 * 5e-3, 0.0])
    assert fresh[0].surface.tolist() == [4, int(NO_LINK.surface[0])]


def test_law_the_beams_turn_is_that_of_the_full_derivatives() -> None:
    """What the mount's angle makes of a range is its derivative by it, on a line and in a cone alike."""
    own = SensorConstants(0.0, 0.0, 1.0)
    for heading in (0.0, 0.3, -0.6):
        found = expected_range(np.array([0.2, 0.1, heading]), (0.1, 0.05, 0.2), (-1.0, 0.0), (2.0, 0.0))
        variance = own.variance(found.range_m, found.d_x, found.d_y)
        assert variance == pytest.approx(float(found.d_mount_angle) ** 2, rel=1e-9)


# The numbers


BUILD = {"offset": "3 mm", "tilt": "0.2 deg", "constant_over": "field", **GUESS}


def sensed(**own: Any) -> Prepared:
    """Return a robot with one sensor that has errors of every kind, and what its filter is told."""
    errors = {
        "noise": {"at_zero": "4 mm", "per_range": "1 %", "constant_over": "reading", **GUESS},
        "bias": run(mean="0 mm", spread="3 mm"),
        "scale": run(mean="0 %", spread="0.5 %"),
        "mount_position": run(spread="4 mm"),
        "mount_angle": run(mean="0 deg", spread="0.7 deg"),
    }
    sensor = range_sensor("ahead", 0.0, 0.0, 0.0, errors=errors)
    machine = robot({}, [sensor], {"when": "always", "filter": own})
    return prepared([{"do": "look", "time": "1 s"}], machine, field_map(build=BUILD))


def test_law_each_error_is_counted_once() -> None:
    """By default bias, mount, scale and walls are constants, the rest is noise; switched off all is noise."""
    on, off = sensed().filter, sensed(consider=False).filter
    assert on.range_at_zero_m == pytest.approx((4e-3,))
    assert on.range_per_range == pytest.approx((1e-2,))
    (constants,) = on.constants
    assert constants.bias_m == pytest.approx(5e-3)
    assert constants.scale == pytest.approx(5e-3)
    assert math.degrees(constants.angle_rad) == pytest.approx(0.7)
    assert off.range_at_zero_m == pytest.approx((math.hypot(4e-3, 5e-3),))
    assert off.range_per_range == pytest.approx((math.hypot(1e-2, 5e-3),))
    assert (off.constants, off.wall_m) == ((), 0.0)
    written = sensed(range_bias="1 mm", range_scale="2 %", mount_angle="3 deg", wall="7 mm").filter
    assert written.constants == (SensorConstants(1e-3, 2e-2, math.radians(3.0)),)
    assert written.wall_m == pytest.approx(7e-3)


def test_law_walls_are_off_by_offset_and_tilt() -> None:
    """A wall of 4 m turned by 0.2 deg is off by 4 m x 0.2 deg / sqrt(12), its own 3 mm beside it."""
    case = sensed()
    field = case.case.believed
    square = 0.0
    for edge in case.believed.edges:
        length = math.dist(edge.a, edge.b)
        square += (3e-3**2 + (math.radians(0.2) * length) ** 2 / 12.0) / len(case.believed.edges)
    assert wall_offset(field) == pytest.approx(math.sqrt(square))
    assert case.filter.wall_m == pytest.approx(math.sqrt(square))


def test_law_nothing_constant_is_a_plain_filter() -> None:
    """Without constants the filter is the plain one, bit for bit, and remembers no more."""
    own = {"range_bias": "0 mm", "range_scale": "0 %", "mount_angle": "0 deg", "wall": "0 mm"}
    plain, none = sensed(consider=False, wall="0 mm"), sensed(**own)
    assert not none.filter.considers
    numbers = {"range_at_zero_m": none.filter.range_at_zero_m, "range_per_range": none.filter.range_per_range}
    same = replace(plain, filter=replace(plain.filter, **numbers))
    errors = [run_trials(case, 20, 1).moments[-1].error for case in (same, none)]
    assert np.array_equal(*errors)


# Both engines


def along_walls(law: str = "kalman", consider: bool = True, **more: Any) -> Prepared:
    """Return a drive into a corner's sight, by sensors and walls that are all off by something constant."""
    errors = {
        "noise": {"at_zero": "4 mm", "per_range": "0.5 %", "constant_over": "reading", **GUESS},
        "bias": run(mean="0 mm", spread="5 mm"),
        "scale": run(mean="0 %", spread="0.5 %"),
        "mount_angle": run(mean="0 deg", spread="0.5 deg"),
    }
    sensors = [
        range_sensor("port", 0.1, 0.1, 0.0, rate="10 Hz", errors=errors),
        range_sensor("starboard", 0.1, -0.1, 0.0, rate="10 Hz", errors=errors),
        range_sensor("left", 0.0, 0.1, 90.0, rate="10 Hz", errors=errors),
    ]
    own = {"along": "6 mm/sqrt(m)", "across": "6 mm/sqrt(m)", "consider": consider}
    update = {"law": law, **({"share": "30 %"} if law == "blend" else {})}
    machine = robot(
        {"distance_scale": run(mean="0 %", spread="0.4 %")},
        sensors,
        {"when": "always", "update": update, "filter": own, **more},
        controller={"time_constant": "0.3 s"},
    )
    build = {"offset": "6 mm", "tilt": "0 deg", "constant_over": "field", **GUESS}
    return prepared(
        [{"do": "advance", "distance": "1.2 m"}, {"do": "look", "time": "0.5 s"}],
        machine,
        believed=field_map(x=(-2.0, 3.0), y=(-2.0, 2.0), build=build),
        spread=("20 mm", "20 mm", "1 deg"),
    )


PAIRED = {"pairs": [{"sensors": ["port", "starboard"]}]}


# A pair under the other laws turns the belief by two degrees at a time: far from linear, with any filter.
@pytest.mark.parametrize(
    ("law", "more"),
    [("kalman", {}), ("replace", {}), ("blend", {}), ("kalman", PAIRED)],
    ids=["kalman", "replace", "blend", "pairs"],
)
def test_mc_engines_agree_on_a_considering_filter(law: str, more: dict[str, Any]) -> None:
    """Errors and their size by the filter's own covariance are the same in trials and in the linear model."""
    case, trials = along_walls(law, **more), 3000
    linear, sampled = covariance(case).moments[-1], run_trials(case, trials, 3)
    e = sampled.moments[-1].estimation
    for axis in range(3):
        wanted = math.sqrt(linear.estimation_cov[axis, axis])
        assert e[:, axis].std() == pytest.approx(wanted, rel=4.0 / math.sqrt(2.0 * trials) + 0.01)
    expected = mean_normalised(linear.filter_cov, linear.estimation_mean, linear.estimation_cov)
    # A mean of squares of about three normals: 4 standard errors, and a few per cent of linearising.
    assert sampled.own.nees[-1, 1] / trials / 1e3 == pytest.approx(
        expected, rel=4.0 * math.sqrt(2.0 / 3.0 / trials) + 0.04
    )


def test_mc_considering_makes_the_filter_honest_and_no_worse() -> None:
    """The 95 % region holds the truth as often as it claims, and innovations have the size they should have.

    With constants taken as noise it holds it in two trials of three.
    """
    trials = 2000
    plain, honest = (run_trials(along_walls(consider=on), trials, 3) for on in (False, True))
    inside = [result.own.inside[-1, -1, -1] / trials for result in (plain, honest)]
    assert inside[0] < 0.75
    assert 0.92 < inside[1] < 0.99
    means = [result.own.by_trial[:3, 1] / result.own.by_trial[:3, 0] / 1e3 for result in (plain, honest)]
    assert np.all(np.abs(means[1] - 1.0) < np.abs(means[0] - 1.0))
    off = [np.sqrt(np.mean(np.square(r.moments[-1].estimation[:, :2]))) for r in (plain, honest)]
    assert off[1] <= 1.02 * off[0]


def test_law_links_do_not_depend_on_batches() -> None:
    """Trials of sensors that start anywhere have the same links, whatever batch they are in."""
    case = along_walls()
    sensors = [s.model_copy(update={"random_phase": s.id == "left"}) for s in case.case.robot.sensors]
    machine = case.case.robot.model_copy(update={"sensors": sensors})
    case = prepare(replace(case.case, robot=machine))
    whole, parts = run_trials(case, 40, 1), run_trials(case, 40, 1, batch=7)
    assert np.array_equal(whole.moments[-1].error, parts.moments[-1].error)
    assert np.array_equal(whole.own.nees, parts.own.nees)


def test_law_numbers_are_those_of_the_robot_file() -> None:
    """What is prepared is what the model derives."""
    case = sensed()
    assert case.filter == filter_model(case.case)
    assert case.filter.left_over(2.0) == pytest.approx(math.exp(-1.0))
