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
from driftgate.predict.consider import NO_LINKS, NOTHING, Effect, Effects, Gained, Key, Links, without_zeros
from driftgate.predict.constants import (
    NO_CONSTANTS,
    NOWHERE,
    Look,
    SensorConstants,
    effects_of,
    met_by,
)
from driftgate.predict.contact_reset import Swing, WallReset, after_touch, swing_of, wall_reset
from driftgate.predict.filter import Six, as_matrix, joseph, kalman_gain, reset_normal, times_h
from driftgate.predict.filter_model import filter_model, wall_offset, wall_tilt
from driftgate.predict.movers import NO_MOVERS, Mover, Movers
from driftgate.predict.prepared import prepare
from driftgate.world.beam import expected_range, range_in_cone, sensor_beam
from driftgate.world.cone import END, Axis, answer_in_cone

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run

ALL = np.ones(1, dtype=bool)
HERE = NO_LINKS.way


def six_of(p: FloatArray) -> Six:
    """Return a covariance as the six arrays of one trial."""
    return tuple(np.array([p[i, j]]) for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)))  # type: ignore[return-value]


def key_of(i: int) -> Key:
    """Return a constant of a sensor for an even number, of a surface for an odd one."""
    return ("scale", i) if i % 2 == 0 else ("offset", i)


def links_of(c: FloatArray, way: tuple[float, float] = (0.0, 0.0)) -> Links:
    """Return links to as many constants as the matrix (3, constants) has columns, after a way."""
    now = {key_of(i): tuple(np.array([v]) for v in column) for i, column in enumerate(c.T)}
    return Links({}, (np.array([way[0]]), np.array([way[1]]))).with_rows(now)  # type: ignore[arg-type]


def columns_of(links: Links, count: int) -> FloatArray:
    """Return the matrix (3, constants) of links; a constant without one has zeros."""
    found = np.zeros((3, count))
    for i in range(count):
        if key_of(i) in links.rows:
            found[:, i] = [float(v[0]) for v in links.now()[key_of(i)]]
    return found


def joint(p: Six, links: Links, count: int) -> FloatArray:
    """Return the covariance of pose and constants as one matrix."""
    c = columns_of(links, count)
    return np.block([[as_matrix(p), c], [c.T, np.eye(count)]])


def drawn(rng: np.random.Generator, count: int) -> tuple[Six, Links, FloatArray]:
    """Return a joint covariance: pose and links as the filter holds them, and as one matrix."""
    root = rng.normal(0.0, 0.03, (3, 3))
    mixed = rng.uniform(-1.0, 1.0, (3, count)) * 0.5 / math.sqrt(count)
    p = root @ root.T + 1e-6 * np.eye(3)
    c = np.linalg.cholesky(p) @ mixed
    way = rng.normal(0.0, 2.0, 2)
    return six_of(p), links_of(c, (float(way[0]), float(way[1]))), np.block([[p, c], [c.T, np.eye(count)]])


def fixed(
    p: Six, links: Links, effects: Effects, h: FloatArray, noise_m2: float, law: str = "kalman"
) -> tuple[Six, Links, FloatArray]:
    """Return covariance, links and gain after one fix with such effects of constants."""
    hs = without_zeros((h[0:1], h[1:2], h[2:3]))
    ph = times_h(p, hs)
    s = hs[0] * ph[0] + hs[1] * ph[1] + hs[2] * ph[2] + noise_m2
    a, s, along = links.with_constants(ph, s, hs, effects)
    k = kalman_gain(a, s)
    if law != "kalman":
        k = (0.4 * k[0] + 0.1, 0.7 * k[1], 0.9 * k[2] - 0.05)
    return joseph(p, k, a, s), links.after_fix(effects, along, k, hs), np.ravel(k)


