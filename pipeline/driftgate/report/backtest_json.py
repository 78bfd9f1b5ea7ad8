"""A backtest as JSON: every number in SI, with its unit in its name."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

from driftgate.report.backtest_constants import constants_data
from driftgate.report.backtest_filter import claim_sentence
from driftgate.report.json_text import plain_value

if TYPE_CHECKING:
    from driftgate.calibrate.backtest import ReckoningScore
    from driftgate.calibrate.fit import Fit
    from driftgate.calibrate.score import Score
    from driftgate.report.backtest_model import Backtest, CheckpointRow, CorrectionRow

FORMAT = 1
_LEVELS = ("50", "68", "90", "95")


def backtest_data(found: Backtest) -> dict[str, Any]:
    """Return the backtest as plain values."""
    return {
        "format": FORMAT,
        "kind": "backtest",
        "verdict": found.word,
        "status": int(found.status),
        "why": found.why,
        "model": found.fitted,
        "runs": [
            {
                "name": run.name, "poses": run.rows, "duration_s": run.duration_s,
                "distance_m": run.distance_m, "judged_m": run.judged_m, "jumps": run.jumps,
                "ranges": run.readings,
            }
            for run in found.runs
        ],
        "dead_reckoning": [
            {
                "seed": row.seed, **_model(row.model), "windows_left_out": row.left_out,
                "fit_made_worse": None if row.worsened is None else dict(
                    zip(("position_rms_m", "before_m"), row.worsened, strict=True)
                ),
                "heading_bias_of_runs": [
                    {
                        "run": bias.run, "value_rad_s": bias.value, "error_rad_s": bias.error,
                        "known_by": bias.known_by,
                    }
                    for bias in row.biases
                ],
                "constants_of_the_file": None if row.constants is None else constants_data(row.constants),
                "scores": [_reckoning(s) for s in row.scores],
                "scores_with_jumps": [_reckoning(s) for s in row.with_jumps],
            }
            for row in found.reckoning
        ],
        "beacons": None if found.beacons is None else [
            {
                "name": name, "scale": float(found.beacons.scale[i]),
                "offset_m": float(found.beacons.offset_m[i]), "sigma_m": float(found.beacons.sigma_m[i]),
                "readings": int(found.beacons.used[i]), "left_out": int(found.beacons.left_out[i]),
            }
            for i, name in enumerate(found.beacons.name)
        ],
        "correction": [_correction(row) for row in found.correction],
        "filter": None if found.claim is None else {
            "verdict": found.claim.word,
            "sentence": claim_sentence(found.claim, found.means, found.beacons is not None),
            "runs": found.claim.runs, "poses": found.claim.poses,
            "independent": found.claim.independent, "runs_needed": found.claim.enough_runs,
            "inside_95": found.claim.inside, "inside_95_interval": list(found.claim.inside_interval),
            "normalised": found.claim.normalised,
            "normalised_bounds": list(found.claim.normalised_bounds),
        },
        "checkpoints": [
            {
                "routine": row.routine, "name": row.name,
                "held_against": _held_against(row), **_score(row.score),
            }
            for row in found.checkpoints
        ],
        "warnings": list(found.warnings),
    }  # fmt: skip


def _held_against(row: CheckpointRow) -> dict[str, Any]:
    """Return which engine's distribution a checkpoint is scored by, and why where it is the trials'."""
    by = row.believed
    if by is None:
        return {"engine": "covariance", "trials": None, "seed": None, "code": None, "why": None}
    return {
        "engine": "trials", "trials": by.trials, "seed": by.seed, "code": by.code or None, "why": by.why,
    }  # fmt: skip


def render_backtest_json(found: Backtest) -> str:
    """Return the backtest as a JSON text; what is not a number is null."""
    return json.dumps(plain_value(backtest_data(found)), indent=2, allow_nan=False) + "\n"


def _model(model: Fit) -> dict[str, Any]:
    errors = {name: model.error_of(name) for name in model.names}
    slips = model.slips
    return {
        "constants": dict(model.constants),
        "not_found": list(model.left),
        "noise": dict(model.noise),
        "slips": None
        if slips is None
        else {"rate_per_m": slips.rate_per_m, "size_m": slips.size_m, "as_walk": slips.walk},
        "standard_errors": errors,
    }


def _reckoning(row: ReckoningScore) -> dict[str, Any]:
    zero = None if row.zero_mean is None else _score(row.zero_mean)
    return {"length_m": row.length_m, "poses_on": row.poses_on, **_score(row.model), "zero_mean": zero}


def _score(score: Score) -> dict[str, Any]:
    return {
        "windows": score.count,
        "independent": score.independent,
        "dimensions": score.dimensions,
        "position_rms_m": score.rms_m,
        "position_predicted_m": score.predicted_m,
        "position_p95_m": score.p95_m,
        "heading_rms_rad": score.heading_rms_rad,
        "heading_predicted_rad": score.heading_predicted_rad,
        "inside": dict(zip(_LEVELS, score.inside, strict=True)),
        "inside_95_interval": list(score.inside_95),
        "normalised": score.normalised,
        "normalised_bounds": list(score.normalised_bounds),
        "negative_log_likelihood": score.nll,
        "verdict": score.word,
    }


def _correction(row: CorrectionRow) -> dict[str, Any]:
    score, way = row.score, row.way_back
    back = {} if way is None else way.model_dump()
    return {
        "run": row.run,
        "gate_sigmas": row.gate,
        "way_back": back or None,
        "judged": row.judged,
        "seeds": score.seeds,
        "poses": score.poses,
        "independent": score.independent,
        "rmse_m": [float(value) for value in score.rmse_m],
        "p95_m": score.p95_m,
        "worst_m": score.worst_m,
        "heading_rmse_rad": score.heading_rmse_rad,
        "dead_reckoning_rmse_m": score.alone_rmse_m,
        "inside": dict(zip(_LEVELS, score.inside, strict=True)),
        "normalised": score.normalised,
        "innovations": score.normalised_used,
        "readings": dict(score.outcomes),
        "false_refused": score.false_refused,
        "good_refused": score.good_refused,
        "lost": score.strayed,
        "says_lost": score.said_lost,
        "as_the_robot_did": row.same,
        "verdict": score.word,
    }
