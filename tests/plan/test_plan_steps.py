"""What each step means: where it leads, how long it takes, what is refused."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plan_cases import case, codes, field_map, robot, routine, sensor

from driftgate.plan import plan_case
from driftgate.plan.flatten import flatten
from driftgate.plan.steps import short_way
from driftgate.plan.values import Law

# From rest to rest over 1 m at 1.2 m/s and 2.5 m/s^2, and 0.1 s of settling.
METRE_S = 1 / 1.2 + 1.2 / 2.5 + 0.1


def ends(plan):
    """Return the end poses, headings in degrees."""
    return [(s.end_pose[0], s.end_pose[1], math.degrees(s.end_pose[2])) for s in plan.steps]


def test_law_each_step_has_its_law():
    """Absolute steps close on the belief, relative ones on increments, standing ones on nothing."""
    plan = plan_case(
        case(
            {"do": "drive", "to": ["1.5 m", "1 m"]},
            {"do": "turn", "to": "90 deg"},
            {"do": "face", "point": ["1.5 m", "2 m"]},
            {"do": "curve", "through": [["1.7 m", "1.6 m"]]},
            {"do": "advance", "distance": "10 cm"},
            {"do": "rotate", "angle": "-10 deg"},
            {"do": "arc", "radius": "0.5 m", "angle": "10 deg"},
            {"do": "pause", "time": "1 s"},
            {"do": "look", "time": "1 s"},
            {"do": "actuate", "mechanism": "arm", "time": "1 s"},
            {"do": "checkpoint", "name": "here", "within": {"radial": "5 cm"}, "required": "90 %"},
        )
    )

    assert [s.law for s in plan.steps] == [
        Law.DRIVE,
        Law.TURN,
        Law.FACE,
        Law.CURVE,
        *[Law.RELATIVE] * 3,
        *[Law.STAND] * 4,
    ]
    assert codes(plan) == []
    assert [s.looking for s in plan.steps].index(True) == 8
    assert plan.steps[10].checkpoint is not None
    assert plan.steps[10].begin_s == plan.steps[10].end_s == plan.duration_s


def test_law_drive_ends_on_its_point_ahead_and_backwards():
    """Ahead and backwards a drive ends on its point; only the heading differs by half a turn."""
    ahead = plan_case(case({"do": "drive", "to": ["2 m", "1 m"]}))
    back = plan_case(case({"do": "drive", "to": ["2 m", "1 m"], "backwards": True}, at=(1.0, 1.0, 180.0)))

    assert ahead.steps[0].end_pose == pytest.approx((2.0, 1.0, 0.0), abs=1e-12)
    assert back.steps[0].end_pose == pytest.approx((2.0, 1.0, math.pi), abs=1e-12)
    assert ahead.duration_s == back.duration_s == pytest.approx(METRE_S)
    assert back.steps[0].backwards
    assert back.steps[0].target == (2.0, 1.0)


def test_err_drive_to_a_point_that_is_not_faced():
    """A differential drive that does not face its target is told the heading, and to face it first."""
    plan = plan_case(case({"do": "drive", "to": ["2 m", "2 m"]}))

    assert codes(plan) == ["DG206"]
    assert "45.0 deg" in plan.findings[0].message
    assert "face" in plan.findings[0].suggestion


@pytest.mark.parametrize(("degrees", "found"), [(0.49, []), (0.51, ["DG206"])])
def test_law_half_a_degree_is_turned_at_once(degrees, found):
    """Within half a degree the plan turns onto the bearing in the first tick; beyond it is an error."""
    plan = plan_case(case({"do": "drive", "to": ["2 m", "1 m"]}, at=(1.0, 1.0, degrees)))

    assert codes(plan) == found
    assert plan.steps[0].start_pose[2] == pytest.approx(math.radians(degrees))
    assert plan.timeline.pose[0, 2] == pytest.approx(math.radians(degrees))
    assert plan.timeline.pose[1:, 2] == pytest.approx(0.0, abs=1e-12)
    assert plan.timeline.twist[0, 2] == pytest.approx(-math.radians(degrees))


@pytest.mark.parametrize(("do", "key"), [("drive", "to"), ("face", "point")])
def test_err_target_underfoot(do, key):
    """Driving to, or facing, the place where the robot stands is an error with a plain message."""
    plan = plan_case(case({"do": do, key: ["1 m", "1 m"]}))

    assert codes(plan) == ["DG206"]
    assert plan.findings[0].doc_path == ("steps", 0, key)
    assert plan.steps[0].end_pose == pytest.approx((1.0, 1.0, 0.0))


@pytest.mark.parametrize(("off", "found"), [("0.0009 mm", ["DG206"]), ("0.001 mm", []), ("0.0011 mm", [])])
def test_err_a_point_within_a_micrometre_is_underfoot(off, found):
    """From a micrometre on it can be faced."""
    plan = plan_case(case({"do": "face", "point": ["0 m", off]}, at=(0.0, 0.0, 0.0)))

    assert [f.code for f in plan.findings if f.code == "DG206"] == found
    assert plan.steps[0].end_pose[2] == pytest.approx(0.0 if found else math.pi / 2, abs=1e-12)


def test_law_holonomic_drive_goes_any_way_with_its_heading_held():
    """A holonomic drive goes straight to its point, its heading held, at the same speed."""
    cart = robot(drive="holonomic")
    plan = plan_case(case({"do": "drive", "to": ["1.6 m", "1.8 m"]}, at=(1.0, 1.0, 30.0), drives=cart))
    tl = plan.timeline

    assert plan.steps[0].law is Law.GLIDE
    assert plan.steps[0].end_pose == pytest.approx((1.6, 1.8, math.radians(30)), abs=1e-12)
    assert plan.duration_s == pytest.approx(METRE_S)
    cross = 0.6 * (tl.pose[:, 1] - 1.0) - 0.8 * (tl.pose[:, 0] - 1.0)
    assert cross == pytest.approx(0.0, abs=1e-12)


def test_err_holonomic_backwards_and_differential_sidestep():
    """Backwards means nothing to a holonomic drive, sideways is closed to a differential one."""
    glide = case({"do": "drive", "to": ["2 m", "1 m"], "backwards": True}, drives=robot(drive="holonomic"))
    step = case({"do": "sidestep", "distance": "0.2 m"})

    assert codes(plan_case(glide)) == ["DG205"]
    assert codes(plan_case(step)) == ["DG205"]


def test_law_sidestep_goes_left_when_positive():
    """A positive sidestep goes to the robot's left, a negative one to its right."""
    steps = [{"do": "sidestep", "distance": d} for d in ("0.3 m", "-0.5 m")]
    plan = plan_case(case(*steps, at=(1.0, 1.0, 90.0), drives=robot(drive="holonomic")))

    assert ends(plan) == [pytest.approx((0.7, 1.0, 90.0)), pytest.approx((1.2, 1.0, 90.0))]


