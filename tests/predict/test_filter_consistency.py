"""The report on the filter: published bounds, filters that are mistuned on purpose, and what it advises.

The bounds are those of Y. Bar-Shalom, X. R. Li and T. Kirubarajan (2001), section 5.4.2, and of F. van der
Heijden et al. (2004), section 8.4; critical values from the NIST/SEMATECH e-Handbook, 1.3.6.7.4.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from driftgate.core.errors import ModelError
from driftgate.judge import tuning, tuning_screen
from driftgate.judge.consistency import (
    Consistency,
    chi_square_region,
    filter_consistency,
    gated_mean,
    mean_normalised,
)
from driftgate.judge.region import region_factor
from driftgate.judge.tuning import Advice, advice
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.filter_model import filter_model
from driftgate.predict.filter_tally import FilterTally, normalised_error
from driftgate.predict.trials_engine import merge_trials
from driftgate.predict.values import TrialsResult
from driftgate.schema.correction import FilterNumbers
from driftgate.sight.pairs import slots

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run, tick
from .test_consistency import matched


@pytest.mark.evidence(
    source="Bar-Shalom, Li, Kirubarajan 2001, 5.4.2",
    compares="regions of mean normalised errors",
    tolerance="5e-5 to 1e-4",
)
def test_ref_published_bounds() -> None:
    """Fifty runs of two components: the book prints [1.5, 2.6]; the others are forced by chi-square."""
    for runs, size, low, high in (
        (50, 2, 1.4844, 2.5912),
        (50, 1, 0.6471, 1.4284),
        (50, 3, 2.3597, 3.7160),
        (100, 3, 2.5391, 3.4987),
        (1, 3, 0.2158, 9.3484),
    ):
        assert chi_square_region(runs, size) == pytest.approx((low, high), abs=5e-5)


@pytest.mark.evidence(
    source="NIST/SEMATECH e-Handbook 1.3.6.7.4; van der Heijden et al. 2004, 8.4",
    compares="critical values of chi-square",
    tolerance="6e-4",
)
@pytest.mark.parametrize(
    ("size", "upper_5", "upper_1"),
    [(1, 3.841, 6.635), (2, 5.991, 9.210), (3, 7.815, 11.345), (4, 9.488, 13.277), (100, 124.342, 135.807)],
)
def test_ref_critical_values(size: int, upper_5: float, upper_1: float) -> None:
    """Upper ends of single-run regions are the critical values (5.99 and 3.84 also of the example)."""
    assert chi_square_region(1, size, 0.90)[1] == pytest.approx(upper_5, abs=6e-4)
    assert chi_square_region(1, size, 0.98)[1] == pytest.approx(upper_1, abs=6e-4)


@pytest.mark.parametrize(
    ("runs", "size", "confidence"), [(0, 3, 0.95), (1, 0, 0.95), (1, 1, 1.0), (1, 1, 0.0)]
)
def test_err_no_region(runs: int, size: int, confidence: float) -> None:
    """No runs, no components or no confidence have no region."""
    with pytest.raises(ModelError, match="no chi-square region"):
        chi_square_region(runs, size, confidence)


@pytest.mark.evidence(
    source="library scipy",
    compares="rate interval, paired test, Poisson counts, gated mean",
    tolerance="1e-9 to 1e-6 of it",
)
@pytest.mark.parametrize("sigmas", [1.0, 2.0, 3.0, 5.0])
def test_ref_what_a_gate_leaves(sigmas: float) -> None:
    """The mean square inside a gate is that of the truncated normal, by quadrature."""
    inside = integrate.quad(lambda z: z * z * stats.norm.pdf(z), -sigmas, sigmas)[0]
    assert gated_mean(sigmas) == pytest.approx(inside / (2.0 * stats.norm.cdf(sigmas) - 1.0), rel=1e-9)
    assert gated_mean(None) == 1.0


@pytest.mark.evidence(
    source="worked on paper",
    compares="filter against full matrices, information form",
    tolerance="1e-6 of it or less",
)
def test_ref_normalised_error_by_full_matrices() -> None:
    """The normalised error is e' P^-1 e, by a general solver."""
    rng = np.random.default_rng(3)
    root = rng.normal(0.0, 0.05, (40, 3, 3))
    p = root @ root.transpose(0, 2, 1) + 1e-5 * np.eye(3)
    e = rng.normal(0.0, 0.05, (40, 3))
    six = tuple(p[:, i, j] for i, j in ((0, 0), (0, 1), (0, 2), (1, 1), (1, 2), (2, 2)))
    found, certain = normalised_error([e[:, i] for i in range(3)], six)  # type: ignore[arg-type]
    expected = np.einsum("ni,nij,nj->n", e, np.linalg.inv(p), e)
    assert found == pytest.approx(np.minimum(expected, 1000.0), rel=1e-9)
    assert not certain.any()


