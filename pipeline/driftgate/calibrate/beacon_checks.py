"""Ranges to beacons that do not fit where the list says they stand: a name, a place or a unit is wrong.

A line through readings of another beacon yields numbers all the same, a scale of -150 % say, and a filter
that takes the rest for noise looks right by its innovations while it is not.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from driftgate.calibrate.beacons import BeaconModel, fit_beacons, true_ranges
from driftgate.calibrate.tracks import Ranges
from driftgate.calibrate.unit_slips import units_of
from driftgate.calibrate.windows import Track
from driftgate.core.findings import Finding, Level
from driftgate.core.many import also_in_logs
from driftgate.logs.values import Log

# No radio or sonar that has been set up at all is so far off (our choice; 7 % is the worst of the public data
# that the model is held against). [1]
_SCALE: Final = 0.25
# A number is beyond that if so many of its standard errors lie between.
_SURE: Final = 3.0
# A scale shows only where the range to a beacon changed, and that by more than a reference is wrong. [m]
_LEAST_CHANGE_M: Final = 0.5
# Noise that no one beacon has alone, against the median of three or more (our choice).
_NOISIER: Final = 5.0
_LEAST_BEACONS: Final = 3
# Another place fits a beacon's readings where it leaves less than this share of the noise.
_BETTER: Final = 0.5
# Readings of a beacon with a reference pose, of which a log by itself says anything.
_LEAST_READINGS: Final = 30
# Of more beacons than this only those are tried in other places that stand out by themselves: it takes time.
_ALL_TRIED: Final = 16


def check_beacons(
    model: BeaconModel, tracks: Sequence[Track], ranges: Sequence[Ranges], logs: Sequence[Log]
) -> list[Finding]:
    """Return what speaks against the places of beacons, or the names of their ranges.

    Parameters
    ----------
    model : BeaconModel
        As fitted.
    tracks, ranges, logs : sequence
        What it was fitted on: runs, their readings and their logs.

    Returns
    -------
    list of Finding
        DG621, at the title of a beacon's readings in the first log that has them: an error for a scale that
        no beacon has, or readings that fit another's place, a warning for noise that nothing explains. Each
        log is asked by itself first, where it says enough: one that is wrong drowns among sound ones.
    """
    if len(logs) < 2:
        return _of_all(model, tracks, ranges, logs)
    wrong: dict[str, list[Finding]] = {}
    rest: list[tuple[Track, Ranges, Log]] = []
    for each in zip(tracks, ranges, logs, strict=True):
        own = _alone(model, *each)
        if not own:
            rest.append(each)
        for name, fault in own.items():
            wrong.setdefault(name, []).append(fault)
    found = [_once(same) for same in wrong.values()]
    if not wrong:
        return _of_all(model, tracks, ranges, logs)
    both = _fitted(model, [track for track, _, _ in rest], [own for _, own, _ in rest])
    if both is None:
        return found
    left, among = both
    return [*found, *_of_all(left, [t for t, _, _ in rest], among, [log for _, _, log in rest])]


def _alone(model: BeaconModel, track: Track, ranges: Ranges, log: Log) -> dict[str, Finding]:
    """Return the errors in one log, each by what it says of which beacon."""
    both = _fitted(model, [track], [ranges])
    if both is None:
        return {}
    own, among = both
    faults = [fault for fault in _of_all(own, [track], among, [log]) if fault.level == "error"]
    # What is said of a beacon begins with its name; the numbers after that are each log's own.
    return {f"{fault.message.partition(':')[0]}: {fault.suggestion}": fault for fault in faults}


def _fitted(
    model: BeaconModel, tracks: Sequence[Track], ranges: Sequence[Ranges]
) -> tuple[BeaconModel, list[Ranges]] | None:
    """Return a fit to some runs of those beacons that have readings enough there; None if none has."""
    known = [
        np.isfinite(own.reading_m) & np.isfinite(true_ranges(track, own, model.position, model.mount))
        for track, own in zip(tracks, ranges, strict=True)
    ]
    count = sum(
        (
            np.bincount(own.source[good], minlength=len(model.name))
            for own, good in zip(ranges, known, strict=True)
        ),
        np.zeros(len(model.name), dtype=int),
    )
    keep = np.flatnonzero(count >= _LEAST_READINGS)
    if not len(keep):
        return None
    number = np.full(len(model.name), -1)
    number[keep] = np.arange(len(keep))
    among = []
    for own in ranges:
        picked = own.pick(number[own.source] >= 0)
        among.append(Ranges(picked.time_s, number[picked.source], picked.reading_m))
    names = [model.name[i] for i in keep]
    return fit_beacons(tracks, among, names, model.position[keep], model.mount), among


def _once(same: Sequence[Finding]) -> Finding:
    """Return the first of findings that several logs have, with how many more there are."""
    return replace(same[0], message=f"{same[0].message}{also_in_logs(len(same) - 1)}")


def _of_all(
    model: BeaconModel, tracks: Sequence[Track], ranges: Sequence[Ranges], logs: Sequence[Log]
) -> list[Finding]:
    """Return what speaks against beacons in logs together."""
    beyond, noisy = _beyond(model, tracks, ranges), _noisy(model)
    # Where several are exchanged, no noise is the usual one: the places of all are tried.
    few = range(len(model.name) if len(model.name) <= _ALL_TRIED else 0)
    better = {i: _elsewhere(i, model, tracks, ranges) for i in sorted({*beyond, *noisy, *few})}
    found = []
    for i, place in better.items():
        exchanged = place is not None and better.get(place) == i
        words = beyond.get(i) or noisy.get(i) or f"their noise would be {model.sigma_m[i]:.3g} m"
        if i in beyond or place is not None:
            found.append(_finding(model, i, logs, words, _advice(model, i, place, exchanged)))
        elif i in noisy:
            found.append(_finding(model, i, logs, words, _LOOK, "warning"))
    return found


_LOOK: Final = "what stands between it and the robot, and is its place right?"


def _beyond(model: BeaconModel, tracks: Sequence[Track], ranges: Sequence[Ranges]) -> dict[int, str]:
    """Return the beacons whose scale none has, each with words for it."""
    found = {}
    for i in range(len(model.name)):
        sure = abs(float(model.scale[i])) - _SURE * float(model.scale_error[i])
        if sure > _SCALE and _change_m(model, i, tracks, ranges) > _LEAST_CHANGE_M:
            found[i] = f"they would read long by {100.0 * model.scale[i]:.1f} %, which none does"
    return found


def _change_m(model: BeaconModel, i: int, tracks: Sequence[Track], ranges: Sequence[Ranges]) -> float:
    """Return by how much the range to a beacon changed, outliers of the reference left out. [m]"""
    true = np.concatenate(
        [
            true_ranges(track, own, model.position, model.mount)[own.source == i]
            for track, own in zip(tracks, ranges, strict=True)
        ]
    )
    true = true[np.isfinite(true)]
    low, high = np.quantile(true, (0.05, 0.95)).tolist() if len(true) else (0.0, 0.0)
    return float(high - low)


def _noisy(model: BeaconModel) -> dict[int, str]:
    """Return the beacons that are much noisier than the others, each with words for it."""
    if len(model.name) < _LEAST_BEACONS:
        return {}
    usual = float(np.median(model.sigma_m))
    return {
        i: f"their noise would be {sigma:.3g} m, that of the middle one of all beacons is {usual:.3g} m"
        for i, sigma in enumerate(model.sigma_m.tolist())
        if sigma > _NOISIER * usual
    }


def _elsewhere(i: int, model: BeaconModel, tracks: Sequence[Track], ranges: Sequence[Ranges]) -> int | None:
    """Return the beacon whose place the readings of another fit best, where they fit it well."""
    own = [r.pick(r.source == i) for r in ranges]
    there = [Ranges(r.time_s, np.zeros_like(r.source), r.reading_m) for r in own]
    best, least = None, _BETTER * float(model.sigma_m[i])
    for j in range(len(model.name)):
        if j == i:
            continue
        fit = fit_beacons(tracks, there, [model.name[i]], model.position[j : j + 1], model.mount)
        mostly = int(fit.left_out[0]) < int(fit.used[0])
        if abs(float(fit.scale[0])) < _SCALE and mostly and float(fit.sigma_m[0]) < least:
            best, least = j, float(fit.sigma_m[0])
    return best


def _advice(model: BeaconModel, i: int, place: int | None, exchanged: bool) -> str:
    if place is not None:
        own, other = model.name[i], model.name[place]
        if exchanged:
            return (
                f"'{own}' and '{other}' fit the other way round: exchange them in the list of beacons, or "
                "the titles of their ranges"
            )
        return f"they fit the place that the list of beacons has for '{other}'"
    factor = 1.0 + float(model.scale[i])
    if factor > 0.0 and (names := units_of(factor)):
        return f"that is {names}: check the unit in this title and those of the list of beacons"
    return (
        "check its place in the list of beacons, the unit in this title, and whether the column is that of "
        "another beacon"
    )


def _finding(
    model: BeaconModel, i: int, logs: Sequence[Log], words: str, advice: str, level: Level = "error"
) -> Finding:
    log = next(log for log in logs if model.name[i] in log.ranges)
    at = log.place(f"range {model.name[i]}")
    message = f"the ranges to '{model.name[i]}' do not fit where it stands: {words}"
    return Finding(at.path, at.line, at.column, "DG621", message, level, advice, at.excerpt)
