"""Which of the filter's own numbers to change, if a run with it changed bears it out.

The covariance engine says what errors to expect of a filter with other numbers, in one pass each, and by how
much its region is too small or large for them (`driftgate.judge.region`). The most promising changes are then
tried in trials: first of numbers that stand for the largest error source, then of the others. One is named
only if it closes at least half of the gap between what the 95 % region claims and what it holds, and one that
takes the true position further off only if no other does.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from driftgate.judge.consistency import Consistency
from driftgate.judge.region import region_factor
from driftgate.predict.covariance_engine import covariance
from driftgate.predict.filter_model import FilterModel, filter_model, wall_offset, wall_tilt
from driftgate.predict.filter_tally import LEVELS
from driftgate.predict.prepared import Prepared
from driftgate.predict.trials_engine import run_trials
from driftgate.schema.case import Case

TRIALS = 400
FACTORS = (1.5, 2.0, 3.0, 4.5, 6.0)
# For a number that is nothing: what it should be depends on how many readings see the same wall.
FROM_NOTHING = (1.5, 3.0, 6.0, 12.0, 24.0)
# This one is tried on every number, the others on the best one only.
_FIRST = 3.0


@dataclass(frozen=True)
class _Number:
    """One of the filter's own numbers: its key in the robot file, its unit, what a small one is."""

    key: str
    unit: str
    per_unit: float
    typical: float


_NUMBERS = (
    _Number("start_x", "mm", 1e3, 0.005),
    _Number("start_y", "mm", 1e3, 0.005),
    _Number("start_heading", "deg", math.degrees(1.0), math.radians(0.5)),
    _Number("along", "mm/sqrt(m)", 1e3, 0.005),
    _Number("across", "mm/sqrt(m)", 1e3, 0.005),
    _Number("heading_per_root_metre", "deg/sqrt(m)", math.degrees(1.0), math.radians(0.1)),
    _Number("heading_per_root_second", "deg/sqrt(s)", math.degrees(1.0), math.radians(0.05)),
    _Number("heading_per_root_radian", "deg/sqrt(rad)", math.degrees(1.0), math.radians(0.1)),
    _Number("range_at_zero", "mm", 1e3, 0.005),
    _Number("range_per_range", "%", 1e2, 0.005),
    _Number("range_bias", "mm", 1e3, 0.003),
    _Number("range_scale", "%", 1e2, 0.003),
    _Number("mount_angle", "deg", math.degrees(1.0), math.radians(0.5)),
    _Number("mount_aside", "mm", 1e3, 0.003),
    _Number("wall", "mm", 1e3, 0.005),
    _Number("wall_tilt", "deg", math.degrees(1.0), math.radians(0.3)),
    _Number("constants_hold", "m", 1.0, 2.0),
)
# One that may be left out: then it is without end.
_ENDLESS = "constants_hold"


# Which number stands for an error source.
_OF_SOURCE = {
    "start_placement": ("start_x", "start_y", "start_heading"),
    "distance_scale": ("along",),
    "distance_walk": ("along",),
    "rare_slip": ("along",),
    "crab_angle": ("across",),
    "lateral_walk": ("across",),
    "lateral_slip": ("across",),
    "heading_bias": ("heading_per_root_second",),
    "heading_scale": ("heading_per_root_radian",),
    "heading_walk": ("heading_per_root_metre", "heading_per_root_second", "heading_per_root_radian"),
    "wall_build": ("wall", "wall_tilt", "constants_hold"),
    "structure_build": ("wall", "wall_tilt", "constants_hold"),
    "range_noise": ("range_at_zero", "range_per_range"),
    "range_bias": ("range_bias", "range_at_zero"),
    "range_scale": ("range_scale", "range_per_range"),
    "mount_position": ("range_bias", "mount_aside", "range_at_zero"),
    "mount_angle": ("mount_angle",),
    "quantisation": ("range_at_zero",),
}
# So many changes are tried in trials at most.
_MOST_TRIED = 3
# More than this much further off is worse.
_NO_NEARER = 1.01

