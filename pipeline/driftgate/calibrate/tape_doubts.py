"""What speaks against a tape sheet: it contradicts itself, or most likely holds a slip.

A sheet whose numbers cannot have come about as it says is *recognised*: nothing is handed out from it.
What chance or an unusual robot might explain is a *suspicion*, which goes with the numbers wherever they go.

What does not show: lengths ahead and to the left exchanged in every drive (the two errors then change
places), tape and robot exchanged in the straights alone, a unit that is wrong everywhere by little. A second
pass shows those (`tape_after`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Final

import numpy as np

from driftgate.calibrate.doubts import SURE, SUSPECTED, Doubt
from driftgate.calibrate.outliers import outlier, outlier_of_line
from driftgate.calibrate.resolution import rounding
from driftgate.calibrate.square import SquareResult
from driftgate.calibrate.tape import TapeResult
from driftgate.calibrate.tape_copies import Drives, square_copies, straight_copies
from driftgate.core.pose import FloatArray
from driftgate.plan.profile import rest_to_rest
from driftgate.schema.robot import Limits
from driftgate.schema.tape import Square, TapeSheet

# The robot drives back to where it believes the spot to be. If it says of itself that it ended further off
# than the tape says, by this factor, the columns may be exchanged. No more than may: a robot whose turns stop
# short by its own gyro, tuned until the square closes, knows of itself that it ends off the spot.
_MAYBE_EXCHANGED: Final = 1.5
# Less than this a tape does not show. [m]
_LEAST_M: Final = 0.003
# An end that would fit with its sign turned, the commonest slip, needs less to be suspected of it.
_EXPLAINED: Final = 0.95
# And fits if without the slip it lies this much nearer to the others.
_FITS: Final = 1.0 / 3.0
# Beyond these an error is larger than is usual even of robots that nobody calibrated (our choice; of their
# ends, 2 % of the way are published). [1, 1, rad/s, 1]
_MOST_OF_WAY: Final = 0.05
_MOST_GYRO_SCALE: Final = 0.03
_MOST_GYRO_BIAS: Final = math.radians(2.0)
_MOST_DISTANCE_SCALE: Final = 0.05
# A count of ends that lie off by so much of what the two errors make is no matter of a rough floor.
_MOST_ACROSS: Final = 0.5
# Nor one of a mark that is some millimetres beside the point that was measured. [m]
_MISPLACED_M: Final = 0.02


def tape_doubts(sheet: TapeSheet, result: TapeResult, fastest_s: float | None) -> tuple[Doubt, ...]:
    """Return what speaks against a sheet, worst first.

    Parameters
    ----------
    sheet, result
        What was measured, and what it shows.
    fastest_s : float or None
        What the robot takes for the square at its limits, if its file is at hand. [s]
    """
    found: list[Doubt] = []
    if sheet.square is not None and result.square is not None:
        found += _square_doubts(sheet.square, result, result.square, fastest_s)
    if sheet.straights is not None:
        found += _straight_doubts(sheet, result)
    return tuple(sorted(found, key=lambda doubt: not doubt.sure))


def _square_doubts(
    square: Square, result: TapeResult, shown: SquareResult, fastest_s: float | None
) -> Iterator[Doubt]:
    ends = {way: _ends(square, way) for way in ("right", "left")}
    copies = list(square_copies(ends))
    yield from copies
    if any(doubt.sure for doubt in copies):
        return
    yield from _exchanged(ends, shown)
    yield from _pattern(shown)
    yield from _apart(ends)
    yield from _unusual(square, result, shown)
    if square.lap_time is not None and fastest_s is not None and square.lap_time < fastest_s:
        yield Doubt(
            ("square", "lap_time"),
            "square",
            f"the robot needs {fastest_s:.3g} s for this square at its limits, and the sheet says "
            f"{square.lap_time:.3g} s",
            "'lap_time' is that of a whole drive, four sides and four turns; 'side' is one side",
            "faster than the robot can drive",
            sure=True,
        )


def fastest_lap(side_m: float, limits: Limits) -> float:
    """Return the time that four sides and four turns take at the robot's limits, without any rest. [s]"""
    side = rest_to_rest(side_m, limits.speed, limits.acceleration)
    turn = rest_to_rest(0.5 * math.pi, limits.turn_rate, limits.turn_acceleration)
    return 4.0 * (side.duration_s + turn.duration_s)


def _ends(square: Square, way: str) -> tuple[FloatArray, FloatArray]:
    runs = square.right if way == "right" else square.left
    return np.array([run.tape for run in runs]), np.array([run.robot for run in runs])


