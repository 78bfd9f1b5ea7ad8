"""The pieces of dead reckoning, of the luck of the draw and of a tolerance, by differences and on paper."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scipy.stats import poisson

from driftgate.core.errors import ModelError
from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, covariance
from driftgate.predict.doubt import factor_key, rate_key
from driftgate.predict.increments import (
    DRIFT_KEYS,
    DriftConstants,
    chord,
    drift_constants,
    increment_columns,
    true_increment,
)
from driftgate.predict.linear import tick_model
from driftgate.predict.logged import FIX_WORDS
from driftgate.predict.moments import moments_by_step, moments_of
from driftgate.predict.path_record import PathRecorder
from driftgate.predict.places import places_of_strays
from driftgate.predict.sources import Noise, source_table
from driftgate.predict.streams import Streams, poisson_count
from driftgate.predict.tilt import Tilt, TiltedLuck, _chances, tilt_towards
from driftgate.predict.tolerance import share_used, shares_of
from driftgate.predict.values import MomentTrials, Outcome
from driftgate.predict.walk import Cell, Walker, WalkPlan, _overlaps

from .scenes import GUESS, field_map, mark, prepared, robot, tick

# A value for every constant, none of them small enough to hide a term.
VALUES = dict(zip(DRIFT_KEYS, (0.02, -0.03, 0.05, 0.04, 0.01, 0.06, 0.03, 0.02, 0.015), strict=True))
# Ahead, backwards with a turn, sideways, nearly straight: (ahead, left, turn) in 50 ms. [m, m, rad]
TWISTS = np.array([(0.05, 0.0, 0.0), (-0.04, 0.01, 0.03), (0.0, 0.06, -0.02), (0.03, -0.02, 1e-4)])
DT = np.full(len(TWISTS), 0.05)
GO = np.ones(len(TWISTS), bool)
NO_WALK = (np.zeros(4), np.zeros(4), np.zeros(4))


def constants(**changed: float) -> DriftConstants:
    """Return the constants, some of them changed."""
    values = {**VALUES, **changed}
    return drift_constants(lambda key: np.asarray(values[key]))


def moved(c: DriftConstants) -> FloatArray:
    """Return the true increments, shape (4, 3)."""
    return np.stack(true_increment(*TWISTS.T, DT, c, NO_WALK), axis=-1)


@pytest.mark.parametrize("key", DRIFT_KEYS)
def test_law_columns_are_the_differences_of_the_increment(key: str) -> None:
    """By central differences of 1e-5, good to 1e-9; a bias in the gyro's own heading."""
    step = 1e-5
    column = increment_columns(TWISTS, DT, constants(), GO)[key]
    wanted = (
        moved(constants(**{key: VALUES[key] + step})) - moved(constants(**{key: VALUES[key] - step}))
    ) / (2 * step)
    assert column == pytest.approx(wanted, abs=2e-9)


def test_law_a_turn_on_the_spot_moves_nothing_but_the_heading() -> None:
    """Without travel only what acts on the heading has a column."""
    columns = increment_columns(TWISTS, DT, constants(), ~GO)
    for key, column in columns.items():
        assert not column[:, :2].any(), key
        assert column[:, 2].any() == (key in ("heading_bias", "heading_scale")), key


def test_law_sideways_has_the_scale_of_ahead_unless_it_has_its_own() -> None:
    """5 % of either."""
    own = drift_constants(
        lambda key: np.asarray({"distance_scale": 0.05, "sideways_scale": 0.1}.get(key, 0.0))
    )
    assert (float(own.distance_scale), float(own.sideways_scale)) == (0.05, 0.1)
    shared = drift_constants(lambda key: np.asarray(0.05) if key == "distance_scale" else None)
    assert float(shared.sideways_scale) == 0.05
    ahead, left, turn = true_increment(
        *(np.array([v]) for v in (1.05, 0.21, 0.0)), np.ones(1), shared, NO_WALK
    )
    assert (ahead[0], left[0], turn[0]) == pytest.approx((1.0, 0.2, 0.0), rel=1e-12)


