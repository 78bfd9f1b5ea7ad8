"""What culling settles before any trial is drawn, at thresholds worked out beside them.

That culling changes no result is held in `test_culling_exact`; here is that it culls what it can.
"""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftgate.predict import Prepared
from driftgate.predict.believed_view import View, Views, boxes_overlap, outer_box
from driftgate.predict.bounds import ANGLE_SLACK_RAD, POSITION_SLACK_M, SHARES
from driftgate.predict.candidates import BeamCandidates, Reachable, may_meet, swept_boxes
from driftgate.predict.values import Outcome
from driftgate.sight.validity import ReadingLimits
from driftgate.world.rays import edge_arrays

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run

SOUTH, EAST, NORTH, WEST = range(4)
FREE = ReadingLimits(False, 0.0, math.inf, math.pi / 2, -math.inf, 0.0, math.inf, math.inf)
# The tightest bound: 18 mm and 14.4 mrad, which the numbers below are worked out for.
TIGHT, WIDE = 0, len(SHARES) - 1


def test_law_the_tightest_bound_is_the_one_below() -> None:
    """Another one needs other numbers here."""
    assert SHARES[TIGHT] * POSITION_SLACK_M == pytest.approx(0.018, rel=1e-9)
    assert SHARES[TIGHT] * ANGLE_SLACK_RAD == pytest.approx(0.0144, rel=1e-9)


def scene(heading_deg: float = 0.0, elements: Any = (), errors: Any = None, **more: Any) -> Prepared:
    """Return a robot at the origin that looks ahead once, at walls 2 m and more away, mounted inexactly."""
    errors = {"mount_position": run(spread="4 mm")} if errors is None else errors
    return prepared(
        [{"do": "look", "time": "0.1 s"}],
        robot(sensors=[range_sensor("a", 0.0, 0.0, heading_deg, errors=errors, **more)]),
        believed=field_map(x=(-6.0, 2.0), y=(-5.0, 5.0), elements=list(elements)),
    )


def pot(x: float, y: float) -> dict[str, Any]:
    """Return a pot of 60 mm radius that scatters by 5 mm: 75 mm off its place at most inside the bounds."""
    return {
        "id": "pot",
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": f"{x!r} m", "y": f"{y!r} m"},
        "scatter": {"x": "5 mm", "y": "5 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
    }


def viewed(
    case: Prepared,
    limits: ReadingLimits = FREE,
    boxes: Any = (),
    hurried: Outcome = Outcome.ACCEPTED,
    bound: int = TIGHT,
) -> View:
    """Return the view of a case."""
    readings = case.plan.timeline.readings
    count = len(readings.knot)
    views = Views(
        case, readings.knot, edge_arrays(case.believed.edges), [limits], [list(boxes)], [hurried] * count
    )
    assert views.inside(bound) is views.inside(bound)
    return views.inside(bound)


def limited(**more: Any) -> ReadingLimits:
    """Return limits without any, but these."""
    return dataclasses.replace(FREE, **more)


def test_law_a_beam_that_can_only_meet_one_wall_is_sure_of_it() -> None:
    """Straight ahead it is the east wall; into the corner it may be two, and nothing is sure."""
    found = viewed(scene())
    assert [e.tolist() for e in found.edges] == [[EAST]] * len(found.edges)
    assert set(found.sure) == {EAST}
    # The corner is at (2, 5): 68.2 degrees.
    corner = viewed(scene(math.degrees(math.atan2(5.0, 2.0))))
    assert {tuple(e.tolist()) for e in corner.edges} == {(EAST, NORTH)}
    assert set(corner.sure) == {-1}
    assert set(corner.settled) == {None}


def test_law_nothing_is_looked_at_beyond_what_is_met() -> None:
    """A bench across the beam hides the wall behind it, and its own far side; without it the wall is met."""
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.2 m", "width": "2 m"}},
        "at": {"x": "1 m", "y": "0 m"},
    }
    case = prepared(
        [{"do": "look", "time": "0.1 s"}],
        robot(sensors=[range_sensor("a", 0.0, 0.0, 0.0)]),
        believed=field_map(x=(-6.0, 2.0), y=(-5.0, 5.0), structures=[bench]),
    )
    near = [i for i, e in enumerate(case.believed.edges) if e.a[0] == e.b[0] == pytest.approx(0.9, abs=1e-12)]
    assert len(near) == 1
    found = viewed(case)
    assert [e.tolist() for e in found.edges] == [near] * len(found.edges)
    assert set(found.sure) == set(near)