@pytest.mark.evidence(
    source="Schmidt 1966; Jazwinski 1970, 8.4 (from memory)",
    compares="consider filter: gain, covariances",
    tolerance="1e-9 of it",
)
@pytest.mark.parametrize("law", ["kalman", "any gain"])
def test_ref_schmidts_gain_on_the_full_covariance(law: str) -> None:
    """A fix is (I - K H) P (I - K H)' + K R K' of pose and all constants, with no gain for the constants.

    Schmidt's gain is that of the full Kalman filter with the rows of the constants set to zero. Half of the
    readings say nothing of x or of y, and some constants are met for the first time.
    """
    rng = np.random.default_rng(5)
    for _ in range(60):
        count = int(rng.integers(2, 6))
        p, links, full = drawn(rng, count)
        h, new = rng.normal(0.0, 1.0, 3), int(rng.integers(count))
        h[int(rng.integers(3))] *= float(rng.integers(2))
        links = Links({k: row for k, row in links.rows.items() if k != key_of(new)}, links.way)
        full[:3, 3 + new] = full[3 + new, :3] = 0.0
        sizes = rng.normal(0.0, 0.02, count) * (rng.uniform(size=count) < 0.6)
        effects = tuple(Effect(key_of(i), np.array([d])) for i, d in enumerate(sizes) if d != 0.0)
        noise_m2 = float(rng.uniform(1e-6, 1e-4))
        look = np.concatenate([h, sizes])
        after, new_links, gain = fixed(p, links, effects, h, noise_m2, law)
        k = np.concatenate([gain, np.zeros(count)])
        if law == "kalman":
            assert gain == pytest.approx((full @ look)[:3] / (look @ full @ look + noise_m2), rel=1e-9)
        left = np.eye(3 + count) - np.outer(k, look)
        expected = left @ full @ left.T + noise_m2 * np.outer(k, k)
        assert joint(after, new_links, count) == pytest.approx(expected, rel=1e-9, abs=1e-14)


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
    links, before = NO_LINKS, prior_m**2
    effects = (Effect(("offset", 0), np.array([-sd_m])),)
    for _ in range(readings):
        p, links, _ = fixed(p, links, effects, np.array([1.0, 0.0, 0.0]), noise_m**2)
        assert float(p[0][0]) <= before * (1.0 + 1e-9)
        before = float(p[0][0])
    assert before >= (1.0 - 1e-6) * prior_m**2 * sd_m**2 / (prior_m**2 + sd_m**2)
    if sd_m == 0.0:
        assert before == pytest.approx(1.0 / (1.0 / prior_m**2 + readings / noise_m**2), rel=1e-6)


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 2**32 - 1))
def test_law_pose_and_constants_stay_a_covariance(seed: int) -> None:
    """After fixes, ways on which walls fade, and resets no eigenvalue of the whole is below zero."""
    rng = np.random.default_rng(seed)
    p, links, full = drawn(rng, 3)
    for _ in range(25):
        h, which = rng.normal(0.0, 1.0, 3), int(rng.integers(3))
        match int(rng.integers(3)):
            case 0:
                dx, dy = rng.normal(0.0, 0.1, (2, 1))
                step = np.eye(3)
                step[0, 2], step[1, 2] = -float(dy[0]), float(dx[0])
                p = six_of(step @ as_matrix(p) @ step.T)
                links = links.carried(dx, dy, float(rng.uniform(0.5, 1.0)))
            case 1 if rng.uniform() < 0.2:
                normal = (math.cos(h[0]), math.sin(h[0]))
                p, links = reset_normal(p, normal, 0.002, 0.01), links.reset(normal, 0.0, ALL)
            case _:
                effects = (Effect(key_of(which), rng.uniform(-0.02, 0.02, 1)),)
                p, links, _ = fixed(p, links, effects, h, 1e-6)
        values = np.linalg.eigvalsh(joint(p, links, 3) / np.max(full))
        assert values[0] > -1e-9


