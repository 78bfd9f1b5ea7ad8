"""Heading from two parallel sensors: the difference of their readings turns, their mean moves.

Worked example (derived): two beams 200 mm apart look at a wall that they meet at 10 deg. The difference of
the true ranges is 0.2 m tan(10 deg), so that the heading against the wall is atan(difference / 0.2 m).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.recorder import DIFFERENCE, MEAN, Recorder
from driftgate.predict.trials_engine import run_recorded
from driftgate.predict.values import Outcome
from driftgate.sight.dark import dark_intervals
from driftgate.sight.pairs import mean_weights, partners, slots

from .outcomes import ENGINES, known
from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run

ON_PAPER = pytest.mark.evidence(
    source="worked on paper",
    compares="sensors that read long, look up or down; pairs",
    tolerance="1e-12 to 3 %",
)

WIDE = field_map(x=(-4.0, 4.0), y=(-4.0, 4.0))
BASE_M = 0.2
PAIR = {"pairs": [{"sensors": ["port", "starboard"]}]}
REPLACE = {"when": "always", "update": {"law": "replace"}, **PAIR}


def two_ahead(**more: Any) -> list[dict[str, Any]]:
    """Return two sensors that look ahead, 200 mm apart."""
    return [range_sensor("port", 0.05, 0.1, 0.0, **more), range_sensor("starboard", 0.05, -0.1, 0.0, **more)]


def turned(correction: dict[str, Any], sensors: list[dict[str, Any]]) -> Prepared:
    """Return a robot that stands at 10 deg to the wall's normal and comes to believe 14 deg in 2 s."""
    return prepared(
        [{"do": "look", "time": "2 s"}],
        robot({"heading_bias": run(mean="2 deg/s", spread="0 deg/s")}, sensors, correction),
        believed=WIDE,
        start=(0.0, 0.0, 10.0),
    )


@ON_PAPER
def test_ref_heading_is_the_arc_tangent_of_difference_over_baseline() -> None:
    """One reading of a pair puts a heading 4 deg off right, but for one Newton step's remainder."""
    case = turned(REPLACE, two_ahead(rate="0.002 Hz", phase="2 s"))
    difference_m = BASE_M * math.tan(math.radians(10.0))
    assert math.degrees(math.atan(difference_m / BASE_M)) == pytest.approx(10.0)
    # From the belief of 14 deg by the slope of 0.2 m tan(heading) there.
    believed = math.radians(14.0)
    step = (difference_m - BASE_M * math.tan(believed)) / (BASE_M / math.cos(believed) ** 2)
    found = run_trials(case, 2, 1).moments[-1].tracking[:, 2]
    assert found == pytest.approx(believed + step - math.radians(10.0), abs=1e-12)
    assert abs(math.degrees(found[0])) < 0.07
    # The mean is taken at the heading that the difference has left: 4 m tan(10 deg) times its remainder.
    moved = run_trials(case, 2, 1).moments[-1].tracking[:, 0]
    assert np.abs(moved).max() < 4.0 * math.tan(math.radians(10.0)) * abs(found[0]) * 1.1
    # The covariance engine is linear about the plan: there one step is the whole way.
    assert covariance(case).moments[-1].tracking_mean[2] == pytest.approx(0.0, abs=1e-12)


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_readings_in_a_row_settle_heading_and_place(engine: str) -> None:
    """Three readings of a pair leave nothing of 4 deg; without the pair each range turns nothing."""
    sensors = two_ahead(rate="100 Hz", phase="1.98 s")
    t = known(turned(REPLACE, sensors), engine)["end"].t
    # Between two readings the gyro drifts 0.02 deg on.
    assert t == pytest.approx([0.0, 0.0, 0.0], abs=2e-7)
    alone = known(turned({**REPLACE, "pairs": []}, sensors), engine)["end"].t
    assert math.degrees(alone[2]) == pytest.approx(4.0, abs=1e-9)


@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize("share", [0.25, 0.5])
def test_law_blend_takes_a_share_of_both(engine: str, share: float) -> None:
    """Blending takes its share of the heading difference, and of the place."""
    correction = {**REPLACE, "update": {"law": "blend", "share": f"{100.0 * share} %"}}
    case = turned(correction, two_ahead(rate="0.002 Hz", phase="2 s"))
    left = math.degrees(known(case, engine)["end"].t[2])
    assert left == pytest.approx(4.0 * (1.0 - share), abs=0.07)


