"""What logs are asked before anything is fitted: is there enough, and do the columns agree? All invented."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.calibrate.log_checks import check_logs
from driftgate.load.single import load_single
from driftgate.logs.part import read_part
from driftgate.logs.read import _joined
from driftgate.logs.table import table_of

ROOT = Path(__file__).resolve().parents[2]
HEADER = (
    "time [s],forward [m],heading [deg],reference x [m],reference y [m],reference heading [deg],reference by"
)
SIDE_M, TICKS = 0.8, 20


def drive(name="run.csv", **how):
    """Return the log of `drive_text`."""
    return parsed(drive_text(**how), name)


def parsed(*files):
    """Return the log of one or more files: text, name, text, name ..."""
    parts = []
    for text, name in zip(files[::2], files[1::2], strict=True):
        table = table_of(text, name)
        part = read_part(table)
        assert part is not None, table.page.findings
        parts.append(part)
    return _joined(parts, [])


def drive_text(
    sides=4,
    distance=1.0,
    heading=1.0,
    reference=1.0,
    mirrored=False,
    seen=None,
    drop=(),
    slipped=None,
    ranges="",
):
    """Return the text of the log of a robot that goes round a square to the left, measured at each corner.

    Its columns are the true numbers times these factors. `seen` are the corners that were measured, `drop`
    columns that are left out, `slipped` a side on which the wheels counted twice as far.
    """
    rows, x, y, th, t = [], 0.0, 0.0, 0.0, 0.0

    def row(moved, at=None):
        pose = ("", "", "", "")
        if at is not None and (seen is None or at in seen):
            px, py = (y, x) if mirrored else (x, y)
            pose = (reference * px, reference * py, math.degrees(th), "tape")
        rows.append((t, distance * moved, heading * math.degrees(th), *pose, *([ranges] if ranges else [])))

    row(0.0, 0)
    for side in range(sides):
        for tick in range(TICKS):
            t, moved = t + 0.05, SIDE_M / TICKS
            x, y = x + moved * math.cos(th), y + moved * math.sin(th)
            row(moved * (2.0 if side == slipped else 1.0), side + 1 if tick == TICKS - 1 else None)
        for _ in range(TICKS):
            t, th = t + 0.05, th + math.radians(90.0 / TICKS)
            row(0.0)
    names = [*HEADER.split(","), *(["range left [m]"] if ranges else [])]
    keep = [i for i, title in enumerate(names) if not title.startswith(drop or ("no such",))]
    lines = [",".join(str(each[i]) for i in keep) for each in [names, *rows]]
    return "# driftgate log: 1\n# origin: measured\n" + "\n".join(lines) + "\n"


def said(found):
    """Return code, place and level of findings."""
    return [(f.code, f.path, f.line, f.column) for f in found]


def at(title):
    """Return the column of the header line at which a title begins."""
    return HEADER.index(title) + 1


def test_law_a_sound_log_has_nothing_said_of_it():
    """Neither alone nor with others."""
    assert check_logs([drive(), drive(name="two.csv")], None) == []


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (25.4, "inches against millimetres"),
        (1 / 25.4, "inches against millimetres"),
        (2.54, "inches against centimetres"),
        (100.0, "metres against centimetres"),
        (1.6, "multiply its distances by 0.625"),
    ],
)
def test_err_distances_in_another_unit(factor, words):
    """Named at the title of the column, with the two units, or the wheel where no units are so far apart."""
    (found,) = check_logs([drive(distance=factor)], None)
    assert said([found]) == [("DG618", "run.csv", 3, at("forward"))]
    assert words in found.suggestion
    assert found.excerpt == HEADER


@settings(max_examples=20, deadline=None)
@given(st.floats(0.82, 1.22))
def test_law_a_wheel_a_little_off_is_fitted_and_not_refused(factor):
    """Up to a fifth is what a calibration is for."""
    assert check_logs([drive(distance=factor)], None) == []


@settings(max_examples=30, deadline=None)
@given(st.one_of(st.floats(0.01, 0.79), st.floats(1.26, 100.0)))
def test_law_a_wheel_far_off_is_refused_and_the_factor_mends_it(factor):
    """What the hint says to multiply by makes the log sound."""
    (found,) = check_logs([drive(distance=factor)], None)
    assert found.code == "DG618"
    if "multiply" in found.suggestion:
        by = float(found.suggestion.split("distances by ")[1].split()[0])
        assert check_logs([drive(distance=factor * by)], None) == []


def test_err_few_ways_are_judged_together():
    """One way a run is too few, since it may have slipped; those of three runs are enough."""
    one = {"distance": 1.6, "seen": (0, 1)}
    assert check_logs([drive(**one)], None) == []
    found = check_logs([drive(**one, name=f"{i}.csv") for i in "abc"], None)
    assert said(found) == [("DG618", "a.csv", 3, at("forward"))]
    # And what no slip explains is seen in one.
    assert said(check_logs([drive(distance=25.4, seen=(0, 1))], None)) == [
        ("DG618", "run.csv", 3, at("forward"))
    ]


def test_err_a_fault_of_few_ways_is_told_where_it_is():
    """In the log that has it, whichever comes first, and whatever is wrong with a longer run."""
    sound, wrong = drive(seen=(0, 1), name="a.csv"), drive(distance=25.4, seen=(0, 1), name="b.csv")
    more = drive(distance=30.0, seen=(0, 1), name="c.csv")
    assert said(check_logs([sound, wrong, more], None)) == [("DG618", "c.csv", 3, at("forward"))]
    long = drive(heading=-1.0, name="d.csv")
    assert said(check_logs([long, wrong], None)) == [
        ("DG618", "d.csv", 3, at("heading")),
        ("DG618", "b.csv", 3, at("forward")),
    ]


def test_law_one_slip_is_no_unit():
    """A side on which the wheels spun leaves the middle of the ways as it is."""
    assert check_logs([drive(slipped=2)], None) == []


def test_err_a_heading_that_counts_clockwise():
    """Turns come out mirrored: it is said of the heading, and not of distances."""
    (found,) = check_logs([drive(heading=-1.0)], None)
    assert said([found]) == [("DG618", "run.csv", 3, at("heading"))]
    assert "change its sign" in found.suggestion


def test_err_a_heading_that_turns_otherwise():
    """A third of the angle is neither right nor mirrored."""
    (found,) = check_logs([drive(heading=0.3)], None)
    assert said([found]) == [("DG618", "run.csv", 3, at("heading"))]
    assert "by 27 deg where that turns by 90 deg" in found.message


def test_err_axes_of_the_reference_that_are_exchanged():
    """The robot would have gone beside the way that it faced."""
    (found,) = check_logs([drive(mirrored=True)], None)
    assert said([found]) == [("DG618", "run.csv", 3, at("reference x"))]
    assert found.suggestion == "exchange the titles 'reference x' and 'reference y'"


@pytest.mark.parametrize(
    ("drop", "words"),
    [
        (("forward",), "no distance driven"),
        (("heading",), "no heading"),
        (("reference",), "where the robot really was"),
    ],
)
def test_err_a_log_that_lacks_what_a_fit_needs(drop, words):
    """Each lack has its own words, what to log or to measure, and a place in the log's header."""
    (found,) = check_logs([drive(drop=drop)], None)
    assert (found.code, found.line) == ("DG617", 3)
    assert words in found.message
    assert found.suggestion


