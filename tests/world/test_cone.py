"""Cones: nearest point inside a wedge, and how the range to it changes with the pose."""

import math

import numpy as np
import pytest
import shapely

from driftgate.world.beam import RangeModel, expected_range, sensor_beam
from driftgate.world.carry import carry_point
from driftgate.world.cone import (
    END,
    FOOT,
    RIM,
    Axis,
    answer_in_cone,
    disc_in_cone,
    nearest_edge_in_cone,
    polygon_in_cone,
    segment_in_cone,
)
from driftgate.world.rays import nearest_edge, range_to_disc, range_to_polygon, range_to_segment

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="what answers in a cone", tolerance="1 nm to 1 µm"
)

SEED = 20240617
FAR_M = 60.0


def scenes(count):
    """Return cones' axes and segments strewn over a small field."""
    rng = np.random.default_rng(SEED)
    px, py, ax, ay, bx, by = rng.uniform(-3.0, 3.0, (6, count))
    angle = rng.uniform(-math.pi, math.pi, count)
    return (px, py, np.cos(angle), np.sin(angle)), (ax, ay, bx, by)


def wedge(px, py, ux, uy, half):
    """Return a cone in the plane as a long triangle of shapely's."""
    angle, far = math.atan2(uy, ux), FAR_M / math.cos(half)
    rims = [(px + far * math.cos(angle + t), py + far * math.sin(angle + t)) for t in (-half, half)]
    return shapely.Polygon([(px, py), *rims])


@pytest.mark.evidence(
    source="library shapely",
    compares="ranges to lines, segments, discs, in cones",
    tolerance="1 nm; cut circles 0.1 mm",
)
@pytest.mark.parametrize("half", [0.02, 0.13, 0.525])
def test_ref_segment_against_shapely(half):
    """On 1500 random scenes the range is the distance of shapely's wedge intersection (shapely 2, GEOS)."""
    beam, ends = scenes(1500)
    ranges, cosine = segment_in_cone(Axis(*beam, half), *ends)
    hits = 0
    for i in range(len(ranges)):
        px, py, ux, uy = (b[i] for b in beam)
        line = shapely.LineString([(ends[0][i], ends[1][i]), (ends[2][i], ends[3][i])])
        inside = wedge(px, py, ux, uy, half).intersection(line)
        if inside.is_empty:
            assert math.isinf(ranges[i])
            continue
        hits += 1
        assert ranges[i] == pytest.approx(inside.distance(shapely.Point(px, py)), abs=1e-9)
        away = abs(
            (ends[2][i] - ends[0][i]) * (ends[1][i] - py) - (ends[0][i] - px) * (ends[3][i] - ends[1][i])
        )
        assert cosine[i] == pytest.approx(min(away / line.length / ranges[i], 1.0), abs=1e-9)
    assert hits > 200


@pytest.mark.parametrize("half", [0.05, 0.5])
def test_law_a_cone_is_the_union_of_its_beams(half):
    """The nearest of 4001 beams across the cone comes to the cone's range, for segments, discs and boxes."""
    beam, (ax, ay, bx, by) = scenes(400)
    rng = np.random.default_rng(SEED)
    radius = rng.uniform(0.05, 0.6, 400)
    corners = np.stack([ax, bx, ax + 0.4]), np.stack([ay, by, ay - 0.3])
    turn = half * np.linspace(-1.0, 1.0, 4001)[:, None]
    angle = np.arctan2(beam[3], beam[2]) + turn
    rays = beam[0], beam[1], np.cos(angle), np.sin(angle)
    cone = Axis(*beam, half)
    pairs = (
        (segment_in_cone(cone, ax, ay, bx, by)[0], range_to_segment(*rays, ax, ay, bx, by)),
        (disc_in_cone(cone, ax, ay, radius), range_to_disc(*rays, ax, ay, radius)),
        (polygon_in_cone(cone, *corners), range_to_polygon(*rays, *corners)),
    )
    for got, sampled in pairs:
        best = sampled.min(axis=0)
        assert np.isfinite(best).sum() > 20
        # No beam is nearer; the nearest sampled one is as near but for what lies between two beams.
        assert np.all(got <= best + 1e-9)
        both = np.isfinite(best)
        # One step of the fan moves an oblique hit by up to range x step / cosine.
        step = 2.0 * half / 4000
        assert np.quantile(best[both] - got[both], 0.9) < 10.0 * step
        assert np.count_nonzero(np.isfinite(got) & ~both) <= 2


