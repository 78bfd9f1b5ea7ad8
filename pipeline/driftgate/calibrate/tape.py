"""A sheet of tape-measure drives to corrections, and to the error sources that remain."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.estimate import Estimate, Spread, mean_and_spread
from driftgate.calibrate.found import FoundNumber, FoundSource
from driftgate.calibrate.resolution import rounding
from driftgate.calibrate.square import (
    SquareResult,
    WheelCorrection,
    heading_bias,
    heading_scale,
    square_result,
    wheel_correction,
)
from driftgate.calibrate.usual import DRIVE_OF, SIDEWAYS
from driftgate.schema.tape import TapeSheet

# The published procedure drives five times each way; fewer show the scatter poorly.
USUAL_DRIVES = 5


@dataclass(frozen=True)
class GyroResult:
    """What square drives say of a gyro.

    Attributes
    ----------
    scale : Estimate
        Heading scale, true turn = measured / (1 + scale).
    bias : Estimate
        Rate bias; positive reads too much. [rad/s]
    bias_spread : Spread
        How much the bias can vary from drive to drive at most. [rad/s]
    """

    scale: Estimate
    bias: Estimate
    bias_spread: Spread


@dataclass(frozen=True)
class DistanceResult:
    """What measured straights say.

    Attributes
    ----------
    scale : Estimate
        Distance scale, true = counted / (1 + scale).
    spread : Spread
        Its standard deviation from drive to drive.
    drives : int
        Their number.
    """

    scale: Estimate
    spread: Spread
    drives: int


@dataclass(frozen=True)
class TapeResult:
    """What a tape sheet shows.

    Attributes
    ----------
    square : SquareResult or None
        The square drives.
    gyro, wheels
        What corrects the heading, by where it comes from.
    distance : DistanceResult or None
        The straights.
    sources : tuple of FoundSource
        For the robot file.
    missing : tuple of str
        What the sheet cannot tell, and what would.
    """

    square: SquareResult | None
    gyro: GyroResult | None
    wheels: WheelCorrection | None
    distance: DistanceResult | None
    sources: tuple[FoundSource, ...]
    missing: tuple[str, ...]


def tape_result(sheet: TapeSheet, confidence: float, corrected: bool) -> TapeResult:
    """Return what a sheet shows.

    Parameters
    ----------
    sheet : TapeSheet
        A sound sheet.
    confidence : float
        Of the intervals.
    corrected : bool
        Whether the corrections go into the robot's code, so that the error sources keep no mean.
    """
    square = gyro = wheels = distance = None
    if sheet.square is not None:
        runs = [*sheet.square.right, *sheet.square.left]
        tape, robot = np.array([run.tape for run in runs]), np.array([run.robot for run in runs])
        right, left = np.split(tape - robot, [len(sheet.square.right)])
        square = square_result(sheet.square.side, right, left, rounding(tape, robot))
        if sheet.square.lap_time is not None and sheet.heading_from == "gyro":
            bias = heading_bias(square.beta_rad, sheet.square.lap_time)
            spread = square.scatter_rad.times(4.0 / sheet.square.lap_time)
            gyro = GyroResult(heading_scale(square.alpha_rad), bias, spread)
        if sheet.track_width is not None:
            wheels = wheel_correction(
                sheet.square.side, sheet.track_width, square.alpha_rad.value, square.beta_rad.value
            )
    if sheet.straights is not None:
        tape, robot = (np.array([getattr(s, by) for s in sheet.straights]) for by in ("tape", "robot"))
        rounded = rounding(tape, robot) * math.sqrt(float(np.mean(tape**-2.0)))
        scale, spread = mean_and_spread(robot / tape - 1.0, rounded)
        distance = DistanceResult(scale, spread, len(sheet.straights))
    sources = _sources(square, gyro, distance, confidence, corrected)
    return TapeResult(square, gyro, wheels, distance, sources, _missing(sheet, square))


def _sources(
    square: SquareResult | None,
    gyro: GyroResult | None,
    distance: DistanceResult | None,
    confidence: float,
    corrected: bool,
) -> tuple[FoundSource, ...]:
    found = []
    if distance is not None:
        found.append(
            FoundSource(
                ("errors", "distance_scale"),
                (
                    _mean(distance.scale, "ratio", confidence, corrected),
                    FoundNumber(
                        "spread", distance.spread.value, "ratio", distance.spread.interval(confidence)
                    ),
                ),
                (FoundNumber("mean_error", distance.scale.error, "ratio"),),
                distance.spread.freedom,
                distance.drives,
                "run",
                "straights against a tape",
            )
        )
    if square is not None and gyro is not None:
        drives = square.right.drives + square.left.drives
        found.append(
            FoundSource(
                ("errors", "heading_bias"),
                (
                    _mean(gyro.bias, "turn rate", confidence, corrected),
                    FoundNumber(
                        "spread",
                        gyro.bias_spread.value,
                        "turn rate",
                        gyro.bias_spread.interval(confidence),
                    ),
                ),
                (FoundNumber("mean_error", gyro.bias.error, "turn rate"),),
                gyro.bias_spread.freedom,
                drives,
                "run",
                "square drives; the spread is all of their scatter",
            )
        )
        found.append(
            FoundSource(
                ("errors", "heading_scale"),
                (
                    _mean(gyro.scale, "ratio", confidence, corrected),
                    FoundNumber("spread", 0.0, "ratio"),
                ),
                (FoundNumber("mean_error", gyro.scale.error, "ratio"),),
                gyro.scale.freedom,
                drives,
                "robot",
                "square drives",
            )
        )
    return tuple(found)


def _mean(estimate: Estimate, dimension: str, confidence: float, corrected: bool) -> FoundNumber:
    low, high = estimate.interval(confidence)
    if corrected:
        half = 0.5 * (high - low)
        return FoundNumber("mean", 0.0, dimension, (-half, half))
    return FoundNumber("mean", estimate.value, dimension, (low, high))


def missing_sideways(drive: str | None) -> tuple[str, ...]:
    """Return what no sheet tells of a drive that can go sideways; of one that cannot, nothing.

    Parameters
    ----------
    drive : str or None
        As in the robot file; None: not known.
    """
    if drive == "differential":
        return ()
    whose = "sideways scale" if drive == "holonomic" else "sideways scale, if the drive can go sideways"
    return (f"{whose}: logged runs with {DRIVE_OF[SIDEWAYS]} show it",)


def _missing(sheet: TapeSheet, square: SquareResult | None) -> tuple[str, ...]:
    found = []
    if sheet.straights is None:
        found.append(
            "distance scale: it cancels on a closed path; drive a straight of 2 m or more at least twice, "
            "better five times, and write both lengths under 'straights'"
        )
    if square is None:
        found.append("heading scale and bias: drive the square five times each way and add 'square'")
    else:
        fewest = min(square.right.drives, square.left.drives)
        if fewest < USUAL_DRIVES:
            found.append(
                f"a good scatter: {fewest} drives one way show it poorly; the procedure drives "
                f"{USUAL_DRIVES} times each way"
            )
    found.append(
        "random walks, slip, latency, crab angle and the range sensors: end points do not tell them apart, "
        "logged runs do"
    )
    return tuple(found)
