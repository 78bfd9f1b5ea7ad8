"""The filter on scenes in which one thing is off all through a run: does its own region hold the truth?

Each scene has one constant that is large and little else. A filter that has it right holds the truth in its
95 % region in 95 % of the trials; the bounds are four standard errors of so many trials, and on the shy side
what the filter's own drift, which it takes from white noise, adds.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import pytest

from driftgate.judge.consistency import mean_normalised
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.filter import as_matrix, start_filter, start_links

from .scenes import GUESS, field_map, prepared, range_sensor, robot, run, tick

TRIALS = 2000
FOUR_ERRORS = 4.0 * math.sqrt(0.95 * 0.05 / TRIALS)
NOISE = {"noise": {"at_zero": "3 mm", "constant_over": "reading", **GUESS}}
WALK = {"distance_walk": tick(per_root_metre="3 mm/sqrt(m)")}
STRAIGHT = {"offset": "0 mm", "tilt": "0 deg", "constant_over": "field", **GUESS}
OFF = {**STRAIGHT, "offset": "10 mm"}
TURNED = {**STRAIGHT, "tilt": "0.5 deg"}
SPREAD = ("30 mm", "30 mm", "0.5 deg")


def sensor(name: str, x: float, y: float, heading_deg: float, **errors: Any) -> dict[str, Any]:
    """Return a sensor of little noise, and errors of its own."""
    return range_sensor(name, x, y, heading_deg, rate="10 Hz", errors={**NOISE, **errors})


def scene(
    steps: list[dict[str, Any]],
    sensors: list[dict[str, Any]],
    build: dict[str, Any] = STRAIGHT,
    own: dict[str, Any] | None = None,
    more: dict[str, Any] | None = None,
    structures: Sequence[dict[str, Any]] = (),
    drive: str = "differential",
    rolls_on: bool = False,
    **start: Any,
) -> Prepared:
    """Return a case on a field of 6 m by 4 m whose filter has its numbers from the error sources."""
    correction = {"when": "always", "filter": own or {}, **(more or {})}
    rolled = {"distance_from": "driven wheels"} if rolls_on else {}
    machine = robot(WALK, sensors, correction, drive=drive, **rolled)
    start = {"spread": SPREAD, **start}
    field = field_map(x=(-3.0, 3.0), y=(-2.0, 2.0), build=build, structures=list(structures))
    return prepared(steps, machine, field, **start)


def look(time: str = "0.5 s") -> dict[str, Any]:
    """Return a look."""
    return {"do": "look", "time": time}


AHEAD, LEFT = sensor("ahead", 0.1, 0.0, 0.0), sensor("left", 0.0, 0.1, 90.0)


def met_again(**own: Any) -> Prepared:
    """Return eight changes between two walls that stand off, by one sensor."""
    turns: list[dict[str, Any]] = []
    for i in range(8):
        turns += [look(), {"do": "rotate", "angle": "90 deg" if i % 2 == 0 else "-90 deg"}]
    return scene([*turns, look()], [AHEAD], OFF, own)


def three_on_one_wall(**own: Any) -> Prepared:
    """Return three parallel sensors on one wall that stands off."""
    beams = [sensor(f"s{i}", 0.1, 0.1 * (i - 1), 0.0) for i in range(3)]
    return scene([look("1 s")], beams, OFF, own)


def placed(against: list[str], **own: Any) -> Prepared:
    """Return a start that is close to what it is placed against, and what stands off with it."""
    steps = [look(), {"do": "advance", "distance": "0.5 m"}, look()]
    return scene(
        steps, [AHEAD, LEFT, sensor("right", 0.0, -0.1, -90.0)], {**OFF, "tilt": "0.3 deg"}, own,
        start=(-2.0, -1.85, 0.0), placed_against=against, spread=("2 mm", "2 mm", "0.1 deg"),
    )  # fmt: skip


def opposite_incidence(**own: Any) -> Prepared:
    """Return a sensor that looks somewhere else than it should, at a wall from either side."""
    beam = sensor("askew", 0.0, 0.0, 30.0, mount_angle=run(mean="0 deg", spread="0.7 deg"))
    return scene([look("1 s"), {"do": "rotate", "angle": "-60 deg"}, look("1 s")], [beam], own=own)


def oblique(**own: Any) -> Prepared:
    """Return walls that stand off and are met at 40 deg."""
    beams = [sensor("a", 0.0, 0.0, 40.0), sensor("b", 0.0, 0.0, -40.0), LEFT]
    return scene([look("1 s")], beams, OFF, own)


def at_the_end(**own: Any) -> Prepared:
    """Return a wall that is turned, met near its end."""
    return scene([look("1 s")], [LEFT, sensor("right", 0.0, -0.1, -90.0)], TURNED, own, start=(2.6, 0.0, 0.0))


def along_a_turned_wall(**own: Any) -> Prepared:
    """Return a way along walls that are turned: the heading is known no better than they are."""
    steps = [{"do": "advance", "distance": "4 m"}]
    return scene(steps, [LEFT], {**STRAIGHT, "tilt": "0.3 deg"}, own, start=(-2.0, 0.0, 0.0))


def a_bias_on_a_long_way(**own: Any) -> Prepared:
    """Return a sensor that reads long all through a way of 6 m along a wall."""
    beam = sensor("left", 0.0, 0.1, 90.0, bias=run(mean="0 mm", spread="15 mm"))
    there = {"do": "advance", "distance": "3 m"}
    return scene([there, {**there, "distance": "-3 m"}], [beam], own=own, start=(-1.5, 0.0, 0.0))


def a_pair(**own: Any) -> Prepared:
    """Return two parallel sensors that are off in every way, on walls that are, too."""
    errors = {
        "bias": run(mean="0 mm", spread="5 mm"),
        "scale": run(mean="0 %", spread="1 %"),
        "mount_angle": run(mean="0 deg", spread="1 deg"),
    }
    beams = [sensor("port", 0.1, 0.12, 0.0, **errors), sensor("starboard", 0.1, -0.12, 0.0, **errors), LEFT]
    steps = [look(), {"do": "advance", "distance": "1 m"}, look()]
    pairs = {"pairs": [{"sensors": ["port", "starboard"]}]}
    return scene(steps, beams, {**OFF, "tilt": "0.3 deg"}, own, pairs)


def a_corner_and_its_face(**own: Any) -> Prepared:
    """Return a bench off along both its axes, by a cone on its corner and a beam on its face.

    What moves the corner along the face is no matter of the face.
    """
    cone = sensor("cone", 0.1, -0.1, -45.0) | {"beam_width": "40 deg"}
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.2 m", "width": "0.6 m"}},
        "at": {"x": "0.7 m", "y": "0.0 m"},
        "reference": True,
        "build": {"x": "5 mm", "y": "5 mm", "heading": "0 deg", "constant_over": "field", **GUESS},
    }
    walls = {"wall": "5 mm", "wall_tilt": "0 deg"}
    return scene(
        [look("2 s")], [cone, sensor("beam", 0.1, -0.1, -58.0)], own={**walls, **own},
        structures=[bench], start=(0.0, 0.8, 0.0), spread=("10 mm", "10 mm", "0.05 deg"),
    )  # fmt: skip


def squared_up(drive: str = "holonomic", rolls_on: bool = False, before: bool = True, **own: Any) -> Prepared:
    """Return a wall that is off and turned, touched away from its middle, then left and looked at.

    A holonomic drive sees itself swing along the wall while it comes flush, others do not. Unless it has
    looked before, too, it believes to stand as planned until then.
    """
    steps = [
        *([look()] if before else []),
        {"do": "advance", "distance": "0.5 m"},
        {
            "do": "square-up",
            "against": "east",
            "speed": "0.3 m/s",
            "reset": {"position": "3 mm", "heading": "0.2 deg"},
        },
        {"do": "advance", "distance": "-0.4 m"},
        look("2 s"),
    ]
    beams = [sensor("port", 0.1, 0.1, 0.0), sensor("starboard", 0.1, -0.1, 0.0)]
    turned = {**OFF, "offset": "5 mm", "tilt": "0.3 deg"}
    start: dict[str, Any] = {"start": (1.9, 0.6, 0.0), "spread": ("20 mm", "3 mm", "1.5 deg")}
    return scene(steps, beams, turned, own, {"when": "looking"}, drive=drive, rolls_on=rolls_on, **start)


def squared_up_without_a_sensor(**own: Any) -> Prepared:
    """Return a wall that is off and turned, touched away from its middle by a robot that has no sensor."""
    reset = {"position": "3 mm", "heading": "0.2 deg"}
    touch = {"do": "square-up", "against": "east", "speed": "0.3 m/s", "reset": reset}
    steps = [touch, {"do": "advance", "distance": "-0.4 m"}]
    start: dict[str, Any] = {"start": (2.2, 0.6, 0.0), "spread": ("20 mm", "3 mm", "1.5 deg")}
    return scene(steps, [], {**OFF, "tilt": "0.3 deg"}, own, drive="holonomic", **start)


FIXED = {"fixed_to": "east", "reference": True}
BENCH = {"id": "bench", "shape": {"rectangle": {"length": "0.4 m", "width": "0.6 m"}}, **FIXED}


def bench(beside: float, **build: str) -> dict[str, Any]:
    """Return a bench at the east wall, so far beside its middle."""
    built = {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "field", **GUESS, **build}
    return {**BENCH, "at": {"x": "2.8 m", "y": f"{beside!r} m"}, "build": built}


def a_bench_on_its_wall(**own: Any) -> Prepared:
    """Return a bench that its wall carries, and turns, and the wall itself beside it."""
    steps = [look("1 s"), {"do": "rotate", "angle": "-20 deg"}, look("1 s")]
    beams = [sensor("port", 0.1, 0.1, 0.0), sensor("starboard", 0.1, -0.1, 0.0), LEFT]
    return scene(
        steps, beams, {**OFF, "tilt": "0.5 deg"}, own, {"when": "looking"},
        structures=[bench(1.1, x="2 mm", heading="0.1 deg")], start=(1.0, 1.1, 0.0),
    )  # fmt: skip


def against_a_bench(**own: Any) -> Prepared:
    """Return a start against a bench that its wall carries."""
    steps = [look(), {"do": "advance", "distance": "-0.8 m"}, look()]
    beams = [AHEAD, LEFT, sensor("beside", 0.0, -0.1, -50.0)]
    return scene(
        steps, beams, {**OFF, "tilt": "0.5 deg"}, own, {"when": "looking"},
        structures=[bench(1.1, y="3 mm", heading="0.1 deg")], start=(2.45, 1.1, 0.0),
        placed_against=["bench"], spread=("2 mm", "2 mm", "0.1 deg"),
    )  # fmt: skip


def squared_up_at_a_bench(**own: Any) -> Prepared:
    """Return a bench that its wall carries, touched, then left and looked at."""
    reset = {"position": "3 mm", "heading": "0.2 deg"}
    touch = {"do": "square-up", "against": "bench", "speed": "0.3 m/s", "reset": reset}
    steps = [look(), touch, {"do": "advance", "distance": "-0.4 m"}, look("2 s")]
    beams = [sensor("port", 0.1, 0.1, 0.0), sensor("starboard", 0.1, -0.1, 0.0), LEFT]
    return scene(
        steps, beams, {**OFF, "tilt": "0.5 deg"}, own, structures=[bench(1.1, x="2 mm", heading="0.1 deg")],
        drive="holonomic", start=(2.2, 1.1, 0.0), spread=("10 mm", "5 mm", "0.5 deg"),
    )  # fmt: skip


def aside(**own: Any) -> Prepared:
    """Return sensors that sit off their places, and look at walls obliquely, from either side."""
    placed = {"mount_position": run(spread="8 mm")}
    beams = [sensor("a", 0.0, 0.0, 25.0, **placed), sensor("b", 0.0, 0.0, -60.0, **placed)]
    steps = [look("1 s"), {"do": "rotate", "angle": "-50 deg"}, look("1 s")]
    return scene(steps, beams, own=own, more={"when": "looking"})


SCENES: dict[str, Callable[..., Prepared]] = {
    "met again": met_again,
    "three sensors on one wall": three_on_one_wall,
    "placed against a wall": lambda **own: placed(["south"], **own),
    "placed in a corner": lambda **own: placed(["south", "west"], **own),
    "opposite incidence": opposite_incidence,
    "oblique": oblique,
    "at a wall's end": at_the_end,
    "along a turned wall": along_a_turned_wall,
    "a bias on a long way": a_bias_on_a_long_way,
    "a pair": a_pair,
    "a corner and its face": a_corner_and_its_face,
    "squared up, then seen": squared_up,
    "squared up, unseen swing": lambda **own: squared_up("differential", before=False, **own),
    "squared up, seen askew, unseen swing": lambda **own: squared_up("differential", **own),
    "squared up, seen askew, wheels roll on": lambda **own: squared_up("differential", True, **own),
    "squared up without a sensor": squared_up_without_a_sensor,
    "a bench on its wall": a_bench_on_its_wall,
    "placed against a bench": against_a_bench,
    "squared up at a bench": squared_up_at_a_bench,
    "sensors aside of their places": aside,
}


@pytest.mark.parametrize("name", SCENES)
def test_mc_the_region_holds_what_it_claims(name: str) -> None:
    """The 95 % region holds the truth in 95 %, and innovations have the size that they should have."""
    own = run_trials(SCENES[name](), TRIALS, 3).own
    inside = own.inside[-1, -1, -1] / TRIALS
    assert 0.95 - FOUR_ERRORS < inside < 0.99
    used = own.by_trial[:, 0] > 0
    nis = own.by_trial[used, 1] / own.by_trial[used, 0] / 1e3
    assert np.all(nis > 0.8)
    assert np.all(nis < 1.1)


@pytest.mark.evidence(
    source="worked on paper",
    compares="expected normalised error of a filter that knows every constant: 3",
    tolerance="1e-6 of it",
)
@pytest.mark.parametrize("name", [name for name in SCENES if "seen askew" not in name])
def test_ref_a_filter_that_knows_all_expects_what_comes(name: str) -> None:
    """Where all that is off is in the filter, its covariance is that of its errors, by the linear model.

    The linear model carries the errors as sensitivities to every constant and knows nothing of the filter's
    links, so that both come by different ways to the same. How far a robot believed to be askew before it
    came flush differs from trial to trial, and the linear model goes by its mean.
    """
    last = covariance(SCENES[name]()).moments[-1]
    expected = mean_normalised(last.filter_cov, last.estimation_mean, last.estimation_cov)
    assert expected == pytest.approx(3.0, rel=1e-6)
    assert last.filter_cov == pytest.approx(last.estimation_cov, rel=1e-4, abs=1e-12)


def test_law_a_start_against_a_structure_by_hand() -> None:
    """A face carries the robot along its normal and turns it; along itself the structure is off, too."""
    bench = {
        "id": "bench",
        "shape": {"rectangle": {"length": "0.2 m", "width": "0.8 m"}},
        "at": {"x": "1 m", "y": "0 m"},
        "reference": True,
    }
    case = prepared(
        [look()],
        robot({}, [AHEAD], {"when": "always", "filter": {"wall": "8 mm", "wall_tilt": "10 mrad"}}),
        field_map(structures=[bench]),
        start=(0.75, 0.1, 0.0),
        placed_against=["bench"],
        spread=("3 mm", "4 mm", "1 mrad"),
    )
    face = next(i for i, e in enumerate(case.believed.edges) if e.owner == "bench")
    # From its place, (1, 0), the robot lies at (-0.25, 0.1).
    by_x, by_y, by_turn = (8e-3, 0.0, 0.0), (0.0, 8e-3, 0.0), (-1e-3, -2.5e-3, 1e-2)
    parts = {part.key: part.by for part in case.filter.start_carry}
    assert parts[("x", face)] == pytest.approx(by_x, abs=1e-15)
    assert parts[("y", face)] == pytest.approx(by_y, abs=1e-15)
    assert parts[("turn", face)] == pytest.approx(by_turn, abs=1e-15)
    whole = np.diag([3e-3**2, 4e-3**2, 1e-3**2]) + sum(np.outer(b, b) for b in (by_x, by_y, by_turn))
    assert as_matrix(start_filter(case.filter)) == pytest.approx(whole, rel=1e-12, abs=1e-18)
    links = start_links(case.filter).now()
    assert set(links) == {("x", face), ("y", face), ("turn", face)}
    assert np.ravel(links["turn", face]) == pytest.approx(by_turn, abs=1e-15)


def test_law_a_start_against_opposite_walls_is_carried_by_the_first() -> None:
    """Two walls that face each other make no corner."""
    parts = placed(["north", "south"]).filter.start_carry
    assert {part.key for part in parts} == {part.key for part in placed(["north"]).filter.start_carry}
    # A filter that takes constants for noise has the spread of the start alone.
    assert placed(["north"], consider=False).filter.start_carry == ()
