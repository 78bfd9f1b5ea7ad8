"""Small made cases: distributions with known answers, without planning or simulating anything."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np

from driftgate.plan.values import Law
from driftgate.predict.filter_tally import empty_filter_tally
from driftgate.predict.values import (
    CovarianceResult,
    Moment,
    MomentCovariance,
    MomentTrials,
    Outcome,
    SourceInfo,
    TrialsResult,
)
from driftgate.schema.routine import Tolerance

STEPS = 4


def moment(name="pot-a", required=0.9, step=1, points=0, after=(), plan_heading=0.0, **within):
    """Return a moment; tolerance axes as texts with units."""
    return Moment(
        name=name,
        final=name == "end",
        step=step,
        knot=step + 1,
        pose=(1.0, 1.0, plan_heading),
        within=Tolerance.model_validate(within or {"x": "10 mm"}),
        required=required,
        points=points,
        after=tuple(after),
        doc_path=("final",) if name == "end" else ("steps", step),
    )


def moment_trials(error, touched=None, clock_s=None):
    """Return trials with these errors (n, 3), heading of the plan zero."""
    error = np.asarray(error, float)
    count = error.shape[0]
    return MomentTrials(
        error=error,
        along=error[:, 0],
        across=error[:, 1],
        estimation=np.zeros((count, 3)),
        tracking=np.zeros((count, 3)),
        clock_s=np.full(count, 5.0) if clock_s is None else np.asarray(clock_s, float),
        touched=np.zeros(count, bool) if touched is None else np.asarray(touched, bool),
    )


def trials_of(moments, touch_step=None, touch_obstacle=None, counts=None, wrong=None):
    """Return a trials result over these moments."""
    count = moments[0].touched.shape[0]
    none = np.full(count, -1, np.intp)
    return TrialsResult(
        trials=count,
        seed=1,
        moments=tuple(moments),
        counts=np.zeros((1, STEPS, len(Outcome)), np.int64) if counts is None else counts,
        wrongly_accepted=np.zeros((1, STEPS), np.int64) if wrong is None else wrong,
        wrongly_refused=np.zeros((1, STEPS), np.int64),
        fix_move_nm=np.zeros((1, STEPS), np.int64),
        touch_step=none if touch_step is None else np.asarray(touch_step, np.intp),
        touch_obstacle=none if touch_obstacle is None else np.asarray(touch_obstacle, np.intp),
        obstacles=("bench-a", "pot-b"),
        lost=np.zeros(count, bool),
        own=empty_filter_tally(1, STEPS, len(moments)),
    )


def covariance_of(count, mean=(0.0, 0.0, 0.0), by_source=None, accepted=(True, False)):
    """Return a covariance result with the same answer at every moment."""
    parts = by_source or {"heading_bias": np.diag([3e-6, 1e-6, 0.0]), "wall_build": np.diag([1e-6, 0, 1e-6])}
    here = MomentCovariance(
        mean=np.asarray(mean, float),
        cov=sum(parts.values()),
        by_source=parts,
        columns=np.zeros((3, 0)),
        mean_by_source={"known": np.asarray(mean, float)},
        guessed=parts.get("heading_bias", np.zeros((3, 3))),
        between_fields=parts.get("wall_build", np.zeros((3, 3))),
        estimation_mean=np.zeros(3),
        estimation_cov=np.zeros((3, 3)),
        tracking_mean=np.zeros(3),
        tracking_cov=np.zeros((3, 3)),
        filter_cov=np.zeros((3, 3)),
        clock_mean_s=5.0,
        clock_sd_s=0.0,
    )
    return CovarianceResult(
        moments=(here,) * count,
        accepted=np.asarray(accepted, bool),
        fixes=np.zeros(STEPS, np.intp),
        sources=(
            SourceInfo("heading_bias", "heading bias", "guess", "run"),
            SourceInfo("wall_build", "wall build", "measured", "field"),
        ),
        knot_mean=np.zeros((STEPS + 1, 3)),
        knot_cov=np.zeros((STEPS + 1, 3, 3)),
    )


def prepared_of(moments, time_limit_s=15.0, contact_allowed=0.0, enabled=True):
    """Return what the judge reads of a prepared case."""
    steps = [
        SimpleNamespace(name="leg" if i == 1 else None, label=f"advance {i} m", law=Law.RELATIVE, source=None)
        for i in range(STEPS)
    ]
    timeline = SimpleNamespace(
        time_s=np.arange(STEPS + 1.0),
        first_tick=np.arange(STEPS + 1),
        readings=SimpleNamespace(knot=np.array([1, 2], np.intp)),
    )
    routine = SimpleNamespace(
        time_limit=time_limit_s, final=SimpleNamespace(contact_allowed=contact_allowed), title="Made"
    )
    robot = SimpleNamespace(correction=SimpleNamespace(enabled=enabled), sensors=[object()])
    return SimpleNamespace(
        case=SimpleNamespace(routine=routine, robot=robot, true=None, believed=None),
        plan=SimpleNamespace(steps=steps, timeline=timeline, contacts={}),
        sight=None,
        moments=tuple(moments),
    )
