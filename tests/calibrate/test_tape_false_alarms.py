"""Honest sheets are not refused, and doubted no more often than is said: made sheets, counted."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from driftgate.calibrate.doubts import Doubt
from driftgate.calibrate.outliers import outlier, outlier_of_line
from driftgate.calibrate.resolution import resolution, rounding
from driftgate.calibrate.tape import TapeResult, tape_result
from driftgate.calibrate.tape_after import after_doubts
from driftgate.calibrate.tape_doubts import tape_doubts
from driftgate.schema.tape import Square, SquareEnd, Straight, TapeSheet

Drive = Callable[[bool], tuple[complex, complex]]
_SIDE_M = 1.5


def sheet(square: Square | None, straights: list[Straight] | None) -> TapeSheet:
    """Return a sheet of a gyro robot."""
    return TapeSheet.model_construct(
        kind="tape sheet", format=1, title="Made", heading_from="gyro", square=square, straights=straights
    )


def square(drive: Drive, drives: int, read_m: float) -> Square:
    """Return square drives, by tape and robot as `drive` has them, read to so much."""

    def end(place: complex) -> tuple[float, float]:
        x, y = (round(p / read_m) * read_m for p in (place.real, place.imag))
        return x, y

    ends: dict[str, list[SquareEnd]] = {"right": [], "left": []}
    for way, listed in ends.items():
        for _ in range(drives):
            tape, robot = drive(way == "left")
            listed.append(SquareEnd.model_construct(tape=end(tape), robot=end(robot)))
    return Square.model_construct(side=_SIDE_M, lap_time=16.0, **ends)


def straights(tape_m: np.ndarray, robot_m: np.ndarray, read_m: float) -> list[Straight]:
    """Return straights, read to so much."""
    tape, robot = (np.round(np.round(m / read_m) * read_m, 9) for m in (tape_m, robot_m))
    return [Straight.model_construct(tape=float(t), robot=float(r)) for t, r in zip(tape, robot, strict=True)]


def result(made: TapeSheet) -> TapeResult:
    """Return what a sheet shows."""
    return tape_result(made, 0.95, corrected=False)


def doubts(made: TapeSheet) -> tuple[Doubt, ...]:
    """Return what speaks against a sheet."""
    return tape_doubts(made, result(made), None)


def turning(
    rng: np.random.Generator, scale: float, short_rad: float = 0.0, walk_rad: float = 0.0015
) -> Drive:
    """Return a robot with a wrong gyro, whose turns stop short by it; exact, with a walk at the corners."""

    def drive(left: bool) -> tuple[complex, complex]:
        true = believed = 0.0
        tape = robot = 0j
        for _ in range(4):
            tape += _SIDE_M * np.exp(1j * true)
            robot += _SIDE_M * np.exp(1j * believed)
            turn = (1.0 if left else -1.0) * (math.pi / 2 - short_rad)
            believed += turn
            true += turn / (1.0 + scale) + walk_rad * rng.standard_normal()
        return tape, robot

    return drive


def near(rng: np.random.Generator, error_m: float, stop_m: float) -> Drive:
    """Return a robot that is corrected: it stops near the spot, and is wrong by little."""

    def drive(left: bool) -> tuple[complex, complex]:
        robot = stop_m * complex(*rng.standard_normal(2))
        return robot + error_m * complex(*rng.standard_normal(2)), robot

    return drive


@pytest.mark.parametrize("drives", [3, 5])
@pytest.mark.parametrize("true_errors", [0.0, 3.0, 5.0])
def test_mc_a_correction_entered_as_found_is_not_refused(drives: int, true_errors: float):
    """Of 400 pairs of passes, true errors of so many standard errors: none refused, at most 2 % suspected.

    That what is really left is the error of the first pass is in the second pass: both scatter.
    """
    rng = np.random.default_rng(20240614)
    sd, spread = 0.008, 0.002
    error = math.sqrt(2.0 / drives) * math.sqrt(2.0) * sd / (8.0 * _SIDE_M) * true_errors
    scale = spread / math.sqrt(drives) * true_errors

    def passed(alpha: float, beta: float, scale: float) -> TapeResult:
        def drive(left: bool) -> tuple[complex, complex]:
            off = -2.0 * _SIDE_M * (alpha + (-beta if left else beta))
            place = complex(off, -off if left else off)
            return place + sd * complex(*rng.standard_normal(2)), 0j

        tape = np.full(drives, 2.0)
        robot = tape * (1.0 + scale + spread * rng.standard_normal(drives))
        return result(sheet(square(drive, drives, 1e-6), straights(tape, robot, 1e-6)))

    suspected = 0
    for _ in range(400):
        first = passed(error, error, scale)
        assert first.square is not None
        assert first.distance is not None
        found = (first.square.alpha_rad.value, first.square.beta_rad.value, first.distance.scale.value)
        left = (error - found[0], error - found[1], (1.0 + scale) / (1.0 + found[2]) - 1.0)
        spoken = after_doubts(first, passed(*left), 0.95)
        assert not [doubt for doubt in spoken if doubt.sure]
        suspected += bool(spoken)
    assert suspected <= 8


@pytest.mark.parametrize(("short_deg", "gyro_deg"), [(1.0, 1.0), (0.5, 0.5), (1.0, 0.6)])
def test_mc_a_turn_tuned_until_the_square_closes_is_not_refused(short_deg: float, gyro_deg: float):
    """The believed end then lies in the pattern of heading errors, and further off than the real one."""
    rng = np.random.default_rng(20240615)
    scale = -math.radians(gyro_deg) / (math.pi / 2)
    for _ in range(60):
        found = doubts(sheet(square(turning(rng, scale, math.radians(short_deg)), 5, 0.001), None))
        assert not [doubt for doubt in found if doubt.sure]
        assert "tape and robot exchanged?" in [doubt.short for doubt in found]


@pytest.mark.parametrize("drives", [2, 3, 5])
@pytest.mark.parametrize(("read_m", "error_m"), [(0.01, 0.003), (0.01, 0.006), (0.001, 0.0005)])
def test_mc_a_coarse_tape_contradicts_nothing(drives: int, read_m: float, error_m: float):
    """Of 150 sheets whose ends scatter less than the tape shows, none is refused.

    Nor is any drive said to lie apart, or not to fit, more often than once in a hundred.
    """
    rng = np.random.default_rng(20240616)
    spoken = []
    for _ in range(150):
        spoken += doubts(sheet(square(near(rng, error_m, 0.003), drives, read_m), None))
    assert not [doubt for doubt in spoken if doubt.sure]
    assert len([doubt for doubt in spoken if "apart" in doubt.short or "ends" in doubt.short]) <= 4


@pytest.mark.parametrize(("lengths", "read_m"), [((2.0, 2.0), 0.01), ((1.0, 1.0, 1.0), 0.001)])
def test_mc_straights_as_the_tape_shows_them_are_no_copy(lengths: tuple[float, ...], read_m: float):
    """Corrected robots whose tape and count read alike are sound, and not perfect."""
    rng = np.random.default_rng(20240617)
    robot, same = np.array(lengths), 0
    for _ in range(200):
        made = sheet(None, straights(robot + 0.0004 * rng.standard_normal(len(robot)), robot, read_m))
        shown = result(made)
        assert shown.distance is not None
        assert shown.distance.spread.value > 1e-4
        found = doubts(made)
        assert not [doubt for doubt in found if doubt.sure or "copy" in doubt.message]
        same += all(s.tape == s.robot for s in made.straights or ())
    assert same > 20


@pytest.mark.parametrize(
    "lengths", [(0.5, 0.5, 4.0, 4.0, 4.0, 4.0), (0.5, 3.0, 3.0, 3.0, 3.0, 3.0), (0.5, 0.5, 0.5, 0.5, 4.0)]
)
@pytest.mark.parametrize("power", [0.0, 0.5, 1.0])
def test_mc_straights_of_different_length_do_not_lie_apart(lengths: tuple[float, ...], power: float):
    """Whether errors go with the length or not, at most about 1 % have one that lies apart, of 800."""
    rng = np.random.default_rng(20240618)
    tape = np.array(lengths)
    apart = 0
    for _ in range(800):
        robot = tape * 1.01 + 0.002 * tape**power * rng.standard_normal(len(tape))
        apart += bool(doubts(sheet(None, straights(tape, robot, 1e-6))))
    assert apart <= 8 + 9


@pytest.mark.parametrize("drives", [2, 3, 5])
def test_mc_a_robot_without_systematic_errors_lies_in_no_mirror(drives: int):
    """Of 1000 sheets of scatter alone, by heading more than by stopping: at most 2 refused, 2 % doubted."""
    rng = np.random.default_rng(20240619)
    found = [
        doubts(sheet(square(turning(rng, 0.0, walk_rad=0.004), drives, 0.0001), None)) for _ in range(500)
    ]
    found += [doubts(sheet(square(near(rng, 0.008, 0.005), drives, 0.001), None)) for _ in range(500)]
    assert sum(any(doubt.sure for doubt in spoken) for spoken in found) <= 2
    assert sum(bool(spoken) for spoken in found) <= 20


def test_mc_two_equal_errors_are_no_broken_pattern():
    """With alpha = beta one way ends at the spot to first order; what is left there is of second order."""
    rng = np.random.default_rng(20240620)
    error = math.radians(1.2)

    def drive(left: bool) -> tuple[complex, complex]:
        true, tape = 0.0, 0j
        for _ in range(4):
            # A side that bends by beta is a chord at half of it.
            bend = error
            tape += _SIDE_M * np.exp(1j * (true + bend / 2)) * math.sin(bend / 2) / (bend / 2)
            true += bend + (1.0 if left else -1.0) * (math.pi / 2 - error)
        return tape + 0.002 * complex(*rng.standard_normal(2)), 0j

    spoken = [doubt for _ in range(100) for doubt in doubts(sheet(square(drive, 5, 0.001), None))]
    assert not [doubt for doubt in spoken if "ends" in doubt.short]


@pytest.mark.parametrize("read_m", [0.01, 0.001, 0.0005, 0.0254 / 16])
def test_law_resolution_is_the_divisor_of_the_readings(read_m: float):
    """Centimetres, millimetres, half ones and sixteenths of an inch are found again, of either sign."""
    counts = np.array([[3, -7], [4, 11], [0, 6]])
    assert resolution(counts * read_m) == pytest.approx(read_m, rel=1e-3)


def test_law_readings_that_do_not_show_it_are_as_the_other_column():
    """One length, zeros, or lengths as commanded show no resolution; a divisor beyond 1 cm is chance."""
    zeros, fine = np.zeros(5), np.array([0.003, 0.004, -0.001])
    assert resolution(zeros, 0.01) == 0.01
    assert resolution(np.array([0.03, 0.06])) == pytest.approx(0.01)
    assert resolution(np.array([1.0, 1.5, 3.0]), 0.002) == 0.002
    assert rounding(fine, zeros) == pytest.approx(0.001 * math.sqrt(2 / 12), rel=1e-6)
    assert rounding(zeros, 10 * fine) == pytest.approx(0.01 * math.sqrt(2 / 12), rel=1e-6)


def test_law_of_one_length_a_line_is_a_mean():
    """For equal lengths the outlier about a line through zero is that about the mean."""
    y = np.random.default_rng(4).standard_normal(6)
    found, known = outlier_of_line(np.full(6, 2.5), y), outlier([y[:, None]])
    assert found is not None
    assert known is not None
    assert found == (known[1], pytest.approx(known[2], rel=1e-9))


def test_law_a_long_straight_with_a_slip_lies_apart():
    """A digit wrong in a long straight among short ones is named, by either weight."""
    tape = np.array([1.0, 1.5, 2.0, 2.5, 3.0, 3.0])
    robot = 1.01 * tape + 0.001 * np.array([1.0, -1.0, 0.5, -0.5, 0.2, 60.0])
    assert [doubt.place for doubt in doubts(sheet(None, straights(tape, robot, 0.001)))] == [("straights", 5)]


def test_law_a_mark_some_millimetres_off_is_not_refused():
    """After a correction little lies along; what a mark beside the spot moves across is no contradiction."""
    rng = np.random.default_rng(20240621)

    def drive(left: bool) -> tuple[complex, complex]:
        return complex(0.006, -0.004) + 0.001 * complex(*rng.standard_normal(2)), 0j

    found = doubts(sheet(square(drive, 5, 0.001), None))
    assert found
    assert not [doubt for doubt in found if doubt.sure]