@pytest.mark.parametrize("turn", [0.0, 1e-3, -9.9e-3, 1.01e-2, 0.5, -2.0, 3.1])
def test_law_a_chord_is_the_integral_of_its_arc(turn: float) -> None:
    """By the mid-point rule in 20 000 pieces, and its derivatives by differences; across the series' end."""
    twist = np.array([0.3, -0.2, turn])

    def integral(ahead: float, left: float, angle: float) -> FloatArray:
        heading = (np.arange(20_000) + 0.5) / 20_000 * angle
        c, s = np.cos(heading), np.sin(heading)
        return np.array([(c * ahead - s * left).mean(), (s * ahead + c * left).mean()])

    displacement, jacobian = chord(twist[None])
    assert displacement[0] == pytest.approx(integral(*twist), abs=1e-9)
    for j in range(3):
        step = np.zeros(3)
        step[j] = 1e-5
        assert jacobian[0, :, j] == pytest.approx(
            (integral(*(twist + step)) - integral(*(twist - step))) / 2e-5, abs=1e-7
        )


WALKS = {
    "distance_walk": tick(per_root_metre="3 mm/sqrt(m)"),
    "lateral_walk": tick(per_root_metre="2 mm/sqrt(m)"),
    "heading_walk": tick(
        per_root_metre="0.3 deg/sqrt(m)",
        per_root_second="0.2 deg/sqrt(s)",
        per_root_radian="0.4 deg/sqrt(rad)",
    ),
    "bump": tick(along="2 mm", heading="0.5 deg"),
}


def driven(steps: list[dict[str, Any]], heading_deg: float = 0.0) -> Prepared:
    """Return a plan with all walks."""
    return prepared(steps, robot(WALKS, controller={"time_constant": "0.3 s"}), start=(0.0, 0.0, heading_deg))


@pytest.mark.parametrize("heading_deg", [0.0, 30.0])
def test_law_white_noise_of_a_straight_line(heading_deg: float) -> None:
    """1 m ahead with three bumps a metre: along, across and heading as the intensities say, tick by tick."""
    case = driven([{"do": "advance", "distance": "1 m"}], heading_deg)
    timeline = case.plan.timeline
    ticks = len(timeline.twist)
    model = tick_model(case.plan, case.case.robot.controller, source_table(case.case), np.full(ticks, 3.0))
    turn = math.radians(heading_deg)
    c, s = math.cos(turn), math.sin(turn)
    along, across = np.array([0, 0, 0, c, s, 0]), np.array([0, 0, 0, -s, c, 0])
    length, seconds = timeline.twist[:, 0], np.diff(timeline.time_s)
    degree2 = math.radians(1.0) ** 2
    heading = degree2 * (0.09 * length + 0.04 * seconds)
    kicks = 3.0 * length
    for source, direction, wanted in (
        (0, along, 9e-6 * length),
        (0, across, 0 * length),
        (1, across, 4e-6 * length),
        (1, along, 0 * length),
        # A kick of the heading inside a tick turns what is left of it: a third of the square of its length.
        (2, across, heading * length**2 / 3),
        (3, along, 4e-6 * kicks),
        (3, across, 0.25 * degree2 * kicks * length**2 / 3),
    ):
        found = np.einsum("i,kij,j->k", direction, model.white[:, source], direction)
        assert found == pytest.approx(wanted, rel=1e-9, abs=1e-18), (source, direction)
    assert model.white[:, 2, 5, 5] == pytest.approx(heading, rel=1e-9)
    assert model.white[:, 3, 5, 5] == pytest.approx(0.25 * degree2 * kicks, rel=1e-9)
    assert not model.white[:, :, :3].any()