def test_law_places_without_headings_are_enough():
    """Where they lie apart; and units, signs and axes are seen by them too."""
    bare = ("reference heading",)
    assert check_logs([drive(drop=bare)], None) == []
    assert said(check_logs([drive(distance=25.4, drop=bare)], None)) == [
        ("DG618", "run.csv", 3, at("forward"))
    ]
    for wrong in ({"heading": -1.0}, {"mirrored": True}):
        (found,) = check_logs([drive(drop=bare, **wrong)], None)
        assert said([found]) == [("DG618", "run.csv", 3, at("heading"))]
        assert "from place to place" in found.message
    # Ways too short to be compared say nothing of the way between them.
    short = {"heading": -1.0, "distance": 0.2, "reference": 0.2}
    assert "DG618" not in {f.code for f in check_logs([drive(drop=bare, **short)], None)}


def test_err_places_close_together_say_no_heading():
    """A robot that stood at one place was measured twice for nothing."""
    (found,) = check_logs([drive(sides=1, seen=(0,), drop=("reference heading",))], None)
    assert "nowhere twice" in found.message
    still = drive(sides=1, distance=0.01, reference=0.01, drop=("reference heading",))
    (found,) = check_logs([still], None)
    assert "too close together" in found.message
    assert said([found]) == [("DG617", "run.csv", 3, at("reference x"))]


def test_law_one_log_with_references_serves_all():
    """A run that nobody measured is used for what its own rows say, as long as another one was measured."""
    bare = drive(drop=("reference",), name="bare.csv")
    assert check_logs([bare, drive()], None) == []
    assert [f.path for f in check_logs([bare, drive(seen=(0,))], None)] == ["bare.csv", "run.csv"]


