"""Error sources of a case as numbers: every mean, spread and intensity where it belongs, and nothing else."""

from __future__ import annotations

import math
from typing import Any

import pytest

from driftgate.predict.sources import (
    TITLES,
    SourceTable,
    coarse_steps,
    drift_sources,
    source_of,
    source_table,
)
from driftgate.schema.case import Case
from driftgate.schema.sensor import Sensor

from .scenes import GUESS, field_map, range_sensor, robot, routine, run, tick

DEGREE = math.radians(1.0)
LOOK = {"do": "look", "time": "0.1 s"}
STEP = {"constant_over": "step", **GUESS}
FIELD = {"constant_over": "field", "basis": "measured"}
SENSOR_ERRORS = {
    "bias": run(mean="1 mm", spread="2 mm"),
    "scale": run(mean="0.3 %", spread="0.4 %"),
    "mount_position": run(spread="5 mm"),
    "mount_angle": run(mean="0.6 deg", spread="0.7 deg"),
    "mount_height": run(spread="8 mm"),
    "mount_pitch": run(mean="0.9 deg", spread="1 deg"),
}
ERRORS = {
    "distance_scale": run(mean="0.1 %", spread="0.2 %"),
    "sideways_scale": run(mean="0.3 %", spread="0.4 %"),
    "wheel_offset": run(mean="5 mm", spread="6 mm"),
    "crab_angle": run(mean="0.7 deg", spread="0.8 deg"),
    "heading_bias": run(mean="0.09 deg/s", spread="0.1 deg/s"),
    "heading_scale": run(mean="1.1 %", spread="1.2 %"),
    "heading_latency": run(mean="13 ms", spread="14 ms"),
    "lateral_slip": run(
        per_turn="15 mm/rad", per_turn_spread="16 mm/rad", with_speed="17 ms", with_speed_spread="18 ms"
    ),
    "distance_walk": tick(per_root_metre="1 mm/sqrt(m)"),
    "lateral_walk": tick(per_root_metre="2 mm/sqrt(m)"),
    "heading_walk": tick(
        per_root_metre="0.3 deg/sqrt(m)",
        per_root_second="0.4 deg/sqrt(s)",
        per_root_radian="0.5 deg/sqrt(rad)",
    ),
    "bump": tick(along="6 mm", heading="0.7 deg"),
    "rare_slip": tick(rate="0.04 1/m", along="90 mm"),
    "settling": {"along": "8 mm", "heading": "0.9 deg", **STEP},
    "step_timing": {"mean": "1 %", "spread": "2 %", **STEP},
}


def pot(**more: Any) -> dict[str, Any]:
    """Return a pot that scatters."""
    scatter = {"x": "11 mm", "y": "12 mm", "heading": "1 deg", "constant_over": "run", **GUESS}
    shape = {"circle": {"radius": "60 mm"}}
    return {"id": "pot", "shape": shape, "at": {"x": "1 m", "y": "1 m"}, "scatter": scatter, **more}


def table(errors: Any = ERRORS, off: frozenset[str] = frozenset(), **sensor: Any) -> SourceTable:
    """Return the table of a case in which nearly everything is uncertain."""
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.6 m", "width": "0.3 m"}},
        "at": {"x": "3 m", "y": "3 m"},
        "build": {"x": "3 mm", "y": "4 mm", "heading": "0.5 deg", **FIELD},
    }
    region = [["1 m", "1 m"], ["2 m", "1 m"], ["2 m", "2 m"]]
    loose = pot(stray={"probability": "1 %", "region": region, "constant_over": "run", **GUESS})
    field = field_map(
        build={"offset": "1 mm", "tilt": "0.2 deg", **FIELD},
        builds={"east": {"offset": "7 mm", "tilt": "0.8 deg", **FIELD}},
        structures=[bench],
        elements=[loose],
    )
    ranging = range_sensor("a", 0.0, 0.0, 0.0, errors=SENSOR_ERRORS, **sensor)
    machine = robot(errors, sensors=[ranging], drive="holonomic")
    case = Case(routine([LOOK], spread=("3 mm", "4 mm", "1 deg")), machine, field, field)
    return source_table(case, off)