def test_law_every_sensor_and_every_pair_is_counted_by_itself() -> None:
    """Of two pairs and a sensor alone each sensor, difference and mean has its own place, by its name."""
    names = ["a", "b", "alone", "c", "d"]
    both = {"pairs": [{"sensors": ["a", "b"]}, {"sensors": ["c", "d"]}]}
    sensors = [range_sensor(name, 0.0, 0.1 * i, 180.0 * (i > 2)) for i, name in enumerate(names)]
    found = slots(robot({}, sensors, both))
    assert found.names[: found.sensors] == tuple(names)
    for pair, (one, other) in enumerate((("a", "b"), ("c", "d"))):
        assert found.names[found.difference(pair)] == f"{one} and {other}, difference"
        assert found.names[found.mean(pair)] == f"{one} and {other}, mean"
    assert len(set(found.names)) == 5 + 2 * 2


def against(true: Any, law: str = "replace") -> Prepared:
    """Return a robot that looks squarely at an east wall which is not where the map says."""
    correction = {**REPLACE, "update": {"law": law}}
    sensors = two_ahead(rate="0.002 Hz", phase="0.5 s")
    return prepared([{"do": "look", "time": "1 s"}], robot({}, sensors, correction), believed=WIDE, true=true)


@pytest.mark.parametrize("law", ["replace", "kalman"])
@pytest.mark.parametrize("engine", ENGINES)
def test_law_a_walls_offset_does_not_enter_the_heading(engine: str, law: str) -> None:
    """A wall 50 mm too far takes the belief 50 mm back and turns it by nothing."""
    t = known(against(field_map(x=(-4.0, 4.05), y=(-4.0, 4.0)), law), engine)["end"].t
    assert t == pytest.approx([-0.05, 0.0, 0.0], abs=3e-7 if law == "kalman" else 1e-12)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_a_walls_tilt_does(engine: str) -> None:
    """A wall tilted by half a degree to the left turns the belief by as much to the right."""
    tilt = math.radians(0.5)
    # The east wall runs from (4, -4) to (4, 4): turned about its middle, its ends move by 4 m tan(tilt).
    lean = 4.0 * math.tan(tilt)
    corners = {
        "south": (-4.0, -4.0),
        "east": (4.0 + lean, -4.0),
        "north": (4.0 - lean, 4.0),
        "west": (-4.0, 4.0),
    }
    t = known(against(field_map(corners=corners)), engine)["end"].t
    assert t[2] == pytest.approx(-tilt, rel=1e-4)


# The two updates together


@ON_PAPER
@pytest.mark.parametrize(("a", "b"), [(0.005, 0.005), (0.004, 0.012), (0.02, 0.001)])
def test_ref_two_updates_are_one_with_both_readings(a: float, b: float) -> None:
    """Difference and mean one after the other give the covariance of one update with both readings.

    By full matrices in information form, R = diag(a^2, b^2) plus in every place the wall's variance, which
    a beam that is met at a slant sees over its cosine.
    """
    wall = 0.007
    sensors = [
        range_sensor("port", 0.05, 0.1, 0.0, rate="0.002 Hz", phase="0.5 s", errors=noise(a)),
        range_sensor("starboard", 0.05, -0.1, 0.0, rate="0.002 Hz", phase="0.5 s", errors=noise(b)),
    ]
    own = {"start_x": "50 mm", "start_y": "40 mm", "start_heading": "3 deg", "wall": f"{wall!r} m"}
    case = prepared(
        [{"do": "look", "time": "1 s"}],
        robot({}, sensors, {"when": "always", "filter": own, **PAIR}),
        believed=WIDE,
        start=(0.3, 0.2, 8.0),
    )
    before = np.diag([0.05**2, 0.04**2, math.radians(3.0) ** 2])
    slant = math.radians(8.0)
    rows = np.array([[-1.0 / math.cos(slant), 0.0, d_heading(y, slant)] for y in (0.1, -0.1)])
    noise_cov = np.diag([a**2, b**2]) + (wall / math.cos(slant)) ** 2
    after = np.linalg.inv(np.linalg.inv(before) + rows.T @ np.linalg.inv(noise_cov) @ rows)
    assert covariance(case).moments[-1].filter_cov == pytest.approx(after, rel=1e-8, abs=1e-15)