def test_law_links_go_the_way_the_pose_goes() -> None:
    """Over a way C becomes Phi C, of surfaces what is left of it; a reset leaves its part along the wall."""
    rng = np.random.default_rng(1)
    _, links, full = drawn(rng, 2)
    c = full[:3, 3:]
    phi = np.array([[1.0, 0.0, -0.3], [0.0, 1.0, 0.2], [0.0, 0.0, 1.0]])
    moved = links.carried(np.array([0.2]), np.array([0.3]), 0.8)
    reset = links.reset((0.6, 0.8), 0.0, ALL)
    along = np.outer([0.8, -0.6, 0.0], [0.8, -0.6, 0.0])
    assert columns_of(links, 2) == pytest.approx(c, rel=1e-12, abs=1e-15)
    # The first is a sensor's, which never changes.
    assert columns_of(moved, 2) == pytest.approx(phi @ c * [1.0, 0.8], rel=1e-12, abs=1e-15)
    assert columns_of(reset, 2) == pytest.approx(along @ c, rel=1e-12, abs=1e-15)
    assert columns_of(links.reset((0.6, 0.8), 0.0, ~ALL), 2) == pytest.approx(c)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_law_a_touch_is_that_of_the_whole_matrix(seed: int) -> None:
    """Flush with a wall that is off: T J T' with what the wall does, on pose and constants as one matrix.

    By its turn it swings along the wall. Of two trials the one that has not touched stays as it is.
    """
    rng = np.random.default_rng(seed)
    (p, links, full), angle = drawn(rng, 3), rng.uniform(-3.0, 3.0)
    links = Links({k: row for k, row in links.rows.items() if k != key_of(2)}, links.way)
    full[:3, 5] = full[5, :3] = 0.0
    n, t = np.array([math.cos(angle), math.sin(angle)]), np.array([math.sin(angle), -math.cos(angle)])
    by, turn, left = rng.normal(0.0, 0.01, 2), rng.normal(0.0, 0.01, 2), (0.003, 0.002)
    gained = tuple(Gained(key_of(1 + i), float(by[i]), float(turn[i])) for i in range(2))
    lever, askew, off = rng.uniform(0.0, 0.3), rng.uniform(-0.2, 0.2), 0.03
    reset = WallReset((float(n[0]), float(n[1])), *left, gained, Swing(lever, askew))
    whole = np.eye(6)
    whole[:3, :3] = 0.0
    whole[:2, :2], whole[:2, 2] = np.outer(t, t), lever * t
    for i in range(2):
        whole[:2, 4 + i], whole[2, 4 + i] = by[i] * n - lever * turn[i] * t, turn[i]
    wanted = whole @ full @ whole.T + np.pad((askew * off) ** 2 * np.outer(t, t), (0, 4))[:6, :6]
    wanted[:2, :2] += left[0] ** 2 * np.outer(n, n)
    wanted[2, 2] += left[1] ** 2
    after, gone = after_touch(p, links, reset, ALL, off**2)
    assert joint(after, gone, 3) == pytest.approx(wanted, rel=1e-9, abs=1e-15)
    same, kept = after_touch(p, links, reset, ~ALL, off**2)
    assert joint(same, kept, 3) == pytest.approx(full, rel=1e-12, abs=1e-18)


@pytest.mark.parametrize("consider", [True, False])
def test_law_a_wall_is_no_better_than_it_stands(consider: bool) -> None:
    """A touch 0.8 m beside the middle of a wall 3 mm and 5 mrad off: 5 mm, of which a reset of 4 mm knows 4.

    What is left for all else is what the step says beyond that: of 13 mm and 13 mrad 12 each.
    """
    build = {"offset": "3 mm", "tilt": "5 mrad", "constant_over": "field", **GUESS}
    for position, heading, left in (("4 mm", "4 mrad", (0.0, 0.0)), ("13 mm", "13 mrad", (0.012, 0.012))):
        touch = {"do": "square-up", "against": "east", "speed": "0.3 m/s"}
        case = prepared(
            [{**touch, "reset": {"position": position, "heading": heading}}],
            robot(
                {}, [range_sensor("s", 0.1, 0.0, 0.0)], {"when": "always", "filter": {"consider": consider}}
            ),
            field_map(build=build),
            start=(5.5, 0.8, 0.0),
        )
        reset = wall_reset(case, case.plan.steps[0])
        assert reset is not None
        east = next(i for i, edge in enumerate(case.believed.edges) if edge.id == "east")
        if not consider:
            stated = case.case.routine.steps[0].reset
            assert reset[1:4] == (stated.position, stated.heading, ())
            continue
        assert (reset.position_m, reset.heading_rad) == pytest.approx(left, rel=1e-9, abs=1e-9)
        assert [part.key for part in reset.gained] == [("offset", east), ("tilt", east)]
        assert [part.heading_rad for part in reset.gained] == pytest.approx([0.0, 5e-3])
        assert [abs(part.normal_m) for part in reset.gained] == pytest.approx([3e-3, 4e-3])