@pytest.mark.parametrize(
    ("start", "to", "end"),
    [
        (0, "90 deg", 90),
        (170, "-170 deg", 190),
        (-170, "170 deg", -190),
        (0, "180 deg", 180),
        (90, "-90 deg", 270),
    ],
)
def test_law_turn_takes_the_short_way(start, to, end):
    """A turn takes the short way, its heading unwrapped; a half turn goes counter-clockwise."""
    plan = plan_case(case({"do": "turn", "to": to}, at=(1.0, 1.0, start)))

    assert ends(plan)[0] == pytest.approx((1.0, 1.0, end))


@given(st.floats(-20.0, 20.0))
def test_law_half_turn_goes_left_whatever_the_rounding(heading):
    """Half a turn computed as a difference of headings goes counter-clockwise, however it rounds."""
    assert short_way((heading + math.pi) - heading) == pytest.approx(math.pi)
    assert short_way((heading - math.pi) - heading) == pytest.approx(math.pi)


def test_law_rotate_goes_all_the_way_round():
    """A relative rotation is not shortened: a full turn and a half is driven as such."""
    plan = plan_case(case({"do": "rotate", "angle": "-540 deg"}))

    assert ends(plan)[0] == pytest.approx((1.0, 1.0, -540.0))


def test_law_face_looks_at_its_point_or_away():
    """After facing a point the heading is its bearing, backwards the opposite."""
    plan = plan_case(
        case(
            {"do": "face", "point": ["1 m", "2 m"]},
            {"do": "face", "point": ["2 m", "1 m"], "backwards": True},
        )
    )

    assert [e[2] for e in ends(plan)] == pytest.approx([90.0, 180.0])


