"""Random numbers by address: what is drawn depends on seed, source, place, index and trial alone."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from driftgate.plan.build import plan_case
from driftgate.plan.mirror import mirror_routine
from driftgate.predict import Prepared, merge_trials, run_trials
from driftgate.predict.streams import Streams
from driftgate.predict.values import TrialsResult
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import MirrorLine

from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run, tick

SALMON = pytest.mark.evidence(
    source="Salmon et al. 2011, Philox (rounds written out)",
    compares="random numbers by address",
    tolerance="exact; 1e-12",
)

COUNT = 200_000


REFERENCE = json.loads((Path(__file__).parents[1] / "references" / "streams.json").read_text())


@SALMON
def test_ref_philox_block() -> None:
    """The rounds written out in whole numbers give the generator's published block of zeros."""
    # Known answer "philox4x64 10" of the authors' library Random123, file kat_vectors (from memory).
    known = ["16554d9eca36314c", "db20fe9d672d0fdc", "d7e772cee186176b", "7e68b68aec7ba23b"]
    assert REFERENCE["zero_block"] == known


@SALMON
def test_ref_golden_draws() -> None:
    """The draws of an address are those of the written-out generator: baselines depend on them."""
    streams = Streams(seed=REFERENCE["seed"], first=0, count=6)

    for index, part in enumerate(("even", "odd")):
        drawn = streams.normals("distance_walk", "place#1", index)
        assert drawn == pytest.approx(REFERENCE["normals"][part], rel=1e-12)
    for drawn, expected in zip(
        streams.uniforms("dropout:front", "run", 7), REFERENCE["uniforms"], strict=True
    ):
        assert drawn.tolist() == expected


def test_law_uniforms_have_their_moments() -> None:
    """Uniforms lie inside (0, 1), with the mean, variance and fourth moment of a uniform, unpaired."""
    u, v = Streams(1, 0, COUNT).uniforms("a", "b", 0)
    for sample in (u, v):
        assert sample.min() > 0.0
        assert sample.max() < 1.0
        centred = sample - 0.5
        for power, moment, variance in ((1, 0.0, 1 / 12), (2, 1 / 12, 1 / 180), (4, 1 / 80, 1 / 3600)):
            assert np.mean(centred**power) == pytest.approx(moment, abs=5.0 * math.sqrt(variance / COUNT))
    assert abs(np.corrcoef(u, v)[0, 1]) < 5.0 / math.sqrt(COUNT)


def test_law_normals_have_their_moments() -> None:
    """Normals have the first four moments and the tails of a normal (Abramowitz and Stegun 26.2)."""
    streams = Streams(1, 0, COUNT)
    first, second = streams.normals("a", "b", 0), streams.normals("a", "b", 1)
    for sample in (first, second):
        for power, moment, variance in ((1, 0.0, 1.0), (2, 1.0, 2.0), (3, 0.0, 15.0), (4, 3.0, 96.0)):
            assert np.mean(sample**power) == pytest.approx(moment, abs=5.0 * math.sqrt(variance / COUNT))
        for bound, share in ((1.0, 0.682689), (2.0, 0.954500), (3.0, 0.997300)):
            inside = np.mean(np.abs(sample) < bound)
            assert inside == pytest.approx(share, abs=5.0 * math.sqrt(share * (1.0 - share) / COUNT))
    assert abs(np.corrcoef(first, second)[0, 1]) < 5.0 / math.sqrt(COUNT)


@pytest.mark.parametrize("other", [("b", "p", 0), ("a", "q", 0), ("a", "p", 1), ("a", "p", 2), ("ap", "", 0)])
def test_law_addresses_are_independent(other: tuple[str, str, int]) -> None:
    """Another source, place or index gives uncorrelated draws."""
    streams = Streams(3, 0, COUNT)
    one, two = streams.normals("a", "p", 0), streams.normals(*other)
    assert abs(np.corrcoef(one, two)[0, 1]) < 5.0 / math.sqrt(COUNT)
    assert not np.array_equal(one, two)


def test_law_seeds_are_independent() -> None:
    """Another seed gives uncorrelated draws."""
    one, two = (Streams(seed, 0, COUNT).normals("a", "p", 0) for seed in (1, 2))
    assert abs(np.corrcoef(one, two)[0, 1]) < 5.0 / math.sqrt(COUNT)


@pytest.mark.parametrize("first", [0, 1, 2, 3, 4, 5, 1001])
@pytest.mark.parametrize("count", [1, 2, 7])
def test_law_a_trial_draws_the_same_in_any_batch(first: int, count: int) -> None:
    """A trial's draws depend on its number, not on where its batch begins or ends."""
    whole, part = Streams(9, 0, 1200), Streams(9, first, count)
    span = slice(first, first + count)
    for index in (3, 2, 0, 1):  # in any order
        assert np.array_equal(whole.normals("a", "p", index)[span], part.normals("a", "p", index))
    for a, b in zip(whole.uniforms("a", "p", 4), part.uniforms("a", "p", 4), strict=True):
        assert np.array_equal(a[span], b)


