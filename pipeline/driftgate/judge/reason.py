"""The most likely reason of a failure or a narrow margin, in plain words."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

import numpy as np

from driftgate.judge.counted import counted_until, share_words
from driftgate.judge.direction import Direction, radial_direction
from driftgate.judge.misplaced import misplaced
from driftgate.judge.values import ContactVerdict, MomentVerdict, PreparedCase
from driftgate.judge.variance import direction_of, mean_along, shift_of, variance_along
from driftgate.plan.values import Plan
from driftgate.predict.sources import LATENCY
from driftgate.predict.values import CovarianceResult, Moment, TrialsResult
from driftgate.schema.routine import SquareUp
from driftgate.sight.values import DarkInterval, Reason

DescribeStep = Callable[[int], str]

# From this share of the tolerance on, a passing tolerance is called narrow and given a reason.
NARROW = 0.8
_OFFSET_RULES = 1.0  # a mean of so many standard deviations is what the error is about
_UNSEEN = 1.5  # the trials' spread against the covariance engine's, from which its shares mislead
_PART_AT_LEAST = 0.3  # of a constant offset, to be named as its cause
_DARK_AT_LEAST_S = 0.5
_GROWN_AT_LEAST = 0.2  # of the variance at the moment, in one step
_WRONG_AT_LEAST = 0.005
_REFUSED_AT_LEAST = 0.2
_BESIDES_AT_LEAST = 0.1  # of the failing trials, to be named beside the error


def plain_step(plan: Plan) -> DescribeStep:
    """Return words for a planned step from the plan alone: its number, from 1, and its label."""

    def describe(index: int) -> str:
        step = plan.steps[index]
        name = f"'{step.name}', " if step.name else ""
        return f"step {index + 1} ({name}{step.label})"

    return describe


def amount(value: float, axis: str) -> str:
    """Return a length in mm or an angle in degrees, for people, three significant digits."""
    if axis == "heading":
        return f"{_three_digits(math.degrees(value))} deg"
    return f"{_three_digits(1000.0 * value)} mm"


def _three_digits(value: float) -> str:
    if not math.isfinite(value):
        return "no number of"
    size = abs(value)
    decimals = 0 if size >= 100.0 else 1 if size >= 10.0 else 2
    return f"{value:.{decimals}f}"


DIFFERS: Final = "the field is not as the map says"


def is_narrow(verdict: MomentVerdict) -> bool:
    """Return whether a tolerance is used up so far that a pass of it is narrow."""
    return verdict.used is None or verdict.used > NARROW


def moment_reason(
    prepared: PreparedCase,
    covariance: CovarianceResult,
    trials: TrialsResult,
    index: int,
    verdict: MomentVerdict,
    describe: DescribeStep,
    dark: tuple[DarkInterval, ...] = (),
) -> str:
    """Return a few sentences on why a tolerance fails or is narrowly kept; "" when it is easy.

    Parameters
    ----------
    prepared, covariance, trials
        The case and the engines' answers.
    index : int
        Which moment.
    verdict : MomentVerdict
        Its verdict, variance shares included.
    describe : callable
        Words for a planned step's index.
    dark : tuple of DarkInterval
        When no sensor can give a fix.
    """
    if verdict.status == "pass" and not is_narrow(verdict):
        return ""
    outright = _outright(verdict, trials, index, describe)
    if outright:
        return outright
    moment = prepared.moments[index]
    unseen = _unseen(verdict)
    direction = radial_direction(trials.moments[index]) if verdict.binding == "radial" else None
    main = verdict.binding if direction is None else direction.axes[0]
    offset = _offset_cause(prepared, covariance, index, main)
    if not offset and direction is None:
        offset = _off_the_map(prepared, moment, verdict)
    shape = _error_shape(verdict, offset, unseen, direction)
    sentences = [shape]
    if not offset or offset not in shape:
        sentences.append(_shift(prepared, covariance, index, main))
    if not unseen:
        sentences.append(_growth(prepared, covariance, moment, verdict.binding, describe))
    axes = field_axis(main, moment.pose[2]) if direction is None else direction.axes
    second = (
        _readings(prepared, trials, moment, describe, unseen)
        or _darkness(prepared, moment, axes, dark, describe)
        or _last_fix(prepared, covariance, moment)
    )
    sentences.append(second)
    sentences.append(_besides(verdict, trials, index, describe))
    return " ".join(sentence for sentence in sentences if sentence)


def _outright(verdict: MomentVerdict, trials: TrialsResult, index: int, describe: DescribeStep) -> str:
    """Return the reason when most failing trials fail for no matter of distance."""
    failing = verdict.estimate.trials - verdict.estimate.successes
    if failing == 0 or verdict.outside * 2 > failing:
        return ""
    return _other_cause(verdict, trials, index, describe)


def _besides(verdict: MomentVerdict, trials: TrialsResult, index: int, describe: DescribeStep) -> str:
    """Return what fails the fewer trials whose pose is inside, where they are not few."""
    failing = verdict.estimate.trials - verdict.estimate.successes
    if failing == 0 or verdict.otherwise < _BESIDES_AT_LEAST * failing:
        return ""
    return _other_cause(verdict, trials, index, describe)


def _other_cause(verdict: MomentVerdict, trials: TrialsResult, index: int, describe: DescribeStep) -> str:
    total = verdict.estimate.trials
    causes = {"touched": verdict.touched, "late": verdict.late, "before": verdict.missed_before}
    cause = max(causes, key=lambda name: causes[name])
    share = f"{share_words(causes[cause] / total)} of the trials"
    if causes[cause] == 0:
        return ""
    if cause == "late":
        return f"The time limit has passed in {share}."
    if cause == "before":
        return f"An earlier checkpoint that it depends on has failed in {share}."
    return f"The robot has touched something in {share}{_touch_place(trials, index, describe)}."


def _touch_place(trials: TrialsResult, index: int, describe: DescribeStep) -> str:
    """Return where most of the contacts until a moment were."""
    until = trials.moments[index].touched & (trials.touch_step >= 0) & (trials.touch_obstacle >= 0)
    if not until.any():
        return ""
    pairs = np.stack([trials.touch_step[until], trials.touch_obstacle[until]], axis=1)
    found, counts = np.unique(pairs, axis=0, return_counts=True)
    step, obstacle = found[int(counts.argmax())].tolist()
    return f", mostly {trials.obstacles[obstacle]} in {describe(step)}"


def axis_words(axis: str) -> str:
    """Return how people call an axis: "on x", "along the heading", "in heading"."""
    return {
        "x": "on x",
        "y": "on y",
        "along": "along the heading",
        "across": "across the heading",
        "radial": "in the radial error",
        "heading": "in heading",
    }[axis]


def _unseen(verdict: MomentVerdict) -> bool:
    """Return whether the trials scatter much more than the covariance engine accounts for."""
    axis = verdict.binding_axis
    if axis is None or verdict.variance is None or axis.axis == "radial":
        return False
    return axis.sd > _UNSEEN * verdict.variance.sd


def _offset_cause(prepared: PreparedCase, covariance: CovarianceResult, index: int, binding: str) -> str:
    """Return what makes most of a constant offset along an axis; "" when nothing stands out."""
    parts = covariance.moments[index].mean_by_source
    along = {name: mean_along(mean, binding, prepared.moments[index].pose[2]) for name, mean in parts.items()}
    total = sum(along.values())
    name = max(along, key=lambda n: along[n] * math.copysign(1.0, total), default="known")
    if total == 0.0 or along[name] / total < _PART_AT_LEAST:
        return ""
    if name == "known":
        differs = prepared.case.true is not prepared.case.believed
        return f": {DIFFERS}" if differs else ""
    if name == LATENCY:
        return f", most of it from readings {_age(prepared)} old that are taken for new"
    title = next((s.title for s in covariance.sources if s.name == name), name.replace("_", " "))
    return f", most of it from the mean of the {title}"


def _off_the_map(prepared: PreparedCase, moment: Moment, verdict: MomentVerdict) -> str:
    """Return that the field differs, where a surface in sight is off by about the mean error."""
    axis = verdict.binding_axis
    if axis is None or axis.axis == "radial" or prepared.case.true is prepared.case.believed:
        return ""
    readings, sight = prepared.plan.timeline.readings, prepared.sight
    seen = sight.surface[(sight.reason == Reason.USABLE) & (readings.knot <= moment.knot)].tolist()
    along = direction_of(axis.axis, moment.pose[2], np.zeros(3))
    name = misplaced(prepared.believed, prepared.true, seen, along, axis.mean)
    return f": {DIFFERS}, at {name}" if name else ""


def _age(prepared: PreparedCase) -> str:
    """Return how old readings are when they come, in words."""
    return f"{1000.0 * max(sensor.latency for sensor in prepared.case.robot.sensors):.3g} ms"


def _shift(prepared: PreparedCase, covariance: CovarianceResult, index: int, axis: str) -> str:
    """Return which source's mean is among the largest contributions; "" where none is."""
    found = shift_of(covariance.moments[index], covariance.sources, axis, prepared.moments[index].pose[2])
    if found is None:
        return ""
    size = amount(abs(found.mean), axis)
    if found.late:
        return f"Readings {_age(prepared)} old are taken for new, which alone shifts it by {size}."
    return f"The mean of the {found.title} alone shifts it by {size}."


