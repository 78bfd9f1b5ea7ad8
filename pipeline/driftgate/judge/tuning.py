"""Which of the filter's own numbers to change, if a run with it changed bears it out.

The covariance engine says what normalised error to expect of a filter with other numbers, in one pass
each; the most promising change is then tried in trials, and named only if it closes at least half of
the gap between what the 95 % region claims and what it holds.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from driftgate.judge.consistency import Consistency, mean_normalised
from driftgate.predict.covariance_engine import covariance
from driftgate.predict.filter_model import FilterModel, filter_model
from driftgate.predict.filter_tally import LEVELS
from driftgate.predict.prepared import Prepared
from driftgate.predict.trials_engine import run_trials

TRIALS = 400
FACTORS = (1.5, 2.0, 3.0, 4.5, 6.0)
# The first of these is tried on every number, the others on the best one only.
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
    _Number("wall", "mm", 1e3, 0.005),
    _Number("wall_tilt", "deg", math.degrees(1.0), math.radians(0.3)),
)


_READINGS = ("range_at_zero", "range_per_range", "wall", "wall_tilt")


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
    ranked = sorted(
        (gap, i)
        for i, number in enumerate(_NUMBERS)
        if (number.key in _READINGS or not _readings_alone(found))
        and (number.key != "wall_tilt" or prepared.case.robot.correction.pairs)
        # What is nothing cannot be lowered.
        and (up or _value(prepared.filter, number) > 0.0)
        and (gap := _gap(_with(prepared, number, _FIRST if up else 1.0 / _FIRST))) is not None
    )
    if not ranked or ranked[0][0] >= (_gap(prepared) or 0.0):
        return "No single number of the filter mends it in the covariance engine."
    number = _NUMBERS[ranked[0][1]]
    choices = [
        (gap, factor)
        for factor in (f if up else 1.0 / f for f in FACTORS)
        if (gap := _gap(_with(prepared, number, factor))) is not None
    ]
    changed = _with(prepared, number, min(choices)[1])
    moments = found.moments
    index = min(range(len(moments)), key=lambda i: _rank(moments[i].coverage["all"], up))
    count = min(TRIALS, found.trials)
    level = -1 if up else 0
    own = run_trials(changed, count, seed).own
    held = float(own.inside[index, -1, level]) / count
    before, claimed = moments[index].coverage["all"][level], LEVELS[level]
    if abs(held - claimed) > 0.5 * abs(before - claimed):
        return (
            f"No single number of the filter mends it; the best, '{number.key}', leaves {100.0 * held:.0f} %."
        )
    now, better = (_words(number, _value(p.filter, number)) for p in (prepared, changed))
    spread = [_spread_m(p, index) for p in (prepared, changed)]
    sentence = (
        f"{'Raise' if up else 'Lower'} correction.filter.{number.key} from {now} to {better}: with it the "
        f"{100.0 * claimed:.0f} % region at '{moments[index].name}' holds the truth in "
        f"{100.0 * held:.0f} % of {count} trials. The true position is then off by {1e3 * spread[1]:.1f} mm "
        f"(root mean square) in place of {1e3 * spread[0]:.1f} mm"
    )
    # A filter may be wrong about itself and drive well.
    sentence += ": better known, but no nearer." if spread[1] > 1.01 * spread[0] else "."
    return Advice(number.key, now, better, held, moments[index].name, count, sentence)


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


def _gap(prepared: Prepared) -> float | None:
    """Return how far the expected normalised errors are from 3, as the largest factor at any moment."""
    gaps = []
    for moment in covariance(prepared).moments:
        expected = mean_normalised(moment.filter_cov, moment.estimation_mean, moment.estimation_cov)
        if expected is None or expected <= 0.0:
            return None
        gaps.append(abs(math.log(expected / 3.0)))
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
        case "range_at_zero":
            return max(model.range_at_zero_m, default=0.0)
        case _:
            return max(model.range_per_range, default=0.0)


_HEADING = {
    "heading_per_root_metre": "heading_per_root_m",
    "heading_per_root_second": "heading_per_root_s",
    "heading_per_root_radian": "heading_per_root_rad",
}


def _with(prepared: Prepared, number: _Number, factor: float) -> Prepared:
    """Return the case with one of the filter's numbers changed; one that is 0 starts from a typical size."""
    case = prepared.case
    value = (_value(prepared.filter, number) or number.typical / _FIRST) * factor
    correction = case.robot.correction
    own = correction.filter.model_copy(update={number.key: _rounded(number, value)})
    robot = case.robot.model_copy(update={"correction": correction.model_copy(update={"filter": own})})
    return replace(prepared, filter=filter_model(replace(case, robot=robot)))


def _rounded(number: _Number, value: float) -> float:
    """Return a value to two figures in its unit, as one would write it down; it is tried as written."""
    return float(f"{value * number.per_unit:.2g}") / number.per_unit


def _words(number: _Number, value: float) -> str:
    return f"{value * number.per_unit:.3g} {number.unit}"