def test_err_ranges_beyond_the_reach_of_their_sensor():
    """Said at the title of that column, with the sensor's reach."""
    robot = load_single(ROOT / "routines" / "robots" / "wren.yaml", "robot").document.model
    (found,) = check_logs([drive(ranges="47.1")], robot)
    reach = next(sensor.reach.high for sensor in robot.sensors if sensor.id == "left")
    assert said([found]) == [("DG610", "run.csv", 3, len(HEADER) + 2)]
    assert f"({reach:.4g} m)" in found.message
    assert seeing(0.5 + 0.001 * np.arange(161), robot) == []


def test_err_a_number_for_no_echo_beyond_the_reach():
    """One number beyond the reach, again and again, is asked for; as many others are false returns."""

    def among(*far):
        return seeing([*far, *(0.5 + 0.001 * i for i in range(161 - len(far)))], wren())

    (found,) = among(*[9.999] * 12, 20.0)
    assert found.code == "DG610"
    assert "13 of 161 readings lie beyond" in found.message
    assert "12 of them at 9.999 m exactly" in found.message
    assert "if that number stands for no echo, write none in its place" in found.suggestion
    assert among(*[9.999] * 9) == []
    assert among(*[9.999 + 0.001 * i for i in range(12)]) == []


def seeing(reading, robot):
    """Return what is said of a log whose left sensor, and front one, read the same in every row."""
    log = drive(ranges="0.5")
    column = replace(log.ranges["left"], reading_m=np.asarray(reading, dtype=float))
    return check_logs([replace(log, ranges={"left": column})], robot)


def wren():
    """Return a robot."""
    return load_single(ROOT / "routines" / "robots" / "wren.yaml", "robot").document.model


def test_err_zero_for_no_echo():
    """A number below what the sensor can measure, again and again; now and then is a false return."""
    rng = np.random.default_rng(1)
    sound = 0.5 + 0.2 * rng.random(161)
    (found,) = seeing(np.where(np.arange(161) % 4, sound, 0.0), wren())
    assert found.code == "DG610"
    assert "41 of 161 readings of the sensor left are 0 m exactly" in found.message
    assert "write none in its place" in found.suggestion
    assert seeing(np.where(np.arange(161) % 40, sound, 0.0), wren()) == []
    # Many that are short, and no one number: a sensor that a bumper is near to.
    assert seeing(np.where(np.arange(161) % 4, sound, 0.01 * rng.random(161)), wren()) == []


def test_err_one_number_whatever_the_robot_does():
    """The sensor's longest range, or its last reading, while the robot drives along the beam and turns."""
    rng = np.random.default_rng(2)
    sound = 0.5 + 0.2 * rng.random(161)
    part = np.arange(161) % 40 < 37
    (found,) = seeing(np.where(part, 2.0, sound), wren())
    assert found.code == "DG610"
    assert "are 2 m exactly, while the robot drove and turned" in found.message
    # To the last digit alike for three rows at a time, or while the robot goes along a wall beside it: fine.
    assert seeing(np.round(np.repeat(sound, 3)[:161], 3), wren()) == []
    assert seeing(np.where(np.arange(161) < 21, 0.5, sound), wren()) == []


def shuttle(signs=(1.0, 1.0, 1.0), name="run.csv", detours=2):
    """Return the log of a robot that mostly drives straight and turns half and whole turns.

    Twice, or so many `detours`, it turns to the left, drives 0.8 m and turns to the left again before it is
    measured, and as often it drives 0.8 m to the left. `signs` are of forward, sideways and heading.
    """
    straight, measure = (0.8, 0.0, 0.0), None
    detour = [(0.0, 0.0, 90.0), straight, (0.0, 0.0, 90.0), measure]
    legs = [measure, *[straight, measure] * 6, (0.0, 0.0, 720.0), measure]
    legs += [*detour, (0.0, 0.8, 0.0), measure, straight, measure] * detours
    rows, x, y, th, t = [], 0.0, 0.0, 0.0, 0.0
    for leg in legs:
        if leg is None:
            t += 0.05
            rows.append((t, 0.0, 0.0, signs[2] * math.degrees(th), x, y, math.degrees(th), "tape"))
            continue
        ahead, left, angle = leg
        for _ in range(40):
            t += 0.05
            x += (ahead * math.cos(th) - left * math.sin(th)) / 40.0
            y += (ahead * math.sin(th) + left * math.cos(th)) / 40.0
            th += math.radians(angle) / 40.0
            moved = signs[0] * ahead / 40.0, signs[1] * left / 40.0
            rows.append((t, *moved, signs[2] * math.degrees(th), "", "", "", ""))
    header = HEADER.replace("forward [m],", "forward [m],sideways [m],")
    lines = [header, *(",".join(str(cell) for cell in row) for row in rows)]
    return parsed("# driftgate log: 1\n# origin: measured\n" + "\n".join(lines) + "\n", name)


