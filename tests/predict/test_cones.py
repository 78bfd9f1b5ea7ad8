"""Sensors with a cone, in the trials: what answers, what the robot makes of it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from driftgate.core.pose import FloatArray
from driftgate.predict import Prepared, run_trials
from driftgate.predict.echoes import Echo, EchoMaker
from driftgate.predict.values import Outcome

from .outcomes import ENGINES, known, spreads
from .scenes import GUESS, REPLACE, field_map, prepared, range_sensor, robot, run, single_reading

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="what answers in a cone", tolerance="1 nm to 1 µm"
)

SQUARE = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0))


def echoes_of(monkeypatch: pytest.MonkeyPatch, case: Prepared, trials: int) -> list[Echo]:
    """Return what came back, one entry per reading."""
    seen: list[Echo] = []
    make = EchoMaker.echo

    def spy(self: EchoMaker, *arguments: Any) -> Echo:
        echo = make(self, *arguments)
        seen.append(echo)
        return echo

    monkeypatch.setattr(EchoMaker, "echo", spy)
    run_trials(case, trials, 3)
    return seen


def pause(sensor: dict[str, Any], correction: dict[str, Any] | None = None, **more: Any) -> Prepared:
    """Return a robot that stands and reads once, in the middle of a square of 4 m."""
    return prepared(
        [{"do": "pause", "time": "1 s"}],
        robot(sensors=[sensor], correction=correction or REPLACE),
        more.pop("believed", SQUARE),
        **more,
    )


def pot(x: float, y: float, radius_mm: float = 50.0, **more: Any) -> dict[str, Any]:
    """Return a loose disc that is exactly where the map has it."""
    nowhere = {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS}
    shape = {"circle": {"radius": f"{radius_mm!r} mm"}}
    return {
        "id": "pot",
        "shape": shape,
        "at": {"x": f"{x!r} m", "y": f"{y!r} m"},
        "scatter": nowhere,
        **more,
    }


@ON_PAPER
@pytest.mark.parametrize(
    ("heading_deg", "range_m"),
    [(0.0, 2.0), (9.0, 2.0), (25.0, 2.0 / math.cos(math.radians(15.0)))],
)
def test_ref_the_nearest_point_of_a_wall_answers(
    monkeypatch: pytest.MonkeyPatch, heading_deg: float, range_m: float
) -> None:
    """In a cone of 20 deg the foot of the perpendicular answers, else the nearer rim (on paper)."""
    sensor = single_reading("ahead", heading_deg, 0.5, beam_width="20 deg")
    (echo,) = echoes_of(monkeypatch, pause(sensor), 3)
    assert echo.reading_m == pytest.approx(range_m, abs=1e-12)
    assert echo.surface.tolist() == [1, 1, 1]


@ON_PAPER
def test_ref_a_pot_beside_the_axis_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pot 0.2 m off the axis answers in a wide cone: the distance of its near side. A line passes by."""
    field = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), elements=[pot(1.0, 0.2)])
    for width, range_m in (("30 deg", math.hypot(1.0, 0.2) - 0.05), ("0 deg", 2.0)):
        sensor = single_reading("ahead", 0.0, 0.5, beam_width=width)
        with monkeypatch.context() as patch:
            (echo,) = echoes_of(patch, pause(sensor, believed=field), 2)
        assert echo.reading_m == pytest.approx(range_m, abs=1e-12)


def test_mc_the_neighbouring_wall_in_the_cone_is_a_wrong_echo() -> None:
    """Near a corner the other wall answers when the truth is off to its side: counted as wrong.

    On paper: from (1, 1.05) at 45 deg in a cone of 40 deg the north wall is 0.95 / cos 25 deg away and the
    east wall 1 / cos 25 deg; the east wall is nearer when the robot stands more than 50 mm further south.
    With a spread of 100 mm that is Phi(-0.5) = 30.9 % of the runs.
    """
    sensor = single_reading("corner", 45.0, 0.5, beam_width="40 deg")
    case = pause(sensor, start=(1.0, 1.05, 0.0), spread=("0 mm", "100 mm", "0 deg"))
    result = run_trials(case, 4000, 1)
    share = result.wrongly_accepted.sum() / result.counts[..., Outcome.ACCEPTED].sum()
    wanted = float(stats.norm.cdf(-0.5))
    assert share == pytest.approx(wanted, abs=4.0 * math.sqrt(wanted * (1.0 - wanted) / 4000))


@pytest.mark.parametrize("engine", ENGINES)
def test_law_a_foot_says_nothing_of_the_heading(engine: str) -> None:
    """With the foot in the cone a mount angle leaves no error, and a lever moves the foot by r d(heading)."""
    for width, left_mm in (
        ("30 deg", 0.0),
        ("0 deg", 2e3 * math.tan(math.radians(10.0)) * math.radians(0.2)),
    ):
        errors = {"mount_angle": run(spread="0.2 deg")}
        sensor = single_reading("oblique", 10.0, 0.5, beam_width=width, errors=errors)
        found = spreads(pause(sensor, spread=("20 mm", "0 mm", "0 deg")), engine)["end"].in_mm()
        assert found[0][0] == pytest.approx(left_mm, rel=0.03, abs=1e-9)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_replacement_takes_the_foot(engine: str) -> None:
    """A wall 100 mm nearer than drawn moves the belief by 100 mm, oblique as the axis may be."""
    sensor = single_reading("oblique", 10.0, 0.5, beam_width="30 deg")
    true = field_map(x=(-2.0, 1.9), y=(-2.0, 2.0))
    assert known(pause(sensor, true=true), engine)["end"].t == pytest.approx([0.1, 0.0, 0.0], abs=1e-9)