_READINGS = ("range_at_zero", "range_per_range", "wall", "wall_tilt")
# Those that mean something only where constants are considered; then the walls' are constants, too.
_CONSTANTS = ("range_bias", "range_scale", "mount_angle", "mount_aside", _ENDLESS)
_SWITCH = _Number("consider", "", 1.0, 1.0)


@dataclass(frozen=True)
class Advice:
    """A change of one number of the filter that a run bears out.

    Attributes
    ----------
    key : str
        The number under `correction.filter`.
    now, better : str
        Its value as it is and as tried, with unit.
    held : float
        How often the 95 % region holds the truth with it, at the moment named.
    moment : str
        The moment.
    trials : int
        In how many trials.
    sentence : str
        For the user.
    """

    key: str
    now: str
    better: str
    held: float
    moment: str
    trials: int
    sentence: str


def advice(prepared: Prepared, found: Consistency, seed: int) -> Advice | str:
    """Return the change that mends a filter which is too trusting or too shy.

    Parameters
    ----------
    prepared : Prepared
        The case.
    found : Consistency
        What its trials say.
    seed : int
        Seed of the trials with the change.

    Returns
    -------
    Advice or str
        The change, or why none is named ("" for a filter that is right).
    """
    if found.word not in ("too trusting", "too shy"):
        return ""
    up = found.word == "too trusting"
    level = LEVELS[-1 if up else 0]
    considers = prepared.case.robot.correction.filter.consider
    # Where innovations say it, too, it is noise: a constant shows in none after the first few.
    noise = _READINGS[:2] if considers else _READINGS
    heard = {s.word for s in found.sensors if s.used} == {found.word}
    ranked = sorted(
        (gap, i)
        for i, number in enumerate(_NUMBERS)
        if (number.key in noise or not _readings_alone(found))
        and (number.key not in _CONSTANTS or prepared.filter.considers)
        and (number.key != "wall_tilt" or considers or prepared.case.robot.correction.pairs)
        # What is nothing cannot be lowered, and what is without end not changed.
        and (up or _value(prepared.filter, number) > 0.0)
        and math.isfinite(_value(prepared.filter, number))
        and (gap := _gap(_with(prepared, number, _first(number, up)), level)) is not None
    )
    before_gap = _gap(prepared, level) or 0.0
    useful = [i for gap, i in ranked if gap < before_gap]
    # What promises less than half of what the best does is no rival of it, whatever it stands for.
    rivals = {i for gap, i in ranked if before_gap - gap >= 0.5 * (before_gap - ranked[0][0])}
    index = min(range(len(found.moments)), key=lambda i: _rank(found.moments[i].coverage["all"], up))
    tried = []
    considering = _considering(prepared)
    if up and considering is not None:
        tried.append(_held(prepared, found, _SWITCH, considering, index, up, seed))
        if tried[-1].mends and tried[-1].nearer:
            return _advice(prepared, found, tried[-1], index, up)
    if not useful and not tried:
        return "No single number of the filter mends it in the covariance engine."
    belonging = _of_largest_source(prepared, index)
    useful.sort(
        key=lambda i: (
            considers and heard and _NUMBERS[i].key not in noise,
            i not in rivals or _NUMBERS[i].key not in belonging,
        )
    )
    for i in useful[:_MOST_TRIED]:
        tried.append(_tried(prepared, found, _NUMBERS[i], index, up, seed))
        if tried[-1].mends and tried[-1].nearer:
            break
    mending = [one for one in tried if one.mends]
    if not mending:
        best = min(tried, key=lambda one: one.left)
        return (
            "No single number of the filter mends it; the best, "
            f"'correction.filter.{best.number.key}', leaves {100.0 * best.held:.0f} %."
        )
    # The last one tried is the only one that may be no further off.
    return _advice(prepared, found, mending[-1] if mending[-1].nearer else mending[0], index, up)