@pytest.mark.parametrize(("signs", "title"), [((1.0, 1.0, -1.0), "heading"), ((1.0, -1.0, 1.0), "sideways")])
@pytest.mark.parametrize("detours", [1, 2])
def test_err_a_sign_that_straights_and_half_turns_hide(signs, title, detours):
    """A column that counts the wrong way is named where the middle of all ways says nothing of it."""
    assert check_logs([shuttle(detours=detours), shuttle(name="b.csv", detours=detours)], None) == []
    logs = [shuttle(signs, name=name, detours=detours) for name in ("run.csv", "b.csv")]
    (found,) = check_logs(logs, None)
    header = HEADER.replace("forward [m],", "forward [m],sideways [m],")
    assert said([found]) == [("DG618", "run.csv", 3, header.index(title) + 1)]
    ways = "1 way" if detours == 1 else "2 ways"
    assert found.message.startswith(
        f"on {ways} between reference poses the robot went and turned as it would"
    )
    assert f"if '{title}' had the other sign" in found.message
    assert "(and so in 1 log more)" in found.message
    assert "change its sign" in found.suggestion


def test_law_one_log_of_another_sign_is_named_among_sound_ones():
    """It is the one that is wrong, and not the first; of one way alone no sign is told."""
    logs = [shuttle(name="a.csv"), shuttle((1.0, 1.0, -1.0), name="b.csv"), shuttle(name="c.csv")]
    assert [f.path for f in check_logs(logs, None)] == ["b.csv"]
    assert check_logs([shuttle((1.0, 1.0, -1.0), detours=1)], None) == []


def changed(log, reference=lambda x, y, h: (x, y, h), heading=1.0, wheels=lambda f, s: (f, s)):
    """Return a log with other numbers in its columns."""
    x, y, h = reference(*log.reference.T)
    forward, sideways = wheels(log.forward_m, log.sideways_m)
    return replace(
        log,
        reference=np.stack([x, y, h], axis=-1),
        heading_rad=heading * log.heading_rad,
        forward_m=forward,
        sideways_m=sideways,
    )


QUARTER = math.pi / 2
DEG = math.pi / 180.0


@pytest.mark.parametrize(
    ("change", "title", "words"),
    [
        ({"heading": DEG}, "heading", "'heading' holds radians: give it the title 'heading [rad]'"),
        ({"reference": lambda x, y, h: (x, y, DEG * h)}, "reference heading", "holds radians"),
        (
            {"reference": lambda x, y, h: (x, y, -h)},
            "reference heading",
            "'reference heading' counts clockwise",
        ),
        ({"reference": lambda x, y, h: (x, y, QUARTER - h)}, "reference heading", "as a compass does"),
        ({"reference": lambda x, y, h: (x, y, h - QUARTER)}, "reference heading", "add 90 deg"),
        ({"reference": lambda x, y, h: (y, x, h)}, "reference x", "exchange the titles"),
        ({"reference": lambda x, y, h: (x, -y, h)}, "reference y", "change its sign"),
        ({"wheels": lambda f, s: (np.cumsum(f), s)}, "forward", "holds the counter since the start"),
        ({"wheels": lambda f, s: (np.cumsum(f), np.cumsum(s))}, "forward", "holds the counter"),
    ],
)
def test_err_the_slip_that_makes_all_ways_agree_is_named(change, title, words):
    """At its own column, whichever disagreement showed; the mended log has nothing said of it."""
    log = drive(sides=7)
    (found,) = check_logs([changed(log, **change)], None)
    assert said([found]) == [("DG618", "run.csv", 3, at(title))]
    assert words in found.suggestion
    # A robot with one wheel that faces a quarter aside might as well roll on the other one.
    assert (" or, as likely" in found.suggestion) == ("90 deg" in words)


def test_err_wheels_exchanged_are_as_likely_as_another_axis():
    """Odometry and poses are the same in both: both are named."""
    log = shuttle()
    swapped = changed(log, wheels=lambda f, s: (s, f))
    (found,) = check_logs([swapped], None)
    assert found.code == "DG618"
    assert "exchange the titles 'forward' and 'sideways'" in found.suggestion
    turned = changed(log, wheels=lambda f, s: (-s, f))
    (found,) = check_logs([turned], None)
    assert "counts from another axis" in found.suggestion
    assert "or, as likely by these numbers, exchange the titles" in found.suggestion