# A case in which everything draws.

FITTED = {"runs": 6, "freedom": 5}
READING = {"constant_over": "reading", **GUESS}
SENSOR_ERRORS = {
    "bias": run(spread="3 mm", fitted={**FITTED, "mean_error": "1 mm"}),
    "noise": {"at_zero": "5 mm", "fitted": FITTED, **READING},
    "mount_angle": run(spread="0.5 deg", fitted={"runs": 6, "mean_error": "0.2 deg"}),
    "dropout": {"probability": "5 %", "fitted": {"runs": 6, "readings": 60}, **READING},
    "short_return": {
        "probability": "3 %",
        "run_length": 3,
        "fitted": {"runs": 6, "readings": 60},
        **READING,
    },
    "long_return": {"probability": "3 %", **READING},
}
ERRORS: dict[str, Any] = {
    "distance_scale": run(spread="1 %", fitted={**FITTED, "mean_error": "0.4 %"}),
    "heading_bias": run(spread="0.1 deg/s"),
    "distance_walk": tick(per_root_metre="4 mm/sqrt(m)", fitted=FITTED),
    "heading_walk": tick(per_root_metre="0.3 deg/sqrt(m)", fitted=FITTED),
    "bump": tick(along="2 mm", heading="0.5 deg"),
    "rare_slip": tick(rate="0.3 1/m", along="30 mm", fitted={**FITTED, "slips": 4}),
    "settling": {"along": "3 mm", "heading": "0.3 deg", "constant_over": "step", "fitted": FITTED, **GUESS},
    "step_timing": {"spread": "3 %", "constant_over": "step", **GUESS},
}
POT = {
    "id": "pot",
    "shape": {"circle": {"radius": "80 mm"}},
    "at": {"x": "3 m", "y": "1.5 m"},
    "scatter": {"x": "10 mm", "y": "10 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
    "stray": {"probability": "30 %", "constant_over": "run", **GUESS},
}
ROUGH = {
    "id": "patch",
    "area": [["0 m", "0 m"], ["4 m", "0 m"], ["4 m", "3 m"], ["0 m", "3 m"]],
    "bumps": "1 1/m",
}
BUILD = {"offset": "5 mm", "tilt": "0.2 deg", "constant_over": "field", **GUESS}
STEPS = [
    {"do": "drive", "to": ["1.4 m", "1 m"]},
    mark("one"),
    {"do": "look", "time": "0.5 s", "name": "peek"},
    {"do": "turn", "to": "90 deg"},
    {"do": "advance", "distance": "0.5 m"},
    mark("two"),
    {"do": "rotate", "angle": "-90 deg"},
    {"do": "advance", "distance": "0.7 m"},
]


def full_case(steps: list[dict[str, Any]] | None = None, **more: Any) -> Prepared:
    """Return a case in which everything draws."""
    errors = {**ERRORS, **more.pop("errors", {})}
    machine = robot(
        errors,
        sensors=[
            range_sensor("front", 0.1, 0.0, 0.0, rate="10 Hz", errors=SENSOR_ERRORS),
            range_sensor("left", 0.0, 0.1, 90.0, rate="10 Hz", errors=SENSOR_ERRORS),
        ],
        correction={
            "when": "always",
            "gate": {"sigmas": 3.0},
            "persistence": {"readings": 2},
            "way_back": {"refusals": 5, "factor": 4.0, "lost_after": 20},
            "filter": {},
        },
        controller={"time_constant": "0.2 s", "settle": "0.1 s"},
        longest_tick="0.05 s",
    )
    field = field_map(x=(0.0, 4.2), y=(0.0, 3.0), build=BUILD, elements=[POT], rough_zones=[ROUGH])
    return prepared(
        steps or STEPS,
        more.pop("machine", machine),
        believed=field,
        start=(0.5, 1.0, 0.0),
        spread=("5 mm", "5 mm", "0.5 deg"),
        **more,
    )


def assert_identical(a: TrialsResult, b: TrialsResult) -> None:
    """Assert that two results are equal bit for bit."""
    for i, (one, two) in enumerate(zip(a.moments, b.moments, strict=True)):
        for field in dataclasses.fields(one):
            assert np.array_equal(getattr(one, field.name), getattr(two, field.name)), (i, field.name)
    for name in ("counts", "wrongly_accepted", "wrongly_refused", "fix_move_nm"):
        assert np.array_equal(getattr(a, name), getattr(b, name)), name
    for name in ("touch_step", "touch_obstacle", "lost"):
        assert np.array_equal(getattr(a, name), getattr(b, name)), name
    assert (a.trials, a.obstacles) == (b.trials, b.obstacles)


@pytest.mark.parametrize(("batch", "trials"), [(1, 20), (7, 150), (1000, 1500), (4096, 4100)])
def test_law_batch_size_changes_nothing(batch: int, trials: int) -> None:
    """Batches of 1, 7, 1000 and 4096 trials give bit-identical results."""
    case = full_case()
    assert_identical(run_trials(case, trials, 4, batch=batch), run_trials(case, trials, 4, batch=trials))


def test_law_workers_change_nothing() -> None:
    """Ranges of trials run apart and merged are the whole run bit for bit."""
    case = full_case()
    parts = [run_trials(case, n, 4, first=first) for first, n in ((0, 333), (333, 1), (334, 666))]
    assert_identical(merge_trials(parts), run_trials(case, 1000, 4))


def test_law_inserted_step_leaves_the_earlier_results() -> None:
    """A step inserted late leaves every result before it bit-identical."""
    whole = run_trials(full_case(), 500, 4)
    steps = [*STEPS[:6], {"do": "pause", "time": "0.37 s"}, *STEPS[6:]]
    longer = run_trials(full_case(steps), 500, 4)
    for one, two in zip(whole.moments[:2], longer.moments[:2], strict=True):
        for field in dataclasses.fields(one):
            assert np.array_equal(getattr(one, field.name), getattr(two, field.name)), field.name
    assert np.array_equal(whole.counts[:, :5], longer.counts[:, :5])


def test_law_inserted_step_redeals_nothing_after_it() -> None:
    """A pause inserted first changes no draw of a robot whose errors do not grow with time."""
    errors = {
        "distance_scale": run(spread="1 %"),
        "distance_walk": tick(per_root_metre="4 mm/sqrt(m)"),
        "heading_walk": tick(per_root_metre="0.3 deg/sqrt(m)"),
        "settling": ERRORS["settling"],
    }
    machine = robot(errors, controller={"settle": "0.1 s"}, longest_tick="0.05 s")
    plain = run_trials(full_case(machine=machine), 200, 4)
    later = run_trials(full_case([{"do": "pause", "time": "1.2345 s"}, *STEPS], machine=machine), 200, 4)
    for one, two in zip(plain.moments, later.moments, strict=True):
        # Not bit for bit: the same ticks lie elsewhere on the clock, and what rounding leaves of the
        # length of a settling tick, 1e-16 m, comes in by its root.
        assert two.error == pytest.approx(one.error, abs=1e-8)


@pytest.mark.parametrize("with_steps", [False, True])
def test_law_run_constants_do_not_depend_on_the_steps(with_steps: bool) -> None:
    """What is drawn once a run hangs on its source alone: start, scale and stray stay the trial's own."""
    errors = {"distance_scale": run(spread="1 %")}
    steps = [{"do": "advance", "distance": "1 m"}]
    if with_steps:
        steps = [{"do": "pause", "time": "1 s"}, {"do": "rotate", "angle": "360 deg"}, *steps]
    case = full_case(steps, machine=robot(errors))
    plain = full_case([{"do": "advance", "distance": "1 m"}], machine=robot(errors))
    one = run_trials(plain, 100, 6).moments[-1].error
    assert run_trials(case, 100, 6).moments[-1].error == pytest.approx(one, abs=1e-12)


def test_law_added_source_changes_no_other_draw() -> None:
    """With a further source whose size is zero every number stays; silencing one leaves the others' draws."""
    more = {"lateral_walk": tick(per_root_metre="0 mm/sqrt(m)"), "crab_angle": run(spread="0 deg")}
    assert_identical(run_trials(full_case(), 300, 4), run_trials(full_case(errors=more), 300, 4))

    # Along a straight, distance scale and start placement add up: with one off the other's part stays.
    steps = [{"do": "advance", "distance": "1 m"}]
    machine = robot(
        {"distance_scale": run(spread="1 %"), "distance_walk": tick(per_root_metre="5 mm/sqrt(m)")}
    )
    case = full_case(steps, machine=machine)
    heading = frozenset({"start_placement"})
    scale = run_trials(case, 300, 4, off=heading | {"distance_walk"}).moments[-1].error[:, 0]
    walk = run_trials(case, 300, 4, off=heading | {"distance_scale"}).moments[-1].error[:, 0]
    both = run_trials(case, 300, 4, off=heading).moments[-1].error[:, 0]
    assert np.corrcoef(scale, walk)[0, 1] == pytest.approx(0.0, abs=0.3)
    # (1 + walk)(1 + scale part): the product is below 0.2 mm.
    assert both == pytest.approx(scale + walk, abs=5e-4)


def test_law_mirrored_side_keeps_its_keys() -> None:
    """Both sides of the field draw by the same keys, so that the luck of a trial is the same on both."""
    case = full_case().case
    field = case.believed.model_copy(
        update={"mirror": MirrorLine(x="2.1 m", pairs={"west": "east", "east": "west"})}
    )
    mirrored = mirror_routine(case.routine, field)
    sides = [
        plan_case(Case(routine, case.robot, field, field, side))
        for routine, side in ((case.routine, "as written"), (mirrored, "mirrored"))
    ]
    assert [s.place for s in sides[0].steps] == [s.place for s in sides[1].steps]
