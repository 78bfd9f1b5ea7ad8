"""What a sensor should see from a pose, with no plan at hand."""

import math

import numpy as np
import pytest
from sight_cases import bench, hall, pot

from driftgate.schema.sensor import Sensor
from driftgate.sight.expect import seen_from
from driftgate.sight.validity import ReadingLimits
from driftgate.sight.values import Reason
from driftgate.world import build_world

SOUTH, EAST, NORTH, WEST = range(4)
FREE = ReadingLimits(False, 0.0, math.inf, math.pi / 2, -math.inf, 0.0, math.inf, math.inf)


def sensor(**more):
    """Return a sensor 0.1 m ahead of the origin, 0.1 m high."""
    return Sensor.model_validate(
        {
            "id": "a",
            "mount": {"x": "0.1 m", "y": "0 m", "heading": "0 deg", "height": "0.1 m"},
            "reach": {"low": "0 m", "high": "6 m"},
            "rate": "20 Hz",
            "errors": {},
            **more,
        }
    )


def seen(poses, world=None, limits=FREE, time_s=0.0, **more):
    """Return what is seen from poses (m, m, deg) in a hall of 4 m by 3 m."""
    pose = np.array([(x, y, math.radians(turn)) for x, y, turn in poses], float)
    times = np.broadcast_to(time_s, len(pose))
    return seen_from(build_world(world or hall()), sensor(**more), limits, pose, times)


def test_law_walls_from_a_few_poses():
    """Surface, range and its derivatives, towards each wall; from (1, 1.2), with the sensor 0.1 m ahead."""
    found = seen([(1.0, 1.2, 0), (1.0, 1.2, 90), (1.0, 1.2, 180), (1.0, 1.2, -90), (1.0, 1.2, 30)])
    assert found.surface.tolist() == [EAST, NORTH, WEST, SOUTH, EAST]
    c, s = math.cos(math.pi / 6), 0.5
    slanted = (3.0 - 0.1 * c) / c  # to x = 4: 1.2 + 3 tan 30 is 2.93, still below the corner
    assert found.model.range_m == pytest.approx([2.9, 1.7, 0.9, 1.1, slanted], rel=1e-12)
    assert found.model.d_x == pytest.approx([-1, 0, 1, 0, -1 / c], abs=1e-12)
    assert found.model.d_y == pytest.approx([0, -1, 0, 1, 0], abs=1e-12)
    # A turn at 30 degrees: the range at the wall grows by (3 m) tan / cos, to first order.
    assert found.model.d_heading == pytest.approx([0, 0, 0, 0, 3.0 * s / c**2], abs=1e-12)
    assert set(found.reason.tolist()) == {int(Reason.USABLE)}


@pytest.mark.parametrize(
    ("limits", "reasons"),
    [
        ({"low_m": 1.0}, (Reason.USABLE, Reason.OUT_OF_RANGE, Reason.USABLE)),
        ({"high_m": 2.0}, (Reason.OUT_OF_RANGE, Reason.USABLE, Reason.OUT_OF_RANGE)),
        ({"incidence_rad": math.radians(29)}, (Reason.USABLE, Reason.USABLE, Reason.INCIDENCE)),
        ({"incidence_rad": math.radians(31)}, (Reason.USABLE, Reason.USABLE, Reason.USABLE)),
    ],
)
def test_law_limits_of_a_reading(limits, reasons):
    """2.9 m straight, 0.9 m straight, and 3.36 m at 30 degrees."""
    found = seen([(1.0, 1.2, 0), (1.0, 1.2, 180), (1.0, 1.2, 30)], limits=limited(**limits))
    assert [Reason(r) for r in found.reason.tolist()] == list(reasons)


def limited(**more):
    """Return limits without any, but these."""
    return ReadingLimits(**{**{f: getattr(FREE, f) for f in FREE.__dataclass_fields__}, **more})


def test_law_what_stands_in_the_way():
    """A structure is a surface, a pot an obstacle beside the sight line, while it is there."""
    benched = hall(structures=[bench("bench", 0.4, 0.4, 2.2, 1.2)])
    found = seen([(1.0, 1.2, 0)], benched)
    assert found.model.range_m == pytest.approx([0.9], rel=1e-12)
    assert found.surface[0] >= 4
    potted = hall(elements=[pot("pot", 2.0, 1.32, present={"begin": "2 s", "end": "3 s"})])
    near, far = limited(corridor_m=0.05), limited(corridor_m=0.03)
    # 120 mm beside the line, 80 mm of radius: 40 mm are left.
    for limits, time_s, reason in (
        (near, 2.5, Reason.CORRIDOR),
        (near, 1.9, Reason.USABLE),
        (near, 3.1, Reason.USABLE),
        (far, 2.5, Reason.USABLE),
    ):
        assert seen([(1.0, 1.2, 0)], potted, limits, time_s).reason.tolist() == [int(reason)], (
            limits,
            time_s,
        )


def test_law_where_nothing_is_met():
    """A line is followed as far as the limits say, whatever the reach; above the walls there is nothing."""
    short = {"low": "0 m", "high": "2 m"}
    found = seen([(1.0, 1.2, 0), (3.0, 1.2, 0)], reach=short)
    assert found.surface.tolist() == [EAST, EAST]
    limits = limited(high_m=2.0)
    reasons = seen([(1.0, 1.2, 0), (3.0, 1.2, 0)], limits=limits, reach=short).reason.tolist()
    assert [Reason(r) for r in reasons] == [Reason.OUT_OF_RANGE, Reason.USABLE]
    low = seen([(1.0, 1.2, 0)], hall(wall_high="5 cm"))
    assert low.surface.tolist() == [-1]
    assert [Reason(r) for r in low.reason.tolist()] == [Reason.NO_SURFACE]