def test_law_no_mend_is_named_that_does_not_mend():
    """A heading that turns by a third of the angle is none of the slips that are known."""
    (found,) = check_logs([drive(sides=7, heading=0.3)], None)
    assert "it seems" not in found.suggestion


def test_err_reference_poses_that_are_the_belief():
    """Typed in from the robot's own screen they make its odometry perfect; one apart was measured."""
    log = drive()
    copied = replace(log, believed=log.reference.copy())
    (found,) = check_logs([copied], None)
    assert said([found]) == [("DG618", "run.csv", 3, at("reference x"))]
    assert "are what the robot believed" in found.message
    believed = log.reference.copy()
    believed[np.flatnonzero(np.isfinite(believed[:, 0]))[2], 0] += 0.003
    assert check_logs([replace(log, believed=believed)], None) == []


def half(log, tick=1, believed=False):
    """Return a log with every second row of its odometry, one tick in each; perhaps with a belief."""
    keep = np.zeros(len(log.time_s), dtype=bool)
    keep[:: 1 + tick] = True
    keep |= np.isfinite(log.reference[:, 0])
    moved = np.where(keep, log.forward_m, 0.0)
    believed_pose = np.where(np.isfinite(log.reference), log.reference, np.nan) if believed else log.believed
    return replace(log, forward_m=moved, has_odometry=log.has_odometry & keep, believed=believed_pose + 1e-3)


@pytest.mark.parametrize(
    ("beside", "believed", "words"),
    [
        (
            True,
            False,
            "only every second row is in this log, with what one tick rolled: it has one each 0.1 s",
        ),
        (False, True, "the robot itself believed to come as far as it did, so that its wheel is right"),
        (False, False, "two things look like that: only every second row is in the log"),
    ],
)
def test_err_every_second_row_looks_like_half_a_wheel(beside, believed, words):
    """Another log's ticks tell, or what the robot believed; without either both are named."""
    log = half(drive(name="half.csv"), believed=believed)
    logs = [log, *([drive()] if beside else [])]
    (found,) = check_logs(logs, None)
    assert (found.code, found.path) == ("DG618", "half.csv")
    assert found.suggestion.startswith(words)
    assert "no factor mends it" in found.suggestion


def test_law_half_a_wheel_that_the_robot_believes_is_one():
    """What it believed came short as well: rows are not to blame alone."""
    log = drive(distance=0.5)
    believed = replace(log, believed=np.column_stack([0.5 * log.reference[:, :2], log.reference[:, 2]]))
    (found,) = check_logs([believed], None)
    assert found.suggestion.startswith("two things look like that")
    (found,) = check_logs([drive(distance=0.7)], None)
    assert "two things" not in found.suggestion


@pytest.mark.parametrize(
    ("corners", "later_s", "words"),
    [
        (
            (4,),
            9.0,
            "1 of 5 reference poses is from a time without odometry and left out: this one is of 16 s",
        ),
        ((2, 3, 4), 60.0, "3 of 5 reference poses are from a time without"),
        (
            (0, 1),
            -3.0,
            "1 of 5 reference poses is from a time without odometry and left out: this one is of -3 s",
        ),
    ],
)
def test_warn_poses_from_when_nothing_was_logged(corners, later_s, words):
    """A mistyped time, of one pose or from one on: named at its line, where the log ends or begins."""
    log = separately_typed(dict.fromkeys(corners, later_s))
    (found,) = check_logs([log], None)
    assert (found.code, found.level, found.path) == ("DG628", "warning", "poses.csv")
    assert found.line == 4 + (corners[0] if later_s < 0.0 else corners[-1])
    assert words in found.message
    assert check_logs([separately_typed({})], None) == []


def separately_typed(later_s):
    """Return a log whose poses stand in a file of their own, some of them with a wrong time."""
    corners = [(0.0, 0.0, 0.0, 0.0)]
    x = y = 0.0
    for side in range(4):
        x, y = x + SIDE_M * math.cos(side * math.pi / 2.0), y + SIDE_M * math.sin(side * math.pi / 2.0)
        corners.append((2.0 * side + 1.0, x, y, 90.0 * side))
    # The turn after corner 4 nobody measured.
    lines = [
        f"{t + later_s.get(i, 0.0)},{px},{py},{heading},tape"
        for i, (t, px, py, heading) in enumerate(corners)
    ]
    title = "time [s],reference x [m],reference y [m],reference heading [deg],reference by"
    typed = "\n".join(["# driftgate log: 1", "# origin: measured", title, *lines]) + "\n"
    return parsed(drive_text(drop=("reference",)), "run.csv", typed, "poses.csv")