def test_law_a_coordinate_known_perfectly() -> None:
    """A filter without variance is right if there is no error and as wrong as can be if there is one."""
    one, none = np.ones(2), np.zeros(2)
    for certain_six in (
        (none, none, none, one, none, one),
        (one, none, none, none, none, one),
        (one, none, none, one, none, none),
        (one, one, none, one, none, one),  # x and y known to be the same
    ):
        error = [np.array([0.0, 0.3]), np.array([0.0, 0.5]), np.array([0.0, 0.7])]
        found, certain = normalised_error(error, certain_six)
        assert found.tolist() == [0.0, 1000.0]
        assert certain.all()


# Filters that are right, and mistuned on purpose


def consistency_of(case: Prepared, result: TrialsResult) -> Consistency:
    """Return what is said of the filter."""
    found = filter_consistency(case.case, tuple((m.name, m.step) for m in case.moments), result)
    assert found is not None
    return found


TRIALS = 600


def test_mc_a_filter_that_knows_its_errors_is_consistent() -> None:
    """Coverage, mean square and innovations of a matched filter are what they claim to be."""
    case = matched()
    result = run_trials(case, TRIALS, 4)
    found = consistency_of(case, result)
    assert found.word == "consistent"
    assert not found.hidden
    (end,) = found.moments
    for claimed, held in zip((0.50, 0.68, 0.90, 0.95), end.coverage["all"], strict=True):
        assert abs(held - claimed) < 4.0 * np.sqrt(claimed * (1.0 - claimed) / TRIALS)
    for axis in ("x", "y", "heading"):
        assert abs(end.coverage[axis][1] - 0.68) < 4.0 * np.sqrt(0.68 * 0.32 / TRIALS)
    assert abs(end.mean - 3.0) < 4.0 * np.sqrt(6.0 / TRIALS)
    assert len(found.sensors) == 3
    for sensor in found.sensors:
        assert sensor.word == "consistent"
        assert sensor.mean_used == pytest.approx(1.0, abs=4.0 * sensor.error)
        # Three or four independent innovations a trial: far fewer than readings over all trials.
        assert sensor.error == pytest.approx(np.sqrt(2.0 / (sensor.used / TRIALS) / TRIALS), rel=0.15)
        assert sensor.beyond_95 == pytest.approx(0.05, abs=0.015)
        assert sensor.beyond_99 == pytest.approx(0.01, abs=0.01)
        assert abs(sensor.offset) < 0.1
        assert 0.0 < sensor.own < 1.0
    assert advice(case, found, 1) == ""


