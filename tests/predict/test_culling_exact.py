"""What is settled beforehand changes speed and nothing else: results against the test of everything."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from driftgate.predict import (
    Prepared,
    believed_view,
    bounds,
    candidates,
    casting,
    run_trials,
    trial_expect,
    trials_engine,
)
from driftgate.predict.streams import Streams
from driftgate.predict.trial_world import StrayList
from driftgate.predict.values import Outcome, TrialsResult

from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run, tick
from .test_streams import assert_identical

READING = {"constant_over": "reading", **GUESS}
TRIALS = 300


def bench(name: str, x: float, y: float, **more: Any) -> dict[str, Any]:
    """Return a structure."""
    return {
        "id": name,
        "shape": {"rectangle": {"length": "300 mm", "width": "200 mm"}},
        "at": {"x": f"{x!r} m", "y": f"{y!r} m", "heading": "10 deg"},
        "reference": True,
        "build": {"x": "5 mm", "y": "5 mm", "heading": "0.5 deg", "constant_over": "field", **GUESS},
        **more,
    }


def pot(
    name: str, x: float, y: float, scatter_mm: float, stray: str | None = None, **more: Any
) -> dict[str, Any]:
    """Return a loose element; every other one is a box."""
    element = {
        "id": name,
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": f"{x!r} m", "y": f"{y!r} m"},
        "scatter": {
            "x": f"{scatter_mm!r} mm",
            "y": f"{scatter_mm!r} mm",
            "heading": "20 deg",
            "constant_over": "run",
            **GUESS,
        },
        **more,
    }
    if stray is not None:
        element["stray"] = {"probability": stray, "constant_over": "run", **GUESS}
    return element


# Not convex: some of its faces hide others.
ANGLE = {
    "polygon": {
        "corners": [
            ["0 m", "0 m"], ["0.2 m", "0 m"], ["0.2 m", "50 mm"],
            ["50 mm", "50 mm"], ["50 mm", "0.2 m"], ["0 m", "0.2 m"],
        ]
    }
}  # fmt: skip
BOX = {"shape": {"rectangle": {"length": "150 mm", "width": "80 mm"}}}


def crowded(
    spread: tuple[str, str, str],
    wall_mm: float = 8.0,
    crooked: float = 1.0,
    beam: str = "0 deg",
    pitch: str | None = None,
    moved: bool = False,
    drawn_phase: bool = False,
    echo_limit: str = "80 deg",
    exact: bool = False,
    **more: Any,
) -> Prepared:
    """Return a case on a map with many surfaces, strays, scatter and things that come and go.

    With `moved` the robot takes some things and pushes what it meets; with `exact` structures and sensors are
    where they are drawn, but for what hangs on a wall.
    """
    build = {"offset": f"{wall_mm!r} mm", "tilt": "0.4 deg", "constant_over": "field", **GUESS}
    structures = [
        bench("bench-a", 3.6, 1.4),
        bench("bench-b", 0.4, 2.5),
        bench("bench-c", 2.0, 2.6, fixed_to="north"),
        bench("bench-d", 2.9, 0.25),
        bench("shelf", 3.0, 2.0, height={"low": "150 mm", "high": "500 mm"}),
    ]
    if exact:
        structures = [{**bench_, "build": None} for bench_ in structures]
        structures.append({**bench("angle", 1.95, 1.45), "shape": ANGLE, "build": None})
    elements = [
        pot("pot-a", 2.4, 0.7, 20.0, "20 %"),
        pot("pot-b", 2.2, 1.9, 5.0, "30 %", **BOX),
        pot("pot-c", 3.7, 0.6, 80.0),  # scattered beyond the bound
        pot("pot-d", 1.2, 2.2, 5.0, "10 %"),
        pot("pot-e", 2.7, 1.3, 10.0, present={"begin": "1 s", "end": "3 s"}, **BOX),
        pot("pot-f", 1.0, 0.3, 5.0, "50 %", placed_against="bench-d"),
    ]
    if moved:
        elements = [{**element, "pushable": True} for element in elements]
        elements += [pot("pot-g", 1.3, 1.05, 15.0, "20 %", pushable=True), pot("pot-h", 1.9, 1.2, 10.0)]
    errors = {
        "bias": run(spread="5 mm"),
        "noise": {"at_zero": "8 mm", **READING},
        "mount_position": run(spread=f"{8.0 * crooked!r} mm"),
        "mount_angle": run(spread=f"{2.0 * crooked!r} deg"),
        "dropout": {"probability": "5 %", **READING},
    }
    if exact:
        del errors["mount_position"]
    if pitch is not None:
        errors["mount_height"] = run(spread="10 mm")
        errors["mount_pitch"] = run(spread=pitch)
    sensors = [
        range_sensor(
            name,
            x,
            y,
            heading,
            rate="10 Hz",
            errors=errors,
            reach={"low": "20 mm", "high": "3 m"},
            beam_width=beam,
            echo_limit=echo_limit,
            random_phase=drawn_phase,
        )
        for name, x, y, heading in (
            ("ahead", 0.1, 0.0, 0.0),
            ("left", 0.0, 0.1, 90.0),
            ("right", 0.0, -0.1, -90.0),
            ("behind", -0.1, 0.0, 180.0),
        )
    ]
    machine = robot(
        {
            "distance_scale": run(spread="2 %"),
            "heading_bias": run(spread="0.5 deg/s"),
            "heading_walk": tick(per_root_metre="1 deg/sqrt(m)"),
        },
        sensors=sensors,
        correction={
            "when": "always",
            "filter": {},
            "gate": {"sigmas": 3.0},
            "validity": {"corridor": "40 mm", "incidence": "50 deg"},
            "way_back": {"refusals": 6, "factor": 4.0, "lost_after": 20},
        },
        controller={"time_constant": "0.2 s", "settle": "0.1 s"},
        longest_tick="0.05 s",
    )
    steps = [
        {"do": "drive", "to": ["1.6 m", "1 m"]},
        {"do": "turn", "to": "70 deg"},
        {**mark("turned", radial="60 mm"), "takes": ["pot-e", "pot-h"] if moved else []},
        {"do": "advance", "distance": "0.6 m"},
        {"do": "curve", "through": [["2.4 m", "2.3 m"], ["2.6 m", "1.6 m"]]},
        {"do": "look", "time": "0.3 s"},
    ]
    field = field_map(x=(0.0, 4.2), y=(0.0, 3.0), build=build, structures=structures, elements=elements)
    return prepared(steps, machine, believed=field, start=(0.6, 1.0, 0.0), spread=spread, **more)


CASES: dict[str, dict[str, Any]] = {
    "inside the bound": {"spread": ("10 mm", "10 mm", "1 deg"), "wall_mm": 8.0},
    "some outside": {"spread": ("80 mm", "80 mm", "4 deg"), "wall_mm": 8.0},
    "sensors beyond the bound": {"spread": ("10 mm", "10 mm", "1 deg"), "wall_mm": 8.0, "crooked": 4.0},
    "cones": {"spread": ("10 mm", "10 mm", "1 deg"), "beam": "25 deg"},
    "cones, some outside": {"spread": ("80 mm", "80 mm", "4 deg"), "beam": "10 deg"},
    "wide cones that tilt": {"spread": ("40 mm", "40 mm", "2 deg"), "beam": "60 deg", "pitch": "4 deg"},
    "lines that tilt": {"spread": ("40 mm", "40 mm", "2 deg"), "pitch": "4 deg"},
    "cones, most surfaces mute": {
        "spread": ("60 mm", "60 mm", "3 deg"),
        "beam": "40 deg",
        "echo_limit": "12 deg",
        "moved": True,
    },
    "cones that tilt, most surfaces mute": {
        "spread": ("40 mm", "40 mm", "2 deg"),
        "beam": "30 deg",
        "echo_limit": "12 deg",
        "pitch": "4 deg",
    },
    "mute walls beyond the bound": {
        "spread": ("10 mm", "10 mm", "1 deg"),
        "wall_mm": 40.0,
        "beam": "30 deg",
        "echo_limit": "12 deg",
    },
    "walls beyond the bound": {"spread": ("10 mm", "10 mm", "1 deg"), "wall_mm": 40.0},
    "things moved": {"spread": ("30 mm", "30 mm", "2 deg"), "moved": True},
    "what stands is exact": {"spread": ("30 mm", "30 mm", "2 deg"), "exact": True},
    "what stands is exact, some outside": {"spread": ("80 mm", "80 mm", "4 deg"), "exact": True},
    "what stands is exact, cones": {"spread": ("30 mm", "30 mm", "2 deg"), "exact": True, "beam": "25 deg"},
    "phases drawn": {"spread": ("30 mm", "30 mm", "2 deg"), "moved": True, "drawn_phase": True},
}


def all_exact(monkeypatch: pytest.MonkeyPatch) -> None:
    """Send every trial down the exact path, the bound holding for none, and test every surface there."""
    monkeypatch.setattr(bounds, "POSITION_SLACK_M", -1.0)
    every_surface(monkeypatch)


def every_surface(monkeypatch: pytest.MonkeyPatch) -> None:
    """Have trials outside the bound test all surfaces, not those that their own beams may meet."""
    for module in (casting, trial_expect):
        monkeypatch.setattr(module, "met_by_some", lambda cone, edges, *where: edges)
    monkeypatch.setattr(
        casting, "discs_met_by_some", lambda cone, x, y, reach_m: np.ones(x.shape[1], dtype=bool)
    )


@pytest.fixture(autouse=True)
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draw the bounds in, so that they leave some trials out."""
    monkeypatch.setattr(bounds, "POSITION_SLACK_M", 0.15)
    monkeypatch.setattr(bounds, "ANGLE_SLACK_RAD", 0.12)