def of_unequal_noise(wall: str = "0 mm") -> Prepared:
    """Return a robot that knows all its errors: its start, and two sensors of unequal noise."""
    at = {"rate": "0.002 Hz", "phase": "0.5 s"}
    sensors = [
        range_sensor("port", 0.05, 0.1, 0.0, errors=noise(0.004), **at),
        range_sensor("starboard", 0.05, -0.1, 0.0, errors=noise(0.012), **at),
    ]
    own = {"start_x": "20 mm", "start_y": "20 mm", "start_heading": "1 deg", "wall": wall}
    return prepared(
        [{"do": "look", "time": "1 s"}],
        robot({}, sensors, {"when": "always", "filter": own, **PAIR}),
        believed=WIDE,
        start=(0.3, 0.2, 8.0),
        spread=("20 mm", "20 mm", "1 deg"),
    )


def test_law_a_pair_leaves_the_errors_that_the_filter_says() -> None:
    """The true covariance after a pair of unequal noise is the filter's own, its weights being the best."""
    moment = covariance(of_unequal_noise()).moments[-1]
    assert moment.estimation_cov == pytest.approx(moment.filter_cov, rel=1e-9, abs=1e-15)


def test_mc_a_pairs_innovations_are_as_large_as_predicted() -> None:
    """Difference and mean have normalised innovations of mean square one, each of its own, in trials."""
    trials = 2000
    own = run_trials(of_unequal_noise(), trials, 1).own
    assert own.tried.sum(axis=1).tolist() == [0, 0, trials, trials]
    for slot in (2, 3):
        mean = own.nis_tried[slot].sum() / trials / 1e6
        assert mean == pytest.approx(1.0, abs=4.0 * math.sqrt(2.0 / trials))
    assert own.nees[-1, 1] / trials / 1e3 == pytest.approx(3.0, abs=4.0 * math.sqrt(6.0 / trials))


def noise(sd_m: float) -> dict[str, Any]:
    """Return white range noise."""
    return {"noise": {"at_zero": f"{sd_m!r} m", "constant_over": "reading", **GUESS}}


def d_heading(left_m: float, slant: float) -> float:
    """Return the numeric derivative by heading of the range to x = 4 m from (0.3, 0.2) m."""

    def range_m(h: float) -> float:
        return (4.0 - 0.3 - 0.05 * math.cos(h) + left_m * math.sin(h)) / math.cos(h)

    return (range_m(slant + 1e-6) - range_m(slant - 1e-6)) / 2e-6


def test_law_mean_weights() -> None:
    """Equal noise weighs the same, a perfect reading alone, two perfect ones the same."""
    weights = mean_weights(np.array([1.0, 0.0, 0.0, 3.0]), np.array([1.0, 2.0, 0.0, 1.0]))
    assert np.array(weights).T.tolist() == [[0.5, 0.5], [1.0, 0.0], [0.5, 0.5], [0.25, 0.75]]


def errors_of(size: float, noise_mm: float = 4.0, **more: Any) -> dict[str, Any]:
    """Return the errors of a range sensor, as large as `size` times a real one's."""
    sizes = {"at_zero": f"{noise_mm * size!r} mm", "per_range": f"{0.2 * size!r} %"}
    return {
        "noise": {**sizes, "constant_over": "reading", **GUESS},
        "bias": run(spread=f"{2.0 * size!r} mm"),
        "scale": run(spread=f"{0.2 * size!r} %"),
        "mount_position": run(spread=f"{size!r} mm"),
        "mount_angle": run(spread=f"{0.2 * size!r} deg"),
        **more,
    }


def driving(correction: dict[str, Any], latency: str = "0 s", size: float = 0.01) -> Prepared:
    """Return a case with walls not quite as drawn, two sensors ahead of different noise, one to the side.

    With a heading from 200 mm of baseline, errors of a real size are not linear any more.
    """
    build = {
        "offset": f"{3.0 * size!r} mm",
        "tilt": f"{0.1 * size!r} deg",
        "constant_over": "field",
        **GUESS,
    }
    sensors = [
        range_sensor("port", 0.05, 0.1, 0.0, errors=errors_of(size), latency=latency),
        range_sensor("left", 0.0, 0.0, 90.0, errors=errors_of(size), latency=latency),
        range_sensor("starboard", 0.05, -0.1, 0.0, errors=errors_of(size, 9.0), latency=latency),
    ]
    errors = {
        "heading_bias": run(spread=f"{0.1 * size!r} deg/s"),
        "heading_walk": {"per_root_metre": f"{0.2 * size!r} deg/sqrt(m)", "constant_over": "tick", **GUESS},
        "distance_scale": run(spread=f"{0.5 * size!r} %"),
    }
    own = {"filter": {}, "when": "always", "validity": {"turn_rate": "5 deg/s"}, **PAIR, **correction}
    return prepared(
        [
            {"do": "drive", "to": ["1.4 m", "0.1 m"]},
            mark("driven"),
            {"do": "turn", "to": "90 deg"},
            {"do": "look", "time": "0.3 s"},
        ],
        robot(errors, sensors, own, {"time_constant": "0.2 s"}, longest_tick="0.1 s"),
        believed=field_map(x=(-4.0, 4.0), y=(-4.0, 4.0), build=build),
        start=(0.0, 0.1, 0.0),
        spread=(f"{2.0 * size!r} mm", f"{2.0 * size!r} mm", f"{0.1 * size!r} deg"),
    )


