"""The numbers that logs are asked for: how they are called in a robot file, and how large they usually are.

The sizes are common practice, no source. They decide nothing but what counts as known: a number whose
interval is wider than what it usually is has not been found, whatever the fit says.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

# Fewer runs than this show no spread worth the name.
FEWEST_RUNS: Final = 3
# How wide a prior is against what is usual: it holds what no run shows and pulls at nothing else.
BESIDE_USUAL: Final = 10.0
_DEG = math.pi / 180.0


@dataclass(frozen=True)
class UsualConstant:
    """A constant of dead reckoning.

    Attributes
    ----------
    key : str
        Of `driftgate.predict.increments.DRIFT_KEYS`.
    field : str
        The error source in the robot file.
    names : tuple of three str
        Its keys there for mean, spread between runs, and standard error of the mean.
    dimension : str
        Of its mean.
    size : float
        Usual size, SI.
    over : {"run", "robot"}
        Over what it is constant unless the robot file says otherwise.
    drive : str
        Which drive shows it.
    """

    key: str
    field: str
    names: tuple[str, str, str]
    dimension: str
    size: float
    over: Literal["run", "robot"]
    drive: str

    def found_within(self, either_way: float) -> bool:
        """Return whether a mean counts as found whose interval at 95 % reaches so far either way."""
        return either_way <= self.size


# Of a robot that never moves sideways nothing is asked here.
SIDEWAYS: Final = "sideways_scale"
_PLAIN = ("mean", "spread", "mean_error")
CONSTANTS: Final = (
    UsualConstant(
        *("distance_scale", "distance_scale", _PLAIN, "ratio", 0.01, "run"),
        "straights of 2 m or more with a reference at both ends",
    ),
    UsualConstant(
        *(SIDEWAYS, SIDEWAYS, _PLAIN, "ratio", 0.01, "run"),
        "sidesteps of 1 m to the left and to the right, with a reference at both ends",
    ),
    UsualConstant(
        *("wheel_offset", "wheel_offset", _PLAIN, "length", 0.005, "robot"),
        "curves both ways with a reference at both ends",
    ),
    UsualConstant(
        *("crab_angle", "crab_angle", _PLAIN, "angle", 1.0 * _DEG, "run"),
        "straights with a reference, heading included, at both ends",
    ),
    UsualConstant(
        *("heading_bias", "heading_bias", _PLAIN, "turn rate", 0.2 * _DEG, "run"),
        "longer runs, or a minute at rest, with the heading measured before and after",
    ),
    UsualConstant(
        *("heading_scale", "heading_scale", _PLAIN, "ratio", 0.01, "robot"),
        "more turns, and not as many one way as the other: several full turns to the left, then to the right",
    ),
    UsualConstant(
        *("heading_latency", "heading_latency", _PLAIN, "time", 0.02, "robot"),
        "curves at full speed both ways, with a reference at both ends",
    ),
    UsualConstant(
        *("lateral_slip:turn", "lateral_slip", ("per_turn", "per_turn_spread", "per_turn_error")),
        *("length per turn", 0.01, "run"),
        "tight arcs at different speeds both ways, with a reference at both ends",
    ),
)


DRIVE_OF: Final = {usual.key: usual.drive for usual in CONSTANTS}


@dataclass(frozen=True)
class UsualNoise:
    """A noise of dead reckoning; attributes as in `UsualConstant`, `name` its key in the robot file."""

    key: str
    field: str
    name: str
    dimension: str
    size: float
    drive: str


NOISES: Final = (
    UsualNoise(
        *("distance_walk", "distance_walk", "per_root_metre", "length per root metre", 0.005),
        "longer straights, with a reference every metre or two",
    ),
    UsualNoise(
        *("lateral_walk", "lateral_walk", "per_root_metre", "length per root metre", 0.005),
        "longer straights, with a reference every metre or two",
    ),
    UsualNoise(
        *("heading_walk:metre", "heading_walk", "per_root_metre", "angle per root metre", 0.2 * _DEG),
        "longer straights, with the heading measured every metre or two",
    ),
    UsualNoise(
        *("heading_walk:second", "heading_walk", "per_root_second", "angle per root second", 0.1 * _DEG),
        "rests of half a minute, with the heading measured before and after",
    ),
    UsualNoise(
        *("heading_walk:radian", "heading_walk", "per_root_radian", "angle per root radian", 0.2 * _DEG),
        "turns on the spot, with the heading measured before and after each",
    ),
    UsualNoise("jitter:position", "", "", "length", 0.001, ""),
    UsualNoise("jitter:heading", "", "", "angle", 0.1 * _DEG, ""),
)


def in_words(key: str) -> str:
    """Return the name of a constant or noise for people: that of its keys in the robot file."""
    name, _, part = key.partition(":")
    if name == "jitter":
        return f"jitter of {part}"
    per = {part: f" per root {part}" for part in ("metre", "second", "radian")}
    per |= {"turn": " per turn", "speed": " with speed"}
    return name.replace("_", " ") + per.get(part, "")


def all_in_words(keys: Iterable[str]) -> str:
    """Return the names of several constants for people."""
    return " and ".join(in_words(key) for key in keys)


def drives_of(keys: Iterable[str]) -> str:
    """Return which drives show several constants."""
    return "; ".join(dict.fromkeys(DRIVE_OF[key] for key in keys))