def nothing_culled(monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep every surface and element a candidate for every beam and every footprint."""

    def every_edge(*arguments: Any) -> Any:
        return np.ones((len(np.atleast_1d(arguments[0])), len(arguments[7])), dtype=bool)

    for module in (candidates, believed_view):
        monkeypatch.setattr(module, "candidates_for_beam", every_edge)
        monkeypatch.setattr(module, "candidates_for_disc", every_edge)
        monkeypatch.setattr(
            module, "seen_from_behind", lambda *arguments: ~every_edge(*arguments[:1], *arguments)
        )
    every_surface(monkeypatch)
    settled = trials_engine.touch_plan

    def near_everything(prepared_: Prepared) -> Any:
        plan = settled(prepared_)
        for distance in (plan.edge_distance, plan.element_distance):
            distance[np.isfinite(distance)] = -100.0
        return plan

    monkeypatch.setattr(trials_engine, "touch_plan", near_everything)

    def everywhere(strays: StrayList, pose: np.ndarray, within_m: float) -> list[np.ndarray]:
        return [np.arange(len(strays.trial))] * len(pose)

    monkeypatch.setattr(StrayList, "near_each", everywhere)


def culled(case: Prepared) -> TrialsResult:
    """Return the result as shipped."""
    return run_trials(case, TRIALS, 12)


def shadowed() -> Prepared:
    """Return a look at a bench that is built far off its place, with a pot on its far side."""
    wide = {"shape": {"rectangle": {"length": "100 mm", "width": "300 mm"}}}
    off = {"x": "0 mm", "y": "80 mm", "heading": "0 deg", "constant_over": "field", **GUESS}
    hall = field_map(
        x=(-2.0, 3.0),
        y=(-3.0, 3.0),
        structures=[
            bench("bench", 1.0, 0.0, at={"x": "1 m", "y": "0 m", "heading": "0 deg"}, build=off, **wide)
        ],
        elements=[pot("pot", 1.8, 0.0, 0.0)],
    )
    ahead = range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz", reach={"low": "20 mm", "high": "6 m"})
    machine = robot(sensors=[ahead], correction={"update": {"law": "replace"}})
    return prepared([{"do": "look", "time": "0.3 s"}], machine, believed=hall)


@pytest.mark.parametrize("brute", [all_exact, nothing_culled])
def test_law_what_stands_behind_a_displaced_structure_is_met(
    brute: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where the bench is not in the way the pot behind it answers, whatever was to be hidden by it."""
    case = shadowed()
    quick = run_trials(case, 1000, 5)
    estimation = quick.moments[-1].estimation[:, 0]
    # The pot is 0.79 m behind the bench's face: taken for it, the belief is that far off.
    assert np.count_nonzero(np.abs(estimation) > 0.5) > 20
    assert np.abs(estimation).max() < 0.85
    brute(monkeypatch)
    assert_identical(quick, run_trials(case, 1000, 5))


def past_a_low_wall() -> Prepared:
    """Return a look from a mount that stands out over a low wall, along a hall far longer than it is wide."""
    post = {
        "id": "post",
        "shape": {"rectangle": {"length": "20 mm", "width": "200 mm"}},
        "at": {"x": "2.98 m", "y": "0.2 m", "heading": "0 deg"},
        "reference": True,
        "height": {"low": "0 m", "high": "1 m"},
    }
    low = {"low": "0 m", "high": "50 mm"}
    hall = field_map(x=(0.0, 3.0), y=(0.0, 0.4), structures=[post], wall_height=low)
    aft = range_sensor("aft", -0.9, 0.0, 0.0, rate="10 Hz", reach={"low": "20 mm", "high": "20 m"})
    machine = robot(sensors=[aft], correction={"update": {"law": "kalman"}, "when": "always"})
    still = [{"do": "look", "time": "0.3 s"}]
    return prepared(still, machine, believed=hall, start=(0.2, 0.2, 0.0), spread=("3 mm", "3 mm", "0.1 deg"))


def nose_on_a_bench() -> Prepared:
    """Return an exact robot that stands exactly against a turned bench: their distance is rounding."""
    turned = 44.45631199350015
    x, y = (0.3 * part for part in (np.cos(np.radians(turned)), np.sin(np.radians(turned))))
    block = {
        "id": "block",
        "shape": {"rectangle": {"length": "0.3 m", "width": "0.4 m"}},
        "at": {"x": f"{float(x)!r} m", "y": f"{float(y)!r} m", "heading": f"{turned!r} deg"},
        "reference": True,
    }
    hall = field_map(x=(-2.0, 2.0), y=(-2.0, 2.0), structures=[block])
    machine = robot(sensors=[range_sensor("side", 0.0, 0.1, 90.0, rate="10 Hz")])
    steps = [{"do": "look", "time": "0.1 s"}, {"do": "advance", "distance": "-0.2 m"}]
    return prepared(steps, machine, believed=hall, start=(0.0, 0.0, turned))


@pytest.mark.parametrize("scene", [past_a_low_wall, nose_on_a_bench])
def test_law_nothing_at_the_edge_of_a_bound_is_left_out(scene: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """What is seen from outside the walls counts, and so does a contact at a distance of rounding."""
    case = scene()
    quick = run_trials(case, 100, 5)
    assert quick.counts[..., 0].sum() > 0
    assert (quick.touch_obstacle.max() >= 0) == (scene is nose_on_a_bench)
    nothing_culled(monkeypatch)
    assert_identical(quick, run_trials(case, 100, 5))


@pytest.mark.parametrize("name", CASES)
@pytest.mark.parametrize("brute", [all_exact, nothing_culled])
def test_law_culling_changes_no_digit(name: str, brute: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """With every surface tested for every beam and footprint the results are the same bit for bit."""
    case = crowded(**CASES[name])
    quick = culled(case)
    brute(monkeypatch)
    assert_identical(quick, culled(case))


def test_law_the_scene_is_worth_the_test() -> None:
    """The crowded scene has contacts, wrong echoes, refusals at every stage and trials outside the bound."""
    result = culled(crowded(**CASES["some outside"]))
    assert len(np.unique(result.touch_obstacle)) > 3
    assert result.wrongly_accepted.sum() > 0
    assert np.count_nonzero(result.counts.sum(axis=(0, 1))) >= 6
    off = np.hypot(*result.moments[0].error[:, :2].T)
    assert 0 < np.count_nonzero(off > bounds.POSITION_SLACK_M) < TRIALS


def test_law_the_scene_with_things_moved_is_worth_the_test() -> None:
    """Things are pushed from their places and where they strayed to; some trials take what others leave."""
    case = crowded(**CASES["things moved"])
    batch = trials_engine._Batch(trials_engine.trials_plan(case), Streams(12, 0, TRIALS), 12, TRIALS)
    result = batch.run()
    elements = batch.things.world.elements
    assert sum(len(element.pushed_trials()) > 10 for element in elements) >= 3
    strays = {
        int(t) for element in elements for t in np.intersect1d(element.strayed, element.pushed_trials())
    }
    assert len(strays) > 3
    taken = [element.gone for element in elements if element.gone is not None]
    assert len(taken) == 2
    assert 0.1 < taken[0].mean() < 0.9
    assert result.wrongly_accepted.sum() > 0


def test_law_seeded_fault_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were the bound too small, the results would differ."""
    case = crowded(**CASES["some outside"])
    quick = culled(case)
    monkeypatch.setattr(bounds, "POSITION_SLACK_M", 10.0)
    monkeypatch.setattr(believed_view, "position_slack", lambda sensor, share: 0.001)
    monkeypatch.setattr(candidates, "true_position_slack", lambda sensor, share: 0.001)
    with pytest.raises(AssertionError):
        assert_identical(quick, culled(case))


def test_law_front_faces_left_out_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were faces taken for seen from behind that are seen from the front, the results would differ."""
    case = crowded(**CASES["what stands is exact"])
    quick = culled(case)
    for module in (candidates, believed_view):
        behind = module.seen_from_behind

        def in_front(*arguments: Any, behind: Any = behind) -> Any:
            px, py, slack, ax, ay, bx, by, *rest = arguments
            return behind(px, py, slack, bx, by, ax, ay, *rest)

        monkeypatch.setattr(module, "seen_from_behind", in_front)
    with pytest.raises(AssertionError):
        assert_identical(quick, culled(case))


def test_law_beams_of_their_own_taken_for_narrower_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were trials outside the bound to look along the middles of cones alone, the results would differ."""
    case = crowded(**CASES["cones, some outside"])
    quick = culled(case)
    for module in (casting, trial_expect):
        found = module.met_by_some

        def along(cone: Any, *rest: Any, found: Any = found) -> Any:
            return found(cone._replace(half_rad=0.0), *rest)

        monkeypatch.setattr(module, "met_by_some", along)
    with pytest.raises(AssertionError):
        assert_identical(quick, culled(case))


def test_law_strays_sought_too_near_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were strayed things looked for within half the footprint's reach, contacts would be missed."""
    case = crowded(**CASES["some outside"])
    quick, near_each = culled(case), StrayList.near_each
    monkeypatch.setattr(
        StrayList, "near_each", lambda strays, pose, within_m: near_each(strays, pose, 0.5 * within_m - 0.1)
    )
    with pytest.raises(AssertionError):
        assert_identical(quick, culled(case))


def test_law_a_cone_left_out_of_the_bound_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """Were half the cone's width left out of the bound, the results would differ."""
    case = crowded(**CASES["cones"])
    quick = culled(case)
    monkeypatch.setattr(believed_view, "angle_slack", lambda sensor, share: 0.03)
    monkeypatch.setattr(candidates, "true_angle_slack", lambda sensor, share: 0.03)
    with pytest.raises(AssertionError):
        assert_identical(quick, culled(case))


def test_law_the_cones_are_worth_the_test() -> None:
    """Cones change the crowded scene: what is expected, what answers, and what blocks."""
    narrow, wide = culled(crowded(**CASES["inside the bound"])), culled(crowded(**CASES["cones"]))
    assert not np.array_equal(narrow.counts, wide.counts)
    assert wide.wrongly_accepted.sum() > 0
    assert wide.counts[..., Outcome.ACCEPTED].sum() > 100


def test_law_mute_surfaces_are_worth_the_test(monkeypatch: pytest.MonkeyPatch) -> None:
    """Walls, benches and pots answer beside mute surfaces, in truth and in what the robot expects."""
    case = crowded(**CASES["cones, most surfaces mute"])
    answered: list[int] = []
    for module in (casting, trial_expect):
        beside = module.answer_beside

        def spy(*arguments: Any, beside: Any = beside, module: Any = module) -> Any:
            found = beside(*arguments)
            things = len(case.true.edges) if module is casting else 0
            answered.extend([things, *found[1][found[1] >= 0].tolist()])
            return found

        monkeypatch.setattr(module, "answer_beside", spy)
    with_them = culled(case)
    assert len(answered) > 2000
    for module in (casting, trial_expect):

        def silent(cone: Any, *arguments: Any) -> Any:
            count = len(cone.px)
            return np.full(count, np.inf), np.full(count, -1, dtype=np.intp), np.zeros(count)

        monkeypatch.setattr(module, "answer_beside", silent)
    without = culled(case)
    accepted = [r.counts[..., Outcome.ACCEPTED].sum() for r in (with_them, without)]
    assert accepted[0] > 1.1 * accepted[1]


@pytest.mark.parametrize("batch", [1, 25])
def test_law_first_contact_does_not_depend_on_the_batch(batch: int) -> None:
    """Of two things touched at one instant the same one is named, whoever else is in the batch."""
    region = [["1.44 m", "1 m"], ["1.46 m", "1 m"], ["1.46 m", "1.001 m"], ["1.44 m", "1.001 m"]]
    away = {**pot("away", 1.45, 1.6, 0.0)}
    away["stray"] = {"probability": "60 %", "region": region, "constant_over": "run", **GUESS}
    elements = [away, pot("here", 1.45, 1.0, 0.0)]
    case = prepared(
        [{"do": "drive", "to": ["1.5 m", "1 m"]}],
        robot(correction={"enabled": False}, longest_tick="0.1 s"),
        believed=field_map(x=(0.0, 4.2), y=(0.0, 3.0), elements=elements),
        start=(0.6, 1.0, 0.0),
        spread=("0 mm", "250 mm", "0 deg"),
    )
    whole, parts = run_trials(case, 100, 1), run_trials(case, 100, 1, batch=batch)
    assert np.array_equal(whole.touch_step, parts.touch_step)
    assert np.array_equal(whole.touch_obstacle, parts.touch_obstacle)
