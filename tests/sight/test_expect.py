"""What every reading should see, on hand-made fields."""

import math

import numpy as np
import pytest
import shapely
import shapely.affinity
from sight_cases import bench, case, crate, hall, plan, pot, robot, sensor

from driftgate.plan.values import Law
from driftgate.sight.expect import look_along
from driftgate.sight.values import Reason
from driftgate.world import build_world

HERE = (3.0, 1.5, 0.0)  # one metre from the east wall, looking at it


def look(robot_, map_, plan_):
    """Return world and sight."""
    world = build_world(map_)
    return world, look_along(case(robot_, map_), plan_, world)


def one(map_, pose=HERE, robot_=None, **more):
    """Return reason, edge id, range and obstacle of a single reading of a single sensor."""
    world, sight = look(robot_ or robot(), map_, plan([pose, pose], **more))
    index = int(sight.surface[0])
    met = world.edges[index].id if index >= 0 else ""
    return Reason(sight.reason[0]), met, float(sight.range_m[0]), sight.obstacle[0]


def test_law_each_reason_occurs():
    """Every reason but SWITCHED_OFF and NO_SURFACE occurs once, in the order of the steps."""
    poses = [
        HERE,
        HERE,  # usable
        HERE,  # in contact
        (3.0, 1.5, math.pi / 2),  # north: no reference surface
        (1.0, 0.5, 0.0),  # east wall 3 m away: out of range
        (3.0, 1.5, math.radians(50.0)),  # too oblique
        (3.0, 2.5, 0.0),  # the pot stands in the way
        HERE,  # too fast
        HERE,  # turning
    ]
    rates = np.zeros((9, 3))
    rates[7], rates[8] = (0.6, 0.0, 0.0), (0.0, 0.0, 1.0)
    laws = [Law.RELATIVE] * 8
    laws[1] = Law.CONTACT
    validity = {"incidence": "40 deg", "corridor": "5 cm", "speed": "0.5 m/s", "turn_rate": "20 deg/s"}
    _, sight = look(
        robot(validity=validity),
        hall(elements=[pot("pot", 3.5, 2.6)], north_reference=False),
        plan(poses, rates=rates, laws=laws),
    )
    assert [Reason(r) for r in sight.reason] == [
        Reason.USABLE,
        Reason.IN_CONTACT,
        Reason.NOT_REFERENCE,
        Reason.OUT_OF_RANGE,
        Reason.INCIDENCE,
        Reason.CORRIDOR,
        Reason.TOO_FAST,
        Reason.TURNING,
    ]
    assert sight.obstacle == ("", "", "", "", "", "pot", "", "")
    assert sight.range_m[:4] == pytest.approx([1.0, 1.0, 1.5, 3.0])
    assert sight.incidence_rad[4] == pytest.approx(math.radians(50.0))


def test_law_switched_off_comes_first():
    """Without correction, or looking elsewhere only, a reading is off whatever it sees."""
    off, looking = robot(enabled=False), robot(when="looking")
    assert one(hall(), robot_=off)[0] is Reason.SWITCHED_OFF
    assert one(hall(), robot_=off, laws=[Law.CONTACT])[0] is Reason.SWITCHED_OFF
    assert one(hall(), robot_=looking)[0] is Reason.SWITCHED_OFF
    assert one(hall(), robot_=looking, looking={0})[0] is Reason.USABLE
    assert one(hall(), robot_=robot(), laws=[Law.CONTACT])[0] is Reason.IN_CONTACT


def test_law_no_surface_over_low_walls():
    """A sensor above the walls meets nothing; one at just their height does."""
    low = hall(wall_high="10 cm")
    assert one(low)[0] is Reason.NO_SURFACE
    reason, met, range_m, _ = one(low, robot_=robot([sensor(height="10 cm")]))
    assert (reason, met, range_m) == (Reason.USABLE, "east", 1.0)
    _, sight = look(robot(), low, plan([HERE, HERE]))
    assert sight.surface[0] == -1
    assert math.isnan(sight.range_m[0])
    assert math.isnan(sight.incidence_rad[0])