def test_law_no_width_is_a_line_bit_for_bit():
    """A cone without width gives the line kernels' numbers to the last bit."""
    beam, ends = scenes(800)
    cone = Axis(*beam, 0.0)
    assert np.array_equal(segment_in_cone(cone, *ends)[0], range_to_segment(*beam, *ends))
    assert np.array_equal(
        disc_in_cone(cone, ends[0], ends[1], 0.3), range_to_disc(*beam, ends[0], ends[1], 0.3)
    )
    corners = np.stack([ends[0], ends[2], ends[0] + 1.0]), np.stack([ends[1], ends[3], ends[1]])
    assert np.array_equal(polygon_in_cone(cone, *corners), range_to_polygon(*beam, *corners))
    few = tuple(e[:20] for e in ends)
    for got, want in zip(nearest_edge_in_cone(cone, *few), nearest_edge(*beam, *few), strict=True):
        assert np.array_equal(got, want)


def test_law_one_by_one_every_answer_is_the_same_bit_for_bit():
    """Rows are answered by foot, rim and end at once, a lone cone by clipping: no digit differs."""
    rng = np.random.default_rng(20261126)
    count = 1500
    turn = rng.uniform(-math.pi, math.pi, count)
    # Short and long surfaces, so that all three kinds and misses are among them, some sharing a corner.
    ax, ay = rng.uniform(-1.5, 1.5, (2, count))
    bx, by = ax + rng.normal(0.0, 0.6, count), ay + rng.normal(0.0, 0.6, count)
    cone = Axis(np.zeros(count), np.zeros(count), np.cos(turn), np.sin(turn), math.radians(20.0))

    together = answer_in_cone(cone, ax, ay, bx, by)
    range_m, cosine = segment_in_cone(cone, ax, ay, bx, by)

    ends = np.zeros(3, dtype=int)
    for i in range(count):
        one, own = cone.at(slice(i, i + 1)), (ax[i], ay[i], bx[i], by[i])
        alone = answer_in_cone(one, *own)
        assert [float(v[0]) for v in alone] == [float(v[i]) for v in together]
        assert [float(v[0]) for v in segment_in_cone(one, *own)] == [range_m[i], cosine[i]]
        ends[alone.kind[0]] += bool(np.isfinite(range_m[i]))
    assert ends.min() > 40


@ON_PAPER
def test_ref_inside_a_polygon_the_echo_comes_at_once():
    """Inside a dented outline, or a disc, the range is 0; in the dent, outside it, that of the face ahead."""
    corners = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [1.0, 0.5], [0.0, 2.0]])
    for order in (1, -1):
        x, y = corners[::order].T
        for (px, py), inside in (
            ((0.3, 0.2), True),
            ((1.9, 1.5), True),
            ((0.9, 1.5), False),
            ((-1.0, 0.3), False),
        ):
            for half in (0.0, 0.2):
                cone = Axis(px, py, 1.0, 0.0, half)
                found = float(polygon_in_cone(cone, x, y))
                assert (found == 0.0) == inside
                assert np.isfinite(found)


@ON_PAPER
def test_ref_answers_by_hand():
    """Foot, rim and end of a wall 2 m ahead in a cone of 20 deg, worked on paper."""
    half = math.radians(10.0)

    def answer(y0, y1, turned_deg=0.0):
        angle = math.radians(turned_deg)
        cone = Axis(0.0, 0.0, math.cos(angle), math.sin(angle), half)
        found = answer_in_cone(cone, 2.0, y0, 2.0, y1)
        return float(found.range_m), int(found.kind), math.degrees(math.atan2(found.uy, found.ux))

    assert answer(-1.0, 1.0) == pytest.approx((2.0, FOOT, 0.0))
    # Turned by 8 deg the foot is still inside: the range does not change.
    assert answer(-1.0, 1.0, 8.0) == pytest.approx((2.0, FOOT, 0.0))
    # Turned by 30 deg the nearer rim is at 20 deg.
    assert answer(-9.0, 9.0, 30.0) == pytest.approx((2.0 / math.cos(math.radians(20.0)), RIM, 20.0))
    # The surface begins 0.1 m off the axis: its end answers.
    assert answer(0.1, 1.0) == pytest.approx((math.hypot(2.0, 0.1), END, math.degrees(math.atan2(0.1, 2.0))))
    assert math.isinf(answer(0.5, 1.0)[0])