def test_law_white_noise_of_a_turn_and_of_rest() -> None:
    """A turn on the spot has the walk of its angle and time in the truth; at rest the belief alone walks."""
    case = driven([{"do": "rotate", "angle": "90 deg"}, {"do": "pause", "time": "1 s"}])
    timeline = case.plan.timeline
    ticks = len(timeline.twist)
    model = tick_model(case.plan, case.case.robot.controller, source_table(case.case), np.full(ticks, 3.0))
    last = int(timeline.first_tick[1])
    seconds, degree2 = np.diff(timeline.time_s), math.radians(1.0) ** 2
    turning = degree2 * (0.16 * np.abs(timeline.twist[:last, 2]) + 0.04 * seconds[:last])
    assert model.white[:last, 2, 5, 5] == pytest.approx(turning, rel=1e-9)
    assert model.white[last:, 2, 2, 2] == pytest.approx(degree2 * 0.04 * seconds[last:], rel=1e-9)
    assert not model.white[last:, :, 3:].any()
    assert not model.white[:, [0, 1, 3]].any()


NOISE = Noise(3e-3, 2e-3, 0.01, 0.02, 0.03, 4e-3, 0.05, 0.0, 0.0, 0.0)


class Said:
    """Streams whose normals and uniforms are written down by source; they note what is asked."""

    def __init__(self, **values: float) -> None:
        self.values = values
        self.asked: list[tuple[str, str, int]] = []

    def normals(self, source: str, place: str, index: int) -> FloatArray:
        """Return the normal of a source."""
        self.asked.append((source, place, index))
        return np.array([self.values.get(source.replace(":", "_"), 1.0)])

    def uniforms(self, source: str, place: str, index: int) -> tuple[FloatArray]:
        """Return the uniform of a source."""
        return (np.array([self.values[f"{source}_uniform"]]),)


def test_law_walks_of_a_cell_and_of_its_parts() -> None:
    """0.25 m, 0.5 rad and 0.2 s, stretched by 1.5, with four bumps: drawn once, and shared out over ticks."""
    step: Any = SimpleNamespace(index=0, place="leg")
    cells = ((Cell(0.25, 0.5, 0.2, 3.0), Cell(0.0, 0.0, 0.2, 0.0)),)
    plan = WalkPlan(cells, (((0, 0.4),), ((0, 0.6), (1, 1.0)), ((1, 1.0),)))
    # Four of three expected: the uniform 0.8 lies between P(N <= 3) = 0.647 and P(N <= 4) = 0.815.
    streams: Any = Said(
        distance_walk=2.0, lateral_walk=-1.0, heading_walk=0.5, bump_along=-3.0, bump_uniform=0.8
    )
    walker = Walker(plan, NOISE, streams)
    stretch = np.array([1.5])
    whole = (
        2.0 * 3e-3 * 0.5 + 2.0 * (4e-3 * -3.0),
        -2e-3 * 0.5,
        0.5 * math.sqrt(1e-4 * 0.25 + 9e-4 * 0.5 + 4e-4 * 0.2 * 1.5) + 2.0 * 0.05,
    )
    first = [float(v[0]) for v in walker.tick(step, 0, stretch)]
    assert first == pytest.approx([0.4 * v for v in whole], rel=1e-12)
    at_rest = 0.5 * math.sqrt(4e-4 * 0.2 * 1.5)
    second = [float(v[0]) for v in walker.tick(step, 1, stretch)]
    assert second == pytest.approx([0.6 * whole[0], 0.6 * whole[1], 0.6 * whole[2] + at_rest], rel=1e-12)
    asked = list(streams.asked)
    third = [float(v[0]) for v in walker.tick(step, 2, stretch)]
    assert third == pytest.approx([0.0, 0.0, at_rest], rel=1e-12)
    assert streams.asked == asked  # the cell was drawn already
    assert {place for _, place, _ in asked} == {"leg"}
    assert [index for source, _, index in asked if source == "heading_walk"] == [0, 1]
    doubled: Any = {factor_key("heading_walk"): np.array([2.0])}
    scaled = Walker(
        plan, dataclasses.replace(NOISE, bump_along_m=0.0, bump_heading_rad=0.0), streams, doubled
    )
    assert float(scaled.tick(step, 2, stretch)[2][0]) == pytest.approx(2.0 * at_rest, rel=1e-12)