def _exchanged(ends: Drives, shown: SquareResult) -> Iterator[Doubt]:
    """Yield the doubt that tape and robot are exchanged in the ends."""
    by_tape, by_robot = (
        math.sqrt(sum(float(np.sum(pair[k].mean(axis=0) ** 2)) for pair in ends.values()) / 2) for k in (0, 1)
    )
    if by_robot < max(_LEAST_M, shown.noise_m) or by_robot < _MAYBE_EXCHANGED * by_tape:
        return
    yield Doubt(
        ("square", "right"),
        "square",
        f"the robot says of itself that it ended {_mm(by_robot)} off the spot, the tape says "
        f"{_mm(by_tape)}; most robots drive back to where they believe the spot to be, and end off it by "
        "tape",
        "if they are the wrong way round, exchange 'tape' and 'robot' in every drive. If the robot's turns "
        "stop short by its own gyro, or were tuned until the square closed, the sheet is right as it stands. "
        "(If somebody put the robot back on the spot: that is another measurement, let it drive back by "
        "itself)",
        "tape and robot exchanged?",
    )


def _pattern(shown: SquareResult) -> Iterator[Doubt]:
    broken = [way for way, lie in shown.pattern.items() if lie.broken(SUSPECTED)]
    if not broken:
        return
    both = len(broken) == 2
    sure = [way for way in broken if shown.pattern[way].broken(SURE)]
    across_m = max((abs(shown.pattern[way].across_m.value) for way in sure), default=0.0)
    far = across_m > _MISPLACED_M
    ways = " and ".join(broken)
    means = {"right": shown.right.mean_m, "left": shown.left.mean_m}
    sizes = ", ".join(f"{way}: {_mm(means[way][0])} ahead, {_mm(means[way][1])} left" for way in broken)
    rule = "right-hand drives end as far ahead as left, left-hand ones as far ahead as right"
    dx, dy = _shift(shown)
    spot = f"all ends would fit if they were measured {_mm(dx)} too far ahead and {_mm(dy)} too far left"
    if all(shown.pattern[way].mirrored(SUSPECTED) for way in broken):
        signs = "ahead and left are positive, behind and right negative"
        advice = (
            "either the drives under 'right' turned left and those under 'left' right: exchange the two "
            f"lists (right is clockwise from above); or one axis is counted the wrong way: {signs}"
        )
        if not both:
            advice = (
                f"look under '{broken[0]}': {signs}; did these drives turn the way the list says? Was it "
                f"measured from the spot, under the same point of the robot ({spot})?"
            )
        message = f"the ends lie as in a mirror ({sizes}): {rule}"
        yield Doubt(("square", broken[0]), "square", message, advice, "ends lie as in a mirror", far)
        return
    along = max(abs(lie.along_m.value) for lie in shown.pattern.values())
    yield Doubt(
        ("square", broken[0]),
        "square",
        f"drives to the {ways} do not end where errors of heading would put them ({sizes}): {rule}",
        f"measured from the spot itself, under the same point of the robot before and after ({spot})? "
        "Signs? Else wheels that slip, or a floor that slopes",
        "ends do not fit errors of heading",
        far and across_m > _MOST_ACROSS * along,
    )


def _shift(shown: SquareResult) -> tuple[float, float]:
    """Return by what shift of all ends they would lie as the two errors would have them. [m]"""
    right, left = (shown.pattern[way].across_m.value for way in ("right", "left"))
    return 0.5 * (right + left), 0.5 * (left - right)


