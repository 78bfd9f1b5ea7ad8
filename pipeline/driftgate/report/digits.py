"""Numbers for people that never contradict the verdict by rounding."""

from __future__ import annotations

import math
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal, localcontext
from typing import Literal

from driftgate.judge.sampling import RARE_FROM
from driftgate.judge.values import AxisVerdict, CaseVerdict, MomentVerdict
from driftgate.report.model import RunReport

Direction = Literal["nearest", "down", "up"]

_MODES = {"nearest": ROUND_HALF_EVEN, "down": ROUND_FLOOR, "up": ROUND_CEILING}
_MOST_DIGITS = 20


def exact(value: float, factor: int = 1) -> str:
    """Return the shortest decimal of a float times a power of ten, without an exponent: "99.5"."""
    return _plain(_decimal(value, factor))


def shown(
    value: float,
    threshold: float | None = None,
    *,
    factor: int = 1,
    digits: int = 0,
    direction: Direction = "nearest",
) -> str:
    """Return a number with as many digits as it takes to stand on its own side of a threshold.

    Parameters
    ----------
    value : float
        The number.
    threshold : float, optional
        What it is held against. The figure returned is below, equal to or above `exact(threshold)`
        just as the value is below, equal to or above the threshold.
    factor : int
        Power of ten that both are multiplied by: 100 for per cent, 1000 for mm.
    digits : int
        Decimals to begin with.
    direction : {"nearest", "down", "up"}
        Rounding: a lower bound is rounded down and an upper bound up, so that what is shown is true.

    Returns
    -------
    str
        Plain decimal notation; "inf", "-inf" or "nan" for what is no number.
    """
    if not math.isfinite(value):
        return str(value)
    full = _decimal(value, factor)
    limit = None if threshold is None or not math.isfinite(threshold) else _decimal(threshold, factor)
    with localcontext() as context:
        context.prec = 400
        for decimals in range(digits, _MOST_DIGITS):
            rounded = full.quantize(Decimal(1).scaleb(-decimals), rounding=_MODES[direction])
            if limit is None or _side(rounded, limit) == _side(full, limit):
                return f"{abs(rounded) if rounded == 0 else rounded:f}"
    return _plain(full)


def allowed_words(allowed: float) -> str:
    """Return how much contact is allowed: "1 % allowed", "none may touch"."""
    return f"{exact(allowed, 100)} % allowed" if allowed > 0.0 else "none may touch"


def lost_words(verdict: CaseVerdict) -> str:
    """Return in how many trials the robot says that it is lost: "in 30 of 1000 trials (3.0 %)"."""
    trials = verdict.success.trials
    return f"in {verdict.lost} of {trials} trials ({percent(verdict.lost / trials)})"


def _decimal(value: float, factor: int) -> Decimal:
    # repr is the shortest text that reads back as the same float, and keeps the order of floats.
    with localcontext() as context:
        context.prec = 400
        return Decimal(repr(float(value))) * factor


def _plain(number: Decimal) -> str:
    text = f"{number:f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("", "-0") else text


def _side(a: Decimal, b: Decimal) -> int:
    return (a > b) - (a < b)


def percent(
    value: float, threshold: float | None = None, digits: int = 1, direction: Direction = "nearest"
) -> str:
    """Return a probability or share in per cent: "99.3 %"."""
    return f"{shown(value, threshold, factor=100, digits=digits, direction=direction)} %"


# From this part of the failures that are allowed on, failing for another reason than distance is told.
_OTHERWISE_TOLD = 0.1


def used_words(moment: MomentVerdict) -> str:
    """Return the error against its tolerance: "10.8 of 25 mm (43 %)".

    The error is the one of the pose at the required probability on the tightest axis. A lopsided tolerance
    has no single size: "43 % of -5 to 10 mm". What else fails trials is told beside it.
    """
    other = otherwise_words(moment)
    return f"{_error_words(moment)}, {other}" if other else _error_words(moment)


def _error_words(moment: MomentVerdict) -> str:
    axis, used = moment.binding_axis, moment.error_used
    limit = limit_words(axis) if axis is not None else "the tolerance"
    if used is None:
        return f"unknown share of {limit}"
    if math.isinf(used):
        return f"outright misses of {limit}"
    share = percent(used, 1.0, digits=0, direction="up")
    size = _single_size(axis)
    if size is None:
        return f"{share} of {limit}"
    error = used * size
    if (used > 1.0) != (error > size):  # the product may round onto the limit
        return f"{share} of {limit}"
    if axis is not None and axis.axis == "heading":
        figure = shown(math.degrees(error), math.degrees(size), digits=1, direction="up")
    else:
        figure = shown(error, size, factor=1000, digits=1, direction="up")
    return f"{figure} of {limit} ({share})"