WANTED = {
    "start_placement:x": (0.0, 3e-3),
    "start_placement:y": (0.0, 4e-3),
    "start_placement:heading": (0.0, DEGREE),
    "distance_scale": (1e-3, 2e-3),
    "sideways_scale": (3e-3, 4e-3),
    "wheel_offset": (5e-3, 6e-3),
    "crab_angle": (0.7 * DEGREE, 0.8 * DEGREE),
    "heading_bias": (0.09 * DEGREE, 0.1 * DEGREE),
    "heading_scale": (0.011, 0.012),
    "heading_latency": (0.013, 0.014),
    "lateral_slip:turn": (0.015, 0.016),
    "lateral_slip:speed": (0.017, 0.018),
    "step_timing": (0.01, 0.0),  # drawn anew in every step: its spread is white
    **{f"wall_build:{wall}:offset": (0.0, 1e-3) for wall in ("south", "north", "west")},
    **{f"wall_build:{wall}:tilt": (0.0, 0.2 * DEGREE) for wall in ("south", "north", "west")},
    "wall_build:east:offset": (0.0, 7e-3),
    "wall_build:east:tilt": (0.0, 0.8 * DEGREE),
    "structure_build:bench:x": (0.0, 3e-3),
    "structure_build:bench:y": (0.0, 4e-3),
    "structure_build:bench:heading": (0.0, 0.5 * DEGREE),
    "element_placement:pot:x": (0.0, 0.011),
    "element_placement:pot:y": (0.0, 0.012),
    "element_placement:pot:heading": (0.0, DEGREE),
    "range_bias:a": (1e-3, 2e-3),
    "range_scale:a": (3e-3, 4e-3),
    "mount_position:a:x": (0.0, 5e-3),
    "mount_position:a:y": (0.0, 5e-3),
    "mount_angle:a": (0.6 * DEGREE, 0.7 * DEGREE),
    "mount_height:a": (0.0, 8e-3),
    "mount_pitch:a": (0.9 * DEGREE, DEGREE),
}


def test_law_every_constant_has_its_mean_and_spread() -> None:
    """As written in the files, each once; a wall has the field's build unless it has its own."""
    found = {c.key: (c.mean, c.spread) for c in table().constants}
    assert set(found) == set(WANTED)
    for key, wanted in WANTED.items():
        assert found[key] == pytest.approx(wanted, rel=1e-12), key


def test_law_white_noise_is_as_written() -> None:
    """Walks, bumps, settling and the stretch of each step; one that is constant over the run is no noise."""
    noise = table().noise
    assert (noise.distance_per_root_m, noise.lateral_per_root_m) == pytest.approx((1e-3, 2e-3), rel=1e-12)
    heading = (noise.heading_per_root_m, noise.heading_per_root_s, noise.heading_per_root_rad)
    assert heading == pytest.approx((0.3 * DEGREE, 0.4 * DEGREE, 0.5 * DEGREE), rel=1e-12)
    assert (noise.bump_along_m, noise.bump_heading_rad) == pytest.approx((6e-3, 0.7 * DEGREE), rel=1e-12)
    assert (noise.slips_per_m, noise.slip_along_m) == pytest.approx((0.04, 0.09), rel=1e-12)
    assert noise.slip_per_root_m == pytest.approx(0.018, rel=1e-12)
    assert (noise.settle_along_m, noise.settle_heading_rad) == pytest.approx((8e-3, 0.9 * DEGREE), rel=1e-12)
    assert noise.step_timing == pytest.approx(0.02, rel=1e-12)
    over_run = {**ERRORS, "step_timing": run(mean="1 %", spread="2 %")}
    assert table(over_run).noise.step_timing == 0.0
    stretch = next(c for c in table(over_run).constants if c.key == "step_timing")
    assert (stretch.mean, stretch.spread) == (0.01, 0.02)
    silent = table({}).noise
    assert set(vars(silent).values()) == {0.0}