def _apart(ends: Drives) -> Iterator[Doubt]:
    """Yield the drive that lies apart from the others of its way round."""
    # In a mirror, both ways have one scatter.
    mirror = {"right": np.array([1.0, 1.0]), "left": np.array([1.0, -1.0])}
    errors = {way: tape - robot for way, (tape, robot) in ends.items()}
    groups = [errors[way] * mirror[way] for way in ("right", "left")]
    floor = rounding(*(np.vstack([pair[k] for pair in ends.values()]) for k in (0, 1)))
    # Both numbers of an end together, and each by itself: a slip of the pen touches one of them, where it
    # shows better than among two.
    tests = [outlier(part, floor) for part in (groups, *([g[:, k : k + 1] for g in groups] for k in (0, 1)))]
    known = [found for found in tests if found is not None]
    if not known:
        return
    worst = min(known, key=lambda found: found[2])
    chance = len(tests) * worst[2]
    if chance > 1.0 - _EXPLAINED:
        return
    way, i = ("right", "left")[worst[0]], worst[1]
    rest = np.delete(errors[way], i, axis=0)
    off = errors[way][i] - rest.mean(axis=0)
    distance = float(np.hypot(*off))
    tape, robot = ends[way][0][i], ends[way][1][i]
    other = "left" if way == "right" else "right"
    advice = "was the robot bumped, or did a wheel slip? Drive it anew, or take the line out"
    flipped = ("'ahead' counted the other way", "'to the left' counted the other way")
    explained = None
    for words, end, target in (
        ("tape and robot exchanged", robot - tape, rest),
        (flipped[0], tape * (-1.0, 1.0) - robot, rest),
        (flipped[1], tape * (1.0, -1.0) - robot, rest),
        ("ahead and left exchanged", tape[::-1] - robot, rest),
        ("mm in place of cm", 0.1 * tape - robot, rest),
        ("cm in place of mm", 10.0 * tape - robot, rest),
        (f"the drives that turned {other}", tape - robot, errors[other]),
    ):
        if np.hypot(*(end - target.mean(axis=0))) < _FITS * distance:
            explained = words
            advice = f"it would fit with {words}; else drive it anew, or take the line out"
            break
    if chance > 1.0 - (_EXPLAINED if explained in flipped else SUSPECTED):
        return
    yield Doubt(
        ("square", way, i),
        "square",
        f"drive {i + 1} to the {way} ended {_mm(distance)} from where the others to the {way} did",
        advice,
        f"drive {i + 1} to the {way} lies apart",
    )


def _unusual(square: Square, result: TapeResult, shown: SquareResult) -> Iterator[Doubt]:
    too_much = []
    if shown.largest_m > _MOST_OF_WAY * 4.0 * square.side:
        too_much.append(f"ends {_mm(shown.largest_m)} off after {4.0 * square.side:.3g} m")
    if result.gyro is not None:
        if abs(result.gyro.scale.value) > _MOST_GYRO_SCALE:
            too_much.append(f"a heading scale of {100.0 * result.gyro.scale.value:.2g} %")
        if abs(result.gyro.bias.value) > _MOST_GYRO_BIAS:
            too_much.append(f"a gyro that drifts {math.degrees(result.gyro.bias.value):.2g} deg/s")
    if too_much:
        yield Doubt(
            ("square", "side"),
            "square",
            f"{' and '.join(too_much)}: far more than is usual, even of robots that nobody calibrated",
            "a slip of a unit (cm, mm), in the side or in all ends? 'lap_time' of one whole drive?",
            "far larger than usual",
        )


def _straight_doubts(sheet: TapeSheet, result: TapeResult) -> Iterator[Doubt]:
    straights, distance = sheet.straights, result.distance
    assert straights is not None
    assert distance is not None
    yield from straight_copies(straights)
    tape, robot = (np.array([getattr(s, by) for s in straights]) for by in ("tape", "robot"))
    # What is wrong may go with the length, as a wheel that slips, or not, as a tape at an angle: a straight
    # lies apart that does so either way, and so in all that is between.
    floor = rounding(tape, robot)
    tests = [
        outlier_of_line(np.ones_like(tape), robot / tape - 1.0, floor / float(tape.min())),
        outlier_of_line(tape, robot - tape, floor),
    ]
    known = {found[0] for found in tests if found is not None}
    chance = max(1.0 if found is None else found[1] for found in tests)
    if len(known) == 1 and chance <= 1.0 - SUSPECTED:
        i = known.pop()
        rest = np.delete(robot / tape - 1.0, i).mean()
        away = abs(robot[i] - tape[i] * (1.0 + rest))
        yield Doubt(
            ("straights", i),
            "straights",
            f"straight {i + 1} lies {_mm(away)} from what the others say",
            "a digit, or a wheel that slipped? Drive it anew, or take the line out",
            f"straight {i + 1} lies apart",
        )
    if abs(distance.scale.value) > _MOST_DISTANCE_SCALE:
        more = "more" if distance.scale.value > 0.0 else "less"
        yield Doubt(
            ("straights", 0),
            "straights",
            f"the robot counts {100.0 * abs(distance.scale.value):.2g} % {more} than the tape says: far "
            "more than is usual",
            "measured under the same point of the robot before and after? The wheel's diameter in the code?",
            "far larger than usual",
        )


def _mm(length_m: float) -> str:
    size = 1e3 * length_m
    return f"{size:.0f} mm" if abs(size) >= 10.0 else f"{size:.1f} mm"