def test_law_a_structure_hides_the_wall_behind_it():
    """The bench's near face is met in place of the wall, at any height that it has."""
    at_bench = bench("bench", 0.2, 1.0, 3.6, 1.5, height={"low": "5 cm", "high": "20 cm"})
    for height, want in (("4 cm", ("east", 1.0)), ("15 cm", ("bench/2", 0.5)), ("30 cm", ("east", 1.0))):
        reason, met, range_m, _ = one(hall([at_bench]), robot_=robot([sensor(height=height)]))
        assert reason is Reason.USABLE
        assert (met, range_m) == (want[0], pytest.approx(want[1]))


def test_law_only_reference_surfaces_unless_told():
    """A bench that is no reference surface is refused, and taken where the test is not made."""
    plain = bench("bench", 0.2, 1.0, 3.6, 1.5, reference=False)
    assert one(hall([plain]))[0] is Reason.NOT_REFERENCE
    assert one(hall([plain]), robot_=robot(validity={"reference": False}))[0] is Reason.USABLE


@pytest.mark.evidence(
    source="worked on paper", compares="sight lines, corridors, dark times", tolerance="exact"
)
@pytest.mark.parametrize(
    ("across", "margin", "blocked"),
    [
        (0.12, "5 cm", True),
        (0.14, "5 cm", False),
        (0.07, "0 cm", True),
        (0.09, "0 cm", False),
        (0.0, None, False),
    ],
)
def test_ref_corridor_by_hand(across, margin, blocked):
    """A pot of 8 cm beside the sight line blocks it within 8 cm plus the margin (worked on paper)."""
    validity = {} if margin is None else {"corridor": margin}
    got = one(hall(elements=[pot("pot", 3.5, 1.5 + across)]), robot_=robot(validity=validity))
    assert (got[0] is Reason.CORRIDOR) == blocked
    assert got[3] == ("pot" if abs(across) < 0.08 or blocked else "")


def test_law_corridor_ends_at_the_hit_and_starts_at_the_sensor():
    """What is behind the sensor or behind the surface does not block."""
    seen = robot(validity={"corridor": "5 cm"})
    assert one(hall(elements=[pot("pot", 2.8, 1.5)]), robot_=seen)[0] is Reason.USABLE
    hidden = hall([bench("bench", 0.2, 1.0, 3.4, 1.5)], [pot("pot", 3.7, 1.5)])
    assert one(hidden, robot_=seen)[:2] == (Reason.USABLE, "bench/2")


def test_law_corridor_minds_height_and_presence():
    """A pot too low, too high, or not there at the time does not block."""
    seen = robot(validity={"corridor": "5 cm"})

    def reason(**more):
        return one(hall(elements=[pot("pot", 3.5, 1.5, **more)]), robot_=seen)[0]

    # The reading arrives at 0.5 s; the sensor is 15 cm up.
    assert reason() is Reason.CORRIDOR
    assert reason(height={"low": "0 cm", "high": "10 cm"}) is Reason.USABLE
    assert reason(height={"low": "20 cm", "high": "30 cm"}) is Reason.USABLE
    assert reason(present={"begin": "0.6 s"}) is Reason.USABLE
    assert reason(present={"end": "0.4 s"}) is Reason.USABLE
    assert reason(present={"begin": "0.4 s", "end": "0.6 s"}) is Reason.CORRIDOR


def test_law_corridor_knows_other_structures_and_turned_crates():
    """A post beside the line blocks, the structure that is met does not, a turned crate by its corner."""
    seen = robot(validity={"corridor": "10 cm"})
    assert one(hall([bench("post", 0.1, 0.1, 3.5, 1.62)]), robot_=seen)[3] == "post"
    low = bench("post", 0.1, 0.1, 3.5, 1.62, height={"low": "0 cm", "high": "10 cm"})
    assert one(hall([low]), robot_=seen)[0] is Reason.USABLE
    assert one(hall([bench("post", 0.1, 0.1, 3.5, 1.66)]), robot_=seen)[0] is Reason.USABLE
    assert one(hall([bench("bench", 0.1, 0.5, 3.5, 1.5)]), robot_=seen)[:2] == (Reason.USABLE, "bench/2")
    # Half a diagonal of 0.2 m is 0.1414 m: the corner comes to 0.0986 m of the line.
    assert one(hall(elements=[crate("crate", 0.2, 0.2, 3.5, 1.74, 45.0)]), robot_=seen)[3] == "crate"
    assert one(hall(elements=[crate("crate", 0.2, 0.2, 3.5, 1.74)]), robot_=seen)[0] is Reason.USABLE


