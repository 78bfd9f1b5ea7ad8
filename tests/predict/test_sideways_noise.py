"""What the filter expects of a robot that drives sideways: its errors belong to its own axes.

A walk of the distance lies along the wheel that looks ahead, whichever way the robot goes; a sideways
wheel may have a scale of its own. With random walks alone the filter's covariance is the true one, whatever
the course.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from driftgate.export.gather import Origin, hand_over
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.filter import noise_parts, noise_towards
from driftgate.predict.filter_model import FilterModel

from .scenes import field_map, prepared, range_sensor, robot, run, tick

ROOM = field_map(x=(-3.0, 3.0), y=(-3.0, 3.0))
SPREAD = ("1 mm", "1 mm", "0 deg")
WALKS = {
    "distance_walk": tick(per_root_metre="3 mm/sqrt(m)"),
    "lateral_walk": tick(per_root_metre="8 mm/sqrt(m)"),
}
# Ways of 2 m: along them a constant is as if it were drawn once.
WAYS: dict[str, list[dict[str, Any]]] = {
    "ahead": [{"do": "advance", "distance": "2 m"}],
    "back": [{"do": "advance", "distance": "-2 m"}],
    "left": [{"do": "sidestep", "distance": "2 m"}],
    "right": [{"do": "sidestep", "distance": "-2 m"}],
    "aslant": [{"do": "drive", "to": ["1.6 m", "-1.2 m"]}],
}
CONSTANTS = {
    "one scale": {"distance_scale": run(spread="1 %")},
    "crab angle": {"crab_angle": run(spread="0.5 deg")},
}


def driven(
    errors: dict[str, Any], steps: list[dict[str, Any]], heading_deg: float = 0.0, **own: Any
) -> Prepared:
    """Return a holonomic robot's way without fixes, its start as uncertain as the filter takes it for."""
    machine = robot(errors, [], {"filter": own}, drive="holonomic")
    return prepared(steps, machine, ROOM, start=(0.0, 0.0, heading_deg), spread=SPREAD)


@pytest.mark.evidence(
    source="worked on paper",
    compares="expected normalised error of a filter that knows every constant: 3",
    tolerance="1e-6 of it",
)
@pytest.mark.parametrize("heading_deg", [0.0, 25.0])
@pytest.mark.parametrize("way", WAYS)
def test_ref_walks_are_expected_where_they_act(way: str, heading_deg: float) -> None:
    """With walks alone the filter's covariance of the place is that of the true error."""
    last = covariance(driven(WALKS, WAYS[way], heading_deg)).moments[-1]
    assert last.filter_cov[:2, :2] == pytest.approx(last.estimation_cov[:2, :2], rel=1e-6, abs=1e-12)
    turned = math.radians(heading_deg)
    axes = np.array([[math.cos(turned), math.sin(turned)], [-math.sin(turned), math.cos(turned)]])
    own = axes @ last.filter_cov[:2, :2] @ axes.T
    # 2 m, and a start of 1 mm: 3 mm a root metre ahead and 8 mm to the left, whichever way it goes.
    assert np.diag(own) == pytest.approx([19e-6, 129e-6], rel=1e-3)


@pytest.mark.parametrize("name", CONSTANTS)
@pytest.mark.parametrize("way", WAYS)
def test_law_constants_too(name: str, way: str) -> None:
    """After 2 m a constant has its whole square, along the course or across it."""
    last = covariance(driven(CONSTANTS[name], WAYS[way])).moments[-1]
    assert last.filter_cov[:2, :2] == pytest.approx(last.estimation_cov[:2, :2], rel=0.03, abs=2e-9)


def test_law_a_sideways_scale_of_its_own() -> None:
    """3 % of the sideways wheel are 60 mm in 2 m to the side, and nothing ahead."""
    errors = {"sideways_scale": run(spread="3 %"), "distance_scale": run(spread="0 %")}
    aside = covariance(driven(errors, WAYS["left"])).moments[-1].filter_cov
    assert math.sqrt(aside[1, 1]) == pytest.approx(0.060, rel=1e-3)
    assert math.sqrt(aside[0, 0]) == pytest.approx(0.001, rel=1e-3)
    ahead = covariance(driven(errors, WAYS["ahead"])).moments[-1].filter_cov
    assert math.sqrt(ahead[0, 0]) == pytest.approx(0.001, rel=1e-3)


def test_mc_fixes_after_a_sidestep_are_taken() -> None:
    """A wall looked at after a sidestep with a scale error of 3 % puts the belief right again."""
    errors = {"sideways_scale": run(spread="3 %")}
    noise = {"noise": {"at_zero": "4 mm", "constant_over": "reading", "basis": "guess"}}
    sensor = range_sensor("left", 0.0, 0.0, 90.0, rate="20 Hz", errors=noise)
    machine = robot(
        errors, [sensor], {"when": "looking", "gate": {"sigmas": 3.0}, "filter": {}}, drive="holonomic"
    )
    steps = [
        *WAYS["left"],
        {"do": "look", "time": "0.5 s"},
        {"do": "drive", "to": ["0 m", "1.5 m"]},
    ]
    trials = run_trials(prepared(steps, machine, ROOM, spread=SPREAD), 400, 1)
    # Half a metre back at 3 % is 15 mm; without the fix it would be 60 mm on the way and 45 in the end.
    assert np.std(trials.moments[-1].error[:, 1]) < 0.02


def test_law_a_number_of_the_file_holds_whichever_way() -> None:
    """What the robot file says of the walk is meant about the course."""
    (along, across), own = (0.02, 0.01), {"along": "20 mm/sqrt(m)", "across": "10 mm/sqrt(m)"}
    case = driven(WALKS, WAYS["aslant"], **own)
    assert case.filter.sideways_per_root_m == (along, across)
    found = covariance(case).moments[-1].filter_cov[:2, :2] - 1e-6 * np.eye(2)
    course = np.array([0.8, -0.6])
    assert course @ found @ course == pytest.approx(2.0 * along**2, rel=1e-6)
    assert found[0, 0] + found[1, 1] == pytest.approx(2.0 * (along**2 + across**2), rel=1e-6)
    handed = hand_over(driven(WALKS, WAYS["left"]), Origin("made", "made.yaml", "0" * 64, "0")).correction
    assert (handed.sideways_along_per_root_m, handed.sideways_across_per_root_m) == pytest.approx(
        (8e-3, 3e-3)
    )


def test_law_what_is_added_is_a_covariance() -> None:
    """Whatever the four walks, on every course."""
    rng = np.random.default_rng(5)
    for _ in range(300):
        along, across, aside, before = rng.uniform(0.0, 0.05, 4) * rng.integers(0, 2, 4)
        model = FilterModel(
            (0.0, 0.0, 0.0),
            along,
            across,
            0.0,
            0.0,
            0.0,
            (),
            (),
            0.0,
            0.0,
            sideways_per_root_m=(aside, before),
        )
        ds, dl, at = [*rng.normal(size=2).tolist(), rng.uniform(-4.0, 4.0)]
        course = at + math.atan2(dl, ds)
        xx, xy, _, yy, _, _ = noise_towards(
            noise_parts(model, ds, dl, 0.0, 0.1), math.cos(course), math.sin(course)
        )
        assert np.linalg.eigvalsh([[xx, xy], [xy, yy]]).min() > -1e-15