def test_law_a_reading_that_is_not_used_leaves_the_links() -> None:
    """Of two trials the one that refuses keeps what it had, and has no link to what it met."""
    zero, two = np.zeros(2), np.full(2, 1e-3)
    used = np.array([True, False])
    k, h = (np.where(used, 0.4, 0.0), zero, zero), (np.ones(2), zero, zero)
    links = Links({("bias", 0): (two, zero, zero), ("bias", 1): (two, two, two)}, HERE)
    effects = (Effect(("bias", 0), np.full(2, 5e-3)), Effect(("offset", 4), np.full(2, -2e-3)))
    along = links.with_constants((zero, zero, zero), np.ones(2), h, effects).along
    new = links.after_fix(effects, along, k, h).now()
    assert new["bias", 0][0] == pytest.approx([1e-3 - 0.4 * (1e-3 + 5e-3), 1e-3])
    assert new["bias", 1][0] == pytest.approx([6e-4, 1e-3])
    assert new["offset", 4][0] == pytest.approx([0.4 * 2e-3, 0.0])
    assert [float(v) for v in new["offset", 4][1]] == [0.0, 0.0]


def test_law_only_zeros_are_left_out() -> None:
    """A derivative is left out where it is zero in all trials."""
    zero, some = np.zeros(3), np.array([0.0, 1.0, 0.0])
    assert without_zeros((zero, some, some)) == (NOTHING, some, some)
    assert without_zeros((some, -zero, some))[1] is NOTHING
    kept = without_zeros((some, some, zero))
    assert all(a is b for a, b in zip(kept, (some, some, zero), strict=True))


def test_law_surfaces_by_trial() -> None:
    """Each surface that is tried has its trials; one that all try is no matter of trials."""
    surface, tried = np.array([4, 2, 4, -1]), np.array([True, True, True, False])
    assert met_by(surface, tried, sure=7) == ((7, None),)
    assert met_by(surface, tried & (surface == 4)) == ((4, None),)
    assert met_by(surface, np.zeros(4, dtype=bool)) == ()
    (first, who), (second, others) = met_by(surface, tried)
    assert (first, second) == (2, 4)
    assert who is not None
    assert who.tolist() == [False, True, False, False]
    assert others is not None
    assert others.tolist() == [True, False, True, False]


def as_wall(index: int, normal: tuple[float, float], middle: tuple[float, float]) -> Movers:
    """Return what moves a wall of this index: 7 along its normal, 11 about its middle, 13 along itself."""
    nx, ny = normal
    movers = (
        Mover(("offset", index), 7.0, nx, ny, turns=False),
        Mover(("tilt", index), 11.0, *middle, turns=True),
        Mover(("slide", index), 13.0, ny, -nx, turns=False, ends_only=True, carries=False),
    )
    return (*((),) * index, movers)


