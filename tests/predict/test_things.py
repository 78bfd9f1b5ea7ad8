"""Things that the routine moves: taken at a checkpoint, pushed by the robot's outline."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from driftgate.core.pose import FloatArray
from driftgate.plan.build import plan_case
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.echoes import Echo, EchoMaker
from driftgate.predict.streams import Streams
from driftgate.predict.things import Things
from driftgate.predict.touching import TouchTest
from driftgate.predict.trials_engine import _Batch, trials_plan
from driftgate.predict.values import Outcome, TrialsResult
from driftgate.sight.values import Reason

from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="what is pushed, and where it ends", tolerance="1 nm"
)

NOISE = {"noise": {"at_zero": "2 mm", "constant_over": "reading", **GUESS}}
AHEAD = [range_sensor("ahead", 0.1, 0.0, 0.0, rate="10 Hz", errors=NOISE)]
LOOK = {"do": "look", "time": "0.5 s"}
TRIALS = 200


def pot(x: float, y: float, **more: Any) -> dict[str, Any]:
    """Return a pot of 60 mm radius exactly at its place."""
    return {
        "id": "pot",
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": f"{x!r} m", "y": f"{y!r} m"},
        "scatter": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
        **more,
    }


def scene(
    steps: list[dict[str, Any]],
    elements: list[dict[str, Any]],
    spread: tuple[str, str, str] = ("0 mm", "0 mm", "0 deg"),
    true: list[dict[str, Any]] | None = None,
    **correction: Any,
) -> Prepared:
    """Return a robot of 0.3 m at (0.5, 1.5), looking along +x in a hall of 4.2 m by 3 m."""
    settings = {"filter": {}, "gate": {"sigmas": 3.0}, "validity": {"corridor": "50 mm"}, **correction}
    hall = {"x": (0.0, 4.2), "y": (0.0, 3.0)}
    return prepared(
        steps,
        robot(sensors=AHEAD, correction=settings),
        believed=field_map(elements=elements, **hall),
        true=None if true is None else field_map(elements=true, **hall),
        start=(0.5, 1.5, 0.0),
        spread=spread,
    )


def ended(case: Prepared, count: int = TRIALS) -> tuple[TrialsResult, Things]:
    """Return the trials, and the true field as they left it."""
    batch = _Batch(trials_plan(case), Streams(1, 0, count), 1, count)
    return batch.run(), batch.things


def outcomes(result: TrialsResult, outcome: Outcome, step: int | None = None) -> int:
    """Return how many readings had an outcome, in one step or in all."""
    counts = result.counts.sum(axis=0)
    return int(counts[:, outcome].sum() if step is None else counts[step, outcome])


# Pushed


def drive(x: float, y: float, *touch: str) -> dict[str, Any]:
    """Return a drive."""
    return {"do": "drive", "to": [f"{x!r} m", f"{y!r} m"], "may_touch": list(touch)}


@ON_PAPER
@pytest.mark.parametrize("y", [1.5, 1.58, 1.37])
def test_ref_a_pot_pushed_ahead_ends_before_the_bumper(y: float) -> None:
    """Driven from x = 0.5 to 1.5 m, the bumper at 1.65 m leaves a pot of 60 mm at 1.71 m, its y its own."""
    _, things = ended(scene([drive(1.5, 1.5, "pot")], [pot(1.2, y, pushable=True)]), 3)
    (element,) = things.world.elements
    assert element.x == pytest.approx(1.71, abs=1e-9)
    assert element.y == pytest.approx(y, abs=1e-9)


@ON_PAPER
def test_ref_a_box_pushed_ahead_keeps_its_heading() -> None:
    """A box of 100 mm turned by a quarter ends with its near side at the bumper."""
    box = pot(1.2, 1.5, pushable=True, shape={"rectangle": {"length": "60 mm", "width": "100 mm"}})
    box["at"]["heading"] = "90 deg"
    _, things = ended(scene([drive(1.5, 1.5, "pot")], [box]), 3)
    (element,) = things.world.elements
    assert element.x == pytest.approx(1.65 + 0.05, abs=1e-9)
    assert element.corners_x is not None
    assert element.corners_x.min(axis=0) == pytest.approx(1.65, abs=1e-9)
    assert element.heading == pytest.approx(np.pi / 2.0)


def test_law_what_cannot_be_pushed_stays() -> None:
    """Without the leave to push, the robot passes through a pot, and it stays where it is."""
    _, things = ended(scene([drive(1.5, 1.5, "pot")], [pot(1.2, 1.5)]), 3)
    assert things.world.elements[0].x == pytest.approx(1.2, abs=1e-12)
    assert things.world.elements[0].pushed is None


@pytest.mark.parametrize("meant", [True, False])
def test_law_a_push_is_a_contact_unless_it_is_meant(meant: bool) -> None:
    """A pot that may be touched is pushed without a word; any other is pushed and counts as contact."""
    steps = [drive(1.5, 1.5, *(["pot"] if meant else []))]
    result, things = ended(scene(steps, [pot(1.2, 1.5, pushable=True)]), 5)
    assert (result.touch_step >= 0).all() != meant
    assert things.world.elements[0].x == pytest.approx(1.71, abs=1e-9)


def written_out(
    seen: list[tuple[FloatArray, FloatArray, FloatArray]], trial: int, at: FloatArray
) -> FloatArray:
    """Return where one trial leaves a pot: pushed from one pose of the robot to the next, in plain numbers.

    The robot is a square of 0.3 m; in its own axes the nearest point of it is the pot's place, clipped.
    """
    place = at.copy()
    for x, y, h in seen:
        c, s = np.cos(h[trial]), np.sin(h[trial])
        to_field = np.array([[c, -s], [s, c]])
        centre = np.array([x[trial], y[trial]])
        own = to_field.T @ (place - centre)
        near = np.clip(own, -0.15, 0.15)
        distance = np.hypot(*(own - near))
        if 0.0 < distance < 0.06:
            place = centre + to_field @ (near + (own - near) * 0.06 / distance)
    return place


def test_law_each_trial_pushes_as_written_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """In scattered trials the pot ends, one by one, where the scalar push of the same motion leaves it."""
    spread = ("20 mm", "60 mm", "4 deg")
    steps = [
        drive(1.4, 1.5, "pot"),
        {"do": "turn", "to": "50 deg", "may_touch": ["pot"]},
        drive(1.6, 1.75, "pot"),
    ]
    scattered = pot(1.1, 1.55, pushable=True)
    scattered["scatter"] = {**scattered["scatter"], "x": "20 mm", "y": "40 mm"}
    case = scene(steps, [scattered], spread, enabled=False)
    seen: list[tuple[FloatArray, FloatArray, FloatArray]] = []
    test = TouchTest.test

    def watched(self: Any, tick: int, step: int, p: Any, clock: Any, knot: int | None = None) -> None:
        pose = case.plan.timeline.pose[tick + 1 if knot is None else knot]
        seen.append((pose[0] + p.xx, pose[1] + p.xy, pose[2] + p.xh))
        test(self, tick, step, p, clock, knot)

    batch = _Batch(trials_plan(case), Streams(3, 0, 40), 3, 40)
    (before,) = batch.things.world.elements
    monkeypatch.setattr(TouchTest, "test", watched)
    batch.run()
    (after,) = batch.things.world.elements
    assert after.pushed is not None
    assert 10 < np.count_nonzero(after.pushed) < 40
    for trial in range(40):
        expected = written_out(seen, trial, np.array([before.x[trial], before.y[trial]]))
        assert (after.x[trial], after.y[trial]) == pytest.approx(tuple(expected), abs=1e-9)


def test_law_a_pushed_pot_stands_in_the_sight_line() -> None:
    """A pot pushed ahead answers in place of the wall, where the map has it behind the robot by then."""
    steps = [drive(1.5, 1.5, "pot"), LOOK]
    pushed = run_trials(scene(steps, [pot(1.2, 1.5, pushable=True)]), TRIALS, 1)
    passed = run_trials(scene(steps, [pot(1.2, 1.5)]), TRIALS, 1)
    # Six readings: the one on arrival belongs to the drive.
    assert outcomes(pushed, Outcome.GATE, 1) == TRIALS * 5
    assert outcomes(pushed, Outcome.ACCEPTED, 1) == 0
    assert outcomes(passed, Outcome.ACCEPTED, 1) > 0.98 * TRIALS * 5


def test_law_a_pot_pushed_into_a_wall_stays_before_the_bumper() -> None:
    """Walls do not hold a pushed pot up: it goes on as far as the bumper goes."""
    _, things = ended(scene([drive(4.0, 1.5, "pot")], [pot(1.2, 1.5, pushable=True)]), 3)
    assert things.world.elements[0].x == pytest.approx(4.15 + 0.06, abs=1e-9)


def test_law_in_a_contact_step_pushing_comes_before_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """Squared up, the sensor 50 mm behind the bumper reads 50 mm to the pot before it, at every instant."""
    seen: list[float] = []
    measure = EchoMaker.echo

    def spy(self: EchoMaker, *arguments: Any) -> Echo:
        echo = measure(self, *arguments)
        seen.extend(echo.reading_m.tolist())
        return echo

    monkeypatch.setattr(EchoMaker, "echo", spy)
    late = [range_sensor("ahead", 0.1, 0.0, 0.0, rate="10 Hz", latency="0.2 s")]
    pots = [pot(3.9, 1.5, pushable=True)]
    case = prepared(
        [{"do": "square-up", "against": "east", "speed": "0.4 m/s"}, LOOK],
        robot(sensors=late, correction={"when": "looking"}),
        believed=field_map(elements=pots, x=(0.0, 4.2), y=(0.0, 3.0)),
        # 30 mm further than planned.
        true=field_map(elements=pots, x=(0.0, 4.23), y=(0.0, 3.0)),
        start=(3.6, 1.5, 0.0),
    )
    run_trials(case, 1, 1)
    assert len(seen) >= 4
    assert seen == pytest.approx([0.05] * len(seen), abs=1e-9)


# Taken


def take(*names: str, **within: Any) -> dict[str, Any]:
    """Return a checkpoint that takes elements."""
    return {**mark("picked", **within), "takes": list(names)}


def test_law_a_pot_is_gone_exactly_where_the_checkpoint_succeeded() -> None:
    """Trial by trial: who was inside the tolerance drives on untouched, who was not hits the pot."""
    steps = [take("pot", y="10 mm"), drive(1.5, 1.5), mark("there")]
    result = run_trials(scene(steps, [pot(1.2, 1.5)], ("0 mm", "12 mm", "0 deg"), enabled=False), TRIALS, 1)
    held = np.abs(result.moments[0].error[:, 1]) <= 0.010
    assert 0.2 < held.mean() < 0.8
    assert ((result.touch_step < 0) == held).all()


def test_law_who_was_touched_or_late_takes_nothing() -> None:
    """A contact before the checkpoint, or a clock past the limit, and the pot stays."""
    first = {**pot(0.9, 1.5), "id": "first"}
    for case in (
        scene([drive(1.0, 1.5), take("pot", radial="1 m"), drive(1.5, 1.5)], [pot(1.3, 1.5), first]),
        prepared(
            [{"do": "pause", "time": "1 s"}, take("pot", radial="1 m")],
            robot(),
            believed=field_map(elements=[pot(1.2, 1.5)]),
            time_limit="0.5 s",
        ),
    ):
        _, things = ended(case, 5)
        gone = things.world.elements[0].gone
        assert gone is None or not gone.any()


def test_law_a_taken_pot_leaves_the_sight_line() -> None:
    """Until it is taken the corridor is shut; then readings are tried, and right where it was taken."""
    steps = [LOOK, take("pot", y="10 mm"), LOOK]
    case = scene(steps, [pot(2.5, 1.5)], ("0 mm", "12 mm", "0 deg"), filter={"start_y": "12 mm"})
    result = run_trials(case, TRIALS, 1)
    held = int(np.count_nonzero(np.abs(result.moments[0].error[:, 1]) <= 0.010))
    # The reading at the instant of taking comes before it.
    assert outcomes(result, Outcome.CORRIDOR, 0) == TRIALS * 6
    assert outcomes(result, Outcome.GATE, 2) >= (TRIALS - held) * 5
    assert outcomes(result, Outcome.ACCEPTED, 2) > 0.98 * held * 5
    assert result.wrongly_accepted.sum() == 0
    reasons = case.sight.reason
    assert [Reason(r) for r in reasons] == [Reason.CORRIDOR] * 6 + [Reason.USABLE] * 5
    assert covariance(case).accepted.sum() == 5


def test_law_a_reading_on_its_way_while_the_pot_is_taken_still_saw_it() -> None:
    """An echo taken before the pot and arriving after it comes from the pot."""
    late = [range_sensor("ahead", 0.1, 0.0, 0.0, rate="2 Hz", phase="0.45 s", latency="0.1 s", errors=NOISE)]
    machine = robot(sensors=late, correction={"filter": {}, "gate": {"sigmas": 3.0}})
    hall = field_map(x=(0.0, 4.2), y=(0.0, 3.0), elements=[pot(2.5, 1.5)])
    steps = [LOOK, take("pot", radial="1 m"), {"do": "look", "time": "0.6 s"}]
    result = run_trials(prepared(steps, machine, believed=hall, start=(0.5, 1.5, 0.0)), 20, 1)
    assert outcomes(result, Outcome.GATE) == 20
    assert outcomes(result, Outcome.ACCEPTED) == 20


def test_law_clearance_goes_by_the_plan() -> None:
    """Driving through the place of a pot is an error until the plan has taken it."""

    def errors(steps: list[dict[str, Any]]) -> list[str]:
        case = scene(steps, [pot(1.2, 1.5)]).case
        return [f.code for f in plan_case(case).findings if f.level == "error"]

    through = drive(1.6, 1.5)
    assert errors([through]) == ["DG204"]
    assert errors([take("pot", radial="1 m"), through]) == []
    assert errors([through, take("pot", radial="1 m")]) == ["DG204"]


# Things of any kind


@pytest.mark.parametrize(("high", "seen"), [("99 mm", False), ("100 mm", True), ("400 mm", True)])
def test_law_what_is_lower_than_the_beam_does_not_block_it(high: str, seen: bool) -> None:
    """At a beam of 100 mm a lower pot on the true field is looked over; one as high answers."""
    aside = pot(0.5, 2.8)
    there = pot(2.5, 1.5, height={"low": "0 mm", "high": high})
    result = run_trials(scene([LOOK], [aside], true=[there]), 50, 1)
    assert (outcomes(result, Outcome.GATE) > 290) == seen
    assert (outcomes(result, Outcome.ACCEPTED) > 290) == (not seen)


def test_law_a_beam_is_blocked_while_the_thing_is_there() -> None:
    """A thing that the robot does not know of answers from 0.25 s to before 0.55 s on the trial's clock."""
    aside = pot(0.5, 2.8)
    there = pot(2.5, 1.5, present={"begin": "0.2 s", "end": "0.5 s"})
    result = run_trials(scene([LOOK], [aside], true=[there]), 50, 1)
    # Readings at 0, 0.1, ..., 0.5 s; there at 0.2, 0.3 and 0.4 s.
    assert outcomes(result, Outcome.GATE) == 150