def _error_shape(verdict: MomentVerdict, offset_cause: str, unseen: bool, direction: Direction | None) -> str:
    axis = verdict.binding_axis
    if axis is None:
        return ""
    if direction is not None:
        return _radial_shape(direction, offset_cause, _blame(verdict))
    words = "radial error" if axis.axis == "radial" else f"error {axis_words(axis.axis)}"
    size = f"mean {amount(axis.mean, axis.axis)}, spread {amount(axis.sd, axis.axis)}"
    by = _blame(verdict)
    if axis.axis != "radial" and abs(axis.mean) > _OFFSET_RULES * axis.sd:
        return f"Most of the {words} is a constant offset ({size}){offset_cause}."
    if unseen and verdict.variance is not None:
        seen = amount(verdict.variance.sd, axis.axis)
        return (
            f"The {words} is mostly spread ({size}), much more than the error sources make on the "
            f"planned readings ({seen}): readings refused or wrong, things out of place, or contact."
        )
    return f"The {words} is mostly spread ({size}){by}."


def _radial_shape(direction: Direction, offset_cause: str, by: str) -> str:
    """Return what the error in the plane is like: a distance has no sign, its direction has one."""
    axis = direction.axes[0]
    size = f"mean {amount(direction.mean, axis)}, spread {amount(direction.sd, axis)}"
    words = f"The radial error is {amount(direction.distance_m, axis)} on average"
    if len(direction.axes) > 1:
        return f"{words}, in x and y alike{by}."
    if abs(direction.mean) > _OFFSET_RULES * direction.sd:
        return f"{words}, most of it a constant offset in {axis} ({size}){offset_cause}."
    return f"{words}, most of it in {axis} ({size}){by}."