@pytest.mark.parametrize(("trials", "moments"), [(300, 20), (300, 5), (1000, 40)])
def test_mc_many_moments_raise_no_more_false_alarms(trials: int, moments: int) -> None:
    """A filter whose 95 % region holds the truth in 95 % is called too trusting in 5 % of runs at most.

    With each of 20 moments at 95 % by itself it would be 17 % with 300 trials.
    """
    rng, case, runs, wrong = np.random.default_rng(8), matched(), 300, 0
    sensors = np.zeros((len(slots(case.case.robot).names), 3), np.int64)
    result = run_trials(case, 10, 4)
    names = tuple((f"m{i}", i) for i in range(moments))
    for _ in range(runs):
        right = np.sort(rng.binomial(trials, (0.5, 0.68, 0.9, 0.95), (moments, 4, 4)), axis=-1)
        nees = np.tile(np.array([trials, 3000 * trials, 9_000_000 * trials]), (moments, 1))
        own = replace(
            result.own,
            by_trial=sensors,
            inside=right,
            nees=nees,
            certain=np.zeros(moments, np.int64),
        )
        found = filter_consistency(case.case, names, replace(result, own=own))
        assert found is not None
        wrong += found.word != "consistent"
    # Three standard errors of 5 % over 300 runs are 3.8 %.
    assert wrong / runs <= 0.088


def test_law_sensors_share_their_error_rate() -> None:
    """A mean innovation that one sensor alone would be blamed for is not held against one of three."""
    case = matched()
    result = run_trials(case, 10, 4)
    trials, limit = 1000, chi_square_region(1000, 1)[1]
    square = 1000.0 * 0.5 * (limit + chi_square_region(1000, 1, 1.0 - 0.05 / 3.0)[1])
    by_trial = np.tile(np.array([trials, round(trials * square), round(trials * square**2)]), (3, 1))
    found = consistency_of(case, replace(result, own=replace(result.own, by_trial=by_trial)))
    assert found.sensors
    for sensor in found.sensors:
        assert sensor.mean_used is not None
        assert sensor.mean_used / sensor.expected > sensor.region[1] == pytest.approx(limit)
        assert sensor.word == "consistent"


@pytest.mark.parametrize(
    ("own", "word", "sensors"),
    [
        ({"range_at_zero": "2 mm"}, "too trusting", "too trusting"),
        ({"range_at_zero": "40 mm"}, "too shy", "too shy"),
        ({"start_heading": "0.1 deg", "heading_per_root_metre": "0 deg/sqrt(m)"}, "too trusting", ""),
    ],
    ids=["overconfident", "underconfident", "heading taken for granted"],
)
def test_mc_a_mistuned_filter_is_named(own: dict[str, Any], word: str, sensors: str) -> None:
    """A filter with wrong numbers is called what it is, and a change that mends it is found and tried."""
    case = matched(own)
    found = consistency_of(case, run_trials(case, TRIALS, 4))
    assert found.word == word
    assert found.sentence.startswith(
        f"The filter trusts itself too {'much' if 'trusting' in word else 'little'}"
    )
    if sensors:
        assert {s.word for s in found.sensors} == {sensors}
    mend = advice(case, found, 2)
    if "range_at_zero" in own:
        assert isinstance(mend, Advice)
        assert mend.key == "range_at_zero"
        # The readings' noise is 8 mm.
        assert 4.0 <= float(mend.better.split()[0]) <= 16.0
        now, better = (float(text.split()[0]) for text in (mend.now, mend.better))
        assert (better > now) == (word == "too trusting")
        assert mend.sentence.startswith("Raise" if "trusting" in word else "Lower")


def test_mc_only_what_is_something_is_lowered(monkeypatch: pytest.MonkeyPatch) -> None:
    """A filter that doubts start and readings is told to lower its readings'; what is zero is not tried."""
    tried: list[str] = []
    changed = tuning_screen.with_numbers

    def spy(prepared_: Prepared, changes: Any) -> Prepared:
        tried.extend(number.key for number, _ in changes)
        return changed(prepared_, changes)

    monkeypatch.setattr(tuning_screen, "with_numbers", spy)
    own = {"start_x": "200 mm", "start_y": "200 mm", "start_heading": "15 deg", "range_at_zero": "60 mm"}
    case = matched(own)
    mend = advice(case, consistency_of(case, run_trials(case, TRIALS, 4)), 2)
    assert isinstance(mend, Advice)
    assert (mend.key, mend.now) == ("range_at_zero", "60 mm")
    # The readings' noise is 8 mm.
    assert 5.0 <= float(mend.better.split()[0]) <= 20.0
    # Its innovations say that it is the readings' numbers; of those all others are zero.
    assert set(tried) == {"range_at_zero"}