def test_law_ends_of_a_surface_are_avoided():
    """A hit 8 cm from the end of a bench face is refused at a margin of 10 cm; the corridor is not needed."""
    field = hall([bench("bench", 0.2, 1.0, 3.6, 1.92)])  # the face runs from y = 1.42
    got = one(field, robot_=robot(validity={"edge_margin": "10 cm"}))
    assert (got[0], got[3]) == (Reason.CORRIDOR, "end of bench/2")
    assert one(field, robot_=robot(validity={"edge_margin": "7 cm"}))[0] is Reason.USABLE
    assert one(field)[0] is Reason.USABLE


def test_law_the_corridor_and_the_edge_margin_are_told_apart():
    """One reason of two tests has the name of the one that refuses; where both do it is the corridor's."""
    field = hall([bench("bench", 0.2, 1.0, 3.6, 1.92)])
    tested = robot(validity={"edge_margin": "10 cm", "corridor": "5 cm"})
    near_pot = hall([bench("bench", 0.2, 1.0, 3.6, 1.92)], [pot("pot", 3.25, 1.5)])
    for map_, words in ((field, "edge margin"), (near_pot, "corridor"), (hall(), "usable")):
        sight = look(tested, map_, plan([HERE, HERE]))[1]
        assert sight.words(0) == words


def test_law_range_limits_are_those_of_the_sensor_and_of_the_test():
    """Both the sensor's reach and the validity range must hold."""
    assert one(hall(), (1.9, 1.5, 0.0))[0] is Reason.OUT_OF_RANGE  # 2.1 m against a reach of 2 m
    assert one(hall(), (3.96, 1.5, 0.0))[0] is Reason.OUT_OF_RANGE  # 4 cm against 5 cm
    tight = robot(validity={"range": {"low": "0 m", "high": "90 cm"}})
    assert one(hall(), robot_=tight)[0] is Reason.OUT_OF_RANGE
    assert one(hall(), (3.2, 1.5, 0.0), tight)[0] is Reason.USABLE
    assert one(hall(), (3.96, 1.5, 0.0), tight)[0] is Reason.OUT_OF_RANGE


def test_law_too_grazing_for_an_echo_is_no_fix():
    """Beyond the sensor's echo limit no fix is possible, even without an incidence test."""
    pose = (3.7, 1.5, math.radians(70.0))
    assert one(hall(), pose)[0] is Reason.USABLE
    assert one(hall(), pose, robot([sensor(echo_limit="60 deg")]))[0] is Reason.INCIDENCE


def test_law_a_motion_at_the_limit_keeps_it():
    """Cruising at exactly the largest speed or turn rate is allowed; holonomic speed is the whole speed."""
    limited = robot(validity={"speed": "0.5 m/s", "turn_rate": "1 rad/s"})

    def reason(*rate):
        return one(hall(), robot_=limited, rates=[(0, 0, 0), rate])[0]

    assert reason(0.5 * (1 + 1e-12), 0.0, -1.0) is Reason.USABLE
    assert reason(0.4, 0.4, 0.0) is Reason.TOO_FAST
    assert reason(-0.51, 0.0, 0.0) is Reason.TOO_FAST
    assert reason(0.0, 0.0, -1.01) is Reason.TURNING


def test_law_old_readings_are_compared_with_the_belief_at_arrival():
    """Without compensation the pose at arrival counts, with it the pose at the echo."""
    poses = [(3.0, 1.5, 0.0), (3.1, 1.5, 0.0)]
    for compensated, want in ((False, 0.9), (True, 1.0)):
        _, sight = look(robot(compensate_latency=compensated), hall(), plan(poses, old_by=1))
        assert sight.range_m[0] == pytest.approx(want)