def _blame(verdict: MomentVerdict) -> str:
    if verdict.variance is None or not verdict.variance.sources:
        return ""
    top = [s for s in verdict.variance.sources[:2] if s.share >= 0.1]
    if not top:
        return ""
    return ", from " + " and ".join(f"{s.title} ({share_words(s.share, 0)}, {s.basis})" for s in top)


def _growth(
    prepared: PreparedCase,
    covariance: CovarianceResult,
    moment: Moment,
    binding: str,
    describe: DescribeStep,
) -> str:
    """Return in which step the spread grew most since it was last at its smallest."""
    # Boundaries of the steps up to the moment; a checkpoint has no ticks and cannot grow anything.
    boundary = np.minimum(prepared.plan.timeline.first_tick, moment.knot)[: moment.step + 2]
    spread = np.array([variance_along(covariance.knot_cov[k], binding, moment.pose[2]) for k in boundary])
    if not (spread.size > 1 and np.isfinite(spread).all()):
        return ""
    smallest = int(np.argmin(spread[:-1]))
    grown = np.diff(spread)[smallest:]
    step = smallest + int(np.argmax(grown))
    if grown.max() < _GROWN_AT_LEAST * spread[-1] or spread[-1] <= 0.0:
        return ""
    return f"It grows most in {describe(step)}."