@pytest.mark.parametrize(
    ("limits", "outcome"),
    [
        # Straight at a wall 2 m away, off by 18 mm and 14.4 mrad: 1.982 to 2.0182 m (2.018 over 0.9998963).
        (FREE, Outcome.ACCEPTED),
        (limited(high_m=1.981), Outcome.OUT_OF_RANGE),
        (limited(high_m=1.983), None),
        (limited(high_m=2.0180), None),
        (limited(high_m=2.0183), Outcome.ACCEPTED),
        (limited(low_m=1.983), None),
        (limited(low_m=1.981), Outcome.ACCEPTED),
        (limited(low_m=2.0180), None),
        (limited(low_m=2.0183), Outcome.OUT_OF_RANGE),
        (limited(incidence_rad=0.0143), None),
        (limited(incidence_rad=0.0145), Outcome.ACCEPTED),
        (limited(edge_margin_m=0.1), None),
        (limited(reference=True), Outcome.ACCEPTED),
    ],
)
def test_law_what_every_belief_makes_of_a_wall_ahead(limits: ReadingLimits, outcome: Outcome | None) -> None:
    """Settled where range and incidence are on one side of their limits for all beliefs inside the bound."""
    assert set(viewed(scene(), limits).settled) == {outcome}


@pytest.mark.parametrize(
    ("limits", "outcome"),
    [
        # At 30 degrees to the normal, 2 m / cos 30 = 2.309 m: 1.982 / cos(0.5092) = 2.26998 m, and
        # 2.018 / cos(0.5380) = 2.34997 m.
        (limited(high_m=2.2699), Outcome.OUT_OF_RANGE),
        (limited(high_m=2.2701), None),
        (limited(high_m=2.349), None),
        (limited(high_m=2.351), Outcome.ACCEPTED),
        (limited(incidence_rad=0.509), Outcome.INCIDENCE),
        (limited(incidence_rad=0.510), None),
        (limited(incidence_rad=0.537), None),
        (limited(incidence_rad=0.539), Outcome.ACCEPTED),
    ],
)
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_law_what_every_belief_makes_of_a_wall_met_at_an_angle(
    limits: ReadingLimits, outcome: Outcome | None, side: float
) -> None:
    """The steeper side of the bound is nearer, the flatter one farther."""
    assert set(viewed(scene(30.0 * side), limits).settled) == {outcome}


def test_law_what_the_plan_settles() -> None:
    """Speed and turning are the plan's own; what no wall is a reference for is settled before all."""
    assert set(viewed(scene(), hurried=Outcome.TOO_FAST).settled) == {Outcome.TOO_FAST}
    assert set(viewed(scene(), limited(high_m=1.9), hurried=Outcome.TURNING).settled) == {
        Outcome.OUT_OF_RANGE
    }
    case = scene()
    believed = SimpleNamespace(
        edges=[dataclasses.replace(e, reference=e.owner != "east") for e in case.believed.edges],
        outline=case.believed.outline,
    )
    plain = SimpleNamespace(plan=case.plan, case=case.case, believed=believed)
    assert set(viewed(plain, limited(reference=True)).settled) == {Outcome.NOT_REFERENCE}  # type: ignore[arg-type]
    assert set(viewed(plain).settled) == {Outcome.ACCEPTED}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("y", "near"),
    # A square of 40 mm has a reach of 28.3 mm, the corridor 50 mm, the bound 18 mm and 14.4 mrad over 1 m.
    [(0.0, True), (0.109, True), (0.113, False), (-0.109, True), (-0.113, False)],
)
def test_law_what_may_stand_in_a_corridor(y: float, near: bool) -> None:
    """Boxes within reach of corridor and bound are looked at by every trial, and leave nothing settled."""
    box = (0.98, 1.02, y - 0.02, y + 0.02)
    found = viewed(scene(), limited(corridor_m=0.05, high_m=9.0), [(0.0, 0.1, 3.0, 3.1), box])
    assert found.nearby == [[1] if near else []] * len(found.nearby)
    assert set(found.settled) == {None if near else Outcome.ACCEPTED}
    assert viewed(scene(), FREE, [box]).nearby == [[]] * len(found.nearby)


def reached(case: Prepared, bound: int = TIGHT) -> Reachable:
    """Return what true beams may meet."""
    return BeamCandidates(case, frozenset()).inside(bound)


def test_law_what_a_true_beam_may_meet() -> None:
    """One wall, surely and squarely; it need be followed to where every beam has met it, and no further."""
    found = reached(scene())
    assert [e.tolist() for e in found.edges] == [[EAST]] * len(found.edges)
    assert set(found.sure) == {EAST}
    assert set(found.square) == {True}
    # 2 m, the surface's 60 mm, the bound's 18 and the mount's 20: 2.098 m, and a little for the turns.
    assert found.reach_m == pytest.approx(np.full(len(found.edges), 2.10), abs=0.02)
    assert found.reach_m.min() > 2.098
    # A mount that is exact takes nothing.
    exact = reached(scene(errors={})).reach_m
    assert found.reach_m == pytest.approx(exact + 0.02, abs=2e-3)
    short = reached(scene(reach={"low": "0 m", "high": "1.5 m"}))
    assert short.reach_m.tolist() == [1.5] * len(found.edges)
    assert [e.tolist() for e in short.edges] == [[]] * len(found.edges)


