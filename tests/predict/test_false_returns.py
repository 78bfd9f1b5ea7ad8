"""False returns: how often, in what runs, and how far from the real surface."""

from __future__ import annotations

import numpy as np
import pytest

from driftgate.predict import run_trials
from driftgate.predict.echoes import EchoMaker, false_offset
from driftgate.schema.sensor import FalseReturn

from .scenes import field_map, prepared, range_sensor, robot


def false_return(**values):
    """Return a source of false returns."""
    return {"basis": "guess", "constant_over": "reading", "probability": "5 %", **values}


def looking(monkeypatch, errors, trials=400):
    """Return all readings of a long look at a wall 2 m ahead, shape (readings, trials)."""
    seen = []
    measure = EchoMaker.echo

    def spy(self, *arguments):
        echo = measure(self, *arguments)
        seen.append(echo.reading_m)
        return echo

    monkeypatch.setattr(EchoMaker, "echo", spy)
    sensor = range_sensor("front", 0.0, 0.0, 0.0, reach={"low": "0 m", "high": "4 m"}, errors=errors)
    case = prepared(
        [{"do": "look", "time": "10 s"}],
        robot(sensors=[sensor], correction={"gate": {"sigmas": 3.0}}),
        field_map(x=(-2.0, 2.0), y=(-2.0, 2.0)),
    )
    run_trials(case, trials, 3)
    return np.array(seen)


@pytest.mark.parametrize("run_length", [1.0, 5.0])
def test_mc_share_of_false_returns(monkeypatch, run_length):
    """The share of false returns is the one asked for, in runs or not, within 5 standard errors."""
    reading = looking(monkeypatch, {"short_return": false_return(run_length=run_length)})
    false = np.abs(reading - 2.0) > 1e-9

    # Runs of L readings make the count's variance about 2 L - 1 times that of independent ones.
    error = np.sqrt(0.05 * 0.95 * (2.0 * run_length - 1.0) / false.size)
    assert false.mean() == pytest.approx(0.05, abs=5.0 * error)


def test_mc_length_of_runs(monkeypatch):
    """False returns come in runs of the mean length asked for, within 5 standard errors."""
    reading = looking(monkeypatch, {"short_return": false_return(run_length=5.0)})
    false = np.abs(reading - 2.0) > 1e-9
    starts = np.count_nonzero(false[1:] & ~false[:-1]) + np.count_nonzero(false[0])
    # Geometric with mean 5: standard deviation sqrt(20); cut at the end of the look, 1 in 40.
    mean = np.count_nonzero(false) / starts

    assert mean == pytest.approx(5.0, abs=5.0 * np.sqrt(20.0 / starts) + 5.0 / 40.0)


@pytest.mark.parametrize(("name", "side"), [("short_return", -1.0), ("long_return", 1.0)])
def test_mc_false_returns_lie_near_the_surface(monkeypatch, name, side):
    """With a distance they lie on their side of the real surface, that far on average."""
    reading = looking(monkeypatch, {name: false_return(distance="100 mm")})
    off = (reading - 2.0)[np.abs(reading - 2.0) > 1e-9]

    assert np.all(np.sign(off) == side)
    # Exponential: standard deviation = mean; cut at 2 m, which is 20 means away.
    assert np.abs(off).mean() == pytest.approx(0.1, abs=5.0 * 0.1 / np.sqrt(off.size))


def test_law_false_offsets_stay_in_the_room():
    """A false return never lies beyond the room there is."""
    source = FalseReturn.model_validate(false_return(distance="1 m"))
    where = np.linspace(0.0, 1.0 - 1e-12, 101)
    offset = false_offset(source, where, np.full(101, 0.3))

    assert offset[0] == 0.0
    assert np.all(np.diff(offset) > 0.0)
    assert offset[-1] <= 0.3 + 1e-9


def test_law_runs_do_not_depend_on_batches():
    """Runs of false returns are the same in batches of 7 and of 4096."""
    sensor = range_sensor(
        "front", 0.0, 0.0, 0.0, errors={"short_return": false_return(run_length=4.0, distance="50 mm")}
    )
    case = prepared(
        [{"do": "look", "time": "2 s"}, {"do": "drive", "to": ["1 m", "0 m"]}],
        robot(sensors=[sensor], correction={"when": "always", "gate": {"sigmas": 3.0}}),
        spread=("20 mm", "0 mm", "0.2 deg"),
    )
    whole, parts = run_trials(case, 50, 2), run_trials(case, 50, 2, batch=7)

    assert np.array_equal(whole.moments[-1].error, parts.moments[-1].error)
    assert np.array_equal(whole.counts, parts.counts)


def test_mc_runs_end_while_nobody_looks(monkeypatch):
    """Looks 20 s apart see runs of their own: the last of one and the first of the next are unrelated.

    Runs of 5 readings at 20 Hz are over after a second. 2000 trials with 10 %: the correlation is
    within five standard errors of zero.
    """
    seen = {}
    measure = EchoMaker.echo

    def spy(self, r, *arguments):
        echo = measure(self, r, *arguments)
        seen[r] = np.abs(echo.reading_m - 2.0) > 1e-9
        return echo

    monkeypatch.setattr(EchoMaker, "echo", spy)
    false = {"short_return": false_return(run_length=5.0, probability="10 %")}
    sensor = range_sensor("front", 0.0, 0.0, 0.0, reach={"low": "0 m", "high": "4 m"}, errors=false)
    case = prepared(
        [{"do": "look", "time": "0.3 s"}, {"do": "pause", "time": "20 s"}, {"do": "look", "time": "0.3 s"}],
        robot(sensors=[sensor], correction={"when": "looking", "gate": {"sigmas": 3.0}}),
        field_map(x=(-2.0, 2.0), y=(-2.0, 2.0)),
    )
    run_trials(case, 2000, 3)
    step = case.plan.timeline.readings.step
    last, first = max(r for r in seen if step[r] == 0), min(r for r in seen if step[r] == 2)
    assert seen[last].mean() > 0.05
    assert abs(np.corrcoef(seen[last], seen[first])[0, 1]) < 5.0 / np.sqrt(2000.0)


def test_mc_long_returns_come_in_runs_as_well(monkeypatch):
    """Long false returns in runs of 5 keep their share, within 5 standard errors."""
    reading = looking(monkeypatch, {"long_return": false_return(run_length=5.0)})
    false = np.abs(reading - 2.0) > 1e-9
    assert np.nanmin(reading) > 2.0 - 1e-9
    error = np.sqrt(0.05 * 0.95 * 9.0 / false.size)
    assert false.mean() == pytest.approx(0.05, abs=5.0 * error)