def _readings(
    prepared: PreparedCase, trials: TrialsResult, moment: Moment, describe: DescribeStep, unseen: bool
) -> str:
    robot = prepared.case.robot
    if not robot.correction.enabled or not robot.sensors:
        why = "the correction is off" if robot.sensors else "there is no range sensor"
        resets = [step for step in prepared.plan.contacts if step <= moment.step and _resets(prepared, step)]
        if resets:
            return f"Only square-ups correct the drift, last in {describe(max(resets))}: {why}."
        return f"Nothing corrects the drift: {why}."
    counted = counted_until(trials, moment.step)
    # Where the spread has no other explanation, a little is enough to be named.
    little = 0.1 if unseen else 1.0
    found = []
    if counted.wrong_share >= little * _WRONG_AT_LEAST:
        found.append(
            f"{share_words(counted.wrong_share)} of the accepted readings came from a wrong surface, "
            f"most in {describe(counted.wrong_step)}."
        )
    if counted.gate_share >= little * _REFUSED_AT_LEAST:
        where = describe(counted.gate_step)
        found.append(
            f"The gate refuses {share_words(counted.gate_share, 0)} of its readings, most in {where}."
        )
    return " ".join(found if unseen else found[:1])


def _resets(prepared: PreparedCase, step: int) -> bool:
    """Return whether a step takes the wall that it squares up against as a fix."""
    source = prepared.plan.steps[step].source
    return isinstance(source, SquareUp) and source.reset is not None


def field_axis(axis: str, heading_rad: float) -> tuple[str, ...]:
    """Return the field axes that an axis of a tolerance mostly lies on."""
    if axis in ("x", "y", "heading"):
        return (axis,)
    if axis == "radial":
        return ("x", "y")
    along_x = abs(math.cos(heading_rad)) >= math.sqrt(0.5)
    return ("x",) if along_x == (axis == "along") else ("y",)


def _darkness(
    prepared: PreparedCase,
    moment: Moment,
    axes: tuple[str, ...],
    dark: tuple[DarkInterval, ...],
    describe: DescribeStep,
) -> str:
    now_s = float(prepared.plan.timeline.time_s[moment.knot])
    open_now = [
        d
        for d in dark
        if d.axis in axes and d.begin_s < now_s <= d.end_s + 1e-9 and now_s - d.begin_s >= _DARK_AT_LEAST_S
    ]
    if not open_now:
        return ""
    longest = min(open_now, key=lambda d: d.begin_s)
    return (
        f"No sensor can fix {longest.axis} from {longest.begin_s:.1f} s on: dark since "
        f"{describe(longest.first_step)}."
    )


def _last_fix(prepared: PreparedCase, covariance: CovarianceResult, moment: Moment) -> str:
    arrived = prepared.plan.timeline.readings.knot[covariance.accepted]
    before = arrived[arrived <= moment.knot]
    times = prepared.plan.timeline.time_s
    now_s = float(times[moment.knot])
    if before.size == 0:
        return "No reading is taken as a fix before it."
    gap_s = now_s - float(times[before.max()])
    return f"The last fix is {gap_s:.1f} s old by then." if gap_s >= _DARK_AT_LEAST_S else ""


def contact_reason(verdict: ContactVerdict, describe: DescribeStep, more: str = "run more trials") -> str:
    """Return where unintended contact happens and what is open, in plain words; "" when it passes.

    `more` says what to do about what is open.
    """
    if verdict.status == "pass":
        return ""
    seen = verdict.estimate
    words = []
    if verdict.places:
        place = verdict.places[0]
        which = (
            "Every contact is"
            if place.trials == seen.successes
            else (f"{share_words(place.trials / seen.successes, 0)} of the contacts are")
        )
        if verdict.tilted is not None and place.trials != seen.successes:
            # Counted as they are tilted: no share.
            which = "Most of the contacts seen are"
        words.append(f"{which} with {place.obstacle} in {describe(place.step)}.")
    if verdict.status == "undecided":
        weighted = "" if verdict.tilted is None else "weighted "
        words.append(f"{seen.trials} {weighted}trials leave open whether it is rarer than allowed: {more}.")
    return " ".join(words)
