"""Closing the loop: runs of a robot whose errors are known, and what the calibration makes of their logs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from driftgate.calibrate.driven_steps import wanted_of
from driftgate.calibrate.from_logs import LogsFit, fit_logs
from driftgate.calibrate.usual import SIDEWAYS
from driftgate.load import load_routine
from driftgate.predict import Prepared, prepare
from driftgate.predict.logged import Reference, sample_runs
from driftgate.schema.case import Case

ROOT = Path(__file__).resolve().parents[2]
DRIVE = ROOT / "routines" / "calibration" / "drive.yaml"
RUNS = 6
REFERENCE = Reference("tape", (0.002, 0.002, math.radians(0.5)))


@dataclass(frozen=True)
class Found:
    """One number: what it really is, and the interval stated for it."""

    name: str
    truth: float
    low: float
    high: float

    @property
    def held(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low <= self.truth <= self.high


@cache
def calibration_case() -> Prepared:
    """Return the calibration drive on its own floor."""
    loaded = load_routine(DRIVE)
    field = loaded.field.field_map
    return prepare(Case(loaded.document.routine, loaded.robot.robot, believed=field, true=field))


def closed_loop(
    seed: int, runs: int = RUNS, confidence: float = 0.95, of: Prepared | None = None
) -> tuple[list[Found], LogsFit]:
    """Return every number that a calibration of some runs states, beside what was put in.

    `of` is another drive than the calibration drive. A source that its robot does not have is zero, but for
    the sideways scale: without one of its own that is the distance scale's.
    """
    case = of or calibration_case()
    robot = case.case.robot
    sampled = sample_runs(case, runs, seed, REFERENCE)
    drawn = sampled[0].drawn
    errors = robot.errors
    wanted = {} if errors.step_timing is None else wanted_of(case.plan.steps)
    fit = fit_logs([run.log for run in sampled], robot, [case.case.true] * runs, wanted, confidence)
    found = []
    slip = errors.lateral_slip
    for constant in fit.drift.constants:
        usual = constant.usual
        mean_key, spread_key, _ = usual.names
        key = "distance_scale" if (usual.key, errors.sideways_scale) == (SIDEWAYS, None) else usual.key
        source = getattr(errors, usual.field if key == usual.key else key)
        if source is None:
            truth = 0.0
        else:
            truth = drawn[key] if source.constant_over == "robot" else getattr(source, mean_key)
        if usual.key == "heading_latency" and slip is not None:
            truth -= slip.with_speed  # no drive tells the two apart
        found.append(Found(usual.key, truth, *constant.mean.interval(confidence)))
        if constant.spread is not None:
            spread, varies = constant.spread, getattr(source, spread_key, 0.0)
            if usual.key == "heading_latency" and slip is not None:
                varies = slip.with_speed_spread
            found.append(Found(f"{usual.key} between runs", varies, spread.low, spread.high))
    for noise in fit.drift.noises:
        usual_noise = noise.usual
        source = getattr(errors, usual_noise.field, None) if usual_noise.field else None
        truth = 0.0 if source is None else getattr(source, usual_noise.name)
        found.append(Found(usual_noise.key, truth, noise.size.low, noise.size.high))
    for source in fit.sources:
        if source.path[-1] in ("settling", "step_timing"):
            put_in = getattr(errors, source.path[-1])
            found += [
                Found(f"{source.path[-1]} {n.key}", getattr(put_in, n.key), *n.interval)
                for n in source.numbers
            ]
    for sensor in robot.sensors:
        ranges = fit.ranges[sensor.id]
        assert ranges is not None
        noise_of = sensor.errors.noise
        for name, estimate, truth in (
            ("bias", ranges.bias, drawn[f"range_bias:{sensor.id}"]),
            ("scale", ranges.scale, drawn[f"range_scale:{sensor.id}"]),
            ("angle", ranges.angle, drawn[f"mount_angle:{sensor.id}"]),
            ("noise at zero", ranges.at_zero, noise_of.at_zero),
            ("noise per range", ranges.per_range, noise_of.per_range),
        ):
            found.append(Found(f"{sensor.id} {name}", truth, *estimate.interval(confidence)))
        for name, rate, source in (
            ("dropout", ranges.dropout, sensor.errors.dropout),
            ("short", ranges.short, sensor.errors.short_return),
            ("long", ranges.long, sensor.errors.long_return),
        ):
            found.append(Found(f"{sensor.id} {name}", source.probability, *rate.interval(confidence)))
    return found, fit