def test_law_several_sensors_keep_their_rows():
    """Readings of sensors taken in turn get their own surface."""
    sensors = [sensor("ahead"), sensor("left", heading=90.0), sensor("behind", x=-0.1, heading=180.0)]
    pose = (1.9, 1.4, 0.0)
    world, sight = look(robot(sensors), hall(), plan([pose] * 3, sensors=3))
    assert [world.edges[i].id for i in sight.surface] == ["east", "north", "west"] * 2
    assert sight.range_m == pytest.approx([2.1, 1.6, 1.8] * 2)
    assert [Reason(r) for r in sight.reason[:3]] == [Reason.OUT_OF_RANGE, Reason.USABLE, Reason.USABLE]


def test_law_no_sensors_no_readings():
    """A robot without sensors has an empty sight."""
    _, sight = look(robot([]), hall(), plan([HERE, HERE], sensors=0))
    assert (len(sight.surface), len(sight.reason), sight.obstacle) == (0, 0, ())


@pytest.mark.evidence(
    source="library shapely", compares="surface, range, corridor in random halls", tolerance="1 nm"
)
def test_ref_random_hall_against_shapely():
    """On 1000 random poses among benches and pots surface, range and corridor are shapely's."""
    rng = np.random.default_rng(20240616)
    benches = [
        bench(f"bench-{i}", 0.5, 0.2, *rng.uniform((0.5, 0.5), (3.5, 2.5)), rng.uniform(0, 180))
        for i in range(4)
    ]
    pots = [pot(f"pot-{i}", *rng.uniform((0.3, 0.3), (3.7, 2.7))) for i in range(4)]
    crates = [crate(f"crate-{i}", 0.3, 0.2, *rng.uniform((0.3, 0.3), (3.7, 2.7)), 30.0) for i in range(2)]
    field = hall(benches, pots + crates)
    poses = np.column_stack([rng.uniform((0.1, 0.1), (3.9, 2.9), (1001, 2)), rng.uniform(-4, 4, 1001)])
    robot_ = robot([sensor(x=0.05, y=-0.03, heading=20.0)], {"corridor": "4 cm", "reference": False})
    world, sight = look(robot_, field, plan(poses))
    lines = [shapely.LineString([e.a, e.b]) for e in world.edges]
    solids = {b["id"]: shapely.Polygon([e.a for e in world.edges if e.owner == b["id"]]) for b in benches}
    for element in world.elements:
        x, y, turn = element.pose
        if element.outline.corners is None:
            solids[element.id] = shapely.Point(x, y).buffer(element.outline.radius_m, quad_segs=256)
        else:
            own = shapely.Polygon(element.outline.corners)
            turned = shapely.affinity.rotate(own, turn, (0, 0), use_radians=True)
            solids[element.id] = shapely.affinity.translate(turned, x, y)
    blocked = 0
    for i, (x, y, heading) in enumerate(poses[1:]):
        c, s = math.cos(heading), math.sin(heading)
        px, py = x + 0.05 * c + 0.03 * s, y + 0.05 * s - 0.03 * c
        if (
            not 0 < px < 4
            or not 0 < py < 3
            or any(v.contains(shapely.Point(px, py)) for v in solids.values())
        ):
            continue
        angle = heading + math.radians(20.0)
        beam = shapely.LineString([(px, py), (px + 9 * math.cos(angle), py + 9 * math.sin(angle))])
        ranges = [
            math.inf if (m := beam.intersection(line)).is_empty else m.distance(shapely.Point(px, py))
            for line in lines
        ]
        nearest = int(np.argmin(ranges))
        assert (sight.surface[i], sight.range_m[i]) == (nearest, pytest.approx(ranges[nearest], abs=1e-9))
        line = shapely.LineString(
            [(px, py), (px + ranges[nearest] * math.cos(angle), py + ranges[nearest] * math.sin(angle))]
        )
        gaps = {k: v.distance(line) for k, v in solids.items() if k != world.edges[nearest].owner}
        if min(abs(gap - 0.04) for gap in gaps.values()) < 1e-5 or sight.reason[i] in (5, 6):
            continue  # the circle is cut into sides; other tests come first
        assert (sight.reason[i] == Reason.CORRIDOR) == (min(gaps.values()) < 0.04)
        blocked += int(sight.reason[i] == Reason.CORRIDOR)
    assert blocked > 50