def hiding(own_mm: float, scale_percent: float = 3.0, consider: bool = False) -> Prepared:
    """Return a robot that looks for long at two walls with sensors that read some per cent long or short."""
    errors = {
        "noise": {"at_zero": "5 mm", "constant_over": "reading", **GUESS},
        "scale": run(spread=f"{scale_percent!r} %"),
    }
    sensors = [
        range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz", errors=errors),
        range_sensor("left", 0.0, 0.0, 90.0, rate="10 Hz", errors=errors),
    ]
    own = {"range_at_zero": f"{own_mm!r} mm", "range_per_range": "0 %", "consider": consider}
    machine = robot({}, sensors, {"when": "always", "gate": {"sigmas": 3.0}, "filter": own})
    return prepared(
        [{"do": "look", "time": "2 s"}],
        machine,
        believed=field_map(x=(-2.0, 2.0), y=(-2.0, 2.0)),
        spread=("50 mm", "50 mm", "0.5 deg"),
    )


def test_mc_an_unmodelled_scale_hides_from_the_innovations() -> None:
    """Readings 3 % off over 2 m, held against 40 mm of their own: innovations pass, coverage does not."""
    case = hiding(40.0)
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    assert all(s.word != "too trusting" for s in found.sensors)
    assert found.moments[-1].coverage["all"][-1] < 0.7
    assert found.word == "too trusting"
    assert found.hidden
    assert "innovations alone would pass" in found.sentence
    # The same filter on sensors without a scale error is right, or shy.
    honest = hiding(40.0, 0.0)
    assert consistency_of(honest, run_trials(honest, TRIALS, 1)).word != "too trusting"


@pytest.mark.parametrize(
    ("coverage", "mean", "word"),
    [
        ((0.50, 0.68, 0.90, 0.95), 3.0, "consistent"),
        # Clearly below 95 %, and still fit for use.
        ((0.48, 0.66, 0.885, 0.93), 3.3, "consistent"),
        ((0.45, 0.63, 0.86, 0.91), 3.6, "too trusting"),
        ((0.55, 0.73, 0.93, 0.97), 2.7, "consistent"),
        ((0.65, 0.82, 0.96, 0.979), 2.3, "too shy"),
        ((0.58, 0.78, 0.97, 0.99), 2.3, "too shy"),
        # Wide in the middle but with wild trials: not shy.
        ((0.65, 0.82, 0.93, 0.95), 9.0, "consistent"),
    ],
)
def test_law_verdict_on_coverage(coverage: tuple[float, ...], mean: float, word: str) -> None:
    """Coverage of 92 to 98 % is fit for use; outside of it the filter is named, if trials leave no doubt."""
    case = hiding(40.0)
    result, trials = run_trials(case, 5, 1), 10_000
    own = replace(
        result.own,
        nees=np.array([[trials, round(mean * 1e3) * trials, 0]]),
        inside=np.tile(np.rint(np.array(coverage) * trials).astype(np.int64), (1, 4, 1)),
    )
    said = consistency_of(case, replace(result, own=own))
    assert said.word == word
    assert ("within the slack" in said.sentence) == (coverage[-1] == 0.93)


def test_law_few_trials_say_nothing() -> None:
    """Twenty trials are too few for a verdict, and the sentence says so."""
    case = hiding(40.0)
    found = consistency_of(case, run_trials(case, 20, 1))
    assert found.word == "cannot say"
    assert "20 trials" in found.sentence
    assert advice(case, found, 1) == ""


def test_law_a_robot_without_fixes_has_no_filter_to_judge() -> None:
    """Without sensors, or with the correction off, there is nothing to say."""
    for machine in (
        robot(),
        robot(sensors=[range_sensor("a", 0.0, 0.0, 0.0)], correction={"enabled": False}),
    ):
        case = prepared([{"do": "look", "time": "1 s"}], machine)
        moments = tuple((m.name, m.step) for m in case.moments)
        assert filter_consistency(case.case, moments, run_trials(case, 5, 1)) is None