def otherwise_words(moment: MomentVerdict) -> str:
    """Return what fails trials whose pose is inside: "touched in 16 %"; empty where it hardly matters."""
    trials = moment.estimate.trials
    allowed = _OTHERWISE_TOLD * (1.0 - moment.required) * trials
    if moment.otherwise == 0 or (moment.status == "pass" and moment.otherwise < allowed):
        return ""
    causes = {
        "touched": moment.touched,
        "too late": moment.late,
        "after a missed checkpoint": moment.missed_before,
    }
    name = max(causes, key=lambda cause: causes[cause])
    if moment.tilted is not None:
        # The counts by cause are of plain trials, which hardly ever fail so; two figures of a small share.
        return f"failed for other reasons in {exact(float(f'{moment.tilted.otherwise:.2g}'), 100)} %"
    if causes[name] < moment.otherwise:
        return f"failed for other reasons in {small_share(moment.otherwise / trials)}"
    return f"{name} in {small_share(causes[name] / trials)}"


def small_share(share: float) -> str:
    """Return a share of trials or variance as "16 %", and one that would round to nothing as "under 1 %"."""
    return "under 1 %" if 0.0 < share < 0.01 else percent(share, digits=0)


def _single_size(axis: AxisVerdict | None) -> float | None:
    """Return the size of a symmetric tolerance, None for any other."""
    if axis is None or axis.high is None:
        return None
    return axis.high if axis.axis == "radial" or axis.low == -axis.high else None


def length_words(value_m: float) -> str:
    """Return a length in mm: "12.3 mm"."""
    return f"{shown(value_m, factor=1000, digits=1)} mm"


def angle_words(value_rad: float) -> str:
    """Return an angle in degrees: "0.42 deg"."""
    return f"{shown(math.degrees(value_rad), digits=2)} deg"


def amount_words(value: float, axis: str) -> str:
    """Return an error on an axis in mm or degrees."""
    return angle_words(value) if axis == "heading" else length_words(value)


def limit_words(axis: AxisVerdict) -> str:
    """Return the limits of an axis as the file may have them: "25 mm", "-5 to 10 mm", "at most 3 mm"."""
    unit = "deg" if axis.axis == "heading" else "mm"

    def number(limit: float) -> str:
        # Twelve digits hide the last bits that the way from degrees to radians and back adds.
        return f"{math.degrees(limit):.12g}" if unit == "deg" else f"{float(exact(limit, 1000)):.12g}"

    low, high = axis.low, axis.high
    if axis.axis == "radial" and high is not None:
        return f"{number(high)} {unit}"
    if low is not None and high is not None:
        return f"{number(high)} {unit}" if low == -high else f"{number(low)} to {number(high)} {unit}"
    if high is not None:
        return f"at most {number(high)} {unit}"
    return f"at least {number(low)} {unit}" if low is not None else "nothing"


def bound_words(moment: MomentVerdict) -> str:
    """Return what is known of the probability of success against what is required."""
    need = f"need {exact(moment.required, 100)} %"
    low = percent(moment.lower, moment.required, direction="down")
    high = percent(moment.upper, moment.required, direction="up")
    if moment.status == "pass":
        return f"p >= {low} ({need})"
    if moment.status == "fail":
        return f"p <= {high} ({need})"
    return f"p from {low} to {high} ({need})"


def together_words(verdict: CaseVerdict) -> str:
    """Return how often everything succeeds together, and what points come out.

    "98.9 % (98.2 % to 99.4 %), points 19.9 of 20 expected (10/50/90 %: 20, 20, 20)"
    """
    success = verdict.success
    low, high = percent(success.low, direction="down"), percent(success.high, direction="up")
    words = f"{percent(success.probability)} ({low} to {high})"
    if not verdict.full_points:
        return words
    spread = ", ".join(str(p) for p in (verdict.points_10, verdict.points_50, verdict.points_90))
    return (
        f"{words}, points {shown(verdict.expected_points, digits=1)} of {verdict.full_points} expected "
        f"(10/50/90 %: {spread})"
    )


def trials_words(report: RunReport) -> str:
    """Return how the trials were sampled, with the seed and the confidence."""
    many = (
        f"{report.trials} trials a case"
        if report.sample == "fixed"
        else f"at most {report.trials} trials a case, fewer where all is certain before"
    )
    return (
        f"{many}{_weighted_words(report)}, seed {report.seed}, confidence {exact(report.confidence, 100)} %"
    )


def _weighted_words(report: RunReport) -> str:
    """Return how many weighted trials were taken besides; empty where none were."""
    verdicts = [case.verdict for case in report.cases if case.verdict is not None]
    taken = [m.tilted for verdict in verdicts for m in verdict.moments]
    taken += [verdict.contact.tilted for verdict in verdicts]
    most = max((tilted.trials for tilted in taken if tilted is not None), default=0)
    if not most:
        return ""
    return f", and up to {most} weighted ones for what requires {exact(RARE_FROM, 100)} % or more"
