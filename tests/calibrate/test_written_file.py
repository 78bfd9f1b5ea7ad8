"""A robot file written from some runs of a made-up robot predicts its others, whatever of it was found."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from test_other_runs import SPREADS, STATED, _run, _scored, _verdict

from driftgate.calibrate.chain import logged_run
from driftgate.calibrate.component import Component
from driftgate.calibrate.drift_fit import DriftFit, fit_drift
from driftgate.calibrate.drift_found import differs_much
from driftgate.calibrate.robot_model import robot_model, with_reference_spread
from driftgate.calibrate.windows import Track
from driftgate.load.compose import compose
from driftgate.load.single import load_single
from driftgate.load.text import split_lines
from driftgate.report.robot_section import Origin, robot_section
from driftgate.schema.drift import ErrorSources
from driftgate.schema.robot import Robot

ROBOT = Path(__file__).resolve().parents[2] / "routines" / "robots" / "wren.yaml"


def _drift(runs: list[Track]) -> DriftFit:
    return fit_drift([logged_run(track, STATED) for track in runs], ErrorSources(), 0.95, slips=False)


def _written(drift: DriftFit) -> Robot:
    """Return the robot whose error sources are those that were found, as read from its lines."""
    text = "\n".join(robot_section(drift.sources, Origin(), 0.95))
    composed = compose(text, "robot.yaml", split_lines(text))
    assert isinstance(composed.data, dict)
    document = load_single(ROBOT, "robot").document
    assert document is not None
    assert isinstance(document.model, Robot)
    errors = ErrorSources.model_validate(composed.data["errors"])
    return document.model.model_copy(update={"errors": errors})


@pytest.mark.parametrize("fitted", [3, 6])
def test_mc_a_constant_in_which_runs_differ_much_is_in_the_file(fitted: int):
    """Its mean is known worse than is usual, for nothing but that: left out, no prediction had its spread.

    Then 30 of 30 files from six runs were named overconfident: a third of the positions within 95 % regions.
    """
    blamed, inside = 0, []
    for seed in range(6):
        rng = np.random.default_rng([seed, 9, fitted])
        runs = [_run(rng, 1000 * seed + i) for i in range(fitted + 8)]
        drift = _drift(runs[:fitted])
        scale = next(c for c in drift.constants if c.usual.key == "distance_scale")
        assert scale.spread is not None
        if scale.wide:
            assert scale.spread.sd == pytest.approx(SPREADS["distance_scale"], rel=1.0)
            hint = "distance scale, its mean better: more runs, since it differs much from each to the next"
            assert hint in drift.missing
        model = with_reference_spread(robot_model(_written(drift)), STATED)
        rows = _scored([model] * 8, runs[fitted:])
        blamed += _verdict(rows) == "overconfident"
        inside += [row.model.inside[-1] for row in rows]
    assert blamed <= 2
    assert np.mean(inside) >= 0.8


def test_law_runs_differ_much_if_they_are_seen_to_and_nothing_else_is_unknown():
    """A spread that may be none, or a mean that is off for other reasons, is no such case."""
    seen = Component(0.02, 0.01, 0.05, 5.0)
    assert differs_much(seen, 0.02 / np.sqrt(6.0), 6)
    assert differs_much(seen, 1.4 * 0.02 / np.sqrt(6.0), 6)
    assert not differs_much(seen, 1.5 * 0.02 / np.sqrt(6.0), 6)
    assert not differs_much(Component(0.02, 0.0, 0.05, 5.0), 0.02 / np.sqrt(6.0), 6)
    assert not differs_much(None, 0.02, 6)