def test_law_a_filter_that_is_certain_cannot_be_judged() -> None:
    """A filter that starts without any doubt of its heading claims to know it perfectly."""
    own = {"start_heading": "0 deg", "range_at_zero": "5 mm"}
    machine = robot(sensors=[range_sensor("a", 0.0, 0.0, 0.0)], correction={"when": "always", "filter": own})
    case = prepared([{"do": "look", "time": "0.2 s"}], machine)
    found = consistency_of(case, run_trials(case, 200, 1))
    assert found.word == "cannot say"
    assert "perfectly" in found.sentence


# The sums


def test_law_sums_do_not_depend_on_batches() -> None:
    """The sums of 60 trials are the same in one batch, in batches of 7, and merged from two runs."""
    case = hiding(10.0)
    whole = run_trials(case, 60, 1)
    parts = merge_trials([run_trials(case, 25, 1), run_trials(case, 35, 1, first=25)])
    for other in (run_trials(case, 60, 1, batch=7), parts):
        for name in FilterTally.__dataclass_fields__:
            assert np.array_equal(getattr(whole.own, name), getattr(other.own, name)), name


def test_law_readings_at_the_gate_are_those_counted() -> None:
    """What came to the gate was accepted, refused there, or held back; the fixes were accepted."""
    result = run_trials(hiding(10.0), 60, 1)
    gate = result.counts[..., 0] + result.counts[..., 11] + result.counts[..., 12]
    assert np.array_equal(result.own.tried, gate)
    assert np.array_equal(result.own.used, result.counts[..., 0])


def test_law_mean_square_is_that_of_the_trials() -> None:
    """The mean square is that of the trials' own errors under the filter's covariance."""
    case = matched()
    result = run_trials(case, 200, 1)
    moment = result.moments[-1]
    heading = moment.tracking[:, 2]
    c, s = np.cos(heading), np.sin(heading)
    ahead, left, turn = moment.estimation.T
    e = np.stack([c * ahead - s * left, s * ahead + c * left, turn], axis=-1)
    information = np.linalg.inv(covariance(case).moments[-1].filter_cov)
    expected = np.einsum("ni,ij,nj->n", e, information, e).mean()
    # Each trial's filter looks along its own belief, not along the plan: a few per cent of its numbers.
    assert result.own.nees[-1, 1] / 200 / 1e3 == pytest.approx(expected, rel=0.03)


def test_law_expected_mean_square() -> None:
    """Errors as the filter says make 3, a bias of one sigma adds 1, twice the spread makes four times 3."""
    p = np.diag([0.01, 0.04, 0.09])
    zero = np.zeros(3)
    assert mean_normalised(p, zero, p) == pytest.approx(3.0)
    assert mean_normalised(p, np.array([0.1, 0.0, 0.0]), p) == pytest.approx(4.0)
    assert mean_normalised(p, zero, 4.0 * p) == pytest.approx(12.0)
    assert mean_normalised(np.diag([0.01, 0.0, 0.09]), zero, p) is None


def test_mc_advice_holds_in_another_run() -> None:
    """What is advised of a filter with a hidden error holds the truth as often as it was tried to."""
    case = hiding(40.0)
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    mend = advice(case, found, 3)
    assert isinstance(mend, Advice)
    assert mend.sentence.startswith("Set correction.filter.consider to true: with it the 95 % region")
    # As one would write it into the robot file.
    written = {"range_at_zero": "40 mm", "range_per_range": "0 %", mend.key: mend.better == "true"}
    own = case.case.robot.correction.filter.model_copy(
        update={mend.key: getattr(FilterNumbers.model_validate(written), mend.key)}
    )
    correction = case.case.robot.correction.model_copy(update={"filter": own})
    machine = case.case.robot.model_copy(update={"correction": correction})
    changed = replace(case, filter=filter_model(replace(case.case, robot=machine)))
    again = consistency_of(changed, run_trials(changed, TRIALS, 9)).moments[-1].coverage["all"][-1]
    assert again == pytest.approx(mend.held, abs=0.04)