def test_law_rare_slips_of_a_cell() -> None:
    """Two slips in 0.25 m are root two of one; a trial may have a rate and a size of its own."""
    step: Any = SimpleNamespace(index=0, place="leg")
    plan = WalkPlan(((Cell(0.25, 0.0, 0.2, 0.0),),), (((0, 0.5),), ((0, 0.5),)))
    noise = dataclasses.replace(Noise(*[0.0] * 10), slips_per_m=2.0, slip_along_m=0.03)
    # Half a slip is expected: the uniform 0.95 lies between P(N <= 1) = 0.910 and P(N <= 2) = 0.986.
    streams: Any = Said(rare_slip_uniform=0.95, rare_slip_along=-1.5)
    both = [Walker(plan, noise, streams).tick(step, k, np.ones(1)) for k in (0, 1)]
    assert [float(v[0][0]) for v in both] == pytest.approx(
        [0.5 * -1.5 * 0.03 * math.sqrt(2.0)] * 2, rel=1e-12
    )
    assert not any(v[1].any() or v[2].any() for v in both)
    # At half the rate 0.95 is one slip only: P(N <= 0) = 0.779, P(N <= 1) = 0.974.
    own: Any = {rate_key("rare_slip"): np.array([0.5]), factor_key("rare_slip"): np.array([3.0])}
    other = Walker(plan, noise, streams, own).tick(step, 0, np.ones(1))
    assert float(other[0][0]) == pytest.approx(0.5 * -1.5 * 0.09, rel=1e-12)
    none: Any = Said(rare_slip_uniform=0.3)
    assert not Walker(plan, noise, none).tick(step, 0, np.ones(1))[0].any()
    assert none.asked == []  # no size is drawn of slips that there are not


def test_law_cells_that_a_tick_lies_in() -> None:
    """Parts of cells of a second each; slivers do not count, and a whole cell is whole."""
    bounds = np.array([0.0, 1.0, 2.0, 2.5])
    assert _overlaps(0.0, 1.0, bounds) == ((0, 1.0),)
    assert _overlaps(0.25, 0.75, bounds) == ((0, 0.5),)
    assert _overlaps(0.75, 2.25, bounds) == ((0, 0.25), (1, 1.0), (2, 0.5))
    assert _overlaps(1.0 - 1e-15, 2.0 + 1e-15, bounds) == ((1, 1.0),)
    assert _overlaps(2.0, 2.5, bounds) == ((2, 1.0),)


@pytest.mark.parametrize("expected", [0.01, 0.7, 3.0, 9.5])
def test_law_bumps_are_counted_as_poisson_says(expected: float) -> None:
    """Scipy's quantiles, at uniforms across the whole range."""
    uniform = np.array([1e-6, 0.01, 0.2, 0.5, 0.8, 0.99, 0.999999])
    assert poisson_count(uniform, expected).tolist() == poisson.ppf(uniform, expected).tolist()


def test_law_streams_of_chosen_trials_are_those_of_all() -> None:
    """Trials 3, 4 and 5000 draw as in a run of all; numbers that do not rise are refused."""
    numbers = np.array([3, 4, 5000])
    some, whole = Streams.of_trials(7, numbers), Streams(7, 0, 5001)
    assert np.array_equal(some.normals("a", "b", 2), whole.normals("a", "b", 2)[numbers])
    assert np.array_equal(some.uniforms("a", "b", 2)[0], whole.uniforms("a", "b", 2)[0][numbers])
    assert Streams.of_trials(7, np.array([0])).normals("a", "b", 0).shape == (1,)
    for bad in ([], [-1, 2], [2, 2], [3, 1]):
        with pytest.raises(ModelError, match="must rise"):
            Streams.of_trials(7, np.array(bad, dtype=np.intp))