def test_mc_engines_agree_about_a_corner() -> None:
    """Reading a bench's corner both engines say the same of its displacement and of the mount's (4 sigma)."""
    build = {"x": "3 mm", "y": "20 mm", "heading": "0.5 deg", "constant_over": "field", **GUESS}
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "400 mm", "width": "400 mm"}},
        "at": {"x": "1.4 m", "y": "0.55 m"},  # its near corner is at (1.2, 0.35)
        "reference": True,
        "build": build,
    }
    errors = {"mount_position": run(spread="2 mm"), "mount_angle": run(spread="0.5 deg")}
    sensor = single_reading("ahead", 0.0, 0.5, beam_width="40 deg", errors=errors)
    case = pause(
        sensor,
        believed=field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), structures=[bench]),
        spread=("5 mm", "3 mm", "0.3 deg"),
    )
    assert case.sight.range_m[0] == pytest.approx(math.hypot(1.2, 0.35))
    linear, sampled = spreads(case, "covariance")["end"], spreads(case, "trials")["end"]
    assert sampled.e == pytest.approx(linear.e, rel=4.0 / math.sqrt(40_000))
    assert sampled.t == pytest.approx(linear.t, rel=4.0 / math.sqrt(40_000), abs=1e-9)


def test_law_the_cone_is_kept_free_in_every_trial() -> None:
    """A mapped pot in the cone, off the corridor, refuses the readings of the trials that see it there."""
    field = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), elements=[pot(1.0, 0.2)])
    correction = {**REPLACE, "validity": {"corridor": "10 mm"}}
    for width, outcome in (("30 deg", Outcome.CORRIDOR), ("4 deg", Outcome.ACCEPTED)):
        sensor = single_reading("ahead", 0.0, 0.5, beam_width=width)
        result = run_trials(pause(sensor, correction, believed=field), 50, 1)
        assert result.counts.sum(axis=(0, 1))[outcome] == 50


@pytest.mark.parametrize("half_deg", [0.0, 10.0])
def test_law_grazing_the_wall_loses_the_echo(monkeypatch: pytest.MonkeyPatch, half_deg: float) -> None:
    """With the truth turned, line or nearer rim meets the wall askew; beyond 45 deg nothing comes back."""
    field = field_map(x=(-2.0, 2.0), y=(-30.0, 30.0))
    sensor = single_reading("ahead", 0.0, 0.5, beam_width=f"{2.0 * half_deg!r} deg", echo_limit="45 deg")
    case = pause(sensor, believed=field, spread=("0 mm", "0 mm", "40 deg"))
    turned = run_trials(case, 300, 3).moments[-1].error[:, 2]
    seen = echoes_of(monkeypatch, case, 300)
    incidence = np.maximum(np.abs(turned) - math.radians(half_deg), 0.0)
    ahead = incidence < math.radians(75.0)
    assert np.count_nonzero(ahead) > 250
    comes = np.isfinite(seen[0].reading_m)
    assert np.array_equal(comes[ahead], (incidence <= math.radians(45.0))[ahead])
    assert seen[0].reading_m[comes] == pytest.approx(2.0 / np.cos(incidence[comes]), abs=1e-9)


def test_law_no_width_changes_no_digit() -> None:
    """A width of zero is the line, to the last bit."""

    def final(**more: Any) -> FloatArray:
        noise = {"noise": {"at_zero": "5 mm", "constant_over": "reading", **GUESS}}
        sensor = range_sensor("ahead", 0.1, 0.0, 20.0, errors=noise, **more)
        case = prepared(
            [{"do": "look", "time": "0.5 s"}],
            robot(sensors=[sensor], correction={"gate": {"sigmas": 3.0}, "filter": {}}),
            SQUARE,
            spread=("20 mm", "20 mm", "1 deg"),
        )
        return run_trials(case, 200, 1).moments[-1].estimation

    assert np.array_equal(final(), final(beam_width="0 deg"))
    assert not np.array_equal(final(), final(beam_width="1 deg"))


BESIDE = field_map(x=(-2.0, 2.0), y=(-0.3, 3.0))


def grazing(spread: tuple[str, str, str] = ("0 mm", "0 mm", "0 deg"), **more: Any) -> Prepared:
    """Return a reading ahead, 0.3 m beside a wall that its cone of 40 deg meets at 70 deg: it is mute."""
    sensor = single_reading("ahead", 0.0, 0.5, beam_width="40 deg", echo_limit="60 deg", **more.pop("on", {}))
    return pause(sensor, more.pop("correction", None), spread=spread, **more)