def test_law_effects_are_the_full_derivatives() -> None:
    """Each constant acts on a range as its derivative says, signs included, from either side of a wall."""
    own = SensorConstants(2.0, 3.0, 5.0, 17.0)
    normal, middle = (-1.0, 0.0), (2.0, 0.5)
    wall = as_wall(6, normal, middle)
    for heading, y in ((0.0, 0.3), (0.3, -0.4), (-0.6, 0.9)):
        pose, mount = np.array([0.2, y, heading]), (0.1, 0.05, 0.2)
        found = expected_range(pose, mount, normal, middle)
        h = (found.d_x, found.d_y, found.d_heading)
        axis = math.cos(heading + 0.2), math.sin(heading + 0.2)
        look = Look(1.0, 3, found.range_m, h, found.d_mount_angle, axis, (pose[0], pose[1]))
        effects = dict(effects_of([look], [own], wall, ((6, None),)))
        # On the robot, to the left of where the sensor looks.
        aside = -math.sin(0.2) * found.d_mount_x + math.cos(0.2) * found.d_mount_y
        assert {key: float(np.ravel(d)[0]) for key, d in effects.items()} == pytest.approx(
            {
                ("bias", 3): 2.0,
                ("scale", 3): 3.0 * float(found.range_m),
                ("angle", 3): 5.0 * float(found.d_mount_angle),
                ("aside", 3): 17.0 * float(aside),
                ("offset", 6): 7.0 * float(found.d_offset),
                ("tilt", 6): 11.0 * float(found.d_tilt),
            },
            rel=1e-12,
        )
        # Along the sensor's own axis its place is a bias.
        along = math.cos(0.2) * found.d_mount_x + math.sin(0.2) * found.d_mount_y
        assert float(along) == pytest.approx(-1.0, rel=1e-12)
        two = [look, Look(-1.0, 4, found.range_m, h, found.d_mount_angle, axis, (pose[0], pose[1]))]
        both = dict(effects_of(two, [own, own], wall, ((6, None),)))
        assert float(both["angle", 4]) == pytest.approx(-float(both["angle", 3]))
        assert float(both["aside", 4]) == pytest.approx(-float(both["aside", 3]))
        # What both see alike cancels.
        assert float(both["offset", 6]) == float(both["tilt", 6]) == 0.0


def test_law_effects_at_an_end_are_the_full_derivatives() -> None:
    """An end of a surface is where all that the surface does takes it: by differences of the distance to it.

    Along the normal, about the middle, and along the surface itself, which no other point of it tells.
    """
    h = 1e-6
    a, b = np.array([1.2, -0.9]), np.array([2.0, 0.7])
    middle, along = (a + b) / 2, (b - a) / np.hypot(*(b - a))
    n = np.array([-along[1], along[0]])
    wall = as_wall(6, (float(n[0]), float(n[1])), (float(middle[0]), float(middle[1])))
    slides = []
    for x, y, end in ((0.6, -1.6, a), (0.3, -1.5, a), (1.2, 1.3, b)):
        heading = math.atan2(end[1] - y, end[0] - x) - 0.3
        pose, mount = np.array([x, y, heading]), (0.1, 0.05, 0.2)
        px, py, ux, uy = sensor_beam(*(np.array([v]) for v in pose), *mount)
        answer = answer_in_cone(Axis(px, py, ux, uy, 0.4), *(np.array([v]) for v in (*a, *b)))
        assert answer.kind[0] == END
        found = range_in_cone((x, y), (px, py), tuple(n), tuple(middle), answer)
        axis = math.cos(heading + 0.2), math.sin(heading + 0.2)
        derivatives = (found.d_x, found.d_y, found.d_heading)
        look = Look(1.0, 3, found.range_m, derivatives, found.d_angle, axis, (x, y))
        effects = dict(effects_of([look], [SensorConstants(0.0, 0.0, 0.0, 1.0)], wall, ((6, None),)))

        def away(
            offset: float, tilt: float, slide: float, aside: float = 0.0, end: FloatArray = end,
            axis: tuple[float, float] = axis,
        ) -> float:  # fmt: skip
            c, s = math.cos(tilt), math.sin(tilt)
            arm_x, arm_y = end - middle
            moved = middle + np.array([c * arm_x - s * arm_y, s * arm_x + c * arm_y])
            moved = moved + offset * n + slide * np.array([n[1], -n[0]])
            at_x, at_y = px[0] - aside * axis[1], py[0] + aside * axis[0]  # noqa: B023  # called in this round
            return math.hypot(moved[0] - at_x, moved[1] - at_y)

        for key, size, by in (
            (("offset", 6), 7.0, (h, 0, 0, 0)),
            (("tilt", 6), 11.0, (0, h, 0, 0)),
            (("slide", 6), 13.0, (0, 0, h, 0)),
            (("aside", 3), 1.0, (0, 0, 0, h)),
        ):
            slope = (away(*by) - away(*(-v for v in by))) / (2.0 * h)
            assert float(effects[key][0]) == pytest.approx(size * slope, abs=1e-8)
        slides.append(effects["slide", 6][0])
    assert min(slides) < -1.0 < 1.0 < max(slides)


