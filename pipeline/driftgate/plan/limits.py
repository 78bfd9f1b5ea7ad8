"""What a step may ask of the drive: the robot's limits, the motor, the grip of the wheels."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from driftgate.core.findings import Level
from driftgate.core.pose import FloatArray
from driftgate.schema.robot import Drive

# Standard acceleration of gravity, 3rd CGPM (1901), exact. [m/s^2]
GRAVITY_M_S2: Final = 9.80665

# A limit below this is a slip of the pen; the floor keeps durations finite, and the time limit
# then says what is wrong.
_FLOOR: Final = 1e-6
# Relative slack, so that a limit written equal to the computed one is no finding.
_SLACK: Final = 1.0 + 1e-9


@dataclass(frozen=True)
class StepLimits:
    """The limits that the profile of one step keeps.

    Attributes
    ----------
    speed_m_s, acceleration_m_s2 : float
        Along the path.
    turn_rate_rad_s : float
        Turning on any path.
    spot_rate_rad_s, spot_acceleration_rad_s2 : float
        Turning on the spot, where the wheels' speed limits the rate too.
    lateral_m_s2 : float
        Across the path: the centripetal limit, or the grip of the wheels if that is less.
    top_speed_m_s : float
        What a wheel can reach.
    track_width_m : float
        Between the wheels.
    """

    speed_m_s: float
    acceleration_m_s2: float
    turn_rate_rad_s: float
    spot_rate_rad_s: float
    spot_acceleration_rad_s2: float
    lateral_m_s2: float
    top_speed_m_s: float
    track_width_m: float

    def path_speed(self, curvature_per_m: FloatArray) -> FloatArray:
        """Return the largest speed allowed at a curvature. [m/s]

        With k the curvature: the step's speed; turn rate / k; sqrt(lateral acceleration / k), from
        a = k v^2; and top speed / (1 + k track width / 2), since the outer wheel runs that much
        faster than the robot's centre.
        """
        k = np.maximum(np.abs(np.asarray(curvature_per_m, float)), 1e-12)
        allowed = np.minimum(self.turn_rate_rad_s / k, np.sqrt(self.lateral_m_s2 / k))
        outer = self.top_speed_m_s / (1.0 + 0.5 * k * self.track_width_m)
        return np.asarray(np.minimum(np.minimum(allowed, outer), self.speed_m_s), float)


@dataclass(frozen=True)
class LimitIssue:
    """A limit in a file that cannot be had: the code, the key of the step, the message."""

    code: str
    key: str
    message: str
    level: Level
    suggestion: str = ""


def motor_speed_m_s(drive: Drive) -> float:
    """Return the speed at the rim of a wheel under load. [m/s]

    Motor free speed x usable share / gear ratio x wheel diameter / 2 (common practice, no source).
    """
    motor = drive.motor
    return motor.free_speed * motor.usable / motor.gear_ratio * motor.wheel_diameter / 2.0


def top_speed_m_s(drive: Drive) -> float:
    """Return what the planner takes as a wheel's top speed: the motor's, kept above zero. [m/s]"""
    return max(motor_speed_m_s(drive), _FLOOR)


def spot_rate_rad_s(drive: Drive) -> float:
    """Return how fast the wheels can turn the robot on the spot: 2 x top speed / track width. [rad/s]"""
    return 2.0 * top_speed_m_s(drive) / drive.track_width


def traction_m_s2(drive: Drive) -> float:
    """Return the acceleration at which the wheels slip: friction x g (Coulomb). [m/s^2]"""
    return drive.friction * GRAVITY_M_S2


def drive_issues(drive: Drive) -> tuple[LimitIssue, ...]:
    """Return what the robot's own limits promise and its motor or its wheels do not give."""
    issues = []
    limits, top, spot = drive.limits, motor_speed_m_s(drive), spot_rate_rad_s(drive)
    if limits.speed > top * _SLACK:
        issues.append(
            LimitIssue(
                "DG201",
                "robot",
                f"the robot's speed limit of {limits.speed:.3g} m/s is above what its motor gives,"
                f" {top:.3g} m/s at {drive.motor.usable:.0%} of the free speed; planned with the motor's",
                "warning",
            )
        )
    if limits.turn_rate > spot * _SLACK:
        issues.append(
            LimitIssue(
                "DG201",
                "robot",
                f"the robot's turn rate limit of {math.degrees(limits.turn_rate):.4g} deg/s is above what its"
                f" wheels give on the spot, {math.degrees(spot):.4g} deg/s; planned with the wheels'",
                "warning",
            )
        )
    grip = traction_m_s2(drive)
    if limits.acceleration > grip * _SLACK:
        issues.append(
            LimitIssue(
                "DG208",
                "robot",
                f"the robot's acceleration limit of {limits.acceleration:.3g} m/s^2 is more than its wheels"
                f" hold, {grip:.3g} m/s^2 at a friction of {drive.friction:g}; planned with what they hold",
                "warning",
            )
        )
    return tuple(issues)


