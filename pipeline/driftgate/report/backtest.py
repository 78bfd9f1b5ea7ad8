"""What a backtest shows, for people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from driftgate.calibrate.usual import in_words
from driftgate.core.many import named_of
from driftgate.report.backtest_constants import constants_sentences, constants_table
from driftgate.report.backtest_filter import claim_sentence
from driftgate.report.backtest_replay import INSIDE, inside_cell, replay_lines
from driftgate.report.quantities import quantity
from driftgate.report.text import plain, table

if TYPE_CHECKING:
    from driftgate.calibrate.backtest import ReckoningScore
    from driftgate.calibrate.beacons import BeaconModel
    from driftgate.calibrate.fit import Fit
    from driftgate.calibrate.score import Score
    from driftgate.report.backtest_model import Backtest, CheckpointRow, ReckoningRow

# Name in words and dimension of what is fitted.
NAMES = {
    key: (in_words(key), dimension)
    for key, dimension in (
        ("distance_scale", "ratio"),
        ("sideways_scale", "ratio"),
        ("heading_bias", "turn rate"),
        ("heading_scale", "ratio"),
        ("wheel_offset", "length"),
        ("crab_angle", "angle"),
        ("heading_latency", "time"),
        ("lateral_slip:turn", "length per turn"),
        ("lateral_slip:speed", "time"),
        ("distance_walk", "length per root metre"),
        ("lateral_walk", "length per root metre"),
        ("heading_walk:metre", "angle per root metre"),
        ("heading_walk:second", "angle per root second"),
        ("heading_walk:radian", "angle per root radian"),
        ("jitter:position", "length"),
        ("jitter:heading", "angle"),
    )
}
MEANING = {
    "calibrated": "errors are as large as predicted",
    "overconfident": "errors are larger than predicted",
    "overcautious": "errors are smaller than predicted",
    "cannot say": "too few independent errors to tell",
}


# Of a normal distribution 95 % lie below so many standard deviations.
_ONE_SIDED = 1.645
# Scores that are named beside the verdict.
_MOST_NAMED = 4


def render_backtest(found: Backtest, confidence_words: bool = True) -> str:
    """Return the report as text."""
    lines: list[str] = []
    for run in found.runs:
        lines.append(
            f"{plain(run.name)}  {run.rows} poses, {run.duration_s:.1f} s, {run.distance_m:.2f} m, "
            f"{run.readings} ranges; judged: {run.judged_m:.2f} m"
        )
    lines += ["", f"Model: {plain(found.fitted)}"]
    for row in found.reckoning:
        lines += _reckoning(row, len(found.reckoning) > 1)
    if found.beacons is not None:
        lines += _ranges(found.beacons)
    if found.correction:
        lines += replay_lines(found.correction)
    if found.checkpoints:
        lines += _checkpoints(found.checkpoints)
    lines += [f"Note: {plain(words)}." for words in found.warnings]
    lines += ["", *_verdict(found)]
    held = [row.constants for row in found.reckoning if row.constants is not None]
    if held:
        # Known errors on top differ from seed to seed: the worst is told.
        lines += constants_sentences(max(held, key=lambda one: len(one.found)))
    if found.claim is not None:
        lines.append(f"Filter: {claim_sentence(found.claim, found.means, found.beacons is not None)}")
    if confidence_words:
        lines += [
            "It covers the runs judged. Coverage alone proves nothing, a model that is wide enough covers "
            "everything: read it beside RMS and likelihood.",
        ]
    return "\n".join(lines) + "\n"


def _verdict(found: Backtest) -> list[str]:
    """Return the verdict, how many of the scores it rests on, and which say what where they differ."""
    words = [(_window(one), one.model.word) for row in found.reckoning for one in row.scores]
    words += [(f"replay of {plain(row.run)}", row.score.word) for row in found.correction if row.judged]
    words += [(f"'{plain(row.name)}'", row.score.word) for row in found.checkpoints]
    words += [
        ("constants of the file", "overconfident")
        for row in found.reckoning
        if row.constants is not None and row.constants.found
    ]
    by, unsaid = (sum(word == which for _, word in words) for which in (found.word, "cannot say"))
    meaning = MEANING[found.word]
    worse = _no_use(found)
    if found.word == "cannot say" or not words:
        return [f"Verdict: {found.word} ({meaning}){_more_runs(found)}", *worse]
    others = len(words) - by
    all_of_them = f"all {by} scores" if by > 1 else "1 score"
    scores = f"by {by} of {len(words)} scores" if others else f"by {all_of_them}"
    line = f"Verdict: {found.word}, {scores} ({meaning})"
    if unsaid:
        rest = "the others" if unsaid == others else f"{unsaid} of the others"
        have = "has" if unsaid == others == 1 else "have"
        line += f"; {'the other one' if have == 'has' else rest} {have} too few errors to say"
    lines = [line]
    if others:
        shown = [which for which in MEANING if any(word == which for _, word in words)]
        lines += [f"  {which}: {_named(words, which)}" for which in shown]
    return lines + worse


def _more_runs(found: Backtest) -> str:
    """Return what to do where nothing is said: each constant by itself tells more than all windows."""
    held = any(row.constants is not None for row in found.reckoning)
    below = ", and see what each constant by itself shows, below" if held else ""
    return f": judge more runs{below}"


def _no_use(found: Backtest) -> list[str]:
    """Return what is to be said of a fit that makes the runs worse that it was made from."""
    worse = next((row.worsened for row in found.reckoning if row.worsened is not None), None)
    if worse is None:
        return []
    return [
        f"But the fit is of no use: with its constants the fitted runs are {worse[0]:.3f} m off (RMS), with "
        f"the values that these replace {worse[1]:.3f} m. Look for a run or a reference that is wrong."
    ]


def _named(words: Sequence[tuple[str, str]], which: str) -> str:
    names = list(dict.fromkeys(name for name, word in words if word == which))
    return named_of(names, _MOST_NAMED)


def _reckoning(row: ReckoningRow, several: bool) -> list[str]:
    lines = [f"  seed {row.seed}"] if several else []
    lines += _model(row.model)
    lines += _biases(row)
    if row.constants is not None:
        lines += constants_table(row.constants)
    if not row.scores:
        return lines
    lines += ["", "Dead reckoning, errors at the ends of windows"]
    lines += _scores(row.scores)
    if row.with_jumps:
        lines += [f"  with the {row.left_out} windows in which the reference leaps sideways:"]
        lines += _scores(row.with_jumps)
    if row.scores[0].zero_mean is not None:
        lines += ["  and with all constants zero, the same noises fitted:"]
        lines += _scores(row.scores, zero=True)
    return lines


def _model(model: Fit) -> list[str]:
    rows = []
    for name, value in {**model.constants, **model.noise}.items():
        words, dimension = NAMES.get(name, (name, "ratio"))
        error = model.error_of(name) if name in model.names else 0.0
        known = error > 0.0 and math.isfinite(error)
        spread = quantity(error, dimension) if known else ""
        if known and name in model.noise and error > value:
            # What drowns in other noise is found at nought, where a standard error says nothing: its variance
            # has one, and so a largest size.
            error = math.sqrt(value * (value + 2.0 * _ONE_SIDED * error))
            spread = f"at most {quantity(error, dimension)}"
        shown = quantity(value, dimension, error if known and name not in model.left else None)
        rows.append((words, f"not found, left at {shown}" if name in model.left else shown, spread))
    slips = model.slips
    if slips is not None:
        fitted = "slip" in model.names
        size = quantity(slips.size_m, "length", (model.error_of("slip") if fitted else 0.0) or None)
        each = 1.0 / slips.rate_per_m
        rows.append(("rare slips of the distance", f"one in {each:.0f} m, {size} each", ""))
    # A robot file's: what it says of one run, spread and error of the mean together.
    column = "standard error" if model.windows else "standard deviation"
    lines = ["", *table(("", "value", column), rows)] if rows else []
    if slips is not None and "slip" in model.names:
        rate, along = quantity(slips.rate_per_m, "count per length"), quantity(slips.size_m, "length")
        lines.append(f"  In a robot file rare slips are  rare_slip: {{rate: {rate}, along: {along}, ...}}")
    return lines


def _window(one: ReckoningScore) -> str:
    if one.length_m is not None:
        return f"{one.length_m:g} m"
    return "one pose on" if one.poses_on == 1 else f"{one.poses_on} poses on"


def _biases(row: ReckoningRow) -> list[str]:
    """Return what is taken for the heading bias of each run, where there is more than one way to know it."""
    if len(row.biases) < 2 and not (row.biases and row.biases[0].known_by != "its own first part"):
        return []
    cells = [
        (
            plain(bias.run), quantity(bias.value, "turn rate", bias.error or None),
            quantity(bias.error, "turn rate"), bias.known_by,
        )
        for bias in row.biases
    ]  # fmt: skip
    return ["", "Heading bias of each run judged", *table(("run", "value", "error", "known by"), cells)]


def _scores(scores: tuple[ReckoningScore, ...], zero: bool = False) -> list[str]:
    rows = []
    for one in scores:
        s = one.zero_mean if zero else one.model
        if s is None:
            continue
        rows.append(
            (
                _window(one), f"{s.count} ({s.independent:.0f})", f"{s.rms_m:.3f} m",
                f"{s.predicted_m / s.rms_m:.2f}" if s.rms_m > 0.0 else "", *_shared_cells(s),
            )
        )  # fmt: skip
    header = ("\nlength", "windows\n(count as)", "position\nRMS", "predicted\n/actual", *_SHARED_TITLES)
    return table(header, rows)


def _ranges(model: BeaconModel) -> list[str]:
    rows = [
        (
            plain(name), quantity(scale, "ratio", scale_error), f"{offset:.3f} m", f"{sigma:.3f} m",
            str(used), str(out),
        )
        for name, scale, scale_error, offset, sigma, used, out in zip(
            model.name, model.scale.tolist(), model.scale_error.tolist(), model.offset_m.tolist(),
            model.sigma_m.tolist(), model.used.tolist(), model.left_out.tolist(), strict=True,
        )
    ]  # fmt: skip
    header = ("beacon", "reads long by", "offset", "noise", "readings", "left out")
    return ["", "Ranges, fitted", *table(header, rows)]


def _checkpoints(rows: tuple[CheckpointRow, ...]) -> list[str]:
    cells: list[tuple[str, ...]] = []
    for routine in dict.fromkeys(row.routine for row in rows):
        cells.append((f"of {plain(routine)}",))
        for row in rows:
            if row.routine != routine:
                continue
            s = row.score
            cells.append(
                (
                    f"{plain(row.name)}{'' if row.believed is None else ' *'}",
                    f"{s.count} ({s.independent:.0f})", f"{1e3 * s.rms_m:.1f} mm",
                    f"{s.predicted_m / s.rms_m:.2f}" if s.rms_m > 0.0 else "", *_shared_cells(s),
                )
            )  # fmt: skip
    header = ("checkpoint", "runs\n(count as)", "position\nRMS", "predicted\n/actual", *_SHARED_TITLES)
    lines = ["", "Checkpoints, predicted from the files (covariance engine)", *table(header, cells)]
    return [*lines, *_by_trials(rows)]


def _by_trials(rows: tuple[CheckpointRow, ...]) -> list[str]:
    """Return why some checkpoints are held against the trials, each reason once."""
    whose: dict[str, list[str]] = {}
    count = 0
    for row in rows:
        if row.believed is not None:
            count = row.believed.trials
            code = f" ({row.believed.code})" if row.believed.code else ""
            whose.setdefault(f"{row.believed.why}{code}", []).append(f"'{plain(row.name)}'")
    if not whose:
        return []
    lines = [
        f"  * Held against {count} trials (regions of highest density), not against the covariance engine's "
        "normal distribution:"
    ]
    return lines + [f"    {', '.join(names)}: {plain(why)}" for why, names in whose.items()]


# Columns that all scores have.
_SHARED_TITLES = ("heading\nRMS", INSIDE, "normalised,\n1 if right", "-log\nlikelihood", "\nverdict")


def _shared_cells(s: Score) -> tuple[str, ...]:
    low, high = (bound / s.dimensions for bound in s.normalised_bounds)
    heading = "" if s.heading_rms_rad is None else f"{math.degrees(s.heading_rms_rad):.2f} deg"
    return (
        heading, inside_cell(s.inside), f"{s.normalised / s.dimensions:.2f} ({low:.2f} to {high:.2f})",
        f"{s.nll:.2f}", s.word,
    )  # fmt: skip