def test_law_a_line_slides_unnoticed() -> None:
    """Of a surface that is no end there is no slide at all, not even by rounding, in no trial."""
    n, u = (0.6, 0.8), np.linspace(-0.4, 0.4, 9)
    inverse = 1.0 / (n[0] * np.cos(u) + n[1] * np.sin(u))
    h = -n[0] * inverse, -n[1] * inverse, inverse
    wall = as_wall(1, n, (0.0, 0.0))
    look = Look(1.0, 0, np.ones(9), h, np.zeros(9), NOWHERE, (0.1, 0.2))
    found = effects_of([look], [NO_CONSTANTS], wall, ((1, None),))
    assert [effect.key[0] for effect in found] == ["offset", "tilt"]
    end = (np.append(h[0], -1.0), np.append(h[1], 0.0), np.append(h[2], 0.0))
    look = Look(1.0, 0, np.ones(10), end, np.zeros(10), NOWHERE, (0.1, 0.2))
    slide = dict(effects_of([look], [NO_CONSTANTS], wall, ((1, None),)))["slide", 1]
    assert slide[:-1].tolist() == [0.0] * 9
    assert slide[-1] == pytest.approx(13.0 * 0.8)


def test_law_two_faces_share_what_moves_them() -> None:
    """Each trial has the effect of the face that it sees; of one thing's two faces that is one constant."""
    turn = Mover(("turn", 0), 2.0, 0.0, 0.0, turns=True)
    x, y = Mover(("x", 0), 3.0, 1.0, 0.0, turns=False), Mover(("y", 0), 5.0, 0.0, 1.0, turns=False)
    movers: Movers = ((x, turn), (y, turn))
    h = np.array([-1.0, 0.0]), np.array([0.0, -1.0]), np.array([0.1, 0.2])
    look = Look(1.0, 0, np.ones(2), h, np.zeros(2), NOWHERE, (np.array([1.0, 2.0]), np.array([4.0, 8.0])))
    met = met_by(np.array([0, 1]), np.array([True, True]))
    found = dict(effects_of([look], [NO_CONSTANTS], movers, met))
    assert found["x", 0].tolist() == [3.0, 0.0]
    assert found["y", 0].tolist() == [0.0, 5.0]
    # d_x y - d_y x - d_heading: -4 - 0.1 and 2 - 0.2.
    assert found["turn", 0] == pytest.approx([2.0 * -4.1, 2.0 * 1.8], rel=1e-12)


def test_law_one_order_whoever_looks_at_what() -> None:
    """A trial's effects come in the same order whichever surfaces others of its batch look at.

    A structure that hangs on a wall is moved by it as well, and effects are summed in their order.
    """
    offset, tilt = (
        Mover(("offset", 3), 2.0, 0.6, 0.8, turns=False),
        Mover(("tilt", 3), 3.0, 1.0, 1.0, turns=True),
    )
    x, turn = Mover(("x", 7), 5.0, 1.0, 0.0, turns=False), Mover(("turn", 7), 0.5, 0.0, 0.0, turns=True)
    movers: Movers = ((offset, tilt), (x, turn, offset, tilt))
    h = np.full(3, -0.9), np.full(3, -0.3), np.full(3, 0.1)
    look = Look(1.0, 0, np.ones(3), h, np.zeros(3), NOWHERE, (np.full(3, 1.0), np.full(3, 4.0)))
    alone = effects_of([look], [NO_CONSTANTS], movers, met_by(np.array([1, 1, 1]), np.ones(3, dtype=bool)))
    beside = effects_of([look], [NO_CONSTANTS], movers, met_by(np.array([1, 0, 1]), np.ones(3, dtype=bool)))
    assert [effect.key for effect in alone] == [effect.key for effect in beside]
    for one, other in zip(alone, beside, strict=True):
        assert one.size_m[0] == other.size_m[0]