@pytest.mark.parametrize(
    "variation",
    [
        {"update": {"law": "kalman"}},
        {"update": {"law": "replace"}},
        {"update": {"law": "blend", "share": "40 %"}},
        {"update": {"law": "kalman"}, "persistence": {"readings": 3}},
        {"update": {"law": "kalman"}, "compensate_latency": True, "latency": "30 ms"},
    ],
    ids=["kalman", "replace", "blend", "persistence", "latency compensated"],
)
def test_mc_engines_agree_with_pairs(variation: dict[str, Any]) -> None:
    """Means and spreads of the true error and of the estimation agree for every law."""
    more = dict(variation)
    case = driving(more, more.pop("latency", "0 s"))
    trials = 4000
    sampled = run_trials(case, trials, 2).moments
    for linear, found in zip(covariance(case).moments, sampled, strict=True):
        sd = np.sqrt(np.diag(linear.cov))
        z = (found.error.mean(axis=0) - linear.mean) / sd * math.sqrt(trials)
        # Thirty means and thirty spreads in this file.
        assert np.abs(z).max() < stats.norm.isf(1e-3 / 120.0)
        ratio = found.error.var(axis=0) / sd**2
        # Quantised to nothing, the ratio's own spread is sqrt(2 / n); 1 % is left for what is not linear.
        assert np.abs(ratio - 1.0).max() < 5.0 * math.sqrt(2.0 / trials) + 0.01


@ON_PAPER
def test_ref_a_pair_tells_the_heading_past_the_wall() -> None:
    """After one instant a filter that distrusts the walls knows the heading from the noise alone.

    Difference: sqrt(2) 5 mm over 200 mm. Two readings one by one say the same where the wall is considered;
    where it is noise, each has the wall's 30 mm anew.
    """
    sensors = two_ahead(rate="0.002 Hz", phase="0.5 s", errors=noise(0.005))
    found = []
    for correction, consider in ((PAIR, True), ({}, True), ({}, False)):
        numbers = {"wall": "30 mm", "start_heading": "100 deg", "start_x": "10 m", "consider": consider}
        own = {"filter": numbers, **correction}
        case = prepared([{"do": "look", "time": "1 s"}], robot({}, sensors, {"when": "always", **own}))
        found.append(math.sqrt(covariance(case).moments[-1].filter_cov[2, 2]))
    assert found[0] == pytest.approx(math.sqrt(2.0) * 0.005 / BASE_M, rel=1e-3)
    assert found[1] == pytest.approx(found[0], rel=1e-3)
    assert found[2] == pytest.approx(math.sqrt(2.0 * (0.005**2 + 0.030**2)) / BASE_M, rel=0.02)


@pytest.mark.parametrize(
    ("left_m", "pairs", "dark"), [(0.06, True, False), (0.06, False, True), (0.04, True, True)]
)
def test_law_a_pair_sheds_light_on_the_heading(left_m: float, pairs: bool, dark: bool) -> None:
    """Two sensors 120 mm apart tell the heading as a pair; alone, or 80 mm apart, they leave it dark."""
    sensors = [range_sensor("port", 0.0, left_m, 0.0), range_sensor("starboard", 0.0, -left_m, 0.0)]
    machine = robot({}, sensors, {"when": "always", **(PAIR if pairs else {})})
    case = prepared([{"do": "look", "time": "2 s"}], machine, believed=WIDE)
    found = dark_intervals(case.case, case.plan, case.sight, case.believed)
    assert ("heading" in {interval.axis for interval in found}) == dark


# What goes together, and how it is counted


def test_law_partners_are_due_at_one_instant() -> None:
    """Every reading of the first sensor of a pair has the one of the second at its instant for a partner."""
    case = driving({})
    readings = case.plan.timeline.readings
    found = partners(case.case.robot, readings)
    assert len(found) == np.count_nonzero(readings.sensor == 0)
    for first, partner in found.items():
        assert (readings.sensor[first], readings.sensor[partner.reading]) == (0, 2)
        assert readings.knot[first] == readings.knot[partner.reading]
    names = slots(case.case.robot).names
    assert names == (
        "port",
        "left",
        "starboard",
        "port and starboard, difference",
        "port and starboard, mean",
    )


