"""Requirements beyond 99.99 %, decided by tilted trials, through the command's own path."""

from __future__ import annotations

import dataclasses
import math

import pytest
from known_routine import write_known

from driftgate.report.as_json import render_json
from driftgate.run.check import CheckSettings, check_routines

REQUIRED = 0.9999


@pytest.fixture
def known(tmp_path, monkeypatch):
    """Return a function that writes the project of known success probability into the current folder."""
    monkeypatch.chdir(tmp_path)
    return lambda sigmas: write_known(tmp_path, REQUIRED, half_width_sd=sigmas)


def failing(sigmas):
    """Return P(|z| > sigmas), from the complementary error function."""
    return math.erfc(sigmas / math.sqrt(2.0))


def end_of(settings):
    """Return the verdict on the end of the only case."""
    (case,) = check_routines(settings).cases
    return case.verdict.moments[-1]


@pytest.mark.parametrize(("sigmas", "status"), [(4.4, "pass"), (3.7, "fail"), (5.5, "pass")])
def test_ref_known_failures_of_one_in_ten_thousand_are_called_rightly(known, sigmas, status):
    """P(|z| > k) of 1.1e-5, 2.2e-4 and 3.8e-8 against 1e-4, by fewer than 100 000 trials."""
    known(sigmas)
    found = end_of(CheckSettings())
    truth = failing(sigmas)
    assert found.status == status
    assert found.lower <= 1.0 - truth <= found.upper
    assert found.estimate.low <= 1.0 - truth <= found.estimate.high
    assert found.tilted.trials <= 100_000
    assert found.decided_at == found.tilted.trials
    # A failure is called before any share could be stated.
    assert (found.used is None) == (status == "fail")
    assert found.used is None or found.used <= 1.0
    # 1 % of standard error: a tenth of the share and more would be ten of them.
    assert found.tilted.probability == pytest.approx(truth, rel=0.1)


def test_law_close_calls_take_more_and_stay_honest(known):
    """3.95 sigma, 0.8e-4 against 1e-4: 9 000 trials leave it open and say how many it takes at least."""
    known(3.95)
    found = end_of(CheckSettings(trials=1024))
    assert found.status == "pass"
    assert found.lower >= REQUIRED
    assert found.tilted.trials > 46_000


def test_law_a_fixed_number_of_trials_is_left_alone(known):
    """With --sample fixed nothing is tilted: the requirement is out of reach and the note says so."""
    known(4.4)
    found = end_of(CheckSettings(trials=2000, sample="fixed"))
    assert found.tilted is None
    assert found.status == "undecided"
    assert "too few" in found.note


def test_law_workers_change_no_byte(known):
    """Tilted trials over one worker and two give the same bytes."""
    known(3.7)
    settings = CheckSettings()
    alone, together = check_routines(settings), check_routines(dataclasses.replace(settings, workers=2))
    assert render_json(alone) == render_json(together)
