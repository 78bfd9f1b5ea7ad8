"""What logged runs show, for people."""

from __future__ import annotations

import math
from collections.abc import Sequence

from driftgate.calibrate.chain import MOST_POSES
from driftgate.calibrate.drift_fit import DriftFit
from driftgate.calibrate.found import FoundNumber
from driftgate.calibrate.from_logs import USUAL_POSE, LogsFit
from driftgate.calibrate.range_fit import RangeFit, Rate
from driftgate.calibrate.range_sources import is_found
from driftgate.calibrate.usual import in_words
from driftgate.logs.values import Log
from driftgate.report.quantities import interval_words, quantity
from driftgate.report.robot_section import Origin, robot_section
from driftgate.report.tape import SAFE
from driftgate.report.text import plain, table

_NOT_FOUND = "not found"
_TOGETHER = "only together"
_INVENTED = "Simulated logs: everything below is about invented data, and about no real robot."


# What a reference is taken for whose log does not say.
_TAKEN = "it is fitted as jitter, and for range sensors taken as " + ", ".join(
    [*(f"{1e3 * metres:g} mm" for metres in USUAL_POSE[:2]), f"{math.degrees(USUAL_POSE[2]):g} deg"]
)


def render_logs_fit(
    robot: str, logs: Sequence[Log], fit: LogsFit, origin: Origin, confidence: float, section: bool
) -> str:
    """Return the report of logged runs.

    Parameters
    ----------
    robot : str
        The robot file.
    logs, fit
        The runs and what they show.
    origin : Origin
        Days and files, for the robot file.
    confidence : float
        Of the intervals.
    section : bool
        Whether to show the section for the robot file.
    """
    drift = fit.drift
    lines = [f"{plain(robot)}  {_many(drift.runs, 'run')}, {_references(drift)}{_days(origin)}"]
    if any(log.origin == "simulated" for log in logs):
        lines.append(_INVENTED)
    unstated = _without_spread(logs)
    if unstated:
        lines.append(f"{unstated}: {_TAKEN}")
    share = f"{100.0 * confidence:g} % interval"
    header = ("what", "mean", share, "between runs", share)
    lines += ["", "Dead reckoning", *table(header, _constants(drift, confidence))]
    lines += ["", "Noise", *table(("what", "size", share), _noises(drift, bool(unstated)))]
    steps = _steps(fit)
    if steps:
        lines += ["", "Steps", *table(("what", "found", share), steps)]
    for sensor, found in fit.ranges.items():
        if found is not None:
            many = f"{found.readings} readings of walls in {_many(found.runs, 'run')}"
            rows = table(("what", "found", share), _ranges(found, _written(fit, sensor), confidence))
            lines += ["", f"Range sensor {plain(sensor)}: {many}", *rows]
    if fit.missing:
        lines += ["", "Not found; what would show it", *(f"  {plain(words)}" for words in fit.missing)]
    # Windows of 5 m and more have no place between poses that are measured every few metres.
    few = " --between" if drift.poses < MOST_POSES * drift.runs else ""
    if section:
        lines += [
            "",
            "For the robot file (what is not named here stays as it is there; --out writes the whole file)",
            *robot_section(fit.sources, origin, confidence),
        ]
    else:
        lines += [
            "",
            "Next: drive six more runs, some of them on another day, and hold the new file against them:",
            f"  driftgate backtest LOG... --robot FILE{few}",
            "It names a constant that is off. Few runs show only what is far off; its table says how far.",
        ]
    return "\n".join([*lines, "", SAFE]) + "\n"


def _days(origin: Origin) -> str:
    if origin.first_day is None or origin.last_day is None:
        return ""
    if origin.first_day == origin.last_day:
        return f", {origin.first_day.isoformat()}"
    return f", {origin.first_day.isoformat()} to {origin.last_day.isoformat()}"


def _many(count: int, word: str) -> str:
    return f"{count} {word}" + ("" if count == 1 else "s")


def _constants(drift: DriftFit, confidence: float) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for found in drift.constants:
        usual, mean, spread = found.usual, found.mean, found.spread
        low, high = mean.interval(confidence)
        between = ("one number", "")
        if spread is not None:
            between = (
                quantity(spread.sd, usual.dimension),
                interval_words(spread.low, spread.high, usual.dimension),
            )
        elif found.assumed is not None:
            between = ("not determined", f"taken as {quantity(found.assumed, usual.dimension)}")
        name = in_words(usual.key)
        value = quantity(mean.value, usual.dimension, mean.error) if found.known else _NOT_FOUND
        value = _TOGETHER if found.together else value
        rows.append((name, value, interval_words(low, high, usual.dimension), *between))
    return rows