BOX = {
    "id": "box",
    "shape": {"rectangle": {"length": "200 mm", "width": "100 mm"}},
    "at": {"x": "2 m", "y": "0.1 m"},
    "reference": True,
}


@pytest.mark.parametrize("mapped", [True, False])
def test_law_an_echo_from_elsewhere_spoils_both(mapped: bool) -> None:
    """A box before one sensor: on the map each is used alone, else both count as wrongly accepted."""
    true = field_map(x=(-4.0, 4.0), y=(-4.0, 4.0), structures=[BOX])
    unmapped = {**BOX, "at": {"x": "2 m", "y": "3 m"}}
    believed = true if mapped else field_map(x=(-4.0, 4.0), y=(-4.0, 4.0), structures=[unmapped])
    sensors = two_ahead(rate="0.002 Hz", phase="0.5 s")
    machine = robot({}, sensors, {"when": "always", **PAIR})
    case = prepared([{"do": "look", "time": "1 s"}], machine, believed=believed, true=true)
    result = run_trials(case, 4, 1)
    assert result.counts[:, :, Outcome.ACCEPTED].sum(axis=1).tolist() == [4, 4]
    assert result.wrongly_accepted.sum(axis=1).tolist() == ([0, 0] if mapped else [4, 4])
    assert np.array_equal(covariance(case).accepted, [True, True])
    machine = robot({}, sensors, {"when": "always", "gate": {"sigmas": 3.0}, **PAIR})
    gated = prepared([{"do": "look", "time": "1 s"}], machine, believed=believed, true=true)
    refused = run_trials(gated, 4, 1)
    assert refused.counts[:, :, Outcome.GATE].sum(axis=1).tolist() == ([0, 0] if mapped else [4, 4])
    assert refused.wrongly_refused.sum() == 0


@pytest.mark.parametrize("batch", [1, 7])
def test_law_pairs_do_not_depend_on_batches(batch: int) -> None:
    """Trials with pairs, dropouts and a gate are the same in any batch, and every reading is counted once."""
    errors = {**errors_of(1.0), "dropout": {"probability": "20 %", "constant_over": "reading", **GUESS}}
    correction = {
        "when": "always",
        "filter": {},
        "gate": {"sigmas": 2.0},
        "persistence": {"readings": 2},
        "way_back": {"refusals": 3, "factor": 2.0, "lost_after": 5},
        **PAIR,
    }
    case = prepared(
        [{"do": "look", "time": "1 s"}],
        robot({}, two_ahead(rate="20 Hz", errors=errors), correction),
        believed=WIDE,
        spread=("10 mm", "10 mm", "1 deg"),
    )
    whole, parts = run_trials(case, 20, 3), run_trials(case, 20, 3, batch=batch)
    assert np.array_equal(whole.counts, parts.counts)
    assert np.array_equal(whole.moments[-1].estimation, parts.moments[-1].estimation)
    assert np.array_equal(whole.fix_move_nm, parts.fix_move_nm)
    assert whole.counts.sum() == 20 * len(case.plan.timeline.readings.knot)
    assert all(whole.counts[..., o].sum() > 0 for o in (Outcome.NO_ECHO, Outcome.GATE, Outcome.HELD_BACK))


def test_law_a_pair_tells_its_difference_and_its_mean() -> None:
    """A recorder hears of both: the first reading has the difference, the second the mean."""
    sensors = two_ahead(rate="0.002 Hz", phase="0.5 s")
    gated = robot({}, sensors, {"when": "always", "gate": {"sigmas": 3.0}, **PAIR})
    hall = field_map(x=(-4.0, 4.0), y=(-4.0, 4.0))
    case = prepared([{"do": "look", "time": "1 s"}], gated, believed=hall, spread=("5 mm", "0 mm", "0.2 deg"))
    recorder = Recorder(case, 3)
    run_recorded(case, np.arange(3), 1, recorder)
    assert recorder.of_pair.tolist() == [[DIFFERENCE] * 3, [MEAN] * 3]
    assert np.isfinite(recorder.innovation_m).all()
    assert (recorder.predicted_m > 0.0).all()
    # Met squarely, the difference is the base times the tangent of the heading that is off.
    off = recorder.truth[0, 2]
    assert recorder.innovation_m[0] == pytest.approx(BASE_M * np.tan(off), rel=0.01)