def test_law_what_is_nothing_has_no_effect() -> None:
    """Constants of no size are not kept at all, nor those that no reading of a surface can tell."""
    look = Look(1.0, 0, np.ones(2), (np.ones(2), NOTHING, np.zeros(2)), np.zeros(2), NOWHERE, NOWHERE)
    assert effects_of([look], [NO_CONSTANTS], NO_MOVERS, ((1, None),)) == ()
    unseen = Mover(("y", 0), 3.0, 0.0, 1.0, turns=False, ends_only=True)
    assert effects_of([look], [NO_CONSTANTS], ((unseen,),), ((0, None),)) == ()


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
    assert constants.aside_m == pytest.approx(4e-3)
    assert off.range_at_zero_m == pytest.approx((math.hypot(4e-3, 5e-3),))
    assert off.range_per_range == pytest.approx((math.hypot(1e-2, 5e-3),))
    assert (off.constants, off.wall_m) == ((), 0.0)
    written = sensed(range_bias="1 mm", range_scale="2 %", mount_angle="3 deg", wall="7 mm").filter
    assert written.constants == (SensorConstants(1e-3, 2e-2, math.radians(3.0), 4e-3),)
    assert sensed(mount_aside="2 mm").filter.constants[0].aside_m == pytest.approx(2e-3)
    assert written.wall_m == pytest.approx(7e-3)


def test_law_walls_are_off_by_offset_and_tilt() -> None:
    """What the map says of its walls, each by itself: a wall's tilt is no part of its offset."""
    case = sensed()
    field = case.case.believed
    assert wall_offset(field) == case.filter.wall_m == pytest.approx(3e-3)
    assert wall_tilt(field) == case.filter.wall_tilt_rad == pytest.approx(math.radians(0.2))