def _references(drift: DriftFit) -> str:
    if drift.headings == drift.poses:
        return f"{drift.poses} reference poses"
    return f"{drift.poses} reference places, {drift.headings or 'none'} with a heading"


def _without_spread(logs: Sequence[Log]) -> str:
    """Return how many of the logs that were measured do not say how well; empty if none."""
    measured = [log for log in logs if any(log.reference_by)]
    silent = [log for log in measured if log.reference_spread is None]
    if not silent:
        return ""
    many = f"{len(silent)} of {len(measured)} logs do not say"
    who = "No log says" if len(silent) == len(measured) else many
    return f"{who} how good its reference is ('# reference spread: ...')"


def _noises(drift: DriftFit, unstated: bool) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for found in drift.noises:
        usual, size = found.usual, found.size
        name = in_words(usual.key)
        if usual.key.startswith("jitter"):
            what = "the reference's spread included" if unstated else "beyond the stated spread"
            name = f"{in_words(usual.key)}, {what}; does not add up"
        value = quantity(size.sd, usual.dimension) if found.known or not usual.field else _NOT_FOUND
        rows.append((name, value, interval_words(size.low, size.high, usual.dimension)))
    slips = drift.slips
    if slips is not None:
        often = quantity(slips.rate_per_m, "count per length")
        rows.append(
            ("rare slips, how often", often, interval_words(*slips.interval_per_m, "count per length"))
        )
        far = quantity(slips.size.sd, "length")
        rows.append(("rare slips, how far", far, interval_words(slips.size.low, slips.size.high, "length")))
    return rows


def _steps(fit: LogsFit) -> list[tuple[str, ...]]:
    return [
        (
            f"{source.path[-1].replace('_', ' ')}, {number.key}",
            quantity(number.value, number.dimension),
            interval_words(*number.interval, number.dimension),
        )
        for source in fit.sources
        if source.path[-1] in ("step_timing", "settling")
        for number in source.numbers
        if number.interval is not None
    ]


def _written(fit: LogsFit, sensor: str) -> dict[str, FoundNumber]:
    """Return what goes into the robot file of a sensor's constants."""
    return {
        source.path[-1]: source.numbers[0]
        for source in fit.sources
        if source.path[:2] == ("sensors", sensor) and source.numbers[0].key == "mean"
    }


def _ranges(fit: RangeFit, written: dict[str, FoundNumber], confidence: float) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for name, key, estimate, dimension in (
        ("bias, its place on the robot included", "bias", fit.placed_bias, "length"),
        ("scale", "scale", fit.scale, "ratio"),
        ("mount angle, left", "mount_angle", fit.angle, "angle"),
        ("noise at zero", "", fit.at_zero, "length"),
        ("noise per range", "", fit.per_range, "ratio"),
    ):
        low, high = estimate.interval(confidence)
        if not key:
            low = max(low, 0.0)
        value = quantity(estimate.value, dimension, estimate.error)
        if key and not is_found(key, estimate, confidence):
            value = _NOT_FOUND
        rows.append((name, value, interval_words(low, high, dimension)))
        found = written.get(key)
        if found is not None and found.interval is not None and found.value != estimate.value:
            value = quantity(found.value, dimension, estimate.error)
            rows.append((f"  if {_kept(written)}", value, interval_words(*found.interval, dimension)))
    for name, rate in (("dropout", fit.dropout), ("short returns", fit.short), ("long returns", fit.long)):
        rows.append((name, _share(rate), interval_words(*rate.interval(confidence), "ratio")))
    return rows


def _kept(written: dict[str, FoundNumber]) -> str:
    names = [name.replace("_", " ") for name in ("bias", "scale", "mount_angle") if name not in written]
    return f"{' and '.join(names)} {'is' if len(names) == 1 else 'are'} what the file says"


def _share(rate: Rate) -> str:
    words = quantity(rate.share, "ratio")
    return words if rate.run_length <= 1.5 else f"{words}, {rate.run_length:.1f} in a row"
