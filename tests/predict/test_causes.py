"""Scenes in which a known thing makes trials fail; the grouping has to name it."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from driftgate.judge.causes import (
    MOST_REPLAYED,
    CauseFinder,
    failing_at,
    failing_trials,
    group_causes,
)
from driftgate.judge.ratio import shares_of, worst_trials
from driftgate.judge.reason import plain_step
from driftgate.judge.story import story_of
from driftgate.judge.verdict import judge_case
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.story import replay
from driftgate.sight.dark import dark_intervals

from .scenes import field_map, mark, prepared, range_sensor, robot, run

SEED = 4
LOOK = {"do": "look", "time": "0.5 s"}
ON = {"do": "advance", "distance": "1 m"}
# Closes on the belief, so that fixes count.
THERE = {"do": "drive", "to": ["1 m", "0 m"]}
AHEAD = [range_sensor("ahead", 0.0, 0.0, 0.0, rate="10 Hz")]
FILTER = {"start_x": "50 mm", "start_y": "50 mm", "start_heading": "3 deg", "range_at_zero": "3 mm"}


def fixing(**more: Any) -> dict[str, Any]:
    """Return a correction that replaces x by what the sensor ahead says, with readings good to 3 mm."""
    return {
        "when": "always",
        "update": {"law": "kalman"},
        "filter": {**FILTER, "range_per_range": "0 %"},
        **more,
    }


def final(**within: str) -> dict[str, Any]:
    """Return a tolerance at the end."""
    return {"final": {"within": within, "required": "99 %"}}


def pot(x: float, y: float, stray: list[list[str]] | None = None, chance: str = "30 %") -> dict[str, Any]:
    """Return a pot of 60 mm radius that may stray into a region."""
    document: dict[str, Any] = {
        "id": "pot",
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": f"{x!r} m", "y": f"{y!r} m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", **run()},
    }
    if stray is not None:
        document["stray"] = {"probability": chance, "region": stray, **run()}
    return document


def groups_of(case: Prepared, trials: int = 400) -> tuple[CauseFinder, Any]:
    """Return the finder and the groups of a case that fails."""
    known, sampled = covariance(case), run_trials(case, trials, SEED)
    dark = dark_intervals(case.case, case.plan, case.sight, case.believed)
    verdict = judge_case(case, known, sampled, dark=dark)
    failing = failing_trials(case, sampled, verdict)
    assert len(failing) >= 10
    again = replay(case, failing[:MOST_REPLAYED], SEED)
    finder = CauseFinder(case, known, again, plain_step(case.plan), dark)
    return finder, group_causes(finder, failing_at(verdict), len(failing))


def share_of(found: Any, kind: str, *words: str) -> float:
    """Return the share of the failing trials put down to a kind, all words in the cause."""
    named = [g for g in found.groups if g.kind == kind and all(w in g.cause for w in words)]
    return sum(g.trials for g in named) / found.looked_at


def test_mc_start_placement_alone():
    """Where only the start is uncertain every failing trial is put down to it."""
    case = prepared([ON], spread=("10 mm", "0 mm", "0 deg"), **final(x="15 mm"))
    _, found = groups_of(case)
    assert share_of(found, "start placement") == 1.0


def test_mc_bias_in_the_dark():
    """A heading bias that no fix takes out is named, with the time in the dark."""
    errors = {"heading_bias": run(mean="0 deg/s", spread="1 deg/s")}
    case = prepared(
        [ON, ON], robot(errors, AHEAD, fixing()), spread=("0 mm", "1 mm", "0 deg"), **final(y="60 mm")
    )
    _, found = groups_of(case)
    assert share_of(found, "drift", "heading bias", "no fix of y since step 1") > 0.95


def test_mc_scale_without_a_reference():
    """A wall that is no reference gives no fix: the distance scale is what is left."""
    errors = {"distance_scale": run(mean="0 %", spread="2 %")}
    corners = {"south": (-6.0, -6.0), "east": (6.0, -6.0), "north": (6.0, 6.0), "west": (-6.0, 6.0)}
    walls = [
        {"id": name, "corner": [f"{x!r} m", f"{y!r} m"], "reference": name != "east"}
        for name, (x, y) in corners.items()
    ]
    field = field_map(walls=walls)
    _, found = groups_of(prepared([ON, LOOK], robot(errors, AHEAD, fixing()), field, **final(x="30 mm")))
    assert share_of(found, "drift", "distance scale", "no fix of x") == 1.0


def test_mc_a_strayed_pot_is_read_as_the_wall():
    """A strayed pot in front of the sensor, a few centimetres before the wall, is taken for it."""
    region = [["5.8 m", "-5 mm"], ["5.82 m", "-5 mm"], ["5.82 m", "5 mm"], ["5.8 m", "5 mm"]]
    field = field_map(elements=[pot(0.0, 4.0, region)])
    case = prepared(
        [LOOK, mark("looked"), THERE],
        robot({}, AHEAD, fixing()),
        field,
        spread=("20 mm", "0 mm", "0 deg"),
        **final(x="50 mm"),
    )
    finder, found = groups_of(case)
    assert share_of(found, "wrong surface", "ahead took strayed pot for east") > 0.95
    story = story_of(finder, 0)
    assert story.events[0].kind == "wrong"
    assert {r.origin for r in story.events[0].readings} == {"strayed pot"}
    assert story.strayed[0][0] == "pot"
    # One event for each step, and only what was read by the first checkpoint is blamed there.
    assert sorted(event.readings[0].step for event in story.events) == [0, 2]
    by_then, by_the_end = (finder.mishaps.wrong(moment, 0) for moment in case.moments)
    assert 0 < len(by_then) < len(by_the_end) == sum(len(event.readings) for event in story.events)


def test_mc_a_strayed_pot_shuts_out_the_wall():
    """The same pot with a gate is refused: the fix is missing, and the pot is named."""
    region = [["3 m", "-5 mm"], ["3.1 m", "-5 mm"], ["3.1 m", "5 mm"], ["3 m", "5 mm"]]
    field = field_map(elements=[pot(0.0, 4.0, region)])
    correction = fixing(gate={"sigmas": 4.0}, filter={**FILTER, "start_x": "20 mm", "range_per_range": "0 %"})
    case = prepared(
        [LOOK, THERE],
        robot({}, AHEAD, correction),
        field,
        spread=("20 mm", "0 mm", "0 deg"),
        **final(x="20 mm"),
    )
    _, found = groups_of(case, 1000)
    assert share_of(found, "obstructed", "strayed pot answered ahead in step 2") > 0.95


def test_mc_a_gate_that_locks_out():
    """A filter that thinks the start is certain refuses right readings for good."""
    correction = fixing(gate={"sigmas": 3.0}, filter={**FILTER, "start_x": "1 mm", "range_per_range": "0 %"})
    case = prepared(
        [LOOK, THERE], robot({}, AHEAD, correction), spread=("20 mm", "0 mm", "0 deg"), **final(x="15 mm")
    )
    _, found = groups_of(case)
    assert share_of(found, "gate", "ahead", "from step 1") > 0.95


def test_mc_a_wall_elsewhere_that_the_gate_lets_in_at_last():
    """The hall is shorter than the map says; the gate refuses that until the way back widens the filter."""
    correction = fixing(gate={"sigmas": 3.0}, way_back={"refusals": 5, "factor": 10, "lost_after": 90})
    correction["filter"] = {**FILTER, "start_x": "3 mm", "range_per_range": "0 %"}
    case = prepared(
        [LOOK, THERE], robot({}, AHEAD, correction), field_map(x=(-4.0, 1.9)), field_map(x=(-4.0, 1.85)),
        spread=("3 mm", "0 mm", "0 deg"), **final(x="15 mm"),
    )  # fmt: skip
    finder, found = groups_of(case)
    assert share_of(found, "drift", "the field is not as the map says on x, at east") > 0.95
    told = story_of(finder)
    largest = told.parts[0]
    assert (largest.title, largest.random) == ("the field is not as the map says", True)
    assert largest.part == pytest.approx(-0.05, abs=0.02)
    sampled = run_trials(case, 400, SEED)
    (last,) = judge_case(case, covariance(case), sampled).moments
    assert ": the field is not as the map says, at east." in last.reason


def test_mc_contact_is_contact():
    """A strayed pot in the way is touched, in the step in which it lies."""
    region = [["1.4 m", "-50 mm"], ["1.6 m", "-50 mm"], ["1.6 m", "50 mm"], ["1.4 m", "50 mm"]]
    field = field_map(elements=[pot(0.0, 4.0, region)])
    _, found = groups_of(prepared([ON, ON], None, field, **final(x="1 m")))
    assert share_of(found, "contact", "touched pot in step 2") == 1.0


def test_mc_late_is_late():
    """Trials whose clock runs past the limit are late."""
    errors = {"step_timing": run(mean="0 %", spread="10 %")}
    case = prepared([ON], robot(errors), **final(x="1 m"), time_limit="1.5 s")
    _, found = groups_of(case)
    assert share_of(found, "late") == 1.0


def test_mc_a_missed_checkpoint_takes_the_next_one_along():
    """A later checkpoint that fails only because of an earlier, passing one is put down to that."""
    errors = {"distance_scale": run(mean="0 %", spread="1 %")}
    first = {"do": "checkpoint", "name": "half", "required": "20 %", "within": {"x": "10 mm"}}
    last = {
        "do": "checkpoint",
        "name": "there",
        "required": "99 %",
        "within": {"x": "1 m"},
        "after": ["half"],
    }
    _, found = groups_of(prepared([ON, first, ON, last], robot(errors), **final(x="1 m")))
    assert share_of(found, "missed before", "checkpoint half") == 1.0


def test_mc_what_it_is_relative_to_has_strayed():
    """A tolerance relative to a pot that lies elsewhere fails for that."""
    field = field_map(elements=[pot(3.0, 2.0, [["-3 m", "2 m"], ["-2 m", "2 m"], ["-2 m", "3 m"]])])
    _, found = groups_of(prepared([ON], None, field, **final(x="30 mm", relative_to="pot")))
    assert share_of(found, "strayed target", "pot") == 1.0


def test_law_groups_add_up_and_examples_belong():
    """Shares add up to all that was looked at; each example is the lowest number of its group."""
    errors = {"heading_bias": run(mean="0 deg/s", spread="0.6 deg/s")}
    case = prepared(
        [ON, ON],
        robot(errors),
        spread=("10 mm", "15 mm", "0.5 deg"),
        **final(radial="30 mm", heading="3 deg"),
    )
    finder, found = groups_of(case)
    assert sum(g.trials for g in found.groups) == found.looked_at == len(finder.replay.numbers)
    assert len(found.groups) >= 3
    assert len({g.example for g in found.groups}) == len(found.groups)
    for group in found.groups:
        assert group.example in finder.replay.numbers


def test_law_parts_add_up_to_the_error():
    """The parts of a blamed error are the error, and linear trials leave nothing to chance."""
    errors = {
        "distance_scale": run(mean="1 %", spread="1 %"),
        "crab_angle": run(mean="0 deg", spread="1 deg"),
    }
    case = prepared([ON], robot(errors), spread=("10 mm", "10 mm", "0 deg"), **final(radial="10 mm"))
    finder, _ = groups_of(case)
    for trial in range(20):
        found = finder.blame(0, trial)
        assert found is not None
        assert sum(found.parts.values()) == pytest.approx(found.error, abs=1e-12)
        # Second order of a degree and a per cent over a metre.
        assert abs(found.parts["random"]) < 2e-3
        assert not found.unexpected


def test_law_worst_trials_fail_first():
    """Failing trials come before all others, the largest share first, then the lowest number."""
    case = prepared([ON], spread=("10 mm", "0 mm", "0 deg"), **final(x="15 mm"))
    sampled = run_trials(case, 300, SEED)
    shares = shares_of(case.moments[0], sampled.moments[0], 600.0)
    worst = worst_trials(shares, shares.own)
    assert list(worst) == np.argsort(-shares.joint, kind="stable")[: len(worst)].tolist()
    passing = shares.own.copy()
    passing[worst[0]] = True
    assert worst_trials(shares, passing)[0] == worst[1]


def test_law_a_story_of_a_good_trial_has_no_cause():
    """A trial that succeeds is told without a cause, at its tightest moment."""
    case = prepared([ON], spread=("1 mm", "0 mm", "0 deg"), **final(x="15 mm"))
    finder = CauseFinder(case, covariance(case), replay(case, np.array([7]), SEED), plain_step(case.plan))
    story = story_of(finder)
    assert (story.number, story.fails_at, story.cause, story.told_at) == (7, "", "", "end")
    assert len(story.steps) == 1
