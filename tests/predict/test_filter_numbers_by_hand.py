"""The robot's own numbers, as derived from its error sources: roots of sums of squares."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy.stats import beta, chi2

from driftgate.predict.doubt import Doubt, chance_key, drawn_doubt, factor_key, is_doubted, with_doubt
from driftgate.predict.filter import as_matrix, choose
from driftgate.predict.filter_model import FilterModel, filter_model
from driftgate.predict.filter_tally import LEVELS, FilterWatch, empty_filter_tally

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run, tick

LOOK = {"do": "look", "time": "0.1 s"}
BUILD = {"offset": "5 mm", "constant_over": "field", **GUESS}


def model(
    errors: dict[str, Any] | None = None,
    sensor: dict[str, Any] | None = None,
    own: dict[str, Any] | None = None,
    field: Any = None,
    **more: Any,
) -> FilterModel:
    """Return the numbers of a robot with these errors, and one sensor with these."""
    machine = robot(
        errors or {},
        sensors=[range_sensor("a", 0.0, 0.0, 0.0, errors=sensor or {}, **more)],
        correction={"when": "always", "filter": own or {}},
    )
    case = prepared([LOOK], machine, believed=field, spread=("3 mm", "4 mm", "1 deg"))
    return filter_model(case.case)


def test_law_nothing_is_derived_from_nothing() -> None:
    """A robot without errors has a filter without noise, but for where it starts."""
    found = model()
    assert found.start_sd == pytest.approx((3e-3, 4e-3, math.radians(1.0)), rel=1e-12)
    assert (found.along_per_root_m, found.across_per_root_m, found.heading_per_root_m) == (0.0, 0.0, 0.0)
    assert (found.heading_per_root_s, found.heading_per_root_rad) == (0.0, 0.0)
    assert (found.range_at_zero_m, found.range_per_range) == ((0.0,), (0.0,))
    assert (found.wall_m, found.wall_tilt_rad) == (0.0, 0.0)


def test_law_constants_count_as_if_drawn_every_so_often() -> None:
    """Scale and crab angle by the root of 2 m, bias of 5 s, heading scale of half a turn; and the walks."""
    found = model(
        {
            "distance_walk": tick(per_root_metre="3 mm/sqrt(m)"),
            "distance_scale": run(spread="0.2 %"),
            "lateral_walk": tick(per_root_metre="4 mm/sqrt(m)"),
            "crab_angle": run(spread="0.1 deg"),
            "heading_walk": tick(
                per_root_metre="0.1 deg/sqrt(m)",
                per_root_second="0.2 deg/sqrt(s)",
                per_root_radian="0.3 deg/sqrt(rad)",
            ),
            "heading_bias": run(spread="0.05 deg/s"),
            "heading_scale": run(spread="0.5 %"),
        }
    )
    degree = math.radians(1.0)
    assert found.along_per_root_m == pytest.approx(math.sqrt(3e-3**2 + 2 * 2e-3**2), rel=1e-12)
    assert found.across_per_root_m == pytest.approx(math.sqrt(4e-3**2 + 2 * (0.1 * degree) ** 2), rel=1e-12)
    assert found.heading_per_root_m == pytest.approx(0.1 * degree, rel=1e-12)
    assert found.heading_per_root_s == pytest.approx(degree * math.sqrt(0.04 + 5 * 0.0025), rel=1e-12)
    assert found.heading_per_root_rad == pytest.approx(
        math.sqrt((0.3 * degree) ** 2 + math.pi * 5e-3**2), rel=1e-12
    )


def test_law_a_range_is_as_good_as_all_that_is_wrong_with_it() -> None:
    """Noise, bias, mount and a twelfth of the step squared at zero; noise and scale by range.

    So if all of it is noise; where constants are considered, bias and mount, and the scale, stand apart.
    """
    noisy = {"consider": False}
    noise = {"at_zero": "3 mm", "per_range": "0.4 %", "constant_over": "reading", **GUESS}
    errors = {
        "noise": noise,
        "bias": run(spread="4 mm"),
        "scale": run(spread="0.3 %"),
        "mount_position": run(spread="2 mm"),
    }
    found = model(sensor=errors, own=noisy, resolution="6 mm")
    assert found.range_at_zero_m == pytest.approx((math.sqrt(9 + 16 + 4 + 3) * 1e-3,), rel=1e-12)
    assert found.range_per_range == pytest.approx((5e-3,), rel=1e-12)
    scale = {"scale": run(spread="0.3 %")}
    assert model(sensor=scale, own=noisy).range_per_range == pytest.approx((3e-3,), rel=1e-12)
    assert model(sensor={"noise": noise}).range_per_range == pytest.approx((4e-3,), rel=1e-12)
    found = model(sensor=errors, resolution="6 mm")
    assert found.range_at_zero_m == pytest.approx((math.sqrt(9 + 3) * 1e-3,), rel=1e-12)
    assert found.range_per_range == pytest.approx((4e-3,), rel=1e-12)
    assert found.constants[0].bias_m == pytest.approx(math.sqrt(16 + 4) * 1e-3, rel=1e-12)
    assert found.constants[0].scale == pytest.approx(3e-3, rel=1e-12)


def test_law_the_mean_of_a_fit_counts_by_its_error() -> None:
    """A spread of 3 and a mean good to 4 are 5."""
    fitted = {"runs": 6, "mean_error": "4 mm", "freedom": 5}
    bias = {"bias": run(spread="3 mm", fitted=fitted)}
    assert model(sensor=bias).constants[0].bias_m == pytest.approx(5e-3, rel=1e-12)
    assert model(sensor=bias, own={"consider": False}).range_at_zero_m == pytest.approx((5e-3,), rel=1e-12)
    assert with_doubt(3.0, None) == 3.0


def test_law_walls_are_turned_by_the_mean_square_of_all() -> None:
    """Three walls of 0.1 degrees and one of 0.5: the root of 0.07."""
    turned = {**BUILD, "tilt": "0.1 deg"}
    field = field_map(build=turned, builds={"east": {**BUILD, "tilt": "0.5 deg"}})
    assert math.degrees(model(field=field).wall_tilt_rad) == pytest.approx(math.sqrt(0.28 / 4), rel=1e-12)


def test_law_what_the_robot_file_says_goes() -> None:
    """Each number by itself; zero is a number."""
    own = {
        "start_x": "1 mm",
        "start_y": "0 mm",
        "start_heading": "2 deg",
        "along": "1 mm/sqrt(m)",
        "across": "2 mm/sqrt(m)",
        "heading_per_root_metre": "1 deg/sqrt(m)",
        "heading_per_root_second": "2 deg/sqrt(s)",
        "heading_per_root_radian": "3 deg/sqrt(rad)",
        "range_at_zero": "7 mm",
        "range_per_range": "0 %",
        "wall": "6 mm",
        "wall_tilt": "0.4 deg",
    }
    found = model(sensor={"scale": run(spread="0.3 %")}, own=own)
    degree = math.radians(1.0)
    assert found.start_sd == pytest.approx((1e-3, 0.0, 2 * degree), rel=1e-12)
    assert (found.along_per_root_m, found.across_per_root_m) == pytest.approx((1e-3, 2e-3), rel=1e-12)
    heading = (found.heading_per_root_m, found.heading_per_root_s, found.heading_per_root_rad)
    assert heading == pytest.approx((degree, 2 * degree, 3 * degree), rel=1e-12)
    assert (found.range_at_zero_m, found.range_per_range) == ((7e-3,), (0.0,))
    assert (found.wall_m, found.wall_tilt_rad) == pytest.approx((6e-3, 0.4 * degree), rel=1e-12)


def test_law_filters_are_chosen_trial_by_trial() -> None:
    """Every entry of the one where it is asked for, and of the other elsewhere."""
    where = np.array([True, False])
    one, other = (tuple(np.array([v, v + 10.0]) for v in range(first, first + 6)) for first in (0, 100))
    found = choose(where, one, other)  # type: ignore[arg-type]
    assert [v.tolist() for v in found] == [[float(i), 110.0 + i] for i in range(6)]
    matrix = as_matrix(tuple(np.array([float(v)]) for v in range(1, 7)))  # type: ignore[arg-type]
    assert np.squeeze(matrix).tolist() == [[1.0, 2.0, 3.0], [2.0, 4.0, 5.0], [3.0, 5.0, 6.0]]


class Same:
    """Streams that draw one number, and note for what."""

    def __init__(self, uniform: float) -> None:
        self.uniform = uniform
        self.asked: list[tuple[str, str, int]] = []

    def uniforms(self, source: str, place: str, index: int) -> Any:
        """Return it."""
        self.asked.append((source, place, index))
        return np.array([[self.uniform]])


@pytest.mark.parametrize("uniform", [0.05, 0.5, 0.9])
def test_law_doubt_is_drawn_once_a_run(uniform: float) -> None:
    """A spread by scaled inverse chi-square; a chance by a beta with half a reading more of either kind."""
    streams: Any = Same(uniform)
    found = drawn_doubt(Doubt({"range_noise:a": 7.0}, {"dropout:a": (0.2, 30.0)}), streams)
    factor, chance = found[factor_key("range_noise:a")], found[chance_key("dropout:a")]
    assert float(factor[0]) == pytest.approx(math.sqrt(7.0 / chi2.ppf(uniform, 7)), rel=1e-9)
    assert float(chance[0]) == pytest.approx(beta.ppf(uniform, 6.5, 24.5), rel=1e-9)
    assert [(place, index) for _, place, index in streams.asked] == [("run", 0)] * 2


def test_law_a_spread_is_at_most_twenty_times_what_was_seen() -> None:
    """Two runs leave any number possible; more than twenty times is cut off, less is as drawn."""
    for uniform, factor in ((1e-6, 20.0), (0.01, 20.0), (0.05, math.sqrt(1.0 / chi2.ppf(0.05, 1)))):
        streams: Any = Same(uniform)
        found = drawn_doubt(Doubt({"range_noise:a": 1.0}), streams)[factor_key("range_noise:a")]
        assert float(found[0]) == pytest.approx(factor, rel=1e-9)


def test_law_what_is_doubted() -> None:
    """A mean that is off, a spread from few runs or a chance from few readings; a plain number not."""
    assert not is_doubted(robot({"distance_scale": run(spread="1 %")}))
    for fitted in ({"runs": 6, "mean_error": "0.1 %"}, {"runs": 6, "freedom": 5}):
        assert is_doubted(robot({"distance_scale": run(spread="1 %", fitted=fitted)}))


def test_law_a_filter_held_against_its_regions() -> None:
    """Variances of 4, 9 and 16: regions of one coordinate and of three, by chi-square, from both sides."""
    levels = np.array(LEVELS)
    points = np.sqrt(chi2.ppf(levels, 1))
    for factor, counts in ((0.999, 2), (1.001, 1)):
        for axis, sd in enumerate((2.0, 3.0, 4.0)):
            for i, point in enumerate(points):
                watch = FilterWatch(empty_filter_tally(1, 1, 1))
                error = [np.zeros(2), np.zeros(2), np.zeros(2)]
                error[axis] = np.array([0.0, -factor * point * sd])
                p: Any = tuple(np.array([v]) for v in (4.0, 0.0, 0.0, 9.0, 0.0, 16.0))
                watch.moment(0, (error[0], error[1], error[2]), p, 2)
                assert watch.tally.inside[0, axis, i] == counts, (axis, i)
                assert watch.tally.inside[0, (axis + 1) % 3].tolist() == [2] * 4
    three = np.sqrt(chi2.ppf(levels, 3) / 3)
    for i, point in enumerate(three):
        for factor, counts in ((0.999, 1), (1.001, 0)):
            watch = FilterWatch(empty_filter_tally(1, 1, 1))
            size = factor * point
            error = [np.array([size * 2.0]), np.array([-size * 3.0]), np.array([size * 4.0])]
            watch.moment(0, (error[0], error[1], error[2]), p, 1)
            assert watch.tally.inside[0, 3, i] == counts, i


def test_law_sums_of_errors_by_hand() -> None:
    """One trial 4 mm, 3 spreads of 3 and none off: squares 4, 9, 0; sums and squares in whole numbers."""
    watch = FilterWatch(empty_filter_tally(1, 1, 1))
    p: Any = tuple(np.array([v]) for v in (4e-6, 0.0, 0.0, 1e-6, 0.0, 1e-4))
    watch.moment(0, (np.array([-4e-3, 0.0]), np.array([3e-3, 0.0]), np.zeros(2)), p, 2)
    tally = watch.tally
    assert tally.nees[0].tolist() == [2, 13_000, 169_000_000]
    assert tally.offset[0].tolist() == [-2000, 3000, 0]
    assert tally.offset2[0].tolist() == [4000, 9000, 0]
    assert tally.certain[0] == 0
    # A heading that is known perfectly, and right: certain, and it adds nothing.
    p = (*p[:5], np.zeros(1))
    watch.moment(0, (np.array([2e-3]), np.array([0.0]), np.array([0.0])), p, 1)
    assert tally.nees[0].tolist() == [3, 14_000, 170_000_000]
    assert tally.certain[0] == 1


def test_law_innovations_at_the_gate_and_fixes() -> None:
    """Four trials: 1, -2, 3 spreads and one not tried; two become fixes, and one trial has two of them."""
    watch = FilterWatch(empty_filter_tally(2, 3, 1))
    tried = np.array([True, True, True, False])
    squared = watch.innovation(
        1, 2, np.array([0.1, -0.2, 0.3, 9.0]), np.full(4, 0.01), np.full(4, 0.0025) * tried, tried
    )
    assert squared == pytest.approx([1.0, 4.0, 9.0, 0.0], abs=1e-12)
    tally = watch.tally
    place = (1, 2)
    assert (tally.tried[place], tally.nis_tried[place], tally.signed[place]) == (3, 14_000_000, 2_000_000)
    assert tally.own[place] == 750_000
    assert tally.beyond[place].tolist() == [2, 1]  # 3.84 and 6.63
    watch.taken(1, 2, squared, np.array([True, True, False, False]))
    watch.taken(1, 0, np.array([3.0, 0.0, 0.0, 0.0]), np.array([True, False, False, False]))
    found = watch.finished()
    assert (found.used[1].tolist(), found.nis_used[1].tolist()) == ([1, 0, 2], [3_000_000, 0, 5_000_000])
    # Means 2 and 4 of the trials with a fix.
    assert found.by_trial[1].tolist() == [2, 6000, 20_000_000]
    assert found.by_trial[0].tolist() == [0, 0, 0]
