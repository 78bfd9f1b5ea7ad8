"""Other luck in one error source alone: the second stream, and what belongs to which source."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from driftgate.judge.pickfreeze import pick_freeze
from driftgate.load.project import find_root, load_project
from driftgate.predict import Prepared, prepare, run_trials
from driftgate.predict.filter_model import filter_model
from driftgate.predict.sources import TITLES, source_of, source_table
from driftgate.predict.streams import Streams
from driftgate.run.budget import EVERY_SOURCE
from driftgate.schema.case import Case

from .scenes import prepared, range_sensor, robot, run, tick
from .test_streams import full_case

ROUTINES = Path(__file__).resolve().parents[2] / "routines"
# Sources that draw nothing: a known delay, and rounding that noise blurs anyway.
WITHOUT_STREAM = {"range_latency", "quantisation"}


def shipped(name: str) -> Prepared:
    """Return a shipped routine on its own map."""
    path = ROUTINES / f"{name}.yaml"
    loaded = load_project([path], find_root(path)).routines[0]
    field = loaded.field.field_map
    return prepare(Case(loaded.document.routine, loaded.robot.robot, field, field))


def phased() -> Prepared:
    """Return a robot that measures too long and sees a wall twice a second: the last fix decides."""
    noise = {"at_zero": "1 mm", "basis": "guess", "constant_over": "reading"}
    ahead = range_sensor("front", 0.0, 0.0, 0.0, rate="2 Hz", random_phase=True, errors={"noise": noise})
    machine = robot(
        {"distance_scale": run(mean="5 %", spread="0.3 %")},
        sensors=[ahead],
        correction={"filter": {}, "when": "always"},
        controller={"time_constant": "0.2 s", "settle": "0.1 s"},
    )
    return prepared([{"do": "drive", "to": ["2.2 m", "1 m"]}], machine)


@pytest.fixture(scope="module")
def drawn() -> tuple[set[str], set[str]]:
    """Return the streams that the shipped routines ask, and the sources that act in them."""
    asked: set[str] = set()
    acting: set[str] = set()
    with pytest.MonkeyPatch.context() as patch:
        for name in ("normals", "uniforms"):
            method = getattr(Streams, name)

            def recorded(self, source, place, index, _method=method):
                asked.add(source)
                return _method(self, source, place, index)

            patch.setattr(Streams, name, recorded)
        # The shipped floor has no rough zone, no shipped sensor a phase that is drawn; the made ones have.
        for case in (shipped("pot-slalom"), shipped("long-round"), full_case(), phased()):
            run_trials(case, 200, 3)
            acting |= {info.name for info in source_table(case.case).info}
    return asked, acting


def test_law_every_stream_belongs_to_a_source(drawn: tuple[set[str], set[str]]) -> None:
    """What is drawn belongs to a source that has a title: redrawing all of them redraws everything."""
    asked, _ = drawn
    assert {source_of(key) for key in asked} <= set(TITLES)


def test_law_every_source_with_luck_has_a_stream(drawn: tuple[set[str], set[str]]) -> None:
    """Each acting source is reached by a stream of its own name, but for those that draw nothing."""
    asked, acting = drawn
    assert {source_of(key) for key in asked} == acting - WITHOUT_STREAM


def test_law_constants_draw_from_their_sources_stream() -> None:
    """A constant's key names the source that it is reported under."""
    for constant in source_table(shipped("long-round").case).constants:
        assert source_of(constant.key) == constant.source


def straight() -> Prepared:
    """Return one metre ahead: distance scale, distance walk and start placement add up."""
    errors = {"distance_scale": run(spread="1 %"), "distance_walk": tick(per_root_metre="5 mm/sqrt(m)")}
    steps = [{"do": "advance", "distance": "1 m"}]
    return prepared(steps, robot(errors), spread=("10 mm", "2 mm", "0 deg"))


def test_law_redrawing_one_source_leaves_the_others() -> None:
    """With the scale redrawn, what is left of the change is the scale's part alone."""
    case, off = straight(), frozenset({"distance_walk", "start_placement"})
    redrawn = frozenset({"distance_scale"})
    both = run_trials(case, 300, 4), run_trials(case, 300, 4, redrawn=redrawn)
    alone = run_trials(case, 300, 4, off=off), run_trials(case, 300, 4, off=off, redrawn=redrawn)
    change = [b.moments[-1].error[:, 0] - a.moments[-1].error[:, 0] for a, b in (both, alone)]
    assert np.std(change[1]) > 5e-3
    # The walk is scaled as well: 1 % of some 5 mm.
    assert change[0] == pytest.approx(change[1], abs=5e-4)


def test_mc_second_stream_is_independent_of_the_first() -> None:
    """First and second stream are uncorrelated, within four standard errors, and equally wide."""
    count = 20_000
    one = Streams(5, 0, count).normals("distance_scale", "run", 0)
    two = Streams(5, 0, count, frozenset({"distance_scale"})).normals("distance_scale", "run", 0)
    assert abs(np.corrcoef(one, two)[0, 1]) < 4.0 / np.sqrt(count)
    assert two.std() == pytest.approx(1.0, abs=4.0 / np.sqrt(2.0 * count))


def test_mc_the_phase_of_the_readings_is_a_source_of_its_own() -> None:
    """Redrawing everything leaves nothing in common; a phase that decides makes most of the variance."""
    case, count = phased(), 4000

    def along(**how: frozenset[str]) -> np.ndarray:
        return run_trials(case, count, 1, **how).moments[-1].error[:, 0]

    names = [source.name for source in source_table(case.case).info]
    assert "range_phase" in names
    plain, redrawn = along(), along(redrawn=EVERY_SOURCE)
    assert abs(np.corrcoef(plain, redrawn)[0, 1]) < 4.0 / np.sqrt(count)
    found = pick_freeze(plain, redrawn, {name: along(redrawn=frozenset({name})) for name in names})
    assert found is not None
    share = found.inputs["range_phase"].first
    assert share.value > 0.5
    assert abs(found.interactions.value) < 0.1
    # Switched off, each sensor takes the plan's phase, and that part of the variance goes.
    left = along(off=frozenset({"range_phase"})).var() / plain.var()
    assert left == pytest.approx(1.0 - share.value, abs=0.15)


def test_law_redrawing_depends_on_no_batch() -> None:
    """Redrawn trials are pure functions of seed and number, as the others are."""
    case, redrawn = straight(), frozenset({"distance_walk"})
    whole, cut = (run_trials(case, 300, 4, batch=batch, redrawn=redrawn) for batch in (300, 77))
    assert np.array_equal(whole.moments[-1].error, cut.moments[-1].error)


def test_law_redrawing_what_draws_nothing_changes_nothing() -> None:
    """A source that does not act has no luck to change."""
    plain, again = (
        run_trials(straight(), 100, 4, redrawn=redrawn) for redrawn in (frozenset(), frozenset({"bump"}))
    )
    assert np.array_equal(plain.moments[-1].error, again.moments[-1].error)


def test_law_the_filters_numbers_can_be_kept() -> None:
    """A robot keeps the numbers that it is given; by default they follow from its error sources."""
    case = shipped("corner-dash").case
    assert prepare(case).filter == filter_model(case)
    own = dataclasses.replace(filter_model(case), along_per_root_m=0.5)
    kept = prepare(case, own=own)
    assert kept.filter is own
    different = (
        run_trials(kept, 20, 1).moments[-1].error != run_trials(prepare(case), 20, 1).moments[-1].error
    )
    assert different.any()
