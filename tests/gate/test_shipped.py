"""The shipped scenario passes, with tolerances that mean something."""

from __future__ import annotations

from functools import cache

import pytest
from glasshouse import CARRIER, FLOOR, HALL, REPOSITORY, Glasshouse, moment_of

from driftgate.load.project import LoadedRoutine, load_project
from driftgate.schema.routine import Repeat, Routine

# Few enough to be quick, enough to show the probabilities asked for.
TRIALS = {
    "aisle-steps": 1500,
    "corner-dash": 1500,
    "evening-sweep": 1500,
    "long-round": 1200,
    "pot-slalom": 1500,
    "square-up": 1500,
    "three-bench-run": 1500,
}
MIRRORED = {"corner-dash", "three-bench-run"}
EVENING = "fieldmaps/evening-hall.yaml"


@cache
def loaded() -> tuple[LoadedRoutine, ...]:
    """Return the shipped routines as loaded."""
    return load_project([REPOSITORY / "routines"], REPOSITORY).routines


def kinds_of(steps: list) -> set[str]:
    """Return every kind of step in a list, repetitions looked into."""
    found = {step.do for step in steps}
    return found.union(*(kinds_of(step.steps) for step in steps if isinstance(step, Repeat)))


def test_law_every_routine_file_is_run_here():
    """The routines run below are all that are shipped."""
    assert {path.stem for path in (REPOSITORY / "routines").glob("*.yaml")} == set(TRIALS)


# One test, not three: on several processes each would predict the routine again.
@pytest.mark.parametrize("name", TRIALS)
def test_law_shipped_routine_passes_with_meaning(name):
    """On its maps (and sides) every tolerance holds, with no warning, and the tightest is over half used."""
    report = Glasshouse(REPOSITORY).check(name, trials=TRIALS[name])
    sides = ["as written", "mirrored"] if name in MIRRORED else ["as written"]
    maps = [EVENING] if name == "evening-sweep" else [HALL, FLOOR]
    assert (report.status, report.findings) == (0, ())
    assert report.why.startswith("all ")
    assert [(case.true_map, case.side) for case in report.cases] == [
        (true, side) for true in maps for side in sides
    ]
    for case in report.cases:
        assert case.believed_map == maps[0]
        assert case.findings == ()
        assert case.verdict is not None
        margins = [moment.margin for moment in case.verdict.moments]
        assert None not in margins
        assert 0.0 <= min(margins) < 0.5, case.label


def test_law_long_round_needs_its_sensors(house):
    """With the correction switched off the long run ends inside its tolerance in under half of its trials."""
    house.alone("long-round").edit(CARRIER, ("enabled: true", "enabled: false"))
    report = house.check("long-round", trials=200)
    end = moment_of(report.cases[0])
    assert report.status == 1
    assert end.status == "fail"
    assert end.upper < 0.5
    assert "Nothing corrects the drift: the correction is off" in end.reason


def test_law_every_kind_of_step_is_shown():
    """Between them the shipped routines use every kind of step there is."""
    shown = set().union(*(kinds_of(one.document.routine.steps) for one in loaded()))
    steps = Routine.model_json_schema()["$defs"].values()
    assert shown == {
        step["properties"]["do"]["const"] for step in steps if "do" in step.get("properties", {})
    }


def test_law_aisle_steps_are_all_relative():
    """The routine of relative moves holds no step that steers to a target on the field."""
    (aisle,) = [one for one in loaded() if one.document.path.endswith("aisle-steps.yaml")]
    kinds = kinds_of(aisle.document.routine.steps)
    assert not kinds & {"drive", "curve", "turn", "face", "square-up"}
    assert kinds >= {"advance", "arc", "rotate", "sidestep"}


def test_law_robots_are_unlike():
    """A light, fast differential runner with four range sensors, a heavy, slow carrier with three.

    And a small sweeper, whose sensors are cones, two of them a pair for its heading.
    """
    robots = {one.robot.path: one.robot.robot for one in loaded()}
    wren, carrier, stork = (robots[f"routines/robots/{name}.yaml"] for name in ("wren", "carrier", "stork"))
    assert len(robots) == 3
    assert all(sensor.beam_width > 0.0 for sensor in stork.sensors)
    assert any(sensor.random_phase for sensor in stork.sensors)
    assert stork.correction.pairs
    assert (wren.drive.type, len(wren.sensors)) == ("differential", 4)
    assert (carrier.drive.type, len(carrier.sensors)) == ("holonomic", 3)
    assert wren.odometry.distance_from == "tracking wheel"
    assert wren.mass < carrier.mass
    assert wren.drive.limits.speed > carrier.drive.limits.speed


def test_law_practice_floor_is_rough_and_off():
    """The practice floor has a rough zone, and no wall corner where the drawing has it."""
    field, floor = loaded()[0].field.field_map, loaded()[0].variants[0].field_map
    assert floor.rough_zones
    assert not field.rough_zones
    assert all(a.corner != b.corner for a, b in zip(field.walls, floor.walls, strict=True))


def test_law_the_evening_hall_is_the_hall():
    """Same walls and benches under the same names; what stands about is another matter."""
    routines = {one.document.path: one for one in loaded()}
    hall, evening = (
        routines[f"routines/{name}.yaml"].field.field_map for name in ("corner-dash", "evening-sweep")
    )
    assert evening.walls == hall.walls
    assert evening.build.offset == hall.build.offset
    assert all(structure in hall.structures for structure in evening.structures)
    assert any(element.pushable for element in evening.elements)