@dataclass(frozen=True)
class _Tried:
    """One number, changed by the factor that the covariance engine likes best, and what trials say of it."""

    number: _Number
    changed: Prepared
    held: float
    left: float
    trials: int
    mends: bool
    spread_m: tuple[float, float]

    @property
    def nearer(self) -> bool:
        """Whether the true position is no further off with it."""
        return self.spread_m[1] <= _NO_NEARER * self.spread_m[0]


def _tried(
    prepared: Prepared, found: Consistency, number: _Number, index: int, up: bool, seed: int
) -> _Tried:
    factors = FACTORS if up else tuple(1.0 / f for f in FACTORS)
    if _value(prepared.filter, number) == 0.0:
        factors = FROM_NOTHING
    if up and number.key == _ENDLESS:
        factors = (*factors, math.inf)
    level = LEVELS[-1 if up else 0]
    choices = [
        (gap, factor)
        for factor in factors
        if (gap := _gap(_with(prepared, number, factor), level)) is not None
    ]
    return _held(prepared, found, number, _with(prepared, number, min(choices)[1]), index, up, seed)


def _held(
    prepared: Prepared,
    found: Consistency,
    number: _Number,
    changed: Prepared,
    index: int,
    up: bool,
    seed: int,
) -> _Tried:
    """Return what trials say of a changed filter."""
    count, level = min(TRIALS, found.trials), -1 if up else 0
    own = run_trials(changed, count, seed).own
    held = float(own.inside[index, -1, level]) / count
    left = abs(held - LEVELS[level])
    gap = abs(found.moments[index].coverage["all"][level] - LEVELS[level])
    spread = _spread_m(prepared, index), _spread_m(changed, index)
    return _Tried(number, changed, held, left, count, left <= 0.5 * gap, spread)


def _first(number: _Number, up: bool) -> float:
    """Return the factor that a number is ranked by; what may be left out is ranked by that."""
    return (math.inf if number.key == _ENDLESS else _FIRST) if up else 1.0 / _FIRST


def _of_largest_source(prepared: Prepared, index: int) -> tuple[str, ...]:
    """Return the numbers that stand for the source with the largest part in the error of the position."""
    parts = covariance(prepared).moments[index].by_source
    largest = max(parts, key=lambda name: float(parts[name][0, 0] + parts[name][1, 1]), default="")
    return _OF_SOURCE.get(largest, ())


def _advice(prepared: Prepared, found: Consistency, one: _Tried, index: int, up: bool) -> Advice:
    number, name, so = one.number, found.moments[index].name, "with"
    if number is _SWITCH:
        now, better, what = "false", "true", "Set correction.filter.consider to true"
    else:
        now, better = (_words(number, _value(p.filter, number)) for p in (prepared, one.changed))
        what = f"{'Raise' if up else 'Lower'} correction.filter.{number.key} from {now} to {better}"
        if not math.isfinite(_value(one.changed.filter, number)):
            what, so = f"Leave out correction.filter.{number.key} ({now})", "without"
    sentence = (
        f"{what}: {so} it the "
        f"{100.0 * LEVELS[-1 if up else 0]:.0f} % region at '{name}' holds the truth in "
        f"{100.0 * one.held:.0f} % of {one.trials} trials. The true position is then off by "
        f"{1e3 * one.spread_m[1]:.1f} mm (root mean square) in place of {1e3 * one.spread_m[0]:.1f} mm"
    )
    # A filter may be wrong about itself and drive well.
    sentence += "." if one.nearer else ": better known, but no nearer."
    return Advice(number.key, now, better, one.held, name, one.trials, sentence)


def _readings_alone(found: Consistency) -> bool:
    """Return whether the innovations say the same as coverage, and are mostly the readings' own noise.

    Then it is the noise of the readings that the filter has wrong, and no other number is tried.
    """
    sensors = [s for s in found.sensors if s.used]
    total = sum(s.tried for s in sensors)
    own = sum(s.tried * s.own for s in sensors)
    return bool(sensors) and {s.word for s in sensors} == {found.word} and own > 0.5 * total