@pytest.mark.parametrize("engine", ENGINES)
def test_law_a_wall_ahead_is_seen_past_a_grazed_one(engine: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Truth, belief and the linear engine all take the wall ahead, 50 mm nearer than drawn."""
    nearer = field_map(x=(-2.0, 1.95), y=(-0.3, 3.0))
    case = grazing(believed=BESIDE, true=nearer)
    assert case.believed.edges[case.sight.surface[0]].id == "east"
    assert case.sight.range_m[0] == pytest.approx(2.0)
    assert known(case, engine)["end"].t == pytest.approx([0.05, 0.0, 0.0], abs=1e-9)
    (echo,) = echoes_of(monkeypatch, case, 3)
    assert echo.reading_m == pytest.approx(1.95, abs=1e-12)


def test_mc_engines_agree_past_a_grazed_wall() -> None:
    """Both engines leave the same errors (4 sigma of 20 000 trials), and every reading is rightly taken."""
    errors = {"bias": run(spread="4 mm"), "mount_angle": run(spread="0.5 deg")}
    case = grazing(("20 mm", "10 mm", "0.5 deg"), believed=BESIDE, on={"errors": errors})
    linear, sampled = spreads(case, "covariance")["end"], spreads(case, "trials")["end"]
    assert sampled.e[:2] == pytest.approx(linear.e[:2], rel=4.0 / math.sqrt(40_000))
    result = run_trials(case, 500, 1)
    assert result.counts[..., Outcome.ACCEPTED].sum() == 500
    assert result.wrongly_accepted.sum() == 0


@ON_PAPER
@pytest.mark.parametrize(
    ("at", "range_m"),
    [
        # Beside the axis before the grazed wall, further than that wall's nearest point.
        ((1.3, -0.1), math.hypot(1.3, 0.1) - 0.05),
        # Behind the wall: nothing but the wall ahead.
        ((1.3, -0.5), 2.0),
    ],
)
@pytest.mark.parametrize("strays", [False, True])
def test_ref_a_pot_before_a_grazed_wall_answers(
    monkeypatch: pytest.MonkeyPatch, at: tuple[float, float], range_m: float, strays: bool
) -> None:
    """A pot between the beams that the wall takes answers in the trials in which it is there."""
    there = pot(*at) if not strays else pot(1.0, 2.0)
    if strays:
        region = [[f"{at[0] + u!r} m", f"{at[1] + v!r} m"] for u, v in ((0, 0), (1e-9, 0), (1e-9, 1e-9))]
        there["stray"] = {"probability": "50 %", "region": region, "constant_over": "run", **GUESS}
    field = field_map(x=(-2.0, 2.0), y=(-0.3, 3.0), elements=[there])
    (echo,) = echoes_of(monkeypatch, grazing(believed=field), 40)
    seen = np.abs(echo.reading_m - range_m) < 1e-6
    if strays:
        assert np.abs(echo.reading_m[~seen] - 2.0).max(initial=0.0) < 1e-9
        assert seen.all() if range_m == 2.0 else 5 < seen.sum() < 35
    else:
        assert seen.all()


def test_law_a_pot_that_is_not_there_yet_does_not_answer(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of two pots before a grazed wall the one that is there at the time of the reading answers."""
    pots = [
        pot(1.3, -0.1, present={"begin": "0.8 s"}),
        {**pot(1.6, -0.1, present={"begin": "0.2 s"}), "id": "pot-b"},
    ]
    field = field_map(x=(-2.0, 2.0), y=(-0.3, 3.0), elements=pots)
    (echo,) = echoes_of(monkeypatch, grazing(believed=field), 2)
    assert echo.reading_m == pytest.approx(math.hypot(1.6, 0.1) - 0.05, abs=1e-9)


def test_law_a_low_board_hides_nothing_from_a_beam_above_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """A mute board across the axis hides the wall ahead, but not from a sensor that looks over it."""
    for high, range_m in (("500 mm", math.nan), ("80 mm", 2.0)):
        board = {
            "id": "board",
            "shape": {"rectangle": {"length": "1.6 m", "width": "20 mm"}},
            "at": {"x": "1.2 m", "y": "0 m", "heading": "14 deg"},
            "height": {"low": "0 mm", "high": high},
        }
        away = {**board, "at": {"x": "-1 m", "y": "2 m"}}
        field, drawn = (field_map(x=(-2.0, 2.0), y=(-0.3, 3.0), structures=[one]) for one in (board, away))
        for uneven in ({}, {"mount_height": run(spread="1 mm")}):
            sensor = {"errors": uneven, "beam_width": "40 deg"}
            one = single_reading("ahead", 0.0, 0.5, echo_limit="50 deg", **sensor)
            with monkeypatch.context() as patch:
                found = echoes_of(
                    patch, pause(one, {**REPLACE, "validity": {}}, believed=drawn, true=field), 3
                )
            assert found[0].reading_m == pytest.approx(range_m, abs=1e-6, nan_ok=True)
