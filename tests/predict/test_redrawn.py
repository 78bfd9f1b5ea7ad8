"""Runs that differ in what is redrawn, as one batch: the same numbers as each by itself."""

from __future__ import annotations

import numpy as np
import pytest

from driftgate.predict import run_trials
from driftgate.predict.redrawn import RedrawnStreams, run_redrawn
from driftgate.predict.sources import TITLES
from driftgate.predict.streams import Streams
from driftgate.predict.trials_engine import _MOMENT_FIELDS
from driftgate.run.redraws import Variant, _together, run_variants
from driftgate.run.workers import Workers

from .scenes import prepared, range_sensor, robot, run, tick

SETS = [
    frozenset(),
    frozenset({"distance_scale"}),
    frozenset({"range_noise", "distance_walk"}),
    frozenset(TITLES),
]
NOISE = {"noise": {"at_zero": "4 mm", "basis": "guess", "constant_over": "reading"}}


@pytest.fixture(scope="module")
def case():
    """Return a drive towards a wall that a sensor sees, with three sources of error."""
    machine = robot(
        {"distance_scale": run(spread="1 %"), "distance_walk": tick(per_root_metre="3 mm/sqrt(m)")},
        sensors=[range_sensor("front", 0.0, 0.0, 0.0, rate="4 Hz", errors=NOISE)],
        correction={"filter": {}, "when": "always"},
    )
    return prepared([{"do": "drive", "to": ["2.2 m", "1 m"]}], machine)


@pytest.mark.parametrize("index", [0, 1, 2])
def test_law_draws_are_those_of_each_run_by_itself(index):
    """Uniforms and normals, of a source that all redraw, that none does, and that some do."""
    joined = RedrawnStreams(7, 5, 11, SETS)
    apart = [Streams(7, 5, 11, redrawn) for redrawn in SETS]
    for source in ("distance_scale", "range_noise:front", "element_stray:pot"):
        for which in (0, 1):
            expected = np.concatenate([one.uniforms(source, "run", index)[which] for one in apart])
            assert np.array_equal(joined.uniforms(source, "run", index)[which], expected)
        expected = np.concatenate([one.normals(source, "run", index) for one in apart])
        assert np.array_equal(joined.normals(source, "run", index), expected)


def test_law_trials_are_those_of_each_run_by_itself(case):
    """Every number that stands of a trial, to the last digit; and the runs do differ."""
    joined = run_redrawn(case, 150, 3, 20, SETS)
    apart = [run_trials(case, 150, 3, 20, redrawn=redrawn) for redrawn in SETS]
    assert joined.trials == 600
    for name in _MOMENT_FIELDS:
        found = getattr(joined.moments[0], name)
        assert np.array_equal(found, np.concatenate([getattr(one.moments[0], name) for one in apart]))
    assert np.array_equal(joined.counts, np.sum([one.counts for one in apart], axis=0))
    assert not np.array_equal(joined.moments[0].error[:150], joined.moments[0].error[150:300])


def test_law_variants_come_in_order_however_they_are_gathered(case, monkeypatch):
    """Gathered in one batch, in two, or each by itself, and cut into ranges of trials: the same outputs."""
    variants = [Variant(case, redrawn=redrawn) for redrawn in SETS]
    variants.insert(2, Variant(case, off=frozenset({"distance_walk"})))
    variants.insert(1, Variant(case, redrawn=frozenset({"element_stray"})))
    assert [len(group) for group in _together(variants, 100)] == [3, 1, 2]
    assert [len(group) for group in _together(variants[3:], 100)] == [1, 2]
    told: list[int] = []
    found = []
    with Workers(1) as workers:
        for batch in (12288, 150, 1):
            monkeypatch.setattr("driftgate.run.redraws.BATCH", batch)
            found.append(list(run_variants(workers, variants, 150, 3, told.append)))
    assert told[:3] == [3, 4, 6]
    for other in found[1:]:
        for one, same in zip(found[0], other, strict=True):
            assert np.array_equal(one[0].event, same[0].event)
    assert not np.array_equal(found[0][0][0].event, found[0][3][0].event)
