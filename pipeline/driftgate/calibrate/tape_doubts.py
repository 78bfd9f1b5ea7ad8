"""What speaks against a tape sheet: it contradicts itself, or most likely holds a slip.

A sheet whose numbers cannot have come about as it says is *recognised*: nothing is handed out from it.
What chance or an unusual robot might explain is a *suspicion*, which goes with the numbers wherever they go.

What does not show: lengths ahead and to the left exchanged in every drive (the two errors then change
places), tape and robot exchanged in the straights alone, a unit that is wrong everywhere by little. A second
pass shows those (`tape_after`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from driftgate.calibrate.found import FoundSource
from driftgate.calibrate.outliers import outlier
from driftgate.calibrate.square import SquareResult
from driftgate.calibrate.tape import TapeResult
from driftgate.core.findings import DocPath
from driftgate.core.pose import FloatArray
from driftgate.plan.profile import rest_to_rest
from driftgate.schema.robot import Limits
from driftgate.schema.tape import Square, TapeSheet

# Confidence at which a contradiction is recognised, and at which it is suspected.
_SURE: Final = 0.999
_SUSPECTED: Final = 0.99
# The robot drives back to where it believes the spot to be. If it says of itself that it ended further off
# than the tape says, by these factors, the columns are exchanged. A robot that always rolls on past its last
# stop stays below 1.41: what it rolls lies along one axis, what its heading makes along both alike.
_EXCHANGED: Final = 2.0
_MAYBE_EXCHANGED: Final = 1.5
# Less than this a tape does not show. [m]
_LEAST_M: Final = 0.003
# Two readings rounded to a millimetre: the standard deviation of their difference. [m]
_ROUNDED_M: Final = 0.001 * math.sqrt(2.0 / 12.0)
# Beyond these an error is larger than is usual even of robots that nobody calibrated (our choice; of their
# ends, 2 % of the way are published). [1, 1, rad/s, 1]
_MOST_OF_WAY: Final = 0.05
_MOST_GYRO_SCALE: Final = 0.03
_MOST_GYRO_BIAS: Final = math.radians(2.0)
_MOST_DISTANCE_SCALE: Final = 0.05
# A count of ends that lie off by so much of what the two errors make is no matter of a rough floor.
_MOST_ACROSS: Final = 0.5

About = Literal["square", "straights"]


@dataclass(frozen=True)
class Doubt:
    """Something that speaks against a sheet.

    Attributes
    ----------
    place : tuple
        Where in the sheet.
    about : {"square", "straights"}
        Which numbers it touches.
    message : str
        What is wrong.
    advice : str
        What to look for, or to change.
    short : str
        A few words that go with the numbers.
    sure : bool
        Whether the sheet contradicts itself, so that nothing may be handed out.
    """

    place: DocPath
    about: About
    message: str
    advice: str
    short: str
    sure: bool = False


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
    if all(np.array_equal(tape, robot) for tape, robot in ends.values()):
        yield Doubt(
            ("square", "right"),
            "square",
            "tape and robot say the same in every drive, to the last digit: one is a copy of the other",
            "write the ends as the tape has them under 'tape'",
            "tape and robot the same in every drive",
            sure=True,
        )
        return
    if np.array_equal(np.hstack(ends["right"]), np.hstack(ends["left"])):
        message = "the lists 'right' and 'left' are the same: one is a copy of the other"
        advice = "write down the drives that turned left under 'left'"
        yield Doubt(("square", "left"), "square", message, advice, "right and left the same", sure=True)
        return
    exchanged = _exchanged(ends, shown)
    if exchanged is not None:
        yield exchanged
    else:
        yield from _pattern(shown)
    yield from _apart(ends)
    yield from _copied(ends)
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


def _exchanged(ends: dict[str, tuple[FloatArray, FloatArray]], shown: SquareResult) -> Doubt | None:
    """Return the doubt that tape and robot are exchanged in the ends."""
    by_tape, by_robot = (
        math.sqrt(sum(float(np.sum(pair[k].mean(axis=0) ** 2)) for pair in ends.values()) / 2) for k in (0, 1)
    )
    if by_robot < max(_LEAST_M, shown.noise_m) or by_robot < _MAYBE_EXCHANGED * by_tape:
        return None
    sure = by_robot > _EXCHANGED * by_tape and by_robot - by_tape > shown.noise_m
    return Doubt(
        ("square", "right"),
        "square",
        f"the robot says of itself that it ended {_mm(by_robot)} off the spot, the tape says "
        f"{_mm(by_tape)}; but "
        "a robot drives back to where it believes the spot to be",
        "exchange 'tape' and 'robot' in every drive. (If somebody put the robot back on the spot: that is "
        "another "
        "measurement, let it drive back by itself)",
        "tape and robot exchanged?",
        sure,
    )


def _pattern(shown: SquareResult) -> Iterator[Doubt]:
    broken = [way for way, lie in shown.pattern.items() if lie.broken(_SUSPECTED)]
    if not broken:
        return
    both = len(broken) == 2
    sure = [way for way in broken if shown.pattern[way].broken(_SURE)]
    ways = " and ".join(broken)
    means = {"right": shown.right.mean_m, "left": shown.left.mean_m}
    sizes = ", ".join(f"{way}: {_mm(means[way][0])} ahead, {_mm(means[way][1])} left" for way in broken)
    rule = "right-hand drives end as far ahead as left, left-hand ones as far ahead as right"
    dx, dy = _shift(shown)
    spot = f"all ends would fit if they were measured {_mm(dx)} too far ahead and {_mm(dy)} too far left"
    if all(shown.pattern[way].mirrored(_SUSPECTED) for way in broken):
        signs = "ahead and left are positive, behind and right negative"
        advice = (
            "either the drives under 'right' turned left and those under 'left' right: exchange the two "
            "lists "
            f"(right is clockwise from above); or one axis is counted the wrong way: {signs}"
        )
        if not both:
            advice = (
                f"look under '{broken[0]}': {signs}; did these drives turn the way the list says? Was it "
                "measured from "
                f"the spot, under the same point of the robot ({spot})?"
            )
        message = f"the ends lie as in a mirror ({sizes}): {rule}"
        yield Doubt(
            ("square", broken[0]), "square", message, advice, "ends lie as in a mirror", both or bool(sure)
        )
        return
    across = {way: abs(shown.pattern[way].across_m.value) for way in sure}
    along = max(abs(lie.along_m.value) for lie in shown.pattern.values())
    yield Doubt(
        ("square", broken[0]),
        "square",
        f"drives to the {ways} do not end where errors of heading would put them ({sizes}): {rule}",
        f"measured from the spot itself, under the same point of the robot before and after ({spot})? "
        "Signs? Else "
        "wheels that slip, or a floor that slopes",
        "ends do not fit errors of heading",
        bool(across) and max(across.values()) > _MOST_ACROSS * along,
    )


def _shift(shown: SquareResult) -> tuple[float, float]:
    """Return by what shift of all ends they would lie as the two errors would have them. [m]"""
    right, left = (shown.pattern[way].across_m.value for way in ("right", "left"))
    return 0.5 * (right + left), 0.5 * (left - right)


def _apart(ends: dict[str, tuple[FloatArray, FloatArray]]) -> Iterator[Doubt]:
    """Yield the drive that lies apart from the others of its way round."""
    # In a mirror, both ways have one scatter.
    mirror = {"right": np.array([1.0, 1.0]), "left": np.array([1.0, -1.0])}
    errors = {way: tape - robot for way, (tape, robot) in ends.items()}
    worst = outlier([errors[way] * mirror[way] for way in ("right", "left")], _ROUNDED_M)
    if worst is None or worst[2] > 1.0 - _SUSPECTED:
        return
    way, i = ("right", "left")[worst[0]], worst[1]
    rest = np.delete(errors[way], i, axis=0)
    off = errors[way][i] - rest.mean(axis=0)
    distance = float(np.hypot(*off))
    tape, robot = ends[way][0][i], ends[way][1][i]
    other = "left" if way == "right" else "right"
    advice = "was the robot bumped, or did a wheel slip? Drive it anew, or take the line out"
    for words, end, target in (
        ("tape and robot exchanged", robot - tape, rest),
        ("'ahead' counted the other way", tape * (-1.0, 1.0) - robot, rest),
        ("'to the left' counted the other way", tape * (1.0, -1.0) - robot, rest),
        ("ahead and left exchanged", tape[::-1] - robot, rest),
        ("mm in place of cm", 0.1 * tape - robot, rest),
        ("cm in place of mm", 10.0 * tape - robot, rest),
        (f"the drives that turned {other}", tape - robot, errors[other]),
    ):
        if np.hypot(*(end - target.mean(axis=0))) < 0.25 * distance:
            advice = f"it would fit with {words}; else drive it anew, or take the line out"
            break
    yield Doubt(
        ("square", way, i),
        "square",
        f"drive {i + 1} to the {way} ended {_mm(distance)} from where the others to the {way} did",
        advice,
        f"drive {i + 1} to the {way} lies apart",
    )


def _copied(ends: dict[str, tuple[FloatArray, FloatArray]]) -> Iterator[Doubt]:
    for way, (tape, robot) in ends.items():
        if np.ptp(tape, axis=0).max() == 0.0 and np.ptp(robot, axis=0).max() == 0.0:
            yield Doubt(
                ("square", way),
                "square",
                f"all drives to the {way} ended at the same point, to the last digit",
                "was one copied, or measured too coarsely? Without scatter nobody knows how good the means "
                "are",
                f"no scatter in the drives to the {way}",
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
    if all(s.tape == s.robot for s in straights):
        yield Doubt(
            ("straights", 0),
            "straights",
            "tape and robot say the same in every straight, to the last digit: one is a copy of the other",
            "write the length along the tape under 'tape'",
            "tape and robot the same in every straight",
            sure=True,
        )
        return
    scales = np.array([[s.robot / s.tape - 1.0] for s in straights])
    worst = outlier([scales], _ROUNDED_M / float(np.mean([s.tape for s in straights])))
    if worst is not None and worst[2] <= 1.0 - _SUSPECTED:
        i = worst[1]
        rest = np.delete(scales[:, 0], i).mean()
        away = abs(straights[i].robot - straights[i].tape * (1.0 + rest))
        yield Doubt(
            ("straights", i),
            "straights",
            f"straight {i + 1} lies {_mm(away)} from what the others say",
            "a digit, or a wheel that slipped? Drive it anew, or take the line out",
            f"straight {i + 1} lies apart",
        )
    if distance.spread.value == 0.0 and len(straights) > 2:
        yield Doubt(
            ("straights", 0),
            "straights",
            "all straights are the same, to the last digit",
            "was one copied? Without scatter nobody knows how good the mean is",
            "no scatter in the straights",
        )
    if abs(distance.scale.value) > _MOST_DISTANCE_SCALE:
        more = "more" if distance.scale.value > 0.0 else "less"
        yield Doubt(
            ("straights", 0),
            "straights",
            f"the robot counts {100.0 * abs(distance.scale.value):.2g} % {more} than the tape says: far "
            "more than "
            "is usual",
            "measured under the same point of the robot before and after? The wheel's diameter in the code?",
            "far larger than usual",
        )


def with_doubts(sources: Sequence[FoundSource], doubts: Sequence[Doubt]) -> tuple[FoundSource, ...]:
    """Return error sources whose notes carry what is suspected of the measurements they come from."""
    found = []
    for source in sources:
        about = "straights" if source.path[-1] == "distance_scale" else "square"
        words = "; ".join(doubt.short for doubt in doubts if doubt.about == about)
        found.append(replace(source, note=f"DOUBTFUL ({words}): {source.note}") if words else source)
    return tuple(found)


def _mm(length_m: float) -> str:
    size = 1e3 * length_m
    return f"{size:.0f} mm" if abs(size) >= 10.0 else f"{size:.1f} mm"