def test_law_arc_backwards_keeps_its_side():
    """Forwards a left arc turns left; backwards the centre stays left and the heading turns right."""
    arc = {"do": "arc", "radius": "0.5 m", "angle": "90 deg"}
    plan = plan_case(case(arc, {**arc, "backwards": True}))

    assert ends(plan)[0] == pytest.approx((1.5, 1.5, 90.0))
    # The same circle backwards leads back to where the arc began.
    assert ends(plan)[1] == pytest.approx((1.0, 1.0, 0.0))


def test_law_arc_speed_is_limited_by_its_bend():
    """On 0.4 m the centripetal limit of 2 m/s^2 holds the speed at sqrt(0.8) m/s."""
    plan = plan_case(case({"do": "arc", "radius": "0.4 m", "angle": "180 deg"}, at=(2.0, 1.0, 0.0)))
    way, speed = 0.4 * math.pi, math.sqrt(0.8)

    assert plan.duration_s == pytest.approx(way / speed + speed / 2.5 + 0.1)


def test_law_mechanism_beside_a_motion_only_lengthens_it():
    """A mechanism beside a motion adds what it takes longer, as settling; a quick one adds nothing."""
    move = {"do": "advance", "distance": "1 m"}
    slow = plan_case(case({**move, "beside": {"mechanism": "arm", "time": "3 s"}}))
    quick = plan_case(case({**move, "beside": {"mechanism": "arm", "travel": "10 cm", "speed": "1 m/s"}}))

    assert slow.duration_s == pytest.approx(3.0)
    assert slow.steps[0].settle_s == pytest.approx(3.0 - METRE_S + 0.1)
    assert slow.timeline.moving.all()
    assert quick.duration_s == pytest.approx(METRE_S)


def test_law_actuate_stands_for_travel_over_speed():
    """A mechanism alone takes travel over speed, standing."""
    plan = plan_case(case({"do": "actuate", "mechanism": "lift", "travel": "30 cm", "speed": "20 cm/s"}))

    assert plan.duration_s == pytest.approx(1.5)
    assert not plan.timeline.moving.any()


def test_law_repetition_unrolls_with_its_round_in_the_label():
    """A repetition is its steps over and over; place in the document and rounds are kept."""
    inner = {"do": "repeat", "times": 2, "steps": [{"do": "rotate", "angle": "90 deg", "name": "spin"}]}
    plan = plan_case(case({"do": "pause", "time": "1 s"}, {"do": "repeat", "times": 3, "steps": [inner]}))

    spins = plan.steps[1:]
    assert len(spins) == 6
    assert {s.doc_path for s in spins} == {("steps", 1, "steps", 0, "steps", 0)}
    assert spins[3].label == "rotate 90.0 deg (round 2 of 3, round 2 of 2)"
    assert [s.place for s in spins] == [f"spin#{k}" for k in range(1, 7)]
    assert {s.name for s in spins} == {"spin"}


def test_law_motions_without_way_take_their_settling():
    """A relative motion of nothing is allowed and lasts as long as settling."""
    plan = plan_case(case({"do": "advance", "distance": "0 m"}, {"do": "rotate", "angle": "0 deg"}))

    assert codes(plan) == []
    assert plan.duration_s == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("limit", "level"), [("1.3 s", "error"), ("1.45 s", "warning"), ("1.6 s", None), ("60 s", None)]
)
def test_err_time_limit(limit, level):
    """A plan longer than its limit is an error with both times, one within 5 % of it a warning."""
    plan = plan_case(case({"do": "advance", "distance": "1 m"}, time_limit=limit))

    assert [(f.code, f.level) for f in plan.findings] == ([("DG202", level)] if level else [])
    if level == "error":
        assert "1.41 s" in plan.findings[0].message
        assert "1.30 s" in plan.findings[0].message