def test_law_parts_of_a_mixture() -> None:
    """The distribution as it is makes four fifths at least; the rest goes to what moves and what strays."""
    for moved_parts, strayed in ((0, 0), (2, 0), (0, 3), (2, 3)):
        chance = _chances(moved_parts, strayed)
        assert chance.sum() == pytest.approx(1.0, rel=1e-12)
        assert len(chance) == 1 + moved_parts + strayed
        assert chance[0] >= 0.8 - 1e-12
        assert len({round(v, 12) for v in chance[1 : 1 + moved_parts]}) <= 1
        assert len({round(v, 12) for v in chance[1 + moved_parts :]}) <= 1
        assert (chance > 0).all()
    assert _chances(0, 0).tolist() == [1.0]
    assert Tilt(np.array([0.8, 0.2]), np.zeros((2, 1)), {}).largest_weight == pytest.approx(1.25, rel=1e-12)


def test_law_the_mixture_leans_on_the_nearest_ways() -> None:
    """A limit at three spreads of 5 mm, by a constant of 4 and one of 3: by 2.4 and 1.8 of theirs."""
    way: Any = SimpleNamespace(columns=np.array([4e-3, 3e-3]), sd=5e-3, distance=15e-3)
    table: Any = SimpleNamespace(constants=(1, 2), off=frozenset())
    world: Any = SimpleNamespace(elements=[])
    found = tilt_towards([way], table, world)
    assert found.shift == pytest.approx(np.array([[0.0, 0.0], [2.4, 1.8]]), rel=1e-12)
    assert len(tilt_towards([], table, world).chance) == 1


def test_law_what_tilted_trials_count() -> None:
    """Weight is the density as it is over that of the mixture, here of one constant moved by 2 in a fifth."""
    tilt = Tilt(np.array([0.8, 0.2]), np.array([[0.0], [2.0]]), {"pot": np.array([0.1, 0.5])})
    for uniform, part in ((0.79, 0), (0.81, 1)):
        streams: Any = SimpleNamespace(uniforms=lambda *_, u=uniform: (np.array([u]),))
        luck = TiltedLuck(tilt, streams, 1)
        drawn = float(luck.shifted(0, np.array([0.7]))[0])
        assert drawn == pytest.approx(0.7 + 2.0 * part, rel=1e-12)
        ratio = math.exp(2.0 * drawn - 2.0)
        assert float(luck.weight()[0]) == pytest.approx(1.0 / (0.8 + 0.2 * ratio), rel=1e-12)
        assert float(luck.stray_chance("pot")[0]) == (0.1, 0.5)[part]
        luck.note_strayed("pot", np.array([True]))
        assert float(luck.weight()[0]) == pytest.approx(1.0 / (0.8 + 0.2 * ratio * 5.0), rel=1e-12)
        other = TiltedLuck(tilt, streams, 1)
        other.note_strayed("pot", np.array([False]))
        assert float(other.weight()[0]) == pytest.approx(1.0 / (0.8 + 0.2 * 0.5 / 0.9), rel=1e-12)
    both = Tilt(np.array([0.8, 0.2]), np.array([[0.0, 0.0], [2.0, 0.0]]), {})
    luck = TiltedLuck(both, streams, 1)
    assert luck.shifted(1, np.array([0.7])).tolist() == [0.7]


def test_law_shares_of_bands_that_leave_out_zero() -> None:
    """From 2 to 6: measured from 4, half of 2; from 2 on: towards 2; below zero the same, mirrored."""
    error = np.array([4.0, 5.0, 3.0, 6.0, 2.0, 8.0, 1.0])
    share = [0.0, 0.5, 0.5, 1.0, 1.0, 2.0, 1.5]
    assert share_used(error, 2.0, 6.0) == pytest.approx(share, rel=1e-12)
    assert share_used(-error, -6.0, -2.0) == pytest.approx(share, rel=1e-12)
    far = np.array([2.0, 4.0, 8.0, 1.0, 0.0, -1.0])
    wanted = [1.0, 0.5, 0.25, 2.0, math.inf, math.inf]
    assert share_used(far, 2.0, None) == pytest.approx(wanted, rel=1e-12)
    assert share_used(-far, None, -2.0) == pytest.approx(wanted, rel=1e-12)