def walled(offset_mm: float) -> Prepared:
    """Return a robot with good sensors and a filter that knows nothing of walls that are off."""
    errors = {"noise": {"at_zero": "5 mm", "constant_over": "reading", **GUESS}, "scale": run(spread="0.2 %")}
    sensors = [
        range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz", errors=errors),
        range_sensor("left", 0.0, 0.0, 90.0, rate="10 Hz", errors=errors),
    ]
    build = {"offset": f"{offset_mm!r} mm", "tilt": "0 deg", "constant_over": "field", **GUESS}
    return prepared(
        [{"do": "look", "time": "1 s"}, {"do": "drive", "to": ["1 m", "0 m"]}],
        robot({}, sensors, {"when": "always", "filter": {"wall": "0 mm"}}),
        believed=field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), build=build),
        spread=("50 mm", "50 mm", "0.5 deg"),
    )


def test_mc_walls_that_are_off_are_mended_by_the_number_for_walls() -> None:
    """Where wall build makes most of the error, `wall` is what to raise, not a number of the sensors."""
    case = walled(20.0)
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    assert found.word == "too trusting"
    mend = advice(case, found, 3)
    assert isinstance(mend, Advice)
    assert mend.key == "wall"
    assert mend.now == "0 mm"
    assert mend.sentence.startswith("Raise correction.filter.wall from 0 mm to ")
    assert 14.0 <= float(mend.better.split()[0]) <= 40.0


def made_change(case: Prepared, *keys: str, further: float = 0.0) -> tuning.Change:
    """Return a change of numbers that are none of the filter's."""
    number = next(n for n in tuning_screen.NUMBERS if n.key == "wall")
    edits = tuple(tuning.Edit(replace(number, key=key), True, 3.0) for key in keys)
    return tuning.Change(edits, case, 0.1, further)


class MadeScreen:
    """Stands for the covariance engine's word on which changes are worth a run."""

    def __init__(self, case: Prepared, nearest: float) -> None:
        self.nearest = nearest
        self._case = case

    def left_out(self) -> list[tuning.Change]:
        """Return nothing: the filter leaves nothing out."""
        return []

    def alone(self) -> list[tuning.Change]:
        """Return three numbers."""
        return [made_change(self._case, f"n{i}") for i in range(3)]

    def pairs(self) -> list[tuning.Change]:
        """Return one pair, that leaves the robot as near as can be."""
        return [made_change(self._case, "n0", "n1", further=self.nearest)]


