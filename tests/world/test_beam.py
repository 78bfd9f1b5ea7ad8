"""Range to a line and its derivatives."""

import math

import numpy as np
import pytest
import shapely

from driftgate.world.beam import expected_range, sensor_beam
from driftgate.world.carry import carry_point

SEED = 20240615


@pytest.mark.evidence(
    source="Thrun, Burgard, Fox 2005, ch. 7 (numbers derived)",
    compares="update from one range to a wall",
    tolerance="5e-7",
)
def test_ref_worked_update():
    """The worked update of a pose from one range to a wall, with its gain and posterior.

    Derived with numpy from the line-feature update of Thrun, Burgard and Fox 2005,
    chapter 7; wall x = 3.6, pose (1, 0.5, 10 deg), sensor at the origin looking ahead.
    """
    model = expected_range(np.array([1.0, 0.5, math.radians(10.0)]), (0.0, 0.0, 0.0), (-1.0, 0.0), (3.6, 1.5))
    H = np.array([model.d_x, model.d_y, model.d_heading])
    P = np.diag([0.04**2, 0.03**2, math.radians(2.0) ** 2])
    S = float(H @ P @ H + 0.02**2)
    K = P @ H / S
    posterior = P - S * np.outer(K, K)
    sd = np.sqrt(np.diag(posterior))
    innovation = 2.70 - float(model.range_m)

    assert model.range_m == pytest.approx(2.640109, abs=5e-7)
    assert pytest.approx([-1.015427, 0.0, 0.465522], abs=5e-7) == H
    assert pytest.approx(0.002313802, abs=5e-10) == S
    assert pytest.approx([-0.702170, 0.0, 0.245148], abs=5e-7) == K
    assert sd == pytest.approx([0.0214289, 0.03, 0.0328545], abs=5e-8)
    assert posterior[0, 2] / (sd[0] * sd[2]) == pytest.approx(0.565723, abs=5e-7)
    assert innovation == pytest.approx(0.0598908, abs=5e-8)
    assert innovation**2 / S == pytest.approx(1.550223, abs=5e-7)
    state = np.array([1.0, 0.5, math.radians(10.0)]) + K * innovation
    assert state == pytest.approx([0.957946, 0.5, 0.189215], abs=5e-7)


def test_law_square_on_tells_nothing_of_heading_or_along_the_wall():
    """A beam along the wall's normal gives neither heading nor the coordinate along the wall."""
    model = expected_range(np.array([1.0, 0.5, 0.3]), (0.0, 0.0, -0.3), (-1.0, 0.0), (3.6, 0.0))
    assert model.range_m == pytest.approx(2.6)
    assert model.incidence_rad == pytest.approx(0.0, abs=1e-7)
    assert (model.d_x, model.d_y, model.d_heading) == pytest.approx((-1.0, 0.0, 0.0), abs=1e-15)


def random_cases(count):
    """Return poses, mounts, normals and middles whose beams meet their line squarely enough."""
    rng = np.random.default_rng(SEED)
    pose = rng.uniform(-2, 2, (count, 3))
    mount = (*rng.uniform(-0.3, 0.3, (2, count)), rng.uniform(-math.pi, math.pi, count))
    facing = pose[:, 2] + mount[2] + math.pi + rng.uniform(-1.2, 1.2, count)
    middle = tuple(pose[:, :2].T + rng.normal(0, 2.0, (2, count)))
    return pose, mount, (np.cos(facing), np.sin(facing)), middle


def test_law_derivatives_are_finite_differences():
    """All eight derivatives equal central differences of the range, on 500 random cases."""
    pose, mount, normal, middle = random_cases(500)
    model = expected_range(pose, mount, normal, middle)
    h = 1e-6

    def ranges(d_pose=(0, 0, 0), d_mount=(0, 0, 0), offset=0.0, tilt=0.0):
        n = (
            math.cos(tilt) * normal[0] - math.sin(tilt) * normal[1],
            math.sin(tilt) * normal[0] + math.cos(tilt) * normal[1],
        )
        m = carry_point(*middle, middle, normal, offset, tilt)
        moved = tuple(a + b for a, b in zip(mount, d_mount, strict=True))
        return expected_range(pose + np.array(d_pose), moved, n, m).range_m

    steps = {
        "d_x": {"d_pose": (h, 0, 0)},
        "d_y": {"d_pose": (0, h, 0)},
        "d_heading": {"d_pose": (0, 0, h)},
        "d_offset": {"offset": h},
        "d_tilt": {"tilt": h},
        "d_mount_x": {"d_mount": (h, 0, 0)},
        "d_mount_y": {"d_mount": (0, h, 0)},
        "d_mount_angle": {"d_mount": (0, 0, h)},
    }
    for name, ahead in steps.items():
        back = {k: tuple(-x for x in v) if isinstance(v, tuple) else -v for k, v in ahead.items()}
        difference = (ranges(**ahead) - ranges(**back)) / (2 * h)
        # Ranges of 10 m at 70 deg curve: third derivatives of order 1e3 leave 1e-9; rounding 1e-9.
        assert getattr(model, name) == pytest.approx(difference, rel=1e-6, abs=2e-7), name


@pytest.mark.evidence(
    source="library shapely",
    compares="ranges to lines, segments, discs, in cones",
    tolerance="1 nm; cut circles 0.1 mm",
)
def test_ref_range_against_shapely():
    """Range and incidence are those of shapely's intersection with a long line (500 cases)."""
    pose, mount, normal, middle = random_cases(500)
    model = expected_range(pose, mount, normal, middle)
    px, py, ux, uy = sensor_beam(*pose.T, *mount)
    for i in range(500):
        tx, ty = -normal[1][i], normal[0][i]
        mx, my = middle[0][i], middle[1][i]
        wall = shapely.LineString([(mx - 99 * tx, my - 99 * ty), (mx + 99 * tx, my + 99 * ty)])
        # The line has no ends and may lie behind the sensor, where the range is negative.
        way = math.copysign(99.0, model.range_m[i])
        beam = shapely.LineString([(px[i], py[i]), (px[i] + way * ux[i], py[i] + way * uy[i])])
        met = beam.intersection(wall)
        assert abs(model.range_m[i]) == pytest.approx(met.distance(shapely.Point(px[i], py[i])), abs=1e-9)
        cosine = abs(ux[i] * normal[0][i] + uy[i] * normal[1][i])
        assert math.cos(model.incidence_rad[i]) == pytest.approx(cosine, abs=1e-12)


def test_law_a_beam_along_the_line_has_no_range():
    """A beam that runs along the surface gives nan and no warning."""
    model = expected_range(np.zeros(3), (0.0, 0.0, math.pi / 2), (1.0, 0.0), (2.0, 0.0))
    assert math.isnan(model.range_m)
    assert math.isnan(model.d_heading)


def test_law_sensor_beam_by_hand():
    """A sensor 0.1 m ahead and 0.2 m left, looking left, on a robot that looks along +y."""
    px, py, ux, uy = sensor_beam(1.0, 2.0, math.pi / 2, 0.1, 0.2, math.pi / 2)
    assert (px, py, ux, uy) == pytest.approx((0.8, 2.1, -1.0, 0.0))
