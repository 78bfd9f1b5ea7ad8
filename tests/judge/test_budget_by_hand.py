"""The budget on a handful of trials, every number of which is worked out beside it."""

import math

import numpy as np
import pytest
from made_cases import covariance_of, moment, moment_trials, trials_of

from driftgate.judge.budget import (
    AxisBudget,
    MomentOutput,
    Redrawn,
    SourceRow,
    budget_of,
    outputs_of,
    spread_of,
)
from driftgate.judge.pickfreeze import InputShares, Share
from driftgate.predict.values import SourceInfo


def output(errors, success=None):
    """Return an output on x and on the radius; trials succeed unless said otherwise."""
    errors = np.asarray(errors, float)
    ok = np.ones(len(errors), bool) if success is None else np.asarray(success)
    axes = {"x": errors[:, 0], "radial": errors}
    return MomentOutput(axes, np.where(ok, 0.5, np.inf), np.zeros(len(errors), bool))


def test_law_outputs_of_four_trials():
    """Errors by axis, radially both columns; the event counts distance, lateness, what was missed."""
    gate = moment("pot-a", x="10 mm", heading="10 deg")
    end = moment("end", after=("pot-a",), radial="20 mm")
    first = moment_trials([(5e-3, 9.0, 0.02), (12e-3, 9.0, 0), (-9e-3, 9.0, 0), (2e-3, 9.0, 0)])
    last = moment_trials(
        [(3e-3, 4e-3, 0), (3e-3, 4e-3, 0), (30e-3, 40e-3, 0), (0, 0, 0)], clock_s=[15.0, 9.0, 9.0, 15.1]
    )
    at_gate, at_end = outputs_of((gate, end), trials_of([first, last]), 15.0)
    assert at_gate.axes["x"].tolist() == [5e-3, 12e-3, -9e-3, 2e-3]
    assert at_gate.axes["heading"] == pytest.approx([0.02, 0, 0, 0], abs=1e-15)
    assert set(at_end.axes) == {"radial"}
    assert at_end.axes["radial"].tolist() == last.error[:, :2].tolist()
    # x: 5/10, 12/10, 9/10, 2/10; the heading's 0.02 rad of 10 deg are less than its trial's half.
    assert at_gate.event == pytest.approx([0.5, 1.2, 0.9, 0.2], rel=1e-12)
    # 5 of 20 mm in time; inside, but the gate was missed; 50 of 20 mm; inside, but late.
    assert at_end.event == pytest.approx([0.25, math.inf, 2.5, math.inf], rel=1e-12)
    assert at_end.success.tolist() == [True, False, False, False]


def test_law_the_first_trials_keep_every_part():
    """`first` cuts errors, events and contact alike."""
    whole = MomentOutput({"x": np.arange(4.0)}, np.arange(4.0) / 2, np.array([True, False, True, False]))
    part = whole.first(3)
    assert part.axes["x"].tolist() == [0, 1, 2]
    assert part.event.tolist() == [0, 0.5, 1.0]
    assert part.touched.tolist() == [True, False, True]
    assert part.success.tolist() == [True, True, True]


def test_law_spread_of_columns_adds_variances():
    """Spreads of 3 and 4 make 5; the divisor is the number of trials."""
    assert spread_of(np.array([1.0, 7.0])) == pytest.approx(3.0, rel=1e-15)
    assert spread_of(np.array([[1.0, 0.0], [7.0, 8.0]])) == pytest.approx(5.0, rel=1e-15)


def made_budget(plan_heading=0.0, **within):
    """Return a budget of two sources over four trials, on made runs."""
    end = moment("end", plan_heading=plan_heading, **within)
    cov = covariance_of(1, mean=(3e-3, 4e-3, 0.0))  # x: bias 3, walls 1; y: bias 1. [mm²]
    plain = output([(2e-3, 1e-3), (-2e-3, 3e-3), (2e-3, 1e-3), (-2e-3, 3e-3)], [True, True, True, False])
    redrawn = output([(-2e-3, 3e-3), (2e-3, 1e-3), (2e-3, 3e-3), (-2e-3, 1e-3)])
    still = output([(1e-3, 0), (1e-3, 0), (1e-3, 0), (3e-3, 0)], [True, False, True, False])
    runs = Redrawn(
        plain=(plain,),
        all_redrawn=(redrawn,),
        one_redrawn={"heading_bias": (redrawn,), "wall_build": (plain,)},
        off={"heading_bias": (still,), "wall_build": (plain,)},
    )
    (found,) = budget_of((end,), cov, runs)
    return found