def step_limits(
    drive: Drive,
    speed: float | None = None,
    acceleration: float | None = None,
    turn_rate: float | None = None,
    on_the_spot: bool = False,
) -> tuple[StepLimits, tuple[LimitIssue, ...]]:
    """Return the limits of a step, and what it asks for in vain.

    Parameters
    ----------
    drive : Drive
        The robot's drive base.
    speed, acceleration, turn_rate : float, optional
        What the step itself asks for. When turning on the spot, speed and acceleration are those
        of the wheels. [m/s, m/s^2, rad/s]
    on_the_spot : bool
        The step turns on the spot.

    Returns
    -------
    StepLimits
        The robot's limits, lowered by the step's own, the motor and the grip of the wheels.
    tuple of LimitIssue
        DG201 for a speed or turn rate beyond reach, DG208 for an acceleration beyond the grip.
    """
    own, top, grip = drive.limits, top_speed_m_s(drive), traction_m_s2(drive)
    spot = spot_rate_rad_s(drive)
    rate_limit = min(own.turn_rate, spot) if on_the_spot else own.turn_rate
    issues = [
        *_asked("speed", "m/s", speed, min(own.speed, top), top, "the motor gives"),
        *_asked("turn_rate", "rad/s", turn_rate, rate_limit, spot, "the wheels give"),
    ]
    if acceleration is not None and acceleration > grip * _SLACK:
        issues.append(
            LimitIssue(
                "DG208",
                "acceleration",
                f"an acceleration of {acceleration:.3g} m/s^2 is more than the wheels hold, {grip:.3g} m/s^2"
                f" at a friction of {drive.friction:g}; planned with what they hold",
                "warning",
            )
        )
    half_track = drive.track_width / 2.0
    rate = _least(own.turn_rate, turn_rate)
    spot_acceleration = own.turn_acceleration
    if on_the_spot:
        spot = _least(spot, None if speed is None else speed / half_track)
        spot_acceleration = _least(
            spot_acceleration, None if acceleration is None else acceleration / half_track
        )
    return StepLimits(
        speed_m_s=max(min(_least(own.speed, speed), top), _FLOOR),
        acceleration_m_s2=max(min(_least(own.acceleration, acceleration), grip), _FLOOR),
        turn_rate_rad_s=max(rate, _FLOOR),
        spot_rate_rad_s=max(min(rate, spot), _FLOOR),
        spot_acceleration_rad_s2=max(spot_acceleration, _FLOOR),
        lateral_m_s2=max(min(own.centripetal, grip), _FLOOR),
        top_speed_m_s=top,
        track_width_m=drive.track_width,
    ), tuple(issues)


def _least(limit: float, asked: float | None) -> float:
    return limit if asked is None else min(limit, asked)


def _asked(
    key: str, unit: str, asked: float | None, limit: float, reachable: float, giver: str
) -> list[LimitIssue]:
    """Return an error if the step asks for what cannot be reached, a warning if the robot forbids it."""
    if asked is None or asked <= limit * _SLACK:
        return []
    what = f"a {key.replace('_', ' ')} of {_amount(asked, unit)}"
    if asked > reachable * _SLACK:
        message = f"{what} cannot be reached: {giver} {_amount(reachable, unit)}"
        whose = f", the robot's own limit on its {key.replace('_', ' ')}" if limit < reachable else ""
        advice = f"ask for at most {_amount(limit, unit)}{whose}"
        return [LimitIssue("DG201", key, message, "error", advice)]
    message = f"{what} is above the robot's own limit of {_amount(limit, unit)}; planned with the limit"
    return [LimitIssue("DG201", key, message, "warning")]


def _amount(value: float, unit: str) -> str:
    return f"{math.degrees(value):.4g} deg/s" if unit == "rad/s" else f"{value:.3g} {unit}"