def test_law_edge_on_gives_no_echo_and_behind_is_not_met():
    """A surface whose line passes through the apex gives nothing, nor does one behind it."""
    cone = Axis(0.0, 0.0, 1.0, 0.0, 0.3)
    assert math.isinf(segment_in_cone(cone, 1.0, 0.0, 2.0, 0.0)[0])
    assert math.isinf(segment_in_cone(cone, -1.0, -1.0, -1.0, 1.0)[0])
    assert math.isinf(disc_in_cone(cone, -1.0, 0.0, 0.2))
    assert disc_in_cone(cone, 0.1, 0.0, 0.2) == 0.0


def test_law_of_two_faces_at_a_corner_the_squarer_answers():
    """A corner that two faces share answers from the face that looks at the sensor, in either order."""
    # Both faces start at (1, 0.05); the first runs straight ahead, nearly edge-on.
    edges = np.array([[1.0, 0.05, 2.0, 0.05], [1.0, 0.05, 1.0, 2.0]]).T
    cone = Axis(0.0, 0.0, 1.0, 0.0, 0.2)
    assert nearest_edge_in_cone(cone, *edges)[1] == 1
    assert nearest_edge_in_cone(cone, *edges[:, ::-1])[1] == 0


def test_law_nothing_slips_between_two_surfaces():
    """From inside a closed polygon every cone is answered, as near as the sampled boundary says."""
    rng = np.random.default_rng(SEED)
    angles = np.sort(rng.uniform(0.0, math.tau, 40))
    x, y = 2.0 * np.cos(angles), 1.5 * np.sin(angles)
    px, py = rng.uniform(-0.2, 0.2, (2, 300, 1))
    aim = np.arctan2(y - py, x - px) + rng.choice([-0.01, 0.0, 0.01], (300, 1))
    ranges, index = nearest_edge_in_cone(
        Axis(px, py, np.cos(aim), np.sin(aim), 0.01), x, y, np.roll(x, -1), np.roll(y, -1)
    )
    assert index.min() >= 0
    assert np.all(ranges <= np.hypot(x - px, y - py) * 1.02 / np.cos(0.02))


def random_cases(count):
    """Return poses, mounts and surfaces about 2 m away, of which some end inside the cone."""
    rng = np.random.default_rng(SEED)
    pose = rng.uniform(-1, 1, (count, 3))
    mount = (*rng.uniform(-0.3, 0.3, (2, count)), rng.uniform(-math.pi, math.pi, count))
    looks = pose[:, 2] + mount[2]
    facing = looks + math.pi + rng.uniform(-1.0, 1.0, count)
    normal = (np.cos(facing), np.sin(facing))
    middle = (pose[:, 0] + 2.0 * np.cos(looks), pose[:, 1] + 2.0 * np.sin(looks))
    return pose, mount, normal, middle, rng.uniform(0.05, 1.5, count)


def cone_model(pose, mount, normal, middle, half_length, half=0.25):
    """Return the model of a surface of the given half length about its middle, and its answer."""
    tx, ty = normal[1], -normal[0]
    ends = (
        middle[0] - half_length * tx,
        middle[1] - half_length * ty,
        middle[0] + half_length * tx,
        middle[1] + half_length * ty,
    )
    cone = Axis(*sensor_beam(pose[:, 0], pose[:, 1], pose[:, 2], *mount), half)
    answer = answer_in_cone(cone, *ends)
    return expected_range(pose, mount, normal, middle, answer), answer


