"""Requirements beyond 99.99 %, decided by tilted trials, through the command's own path."""

from __future__ import annotations

import dataclasses
import json
import math

import jsonschema
import pytest
from known_routine import write_known

from driftgate.report.as_json import render_json
from driftgate.report.json_schema import SCHEMA
from driftgate.report.terminal import render_terminal
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


@pytest.mark.evidence(
    source="normal and Rayleigh tails (derived)",
    compares="verdicts on failures of 4e-8 to 2e-4",
    tolerance="the interval holds it",
)
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


POT = """elements:
  - id: pot
    shape: {{circle: {{radius: 30 mm}}}}
    at: {{x: 2.8 m, y: 1.8 m}}
    scatter: {{x: 1 mm, y: 1 mm, heading: 0 deg, basis: guess, constant_over: run}}
    stray: {{probability: {probability}, basis: guess, constant_over: run}}
"""


@pytest.fixture
def astray(known, tmp_path):
    """Return a function that writes a routine which drives where a pot may have strayed to."""

    def write(probability, allowed, required="99.99 %"):
        known(5.0)
        field = tmp_path / "fieldmaps/box.yaml"
        field.write_text(field.read_text() + POT.format(probability=probability))
        routine = tmp_path / "routines/still.yaml"
        text = routine.read_text().replace("{do: pause, time: 100 ms}", "{do: advance, distance: 0.8 m}")
        text = text.replace("contact_allowed: 100 %", f"contact_allowed: {allowed}")
        routine.write_text(text.replace(f"required: {100.0 * REQUIRED!r} %", f"required: {required}"))

    return write


def contact_of(settings):
    """Return the verdict on contact of the only case, and the case."""
    (case,) = check_routines(settings).cases
    return case.verdict.contact, case


def share_struck(astray):
    """Return how often the robot strikes a pot that has always strayed, by plain trials."""
    astray("100 %", "100 %", "50 %")
    return contact_of(CheckSettings(trials=20_000, sample="fixed"))[0].estimate.probability


def test_mc_touches_of_weighted_trials_count(astray):
    """A pot strays once in 3333 runs: plain trials do not touch it, weighted ones do, and none may."""
    truth = 3e-4 * share_struck(astray)
    astray("0.03 %", "0 %")
    found, case = contact_of(CheckSettings())
    assert case.verdict.moments[-1].status == "pass"
    assert case.verdict.moments[-1].touched == 0
    assert found.status == case.verdict.status == "fail"
    assert found.places[0].obstacle == "pot"
    assert found.reason.startswith("Every contact is with pot in step 1")
    assert found.tilted.trials == case.verdict.moments[-1].tilted.trials > 46_000
    assert found.lower <= truth <= found.upper < 1e-4
    # Some 70 touches: four standard errors are half of it.
    assert found.tilted.probability == pytest.approx(truth, rel=0.5)
    report = check_routines(CheckSettings())
    assert f"by {found.tilted.trials} weighted trials" in render_terminal(report)
    # The foot says what the run took, and errors are stated that plain trials are too few for.
    assert f", and up to {found.tilted.trials} weighted ones for what requires 99.99 % or more, seed" in (
        render_terminal(report)
    )
    assert "unknown share" not in render_terminal(report)
    written = json.loads(render_json(report))
    jsonschema.validate(written, SCHEMA)
    kept = written["cases"][0]["prediction"]["contact"]
    assert kept["weighted_trials"]["failed"] == found.estimate.successes > 0


@pytest.mark.parametrize(("probability", "status"), [("0.03 %", "pass"), ("2 %", "fail")])
def test_mc_very_little_contact_is_decided_by_weighted_trials(astray, probability, status):
    """Against 0.01 % allowed, 0.001 % passes and 0.07 % fails, though the end asks for 50 % alone."""
    truth = {"0.03 %": 3e-4, "2 %": 0.02}[probability] * share_struck(astray)
    astray(probability, "0.01 %", "50 %")
    found, case = contact_of(CheckSettings())
    assert found.status == status
    assert (found.upper <= 1e-4) == (status == "pass")
    assert (found.lower > 1e-4) == (status == "fail")
    assert found.lower <= truth <= found.upper
    assert case.verdict.moments[-1].tilted is None
    # The plain trials do not wait for what they cannot show.
    assert case.verdict.looks == (1024,)


def test_law_contact_by_weighted_trials_hangs_on_nothing_else(astray):
    """Two workers give the same bytes; a fixed number of trials has no weighted ones."""
    astray("2 %", "0.01 %", "50 %")
    settings = CheckSettings()
    alone, together = check_routines(settings), check_routines(dataclasses.replace(settings, workers=2))
    assert render_json(alone) == render_json(together)
    assert contact_of(CheckSettings(trials=1000, sample="fixed"))[0].tilted is None