def test_err_plan_too_long_for_its_clock():
    """An absurdly slow step gives findings, not an endless timeline."""
    cart = robot(sensors=[sensor()])
    plan = plan_case(case({"do": "advance", "distance": "3 m", "speed": "0.001 mm/s"}, drives=cart))

    assert {"DG202", "DG209"} <= set(codes(plan))
    assert plan.timeline.time_s.size < 10_000
    assert np.isfinite(plan.timeline.pose).all()


def test_err_too_many_rounds():
    """A repetition of repetitions beyond any use is cut with a finding."""
    inner = {"do": "repeat", "times": 1000, "steps": [{"do": "rotate", "angle": "0 deg"}]}
    plan = plan_case(case({"do": "repeat", "times": 1000, "steps": [inner]}, drives=robot()))

    assert "DG209" in codes(plan)


def test_law_same_finding_of_every_round_is_given_once():
    """A fault inside a repetition is one finding, not one per round."""
    steps = [{"do": "sidestep", "distance": "1 cm"}]
    plan = plan_case(case({"do": "repeat", "times": 5, "steps": steps}))

    assert codes(plan) == ["DG205"]


# Squaring up


def square_up(against="east", **more):
    """Return a square-up step."""
    return {"do": "square-up", "against": against, "speed": "0.25 m/s", **more}


def test_law_square_up_ends_flush():
    """From 3 deg askew the robot ends exactly square, its bumper on the wall, after travel and push."""
    plan = plan_case(case(square_up(), at=(3.0, 1.5, 3.0)))
    contact, step = plan.contacts[0], plan.steps[0]
    # Turned left, the right front corner leads: 0.18 m ahead and 0.15 m right of the origin.
    c, s = math.cos(math.radians(3)), math.sin(math.radians(3))
    gap = 4.2 - (3.0 + 0.18 * c + 0.15 * s)

    assert codes(plan) == []
    assert step.law is Law.CONTACT
    assert contact.wall == "east"
    assert contact.reach_m == pytest.approx(0.18)
    assert contact.half_width_m == pytest.approx(0.15)
    assert contact.travel_m == pytest.approx(gap / c)
    assert step.end_pose[0] == pytest.approx(4.2 - 0.18, abs=1e-12)
    assert step.end_pose[2] == 0.0
    assert step.end_s == pytest.approx(contact.travel_m / 0.25 + 0.3 + 0.1)


def test_law_square_up_pivots_about_the_first_corner():
    """The corner that touches first stays where it touched while the robot turns flush."""
    plan = plan_case(case(square_up(), at=(3.0, 1.5, 3.0)))
    # At 3 deg the right front corner leads: it is further ahead by 0.3 sin 3 deg.
    knot = int(np.flatnonzero(plan.timeline.pose[:, 2] == 0.0)[0]) - 1
    touch, flush = plan.timeline.pose[knot], plan.timeline.pose[-1]

    assert corner(touch, -0.15) == pytest.approx(corner(flush, -0.15), abs=1e-9)
    assert corner(touch, -0.15)[0] == pytest.approx(4.2, abs=1e-9)
    assert corner(touch, 0.15)[0] < 4.2


def corner(pose, left):
    """Return a front corner of the footprint in the field."""
    c, s = math.cos(pose[2]), math.sin(pose[2])
    return pose[0] + 0.18 * c - left * s, pose[1] + 0.18 * s + left * c