def test_law_success_is_inside_untouched_and_in_time() -> None:
    """Each alone fails; the limit itself is in time, and a clock that is no number is late."""
    error = np.array(
        [(5e-3, 0, 0), (15e-3, 0, 0), (5e-3, 0, 0), (5e-3, 0, 0), (5e-3, 0, 0), (5e-3, 30e-3, 0)]
    )
    clock = np.array([15.0, 5.0, 5.0, 15.1, math.nan, 5.0])
    touched = np.array([False, False, True, False, False, False])
    zero = np.zeros((6, 3))
    trials = MomentTrials(
        error=error, along=error[:, 0], across=error[:, 1], estimation=zero, tracking=zero, clock_s=clock,
        touched=touched,
    )  # fmt: skip
    case = driven(
        [{"do": "pause", "time": "1 s"}, mark("here", x="10 mm", y="20 mm"), {"do": "pause", "time": "1 s"}]
    )
    found = shares_of(case.moments[0], trials, 15.0)
    assert found.joint == pytest.approx([0.5, 1.5, 0.5, 0.5, 0.5, 1.5], rel=1e-12)
    assert found.late.tolist() == [False, False, False, True, True, False]
    assert found.own.tolist() == [True, False, False, False, False, False]


def test_law_moments_of_a_plan() -> None:
    """Checkpoints of a repetition are numbered from the second on; the end is the last knot."""
    steps = [
        {"do": "repeat", "times": 3, "steps": [{"do": "advance", "distance": "0.1 m"}, mark("lap")]},
        {"do": "pause", "time": "1 s"},
    ]
    region = [["1 m", "1 m"], ["2 m", "1 m"], ["2 m", "2 m"]]
    loose = {
        "id": "pot",
        "shape": {"circle": {"radius": "50 mm"}},
        "at": {"x": "1.5 m", "y": "1.3 m"},
        "scatter": {"x": "5 mm", "y": "5 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
        "stray": {"probability": "1 %", "region": region, "constant_over": "run", **GUESS},
    }
    case = prepared(steps, robot(), believed=field_map(elements=[loose]))
    found = moments_of(case.case.routine, case.plan, case.case.true)
    assert [m.name for m in found] == ["lap", "lap#2", "lap#3", "end"]
    assert [m.final for m in found] == [False, False, False, True]
    assert [m.step for m in found] == [1, 3, 5, 6]
    timeline = case.plan.timeline
    assert found[-1].knot == len(timeline.time_s) - 1
    assert found[0].pose[0] == pytest.approx(0.1, abs=1e-9)
    assert [round(float(timeline.pose[m.knot, 0]), 9) for m in found] == [0.1, 0.2, 0.3, 0.3]
    assert not any(m.may_stray for m in found)
    assert {step: [i for i, _ in at] for step, at in moments_by_step(found).items()} == {
        1: [0],
        3: [1],
        5: [2],
        6: [3],
    }


def test_law_a_path_is_straight_between_what_is_known() -> None:
    """Knots 0 and 4 are known; 1 is a quarter of the way, and a known one is itself."""
    case = driven([{"do": "pause", "time": "1 s"}])
    recorder = PathRecorder(case, 2)

    def at(x: float) -> Any:
        return SimpleNamespace(xx=np.array([x, 2 * x]), xy=np.zeros(2), xh=np.array([0.1 * x, 0.0]))

    recorder.corrected(0, at(1.0))
    recorder.corrected(2, at(99.0))
    recorder.moved(4, at(5.0), np.zeros(2))
    found = recorder.off_plan([0, 1, 2, 4])
    assert found[:, 0, 0] == pytest.approx([1.0, 2.0, 3.0, 5.0], rel=1e-6)
    assert found[:, 0, 1] == pytest.approx([2.0, 4.0, 6.0, 10.0], rel=1e-6)
    assert found[:, 2, 0] == pytest.approx([0.1, 0.2, 0.3, 0.5], rel=1e-6)


def straying(chance: str = "30 %") -> dict[str, Any]:
    """Return a pot that may stray to the far side."""
    region = [["4 m", "4 m"], ["5 m", "4 m"], ["5 m", "5 m"]]
    return {
        "id": "pot",
        "shape": {"circle": {"radius": "50 mm"}},
        "at": {"x": "1.5 m", "y": "1.3 m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
        "stray": {"probability": chance, "region": region, "constant_over": "run", **GUESS},
    }


def test_law_a_moment_may_stray_with_what_it_is_relative_to() -> None:
    """Only where that has a chance to."""
    wait = {"do": "pause", "time": "1 s"}
    steps = [wait, mark("near", radial="5 m", relative_to="pot"), wait]
    for chance, may in (("30 %", True), ("0 %", False)):
        case = prepared(steps, robot(), believed=field_map(elements=[straying(chance)]))
        assert [m.may_stray for m in case.moments] == [may, False]


def test_law_where_an_element_lies_in_chosen_trials() -> None:
    """At its place, exact as it is, unless it has strayed, which three in ten do; then in its region."""
    still = {**straying(), "id": "other", "at": {"x": "-1.5 m", "y": "-1.3 m"}}
    case = prepared(
        [{"do": "pause", "time": "1 s"}], robot(), believed=field_map(elements=[straying(), still])
    )
    numbers = np.arange(0, 400)
    trials, x, y, strayed = places_of_strays(case, "other", numbers, 1)
    assert trials.trials == 400
    assert set(x[~strayed]) == {-1.5}
    assert set(y[~strayed]) == {-1.3}
    assert (
        (x[strayed] >= 4.0) & (x[strayed] <= 5.0) & (y[strayed] >= 4.0) & (y[strayed] <= x[strayed])
    ).all()
    # Four standard errors of 30 % of 400.
    assert strayed.mean() == pytest.approx(0.3, abs=4 * math.sqrt(0.21 / 400))
    again = places_of_strays(case, "other", np.array([3, 17]), 1)
    assert again[1].tolist() == x[[3, 17]].tolist()


@pytest.mark.parametrize(("y", "late_mm"), [(1.5, 40.0), (1.0, 40.0 + 500 * 0.02), (2.0, 40.0 - 500 * 0.02)])
def test_law_contact_is_late_by_the_wall_as_it_is_built(y: float, late_mm: float) -> None:
    """Built 40 mm further off and turned by 20 mrad: half a metre from its middle 10 mm more or less.

    The robot drives at 0.4 m/s until it is there.
    """
    corners = {"south": (0.0, 0.0), "east": (4.0, 0.0), "north": (4.0, 3.0), "west": (0.0, 3.0)}
    turn = 1.5 * math.tan(0.02)
    built = {**corners, "east": (4.04 + turn, 0.0), "north": (4.04 - turn, 3.0)}
    case = prepared(
        [{"do": "square-up", "against": "east", "speed": "0.4 m/s"}, mark("wall")],
        robot(correction={"enabled": False}),
        believed=field_map(corners=corners),
        true=field_map(corners=built),
        start=(3.0, y, 0.0),
    )
    clock_s = covariance(case).moments[0].clock_mean_s
    assert (clock_s - case.plan.duration_s) * 0.4 == pytest.approx(late_mm * 1e-3, abs=1e-5)


def test_law_words_of_a_log_for_what_became_of_a_reading() -> None:
    """One for each outcome of a reading that was tried, all different, as the log format has them."""
    assert FIX_WORDS[Outcome.TURNING] == "turning"
    assert FIX_WORDS[Outcome.TOO_FAST] == "too-fast"
    assert set(FIX_WORDS) == set(Outcome) - {Outcome.SWITCHED_OFF, Outcome.IN_CONTACT}
    words = "used association not-reference out-of-range incidence corridor too-fast turning no-echo gate"
    assert set(FIX_WORDS.values()) == {*words.split(), "persistence"}
    assert len(set(FIX_WORDS.values())) == len(FIX_WORDS)