@pytest.mark.parametrize(
    ("outcomes", "nearest", "told"),
    [
        # The first that mends and takes the position no further off.
        ([(True, 12.0), (True, 9.0)], 0.0, "n1"),
        ([(True, 10.3)], 0.0, "n0 no nearer"),
        # Where no single number mends it, two.
        ([(False, 9.0), (False, 9.0), (True, 12.0), (True, 8.0)], 0.0, "n0 and n1 no single"),
        # One mends it, and two are expected to leave the robot much nearer, or no nearer.
        ([(True, 9.9), (True, 7.0)], -0.3, "n0 and n1 mend it best"),
        ([(True, 9.9), (False, 7.0)], -0.3, "n0"),
        ([(True, 9.9)], -0.05, "n0"),
        # Where each takes it further off, none is advised.
        ([(False, 9.0), (True, 28.0), (True, 13.0), (False, 9.0)], 0.0, "harm"),
        ([(False, 28.0), (False, 28.0), (False, 28.0), (False, 28.0)], 0.0, "none"),
    ],
)
def test_law_advice_does_not_take_the_position_further_off(
    monkeypatch: pytest.MonkeyPatch, outcomes: list[tuple[bool, float]], nearest: float, told: str
) -> None:
    """A change that leaves the robot further off is never advised, and said to be harm."""
    case = walled(20.0)
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    keys: list[str] = []

    def tried(_: Any, change: tuning.Change) -> tuning.Tried:
        mends, off_mm = outcomes[len(keys)]
        keys.append(" and ".join(edit.number.key for edit in change.edits))
        return tuning.Tried(
            change, replace(found, word="consistent" if mends else found.word), (0.010, 1e-3 * off_mm)
        )

    monkeypatch.setattr(tuning, "Screen", lambda *_: MadeScreen(case, nearest))
    monkeypatch.setattr(tuning, "value_of", lambda *_: 0.01)
    monkeypatch.setattr(tuning._Run, "_try", tried)
    mend = advice(case, found, 3)
    assert len(keys) == len(outcomes)
    if told in ("none", "harm"):
        assert keys == ["n0", "n1", "n2", "n0 and n1"]
        assert isinstance(mend, str)
        assert ("farther off: 13.0 mm (root mean square) in place of 10.0 mm, so do not" in mend) == (
            told == "harm"
        )
        return
    assert isinstance(mend, Advice)
    key = "n0 and n1" if "and" in told else told[:2]
    assert mend.key == key
    for words in ("no nearer", "mend it best"):
        assert (words in mend.sentence) == (words in told)
    assert ("No single number" in mend.sentence) == ("no single" in told)
    if "and" in told:
        assert "n0 from 10 mm to 10 mm and raise correction.filter.n1 from" in mend.sentence


def test_law_what_is_expected_to_fail_is_tried_last(monkeypatch: pytest.MonkeyPatch) -> None:
    """A change whose regions are expected to be far off is put off until there is no other."""
    case = walled(20.0)
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    keys: list[str] = []

    def tried(_: Any, change: tuning.Change) -> tuning.Tried:
        keys.append(change.edits[0].number.key)
        word = "consistent" if keys[-1] == "b" else found.word
        return tuning.Tried(change, replace(found, word=word), (0.010, 0.010))

    monkeypatch.setattr(tuning._Run, "_try", tried)
    gaps = {"a": 0.5, "b": 0.4, "c": 0.1}
    run_ = tuning._Run(case, found, 0, 1, None, lambda *_: None)
    changes = [replace(made_change(case, key), gap=gap) for key, gap in gaps.items()]
    assert run_.first_that_mends(changes) is None
    assert keys == ["c"]
    assert run_.last_that_mends() is run_.tried[-1]
    assert keys == ["c", "a", "b"]


def paired_fix(offset: str = "0 mm", tilt: str = "0 deg") -> Prepared:
    """Return a robot that fixes once from a pair at a wall that its map has true, then drives on."""
    noise = {"noise": {"at_zero": "2 mm", "constant_over": "reading", **GUESS}}
    sensors = [range_sensor(n, x, 0.0, -90.0, errors=noise) for n, x in (("fore", 0.1), ("rear", -0.1))]
    build = {"offset": offset, "tilt": tilt, "constant_over": "field", **GUESS}
    return prepared(
        [{"do": "look", "time": "0.3 s"}, {"do": "drive", "to": ["2 m", "0 m"], "fixes": "none"}],
        robot({}, sensors, {"filter": {}, "pairs": [{"sensors": ["fore", "rear"]}]}),
        believed=field_map(x=(-2.0, 3.0), y=(-0.6, 2.0)),
        true=field_map(x=(-2.0, 3.0), y=(-0.6, 2.0), build=build),
        spread=("1 mm", "20 mm", "3 deg"),
    )


@pytest.mark.parametrize(
    ("off", "key", "better"),
    [({"tilt": "0.6 deg"}, "wall_tilt", 0.6), ({"offset": "10 mm"}, "wall", 10.0)],
)
def test_mc_walls_unlike_the_map_are_named(off: dict[str, str], key: str, better: float) -> None:
    """Of walls that are true by the map the number is nothing, and the right one is found from there."""
    case = paired_fix(**off)
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    assert found.word == "too trusting"
    mend = advice(case, found, 3)
    assert isinstance(mend, Advice), mend
    assert mend.key == key
    assert 0.6 * better <= float(mend.better.split()[0]) <= 1.7 * better
    assert mend.held >= 0.92