def test_law_square_up_backwards_and_against_a_structure():
    """Backwards the rear lies on the face of the structure that it drives at."""
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.4 m", "width": "0.6 m"}},
        "at": {"x": "3 m", "y": "1.5 m", "heading": "0 deg"},
    }
    plan = plan_case(
        case(square_up("bench", backwards=True), at=(2.0, 1.5, 181.0), on=field_map(structures=[bench]))
    )

    assert codes(plan) == []
    assert plan.contacts[0].wall == "bench/2"
    assert plan.steps[0].backwards
    assert plan.steps[0].end_pose[0] == pytest.approx(2.8 - 0.18, abs=1e-12)
    assert math.degrees(plan.steps[0].end_pose[2]) == pytest.approx(180.0)


@pytest.mark.parametrize(
    ("at", "against", "words"),
    [
        ((3.0, 1.5, 11.0), "east", "within 10 deg"),
        ((3.0, 1.5, 0.0), "north", "90.0 deg off"),
        ((1.0, 1.5, 0.0), "east", "more than 2 m"),
        ((4.1, 1.5, 0.0), "east", "already"),
    ],
)
def test_err_square_up_that_misses(at, against, words):
    """Not facing the wall, being too far from it or already in it is refused with the reason."""
    plan = plan_case(case(square_up(against), at=at))

    finding = next(f for f in plan.findings if f.code == "DG207")
    assert words in finding.message
    assert finding.doc_path == ("steps", 0, "against")
    assert plan.contacts == {}


def test_err_square_up_beside_a_structure():
    """Driving past the end of a structure's face is no squaring up."""
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.4 m", "width": "0.6 m"}},
        "at": {"x": "3 m", "y": "1.5 m", "heading": "0 deg"},
    }
    plan = plan_case(case(square_up("bench"), at=(2.0, 2.2, 0.0), on=field_map(structures=[bench])))

    assert "DG207" in codes(plan)


@pytest.mark.parametrize(("y", "wall", "face_x"), [(1.2, "step/5", 2.6), (1.8, "step/3", 3.0)])
def test_law_square_up_meets_the_face_in_front(y, wall, face_x):
    """Of a stepped structure's two faces the robot meets the one that it is in front of."""
    corners = [(2.6, 0.9), (3.4, 0.9), (3.4, 2.1), (3.0, 2.1), (3.0, 1.5), (2.6, 1.5)]
    stepped = {
        "id": "step",
        "shape": {"polygon": {"corners": [[f"{u} m", f"{v} m"] for u, v in corners]}},
        "at": {"x": "0 m", "y": "0 m", "heading": "0 deg"},
    }
    plan = plan_case(case(square_up("step"), at=(2.0, y, 0.0), on=field_map(structures=[stepped])))

    assert plan.contacts[0].wall == wall
    assert plan.steps[0].end_pose[0] == pytest.approx(face_x - 0.18)


@pytest.mark.parametrize(
    ("step", "label"),
    [
        ({"do": "drive", "to": ["1.4 m", "60 cm"]}, "drive to (1.40, 0.60) m"),
        ({"do": "drive", "to": ["1.37 m", "745 mm"]}, "drive to (1.37, 0.745) m"),
        ({"do": "drive", "to": ["18 in", "-0.5 mm"]}, "drive to (0.4572, -0.0005) m"),
        ({"do": "turn", "to": "-12.25 deg"}, "turn to -12.25 deg"),
        ({"do": "advance", "distance": "100.25 mm"}, "advance 0.10025 m"),
        ({"do": "pause", "time": "1.005 s"}, "pause 1.005 s"),
    ],
)
def test_law_a_label_says_what_the_routine_says(step, label):
    """No digit that is written is rounded away, so that an edit of 1 mm or less shows."""
    (flat,) = flatten(routine(step).steps)
    assert flat.label == label


@given(st.integers(-99_999, 99_999), st.integers(1, 50))
def test_law_values_that_differ_have_labels_that_differ(tenths, more):
    """Tenths of a millimetre apart, and as many decimals as it takes; at least two."""
    one, other = (
        next(iter(flatten(routine({"do": "face", "point": [f"{n / 10} mm", "0 m"]}).steps))).label
        for n in (tenths, tenths + more)
    )
    assert one != other
    assert one.endswith(", 0.00) m")