@pytest.mark.parametrize(
    ("off", "numbers"),
    [
        ("distance_walk", {"distance_per_root_m"}),
        ("lateral_walk", {"lateral_per_root_m"}),
        ("heading_walk", {"heading_per_root_m", "heading_per_root_s", "heading_per_root_rad"}),
        ("bump", {"bump_along_m", "bump_heading_rad"}),
        ("rare_slip", {"slips_per_m", "slip_along_m"}),
        ("settling", {"settle_along_m", "settle_heading_rad"}),
        ("step_timing", {"step_timing"}),
    ],
)
def test_law_switched_off_a_source_is_silent_and_no_other(off: str, numbers: set[str]) -> None:
    """Its numbers are zero, all others as they were."""
    before, now = vars(table().noise), vars(table(off=frozenset({off})).noise)
    assert {name for name in before if now[name] != before[name]} == numbers
    assert all(now[name] == 0.0 for name in numbers)


def test_law_switched_off_constants_keep_their_place() -> None:
    """Mean and spread are zero; keys and order stay; what is no source is refused by name."""
    before, now = table(), table(off=frozenset({"mount_angle", "wall_build"}))
    assert [c.key for c in now.constants] == [c.key for c in before.constants]
    changed = {c.source for c, b in zip(now.constants, before.constants, strict=True) if c != b}
    assert changed == {"mount_angle", "wall_build"}
    assert all(c.mean == c.spread == 0.0 for c in now.constants if c.source in changed)
    assert {info.name for info in before.info} - {info.name for info in now.info} == changed
    with pytest.raises(KeyError, match="no error source"):
        table(off=frozenset({"wheel"}))


def test_law_what_people_are_told_of_sources() -> None:
    """Each by its title, with where its numbers come from and over what it is constant."""
    found = {
        info.name: (info.title, info.basis, info.constant_over)
        for info in table(resolution="3 mm", latency="20 ms", random_phase=True).info
    }
    assert found["settling"] == ("settling", "guess", "step")
    assert found["wall_build"] == ("wall build", "measured", "field")
    assert found["structure_build"] == ("structure build", "measured", "field")
    assert found["element_stray"] == ("strayed elements", "guess", "run")
    assert found["quantisation"][1:] == ("data sheet", "reading")
    assert found["range_latency"][1:] == ("data sheet", "robot")
    assert found["range_phase"][1:] == ("data sheet", "run")
    assert set(found) <= set(TITLES)
    assert {c.source for c in table().constants} <= set(found)


@pytest.mark.parametrize(
    ("stream", "source", "title"),
    [
        ("wall_build:south:tilt", "wall_build", "wall build"),
        ("bump:along", "bump", "bumps"),
        ("settling:heading", "settling", "settling"),
        ("step_timing", "step_timing", "step timing"),
        ("element_stray:pot", "element_stray", "strayed elements"),
        ("range_noise:ahead", "range_noise", "range noise"),
        ("mount_position:ahead:x", "mount_position", "sensor mount position"),
        ("range_phase:ahead", "range_phase", "phase of the readings"),
    ],
)
def test_law_a_stream_belongs_to_a_source_with_a_title(stream: str, source: str, title: str) -> None:
    """What stands before the first colon, and what people call it."""
    assert (source_of(stream), TITLES[source_of(stream)]) == (source, title)


def test_law_a_resolution_coarse_against_the_noise_repeats() -> None:
    """Noise of half a step and more blurs it; below, or without noise, it is a constant of the run."""

    def sensor(noise_mm: float | None, step_mm: float) -> Sensor:
        noise = {"at_zero": f"{noise_mm!r} mm", "constant_over": "reading", **GUESS}
        errors = {} if noise_mm is None else {"noise": noise}
        document = range_sensor("a", 0.0, 0.0, 0.0, errors=errors, resolution=f"{step_mm!r} mm")
        return Sensor.model_validate(document)

    assert [coarse_steps(sensor(*pair)) for pair in ((1.49, 3.0), (1.5, 3.0), (None, 3.0), (None, 0.0))] == [
        True,
        False,
        True,
        False,
    ]
    found = {c.key: c.spread for c in table(resolution="3 mm").constants}
    assert found["quantisation:a"] == pytest.approx(3e-3 / math.sqrt(12.0), rel=1e-12)


def test_law_dead_reckoning_alone() -> None:
    """The robot's own constants and all its noise, with nothing of the field or its sensors."""
    constants, noise = drift_sources(robot(ERRORS, drive="holonomic"))
    assert {c.key for c in constants} == {k for k in WANTED if ":" not in k or k.startswith("lateral_slip")}
    assert noise == table().noise