def test_law_derivatives_are_finite_differences():
    """All nine derivatives equal central differences, at feet, rims and ends alike (600 cases)."""
    pose, mount, normal, middle, half_length = random_cases(600)
    model, answer = cone_model(pose, mount, normal, middle, half_length)
    h = 1e-6

    def moved(d_pose=(0, 0, 0), d_mount=(0, 0, 0), offset=0.0, tilt=0.0, slide=0.0):
        n = (
            math.cos(tilt) * normal[0] - math.sin(tilt) * normal[1],
            math.sin(tilt) * normal[0] + math.cos(tilt) * normal[1],
        )
        m = carry_point(*middle, middle, normal, offset, tilt)
        m = (m[0] + slide * normal[1], m[1] - slide * normal[0])
        at = tuple(a + b for a, b in zip(mount, d_mount, strict=True))
        return cone_model(pose + np.array(d_pose), at, n, m, half_length)

    steps = {
        "d_x": {"d_pose": (h, 0, 0)},
        "d_y": {"d_pose": (0, h, 0)},
        "d_heading": {"d_pose": (0, 0, h)},
        "d_offset": {"offset": h},
        "d_tilt": {"tilt": h},
        "d_slide": {"slide": h},
        "d_mount_x": {"d_mount": (h, 0, 0)},
        "d_mount_y": {"d_mount": (0, h, 0)},
        "d_mount_angle": {"d_mount": (0, 0, h)},
    }
    for name, ahead in steps.items():
        back = {k: tuple(-x for x in v) if isinstance(v, tuple) else -v for k, v in ahead.items()}
        (after, one), (before, two) = moved(**ahead), moved(**back)
        # At the bounds between the kinds the range has a kink, and no derivative.
        same = np.isfinite(answer.range_m) & (one.kind == answer.kind) & (two.kind == answer.kind)
        for kind in (FOOT, RIM, END):
            which = same & (answer.kind == kind)
            assert which.sum() > 50
            difference = (after.range_m - before.range_m)[which] / (2 * h)
            assert getattr(model, name)[which] == pytest.approx(difference, rel=1e-6, abs=2e-7), (name, kind)


def test_law_model_and_kernel_give_one_range():
    """The expected range is the distance of the point that answers, and incidence that of its ray."""
    case = random_cases(600)
    model, answer = cone_model(*case)
    met = np.isfinite(answer.range_m)
    assert model.range_m[met] == pytest.approx(answer.range_m[met], abs=1e-9)
    cosine = np.abs(case[2][0] * answer.ux + case[2][1] * answer.uy)
    assert np.cos(model.incidence_rad[met]) == pytest.approx(cosine[met], abs=1e-9)


def test_law_a_missed_surface_has_the_range_of_its_line():
    """Of a surface off to the side the model tells the line's range along the axis, as without a cone."""
    pose = np.zeros((1, 3))
    case = (pose, (0.0, 0.0, 0.0), (-1.0, 0.0), (2.0, 5.0))
    model, answer = cone_model(*case, 0.5, half=0.1)
    assert np.isinf(answer.range_m).all()
    line = expected_range(*case)
    for got, want in zip(model, line, strict=True):
        assert got == pytest.approx(want, abs=1e-15)


@ON_PAPER
def test_ref_foot_tells_the_heading_only_by_the_lever():
    """Range to a foot by hand: wall x = 3.6, robot at (1, 0.5, 10 deg), sensor 0.1 m ahead and 0.2 m left.

    Derived on paper: the sensor is at x = 1 + 0.1 cos 10 - 0.2 sin 10 = 1.063751, r = 3.6 - that; turning
    the robot moves it by -(0.1 sin 10 + 0.2 cos 10) = -0.214326 per radian along x, so
    that dr/dheading = +0.214326.
    """
    pose = np.array([[1.0, 0.5, math.radians(10.0)]])
    model, answer = cone_model(pose, (0.1, 0.2, 0.0), (-1.0, 0.0), (3.6, 0.5), 2.0, half=0.2)
    assert isinstance(model, RangeModel)
    assert answer.kind.tolist() == [FOOT]
    assert model.range_m == pytest.approx(2.536249, abs=1e-6)
    assert (model.d_x[0], model.d_y[0], model.d_heading[0]) == pytest.approx((-1.0, 0.0, 0.214326), abs=1e-6)
    assert model.d_mount_angle[0] == 0.0
    assert model.incidence_rad[0] == 0.0
