"""Sensors that sit too high or low, or look up or down."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from driftgate.predict import run_trials
from driftgate.predict.sources import TITLES, source_table

from .outcomes import ENGINES, known, spreads
from .scenes import REPLACE, field_map, run, single_reading
from .test_cones import echoes_of, pause, pot
from .test_streams import assert_identical

ON_PAPER = pytest.mark.evidence(
    source="worked on paper",
    compares="sensors that read long, look up or down; pairs",
    tolerance="1e-12 to 3 %",
)

HIGH = {"low": "0 m", "high": "2 m"}
WIDTHS = ("0 deg", "20 deg")


def tilted(mean_deg: float = 0.0, spread_deg: float = 0.0, **more: Any) -> dict[str, Any]:
    """Return a sensor 0.1 m up that reads once, ahead, pitched."""
    pitch = run(mean=f"{mean_deg!r} deg", spread=f"{spread_deg!r} deg")
    return single_reading("ahead", 0.0, 0.5, errors={"mount_pitch": pitch}, **more)


@ON_PAPER
@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_the_reading_is_the_slant(engine: str, width: str) -> None:
    """Looking up by 5 deg a wall 2 m away reads 2 m / cos 5 deg: the belief backs off by 7.6 mm."""
    case = pause(tilted(5.0, beam_width=width))
    away_mm = 2e3 * (1.0 / math.cos(math.radians(5.0)) - 1.0)
    assert away_mm == pytest.approx(7.64, abs=0.005)
    assert known(case, engine)["end"].in_mm()[1] == pytest.approx([-away_mm, 0.0, 0.0], abs=1e-6)


@ON_PAPER
def test_ref_looking_down_meets_the_floor(monkeypatch: pytest.MonkeyPatch) -> None:
    """0.1 m up and 10 deg down the floor answers after 0.1 m / sin 10 deg, as a false return (on paper)."""
    (echo,) = echoes_of(monkeypatch, pause(tilted(-10.0)), 2)
    assert echo.reading_m == pytest.approx(0.1 / math.sin(math.radians(10.0)), abs=1e-12)
    assert echo.surface.tolist() == [-1, -1]


def test_law_a_floor_that_is_grazed_gives_no_echo(monkeypatch: pytest.MonkeyPatch) -> None:
    """5 deg down the floor is met at an incidence of 85 deg, beyond the limit of 80.2: nothing comes back."""
    (echo,) = echoes_of(monkeypatch, pause(tilted(-5.0)), 2)
    assert np.isnan(echo.reading_m).all()


def test_law_a_beam_that_reaches_the_wall_first_reads_the_wall(monkeypatch: pytest.MonkeyPatch) -> None:
    """2 deg down from 0.1 m the floor is 2.86 m away, behind the wall."""
    (echo,) = echoes_of(monkeypatch, pause(tilted(-2.0)), 2)
    assert echo.surface.tolist() == [1, 1]
    assert echo.reading_m == pytest.approx(2.0 / math.cos(math.radians(2.0)), abs=1e-12)


@pytest.mark.parametrize("width", WIDTHS)
def test_mc_height_decides_what_stands_in_the_beam(monkeypatch: pytest.MonkeyPatch, width: str) -> None:
    """A pot 120 mm high is met where the sensor is no more than one sigma too high: 84.1 % of the runs."""
    errors = {"mount_height": run(spread="20 mm")}
    field = field_map(
        x=(-2.0, 2.0), y=(-2.0, 2.0), elements=[pot(1.0, 0.0, height={"low": "0 mm", "high": "120 mm"})]
    )
    sensor = single_reading("ahead", 0.0, 0.5, errors=errors, beam_width=width)
    (echo,) = echoes_of(monkeypatch, pause(sensor, believed=field), 4000)
    share = np.mean(np.abs(echo.reading_m - 0.95) < 1e-9)
    wanted = float(stats.norm.cdf(1.0))
    assert share == pytest.approx(wanted, abs=4.0 * math.sqrt(wanted * (1.0 - wanted) / 4000))
    assert np.all(np.isclose(echo.reading_m, 0.95) | np.isclose(echo.reading_m, 2.0))


def test_mc_pitch_decides_at_the_range_where_it_is_met(monkeypatch: pytest.MonkeyPatch) -> None:
    """A pot 150 mm high 0.95 m away is passed over where 0.1 m + 0.95 tan(pitch) is above it (on paper)."""
    field = field_map(
        x=(-2.0, 2.0), y=(-2.0, 2.0), elements=[pot(1.0, 0.0, height={"low": "0 mm", "high": "150 mm"})]
    )
    (echo,) = echoes_of(monkeypatch, pause(tilted(0.0, 2.0), believed=field), 4000)
    met = echo.surface == 4
    wanted = float(stats.norm.cdf(math.degrees(math.atan(0.05 / 0.95)) / 2.0))
    assert met.mean() == pytest.approx(wanted, abs=4.0 * math.sqrt(wanted * (1.0 - wanted) / 4000))


def test_law_walls_too_low_are_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    """Looking up by 10 deg a beam is 0.45 m up at the wall: one of 0.4 m gives no echo, one of 0.5 m does."""
    for high, comes in (("0.4 m", False), ("0.5 m", True)):
        low_walls = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), wall_height={"low": "0 m", "high": high})
        with monkeypatch.context() as patch:
            (echo,) = echoes_of(patch, pause(tilted(10.0), believed=low_walls), 2)
        assert bool(np.isfinite(echo.reading_m).all()) is comes


def test_law_a_thing_above_the_beam_is_met_looking_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """Up by 5 deg from 0.1 m a beam is 0.18 m up after 0.95 m: it meets what hangs from 0.15 to 0.3 m."""
    hanging = pot(1.0, 0.0, height={"low": "150 mm", "high": "300 mm"})
    field = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), elements=[hanging], wall_height=HIGH)
    for pitch_deg, surface in ((5.0, 4), (0.0, 1), (15.0, 1)):
        with monkeypatch.context() as patch:
            (echo,) = echoes_of(patch, pause(tilted(pitch_deg), believed=field), 2)
        assert echo.surface.tolist() == [surface] * 2


@ON_PAPER
@pytest.mark.parametrize("engine", ENGINES)
def test_ref_a_metre_off_shows_as_more_on_the_slant(engine: str) -> None:
    """Looking up by 20 deg, of a spread of 20 mm (1 / cos 20 deg - 1) is left by one reading: 1.28 mm."""
    field = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), wall_height=HIGH)
    case = pause(tilted(20.0), believed=field, spread=("20 mm", "0 mm", "0 deg"))
    left_mm = 20.0 * (1.0 / math.cos(math.radians(20.0)) - 1.0)
    assert spreads(case, engine)["end"].in_mm()[0][0] == pytest.approx(left_mm, rel=0.03)


def test_law_level_at_its_height_changes_no_digit() -> None:
    """Sources without mean and spread, or switched off, leave every result as without them."""
    field = field_map(
        x=(-2.0, 2.0), y=(-2.0, 2.0), elements=[pot(1.0, 0.02, height={"low": "0 mm", "high": "120 mm"})]
    )

    def result(errors: dict[str, Any], off: frozenset[str] = frozenset()) -> Any:
        sensor = single_reading("ahead", 3.0, 0.5, beam_width="6 deg", errors=errors)
        case = pause(sensor, believed=field, spread=("20 mm", "30 mm", "2 deg"))
        return run_trials(case, 300, 1, off=off)

    plain = result({})
    level = {"mount_height": run(spread="0 mm"), "mount_pitch": run(spread="0 deg")}
    uneven = {"mount_height": run(spread="40 mm"), "mount_pitch": run(mean="1 deg", spread="3 deg")}
    assert np.array_equal(plain.moments[-1].error, result(level).moments[-1].error)
    silenced = result(uneven, frozenset({"mount_height", "mount_pitch"}))
    assert np.array_equal(plain.moments[-1].error, silenced.moments[-1].error)
    assert np.array_equal(plain.moments[-1].estimation, silenced.moments[-1].estimation)
    one_off = result(uneven, frozenset({"mount_pitch"}))
    assert not np.array_equal(one_off.moments[-1].estimation, silenced.moments[-1].estimation)
    assert_identical(result(uneven), result(uneven))


def test_law_the_sources_are_named() -> None:
    """Both are in the list of sources, with their basis, and absent from a robot without them."""
    sensor = tilted(1.0, 1.0)
    sensor["errors"]["mount_height"] = run(spread="5 mm")
    named = {info.name: info for info in source_table(pause(sensor).case).info}
    assert named["mount_pitch"].title == TITLES["mount_pitch"]
    assert named["mount_height"].basis == "guess"
    plain = single_reading("ahead", 0.0, 0.5)
    assert "mount_pitch" not in {i.name for i in source_table(pause(plain, REPLACE).case).info}