def test_law_an_echo_that_may_be_lost_is_not_square() -> None:
    """Met at 20 degrees, 0.8 for the pose and 0.7 for the wall's ends: 21.6, within 22 and not within 21."""
    assert set(reached(scene(20.0, echo_limit="22 deg")).square) == {True}
    assert set(reached(scene(20.0, echo_limit="21 deg")).square) == {False}
    assert set(reached(scene(-20.0, echo_limit="22 deg")).square) == {True}
    assert set(reached(scene(20.0, echo_limit="22 deg"), WIDE).square) == {False}


def test_law_a_beam_that_may_pass_over_a_wall_is_sure_of_none() -> None:
    """A sensor whose pitch differs may be at any height."""
    uneven = scene(errors={"mount_pitch": run(mean="0 deg", spread="1 deg")})
    found = reached(uneven)
    assert set(found.sure) == {-1}
    assert found.reach_m.tolist() == [20.0] * len(found.edges)
    sensor = uneven.case.robot.sensors[0]
    level = scene().case.robot.sensors[0]  # 0.1 m high
    assert may_meet(5.0, 6.0, sensor)
    assert [may_meet(*z, level) for z in ((0.1, 0.2), (0.0, 0.1), (0.11, 0.2), (0.0, 0.09))] == [
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(
    # 60 mm of radius, 75 of its place, 18 and 20 of the beam's start, and 14.4 mrad over 1 m.
    ("y", "met"),
    [(0.0, True), (0.185, True), (-0.185, True), (0.195, False), (-0.195, False)],
)
def test_law_what_element_a_true_beam_may_meet(y: float, met: bool) -> None:
    """A pot beside the beam, as far off its place as the bound allows."""
    found = reached(scene(elements=[pot(1.0, y)]))
    assert [e.tolist() for e in found.elements] == [[0] if met else []] * len(found.elements)
    assert not any(len(e) for e in reached(scene(elements=[pot(-1.0, y)])).elements)
    # Where it has strayed to, it has no slack of its own.
    case = scene()
    candidates = BeamCandidates(case, frozenset())
    mine = np.arange(len(case.plan.timeline.readings.knot))
    discs = candidates.discs(
        TIGHT, mine, np.array([1.0, 1.0, -1.0]), np.array([y, 0.1, y]), np.array([0.135, 0.06, 0.135])
    )
    assert discs.tolist() == [[met, True, False]] * len(mine)


def test_law_the_box_round_all_beams_of_a_step() -> None:
    """From the origin to 20 m ahead, and what the widest bound makes of the reach around it."""
    (boxes,) = swept_boxes(scene())
    (box,) = boxes.values()
    margin = POSITION_SLACK_M + 0.02 + 20.0 * ANGLE_SLACK_RAD
    assert box == pytest.approx((-margin, 20.0 + margin, -margin, margin), rel=1e-9)
    (boxes,) = swept_boxes(scene(90.0))
    (box,) = boxes.values()
    assert box == pytest.approx((-margin, margin, -margin, 20.0 + margin), rel=1e-9)


def test_law_boxes() -> None:
    """Round discs and sides; two overlap from the point on in which they touch."""
    obstacle: Any = SimpleNamespace(disc=(1.0, 2.0, 0.5), sides=None)
    assert outer_box(obstacle) == (0.5, 1.5, 1.5, 2.5)
    obstacle = SimpleNamespace(disc=None, sides=np.array([(0.0, 1.0, 2.0, 3.0), (2.0, 3.0, -1.0, 5.0)]))
    assert outer_box(obstacle) == (-1.0, 2.0, 1.0, 5.0)
    one = (0.0, 1.0, 0.0, 1.0)
    assert boxes_overlap(one, (1.0, 2.0, 1.0, 2.0))
    assert boxes_overlap((1.0, 2.0, 1.0, 2.0), one)
    assert boxes_overlap(one, (0.2, 0.3, -5.0, 5.0))
    for beside in (
        (1.1, 2.0, 0.0, 1.0),
        (-2.0, -0.1, 0.0, 1.0),
        (0.0, 1.0, 1.1, 2.0),
        (0.0, 1.0, -2.0, -0.1),
    ):
        assert not boxes_overlap(one, beside)