def _spread_m(prepared: Prepared, index: int) -> float:
    """Return the root mean square of the true position's error at a moment, by the covariance engine. [m]"""
    moment = covariance(prepared).moments[index]
    return math.sqrt(float(moment.cov[0, 0] + moment.cov[1, 1] + moment.mean[:2] @ moment.mean[:2]))


def _rank(coverage: tuple[float, ...], up: bool) -> float:
    return coverage[-1] if up else -coverage[0]


def _gap(prepared: Prepared, level: float) -> float | None:
    """Return by how much a region is off, as the logarithm of a factor, at the worst moment."""
    gaps = []
    for moment in covariance(prepared).moments:
        factor = region_factor(moment.filter_cov, moment.estimation_mean, moment.estimation_cov, level)
        if factor is None or factor <= 0.0:
            return None
        gaps.append(abs(math.log(factor)))
    return max(gaps)


def _value(model: FilterModel, number: _Number) -> float:
    """Return a number of the filter; of one that sensors have apart, the largest."""
    match number.key:
        case "start_x" | "start_y" | "start_heading":
            return model.start_sd[("start_x", "start_y", "start_heading").index(number.key)]
        case "along" | "across":
            return float(getattr(model, f"{number.key}_per_root_m"))
        case "heading_per_root_metre" | "heading_per_root_second" | "heading_per_root_radian":
            return float(getattr(model, _HEADING[number.key]))
        case "wall":
            return model.wall_m
        case "wall_tilt":
            return model.wall_tilt_rad
        case "constants_hold":
            return model.constants_hold_m
        case "range_bias" | "range_scale" | "mount_angle" | "mount_aside":
            return max((float(getattr(c, _OF_SENSOR[number.key])) for c in model.constants), default=0.0)
        case "range_at_zero":
            return max(model.range_at_zero_m, default=0.0)
        case _:
            return max(model.range_per_range, default=0.0)


_OF_SENSOR = {
    "range_bias": "bias_m",
    "range_scale": "scale",
    "mount_angle": "angle_rad",
    "mount_aside": "aside_m",
}
_HEADING = {
    "heading_per_root_metre": "heading_per_root_m",
    "heading_per_root_second": "heading_per_root_s",
    "heading_per_root_radian": "heading_per_root_rad",
}


def _with(prepared: Prepared, number: _Number, factor: float) -> Prepared:
    """Return the case with one of the filter's numbers changed; one that is 0 starts from a typical size."""
    value = (_value(prepared.filter, number) or _typical(prepared.case, number) / _FIRST) * factor
    return _changed(prepared, {number.key: _rounded(number, value) if math.isfinite(value) else None})


def _considering(prepared: Prepared) -> Prepared | None:
    """Return the case with constants considered; None if they are already, or nothing is constant."""
    changed = None if prepared.filter.considers else _changed(prepared, {"consider": True})
    return changed if changed is not None and changed.filter.considers else None


def _changed(prepared: Prepared, update: dict[str, float | None]) -> Prepared:
    case, correction = prepared.case, prepared.case.robot.correction
    own = correction.filter.model_copy(update=update)
    robot = case.robot.model_copy(update={"correction": correction.model_copy(update={"filter": own})})
    return replace(prepared, filter=filter_model(replace(case, robot=robot)))


def _typical(case: Case, number: _Number) -> float:
    """Return what to try first of a number that is nothing: of walls, how well they are built by the map."""
    built = {"wall": wall_offset, "wall_tilt": wall_tilt}.get(number.key)
    return (built(case.believed) if built else 0.0) or number.typical


def _rounded(number: _Number, value: float) -> float:
    """Return a value to two figures in its unit, as one would write it down; it is tried as written."""
    return float(f"{value * number.per_unit:.2g}") / number.per_unit


def _words(number: _Number, value: float) -> str:
    return f"{value * number.per_unit:.3g} {number.unit}" if math.isfinite(value) else "none"