def test_law_a_structure_stands_as_its_wall_carries_it() -> None:
    """Each wall its own offset and tilt; a bench its own place and turn, and with those of its wall.

    What the robot file says is of walls and of what is fixed to none.
    """
    build = {"offset": "3 mm", "tilt": "4 mrad", "constant_over": "field", **GUESS}
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.2 m", "width": "0.4 m"}},
        "at": {"x": "5.9 m", "y": "1.2 m"},
        "fixed_to": "east",
        "reference": True,
        "build": {"x": "2 mm", "y": "1 mm", "heading": "10 mrad", "constant_over": "field", **GUESS},
    }
    free = {**bench, "id": "free", "fixed_to": None, "at": {"x": "0 m", "y": "0 m"}}
    field = field_map(build=build, builds={"north": {**build, "tilt": "0 mrad"}}, structures=[bench, free])
    case = prepared([{"do": "look", "time": "1 s"}], robot({}, [range_sensor("s", 0.0, 0.0, 0.0)]), field)
    edges = case.believed.edges
    index = {edge.id: i for i, edge in enumerate(edges)}
    movers = dict(zip((edge.id for edge in edges), case.filter.movers, strict=True))
    assert [(m.key, m.size) for m in movers["north"]] == [
        (("offset", index["north"]), 3e-3), (("slide", index["north"]), 3e-3)
    ]  # fmt: skip
    carried = [m for m in movers["east"] if m.carries]
    assert [m.key[0] for m in carried] == ["offset", "tilt"]
    for i in range(4):
        own, along = movers[f"bench/{i}"], movers[f"free/{i}"]
        assert [m.key for m in own[:3]] == [(kind, index["bench/0"]) for kind in ("x", "y", "turn")]
        assert [m.size for m in own[:3]] == pytest.approx([2e-3, 1e-3, 1e-2], rel=1e-12)
        assert list(own[3:]) == carried
        assert [m.key for m in along] == [(kind, index["free/0"]) for kind in ("x", "y", "turn")]
        # A shift along a face only its ends show.
        across = edges[index[f"bench/{i}"]].normal
        assert [m.ends_only for m in own[:2]] == [abs(n) < 0.5 for n in across]
    # Where the bench is its wall's tilt takes it 1.2 m 4 mrad along x, and turns it.
    at = movers["bench/0"][4].shift_at(5.9, 1.2)
    assert at == pytest.approx((-1.2 * 4e-3, -0.1 * 4e-3, 4e-3), rel=1e-9)
    told = filter_model(
        prepared(
            [{"do": "look", "time": "1 s"}],
            robot({}, [], {"filter": {"wall": "7 mm", "wall_tilt": "0 mrad"}}),
            field,
        ).case
    ).movers
    assert [m.size for m in told[index["north"]]] == pytest.approx([7e-3, 7e-3])
    assert [m.size for m in told[index["bench/0"]]] == pytest.approx([2e-3, 1e-3, 1e-2, 7e-3])
    assert [m.size for m in told[index["free/0"]]] == pytest.approx([7e-3, 7e-3])
    wanted = math.sqrt((4 * 9.0 + 0.5 * (4.0 + 1.0)) / 5) * 1e-3
    assert wall_offset(field) == case.filter.wall_m == pytest.approx(wanted, rel=1e-9)


@pytest.mark.parametrize(
    ("drive", "wheels", "lever", "believed"),
    [
        ("holonomic", "tracking wheel", 0.0, 0.0),
        ("differential", "tracking wheel", 0.15, 0.15),
        ("differential", "driven wheels", 0.15, 0.15 - 0.3 * 0.5),
        ("holonomic", "driven wheels", 0.15, 0.15 - 0.3 * 0.5),
    ],
)
def test_law_a_swing_along_the_wall_is_seen_by_what_rolls_sideways(
    drive: str, wheels: str, lever: float, believed: float
) -> None:
    """0.15 m of reach for each radian, less what driven wheels roll on in 0.5 s at 0.3 m/s."""
    touch = {"do": "square-up", "against": "east", "speed": "0.3 m/s", "push": "0.5 s"}
    machine = robot({}, [], None, drive=drive, distance_from=wheels)
    case = prepared([touch], machine, start=(5.5, 0.8, 0.0))
    swing = swing_of(machine, case.plan.contacts[0])
    assert swing == pytest.approx((lever, believed), abs=1e-12)


def test_law_a_written_zero_is_zero() -> None:
    """A constant that is written as zero is none, and no noise in its place either."""
    none = {
        "range_bias": "0 mm",
        "range_scale": "0 %",
        "mount_angle": "0 deg",
        "mount_aside": "0 mm",
        "wall": "0 mm",
    }
    for own in (none, {**none, "wall_tilt": "0 deg"}):
        found = sensed(**own).filter
        assert found.range_at_zero_m == pytest.approx((4e-3,))
        assert found.range_per_range == pytest.approx((1e-2,))
        assert found.considers == ("wall_tilt" not in own)


def test_law_nothing_constant_is_a_plain_filter() -> None:
    """Without constants the filter is the plain one, bit for bit, and remembers no more."""
    own = {
        "range_bias": "0 mm",
        "range_scale": "0 %",
        "mount_angle": "0 deg",
        "mount_aside": "0 mm",
        "wall": "0 mm",
    }
    own["wall_tilt"] = "0 deg"
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
    assert case.filter.left_over(2.0) == 1.0
    assert sensed(constants_hold="4 m").filter.left_over(2.0) == pytest.approx(math.exp(-0.5))