def test_law_a_budget_along_x():
    """Shares and spreads of the covariance engine, what is left with a source off, and the order of rows."""
    found = made_budget(x="10 mm")
    assert (found.name, found.step, found.required, found.success) == ("end", 1, 0.9, 0.75)
    (axis,) = found.axes
    assert axis.covariance_mean == pytest.approx(3e-3, rel=1e-12)
    assert axis.covariance_sd == pytest.approx(2e-3, rel=1e-12)  # root of 3 + 1
    assert axis.trials_mean == pytest.approx(0.0, abs=1e-18)
    assert axis.trials_sd == pytest.approx(2e-3, rel=1e-12)
    assert [row.source.name for row in axis.rows] == ["heading_bias", "wall_build"]
    bias, walls = axis.rows
    assert bias.covariance_share == pytest.approx(0.75, rel=1e-12)
    assert walls.covariance_share == pytest.approx(0.25, rel=1e-12)
    assert bias.covariance_sd == pytest.approx(math.sqrt(3) * 1e-3, rel=1e-12)
    # With the bias off: 1, 1, 1, 3 mm, a variance of 3/4 mm², and two of four succeed.
    assert bias.off_sd == pytest.approx(math.sqrt(0.75) * 1e-3, rel=1e-12)
    assert (bias.off_success, walls.off_success) == (0.5, 0.75)
    # Redrawing the walls changes nothing: they have no part in what the trials vary by.
    assert walls.trials.total.value == pytest.approx(0.0, abs=1e-12)
    assert bias.size == max(0.75, bias.trials.first.value, bias.trials.total.value)


def test_law_a_budget_radially():
    """Radially both variances add up, and a mean is as long as it is."""
    (axis,) = made_budget(radial="20 mm").axes
    assert axis.covariance_mean == pytest.approx(5e-3, rel=1e-12)  # of 3 and 4 mm
    assert axis.covariance_sd == pytest.approx(math.sqrt(5) * 1e-3, rel=1e-12)  # 4 + 1
    assert axis.trials_mean == pytest.approx(2e-3, rel=1e-12)  # of 0 and 2 mm
    assert axis.trials_sd == pytest.approx(math.sqrt(5) * 1e-3, rel=1e-12)  # 4 + 1
    assert [row.covariance_share for row in axis.rows] == pytest.approx([0.8, 0.2], rel=1e-12)
    assert axis.rows[0].off_sd == pytest.approx(math.sqrt(0.75) * 1e-3, rel=1e-12)


def test_law_a_source_that_the_covariance_engine_does_not_see():
    """It makes nothing there; what the trials say of it stands."""
    still = output([(2e-3, 1e-3), (-2e-3, 3e-3)])
    moved = output([(-2e-3, 1e-3), (2e-3, 3e-3)])
    seen = covariance_of(1, by_source={"wall_build": np.diag([4e-6, 0, 0])})
    runs = {"heading_bias": (moved,), "wall_build": (still,)}
    (axis,) = budget_of((moment("end", x="10 mm"),), seen, Redrawn((still,), (moved,), runs, runs))[0].axes
    assert [row.source.name for row in axis.rows] == ["wall_build", "heading_bias"]
    assert (axis.rows[1].covariance_sd, axis.rows[1].covariance_share) == (0.0, 0.0)
    assert (axis.rows[0].covariance_sd, axis.rows[0].covariance_share) == (2e-3, 1.0)


def test_law_no_variance_leaves_shares_at_zero():
    """Where nothing varies there are no shares by trials, and none of a variance of zero."""
    end, still = moment("end", x="10 mm"), output([(1e-3, 0)] * 3)
    none = {"heading_bias": (still,), "wall_build": (still,)}
    zero = covariance_of(1, by_source={"heading_bias": np.zeros((3, 3)), "wall_build": np.zeros((3, 3))})
    (axis,) = budget_of((end,), zero, Redrawn((still,), (still,), none, none))[0].axes
    assert (axis.covariance_sd, axis.trials_sd, axis.by_extremes, axis.interactions) == (0, 0, 0, None)
    assert [(row.covariance_share, row.trials, row.size) for row in axis.rows] == [(0.0, None, 0.0)] * 2
    assert not axis.few_trials
    assert not axis.rows[0].few_trials


@pytest.mark.parametrize(("extremes", "few", "of_source"), [(0.1, False, False), (0.11, True, False)])
def test_law_a_few_trials_are_named(extremes, few, of_source):
    """Beyond a tenth of the whole, and beyond half of one source's part, a few trials decide."""
    share = Share(0.5, 0.1)
    info = SourceInfo("a", "a", "guess", "run")
    rows = [SourceRow(info, 0.0, 0.0, InputShares(share, share, e), 0.0, 1.0) for e in (extremes, 0.5, 0.51)]
    axis = AxisBudget(None, 0.0, 1.0, 0.0, 1.0, tuple(rows), None, extremes)
    assert axis.few_trials is few
    assert [row.few_trials for row in rows] == [of_source, False, True]
    assert rows[0].size == 0.5
