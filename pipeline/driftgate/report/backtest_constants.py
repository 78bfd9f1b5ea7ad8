"""What runs show of the constants of the robot file that a backtest judges: a table, and what it means."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from driftgate.calibrate.usual import CONSTANTS, in_words
from driftgate.report.quantities import interval_words, quantity
from driftgate.report.text import plain, table

if TYPE_CHECKING:
    from driftgate.calibrate.file_constants import ConstantScore, FileConstants

_DIMENSIONS = {usual.key: usual.dimension for usual in CONSTANTS}
_BIAS = "heading_bias"
_SENSORS = "Constants of range sensors are not held against runs here: 'calibrate' on these runs shows them."
# What a robot may do itself, beside the file.
_GYRO = "; or let the robot's code find the gyro's rate anew at a standstill before each run"


def constants_table(held: FileConstants) -> list[str]:
    """Return the table."""
    rows = [
        (
            in_words(one.key), _shown(one, one.mean), _spread(one, one.spread), _shown(one, one.shown),
            f"{one.alike} of {held.runs}", _spread(one, one.differs) if one.spread else "",
            _about(one, one.findable), one.finding or "no sign",
        )
        for one in held.constants
    ]  # fmt: skip
    header = (
        "", "mean in\nthe file", "spread in\nthe file", "mean in\nthese runs", "on that\nside",
        "their own\nspread", "found if\noff by", "\noff?",
    )  # fmt: skip
    return [
        "",
        "Constants of the odometry in the robot file, each held against these runs",
        *table(header, rows),
    ]


def constants_sentences(held: FileConstants) -> list[str]:
    """Return what it means, in words."""
    if not held.found:
        return [
            f"Constants: no sign that one of the odometry's is off.{_could(held)}",
            *_at_rest(held),
            _SENSORS,
        ]
    lines = [f"Constants: {'; '.join(_off(one, held.runs) for one in held.found)}."]
    if any(not one.spread for one in held.found):
        lines.append(
            "What is one number in all runs is another one now, or the file's runs did not show it: look "
            "whether a wheel or a sensor has moved, and calibrate anew."
        )
    if any(one.spread for one in held.found):
        gyro = _GYRO if any(one.key == _BIAS for one in held.found) else ""
        lines.append(
            "Either a number of the file or the robot has changed since (a wheel, a gyro, the floor): then "
            "set it right, or calibrate anew from runs after that. Or the runs that the file was made from "
            f"do not show how much runs differ: then calibrate with these runs, too{gyro}."
        )
    return [*lines, *_at_rest(held)]


def constants_off(held: FileConstants) -> str:
    """Return which are off, in a few words."""
    return ", ".join(f"{in_words(one.key)} {one.finding}" for one in held.found)


def _off(one: ConstantScore, runs: int) -> str:
    name = in_words(one.key)
    if one.finding == "differs more":
        return (
            f"the {name} differs more between these {runs} runs than the file says, by "
            f"{_spread(one, one.differs)} and not {_spread(one, one.spread)}"
        )
    all_of_them = f"all {runs} of them" if one.alike == runs else f"{one.alike} of {runs}"
    whole = (one.spread**2 + one.error**2) ** 0.5
    far = f", {abs(one.shown - one.mean) / whole:.1f} standard deviations of the file away" if whole else ""
    return (
        f"the {name} lies off to one side: the file says {_shown(one, one.mean)}, these runs show "
        f"{_shown(one, one.shown)}, {all_of_them} on that side{far}"
    )


def _could(held: FileConstants) -> str:
    """Return how far off the heading bias, or else the first one, would have to be."""
    told = {one.key: one for one in held.constants}
    one = told.get(_BIAS, held.constants[0])
    runs = f"{held.runs} runs like these" if held.runs > 1 else "One run like this"
    return (
        f" {runs} show a {in_words(one.key)} that is off by {_about(one, one.findable)} in 8 of 10 cases, "
        "less in fewer; the table has the others."
    )


def _at_rest(held: FileConstants) -> list[str]:
    """Return what the gyro did at rest, in words."""
    bias = next((one for one in held.constants if one.key == _BIAS), None)
    if not held.rests or bias is None:
        return []
    values = [rest.value for rest in held.rests]
    dimension = _DIMENSIONS[_BIAS]
    drifted = (
        quantity(values[0], dimension, held.rests[0].error)
        if len(values) == 1
        else interval_words(min(values), max(values), dimension)
    )
    runs = f"these {len(values)} runs" if len(values) > 1 else f"run '{plain(held.rests[0].run)}'"
    file = f"the file says {_shown(bias, bias.mean)}, give or take {_spread(bias, bias.spread)}"
    if held.rest_used:
        known = quantity(max(rest.error for rest in held.rests), dimension)
        each = f", each good to {known}" if len(values) > 1 else ""
        return [f"At rest, before the robot moved, the gyro drifted by {drifted} in {runs}{each}; {file}."]
    return [
        f"At rest, before the robot moved, the heading drifted by {drifted} in {runs}, and not so on the "
        "way: something steers it at rest, or the gyro is set to zero there. So that is left out."
    ]


def _shown(one: ConstantScore, value: float) -> str:
    known = max(one.error, 0.1 * one.spread)
    return quantity(value, _DIMENSIONS.get(one.key, "time"), known or None)


def _spread(one: ConstantScore, value: float | None) -> str:
    return "one number" if not value and not one.spread else _about(one, value or 0.0)


def _about(one: ConstantScore, value: float) -> str:
    return quantity(value, _DIMENSIONS.get(one.key, "time"), 0.1 * value or None)


def constants_data(held: FileConstants) -> dict[str, Any]:
    """Return all of it as plain values, SI."""
    return {
        "runs": held.runs,
        "level": held.level,
        "at_rest_used": held.rest_used,
        "at_rest": [
            {"run": rest.run, "rate_rad_s": rest.value, "error_rad_s": rest.error} for rest in held.rests
        ],
        "constants": [
            {
                "key": one.key, "mean": one.mean, "spread": one.spread, "mean_error": one.error,
                "mean_of_runs": one.shown, "runs_on_that_side": one.alike, "chance": one.chance,
                "found_if_off_by": one.findable, "spread_of_runs": one.differs,
                "spread_chance": one.differs_chance, "finding": one.finding or None,
            }
            for one in held.constants
        ],
    }  # fmt: skip