def test_mc_old_readings_are_named_before_any_number() -> None:
    """Fixes 100 ms late at speed are mended by compensation, not by doubting each reading."""
    noise = {"noise": {"at_zero": "10 mm", "constant_over": "reading", **GUESS}}
    ahead = range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz", latency="100 ms", errors=noise)
    case = prepared(
        [{"do": "drive", "to": ["1.5 m", "0 m"]}],
        robot({}, [ahead], {"when": "always", "filter": {}}),
        believed=field_map(x=(-2.0, 3.0), y=(-2.0, 2.0)),
        spread=("20 mm", "1 mm", "0.1 deg"),
    )
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    assert found.word == "too trusting"
    mend = advice(case, found, 3)
    assert isinstance(mend, Advice), mend
    assert (mend.key, mend.better) == ("compensate_latency", "true")
    assert "DG150" in mend.sentence


# What is advised of numbers


def test_law_a_region_is_held_against_what_it_claims() -> None:
    """Twice the spread is four times the region; a mean of 3 hides one direction that is known too well."""
    p, zero = np.diag([0.01, 0.04, 0.09]), np.zeros(3)
    for level in (0.50, 0.95):
        assert region_factor(p, zero, p, level) == pytest.approx(1.0, abs=1e-9)
        assert region_factor(p, zero, 4.0 * p, level) == pytest.approx(4.0, rel=1e-9)
    assert region_factor(np.diag([0.01, 0.0, 0.09]), zero, p, 0.95) is None
    hiding = p * np.diag([2.6, 0.2, 0.2])
    assert mean_normalised(p, zero, hiding) == pytest.approx(3.0)

    def density(z: float, x: float) -> float:
        return float(stats.chi2.sf(max(x - 2.6 * z * z, 0.0) / 0.2, 2) * stats.norm.pdf(z))

    def beyond(x: float) -> float:
        """Return by how much 2.6 z^2 + 0.2 chi-square of two exceeds x more often than in 5 %."""
        return float(integrate.quad(density, -9.0, 9.0, args=(x,), limit=200, points=[0.0])[0]) - 0.05

    wanted = optimize.brentq(beyond, 1.0, 40.0) / stats.chi2.ppf(0.95, 3)
    assert region_factor(p, zero, hiding, 0.95) == pytest.approx(wanted, rel=0.05)
    assert wanted > 1.25


def test_mc_what_fades_too_soon_is_left_in_place() -> None:
    """A filter that forgets its walls on the way is told to leave that out, which mends it."""
    build = {"offset": "20 mm", "tilt": "0 deg", "constant_over": "field", **GUESS}
    errors = {"noise": {"at_zero": "5 mm", "constant_over": "reading", **GUESS}}
    sensors = [
        range_sensor(name, 0.0, 0.0, heading, rate="10 Hz", errors=errors)
        for name, heading in (("ahead", 0.0), ("left", 90.0))
    ]
    case = prepared(
        [{"do": "advance", "distance": "1.5 m"}, {"do": "advance", "distance": "-1.5 m"}],
        robot(
            {"distance_walk": tick(per_root_metre="5 mm/sqrt(m)")},
            sensors,
            {"when": "always", "filter": {"constants_hold": "0.2 m"}},
        ),
        believed=field_map(x=(-3.0, 3.0), y=(-2.0, 2.0), build=build),
        spread=("50 mm", "50 mm", "0.5 deg"),
    )
    found = consistency_of(case, run_trials(case, TRIALS, 1))
    assert found.word == "too trusting"
    mend = advice(case, found, 3)
    assert isinstance(mend, Advice)
    assert (mend.key, mend.now, mend.better) == ("constants_hold", "0.2 m", "none")
    assert mend.sentence.startswith("Leave out correction.filter.constants_hold (0.2 m): without it the 95 %")
