"""Sensors whose phase is drawn anew each run."""

from __future__ import annotations

import dataclasses
from typing import Any

import numpy as np
import pytest

from driftgate.plan import timeline
from driftgate.plan.timeline import sub_phases
from driftgate.predict import Prepared, covariance, run_trials
from driftgate.predict.streams import Streams
from driftgate.predict.values import Outcome, TrialsResult
from driftgate.sight.dark import fix_opportunities

from .outcomes import ENGINES, known
from .scenes import GUESS, field_map, mark, prepared, range_sensor, robot, run, tick
from .test_streams import assert_identical

READING = {"constant_over": "reading", **GUESS}
NOISE = {"noise": {"at_zero": "3 mm", **READING}}
LOOSE: dict[str, Any] = {"filter": {}, "when": "always"}


def sensor(name: str, heading_deg: float, **more: Any) -> dict[str, Any]:
    """Return a sensor of 10 Hz whose phase is drawn: eight phases, 12.5 ms apart."""
    settings = {"rate": "10 Hz", "random_phase": True, "errors": NOISE, **more}
    return range_sensor(name, 0.0, 0.0, heading_deg, **settings)


def rich(sensors: list[dict[str, Any]], **correction: Any) -> Prepared:
    """Return a case with drift, walks, false returns in runs, latency, persistence and a way back."""
    errors = {
        **NOISE,
        "bias": run(spread="5 mm"),
        "mount_position": run(spread="4 mm"),
        "mount_angle": run(spread="1 deg"),
        "dropout": {"probability": "5 %", **READING},
        "short_return": {"probability": "6 %", "run_length": 3.0, **READING},
    }
    machine = robot(
        {"distance_scale": run(spread="2 %"), "heading_walk": tick(per_root_metre="1 deg/sqrt(m)")},
        sensors=[{**one, "errors": errors} for one in sensors],
        correction={
            **LOOSE,
            "gate": {"sigmas": 3.0},
            "persistence": {"readings": 2},
            "way_back": {"refusals": 4, "factor": 4.0, "lost_after": 8},
            **correction,
        },
        controller={"time_constant": "0.2 s", "settle": "0.1 s"},
    )
    pot = {
        "id": "pot",
        "shape": {"circle": {"radius": "60 mm"}},
        "at": {"x": "1.9 m", "y": "1.1 m"},
        "scatter": {"x": "20 mm", "y": "20 mm", "heading": "0 deg", "constant_over": "run", **GUESS},
        "stray": {"probability": "30 %", "constant_over": "run", **GUESS},
        "pushable": True,
    }
    steps = [
        {"do": "drive", "to": ["2.0 m", "1 m"], "may_touch": ["pot"]},
        mark("there"),
        {"do": "turn", "to": "90 deg"},
        {"do": "look", "time": "0.5 s"},
        {"do": "advance", "distance": "0.5 m"},
    ]
    field = field_map(x=(0.0, 4.2), y=(0.0, 3.0), elements=[pot])
    return prepared(steps, machine, believed=field, start=(0.6, 1.0, 0.0), spread=("15 mm", "15 mm", "1 deg"))


def looking(time: str, **more: Any) -> Prepared:
    """Return a robot that stands 3 m before a wall and looks."""
    hall = field_map(x=(0.0, 4.0), y=(-2.0, 2.0))
    machine = robot(sensors=[sensor("ahead", 0.0, **more)], correction=LOOSE)
    return prepared([{"do": "look", "time": time}], machine, believed=hall, start=(1.0, 0.0, 0.0))


@pytest.mark.parametrize(
    ("rate", "count"), [("100 Hz", 2), ("40 Hz", 2), ("20 Hz", 4), ("15 Hz", 6), ("10 Hz", 8), ("2 Hz", 8)]
)
def test_law_phases_are_equally_spaced_middles(rate: str, count: int) -> None:
    """The interval is cut into 2 to 8 equal parts, of at most 12.5 ms if that will do; middles count."""
    (one,) = looking("0.5 s", rate=rate).case.robot.sensors
    phases = sub_phases(one)
    interval_s = 1.0 / one.rate
    assert len(phases) == count
    assert np.diff(phases) == pytest.approx(interval_s / count)
    assert phases[0] == pytest.approx(0.5 * interval_s / count)
    assert phases.mean() == pytest.approx(0.5 * interval_s)


def test_mc_every_trial_reads_at_its_own_phase() -> None:
    """In 0.45 s at 10 Hz half of the phases bring five readings and half four: 4.5 on average."""
    result = run_trials(looking("0.45 s"), 2000, 1)
    readings = result.counts.sum()
    # The number is 4 or 5 with equal chances: its standard error over n trials is 1 / (2 sqrt(n)).
    assert readings / 2000 == pytest.approx(4.5, abs=4.0 * 0.5 / np.sqrt(2000.0))
    assert result.counts[0, 0, Outcome.ACCEPTED] == readings
    # And each trial's fixes are averaged as those of one trial, in whichever part of the batch it is.
    assert result.own.by_trial[0, 0] == 2000


def test_law_plan_sight_and_covariance_go_by_the_middle_phase() -> None:
    """The engine without trials, and the counts of what can be seen, take one phase: 56.25 ms, four times."""
    case = looking("0.45 s")
    readings = case.plan.timeline.readings
    first_s = case.plan.timeline.time_s[readings.knot[readings.nominal]]
    assert first_s == pytest.approx([0.05625, 0.15625, 0.25625, 0.35625])
    assert covariance(case).accepted.sum() == 4
    assert covariance(case).fixes.tolist() == [4]
    assert fix_opportunities(case.case, case.plan, case.sight).sum() == 4


@pytest.mark.parametrize("compensates", [False, True])
def test_law_one_phase_is_a_fixed_phase(compensates: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Cut into one part, the phase is half an interval in every run, bit for bit that of a fixed one."""
    monkeypatch.setattr(timeline, "_FEWEST", 1)
    monkeypatch.setattr(timeline, "_MOST", 1)
    more = {"latency": "30 ms"}
    drawn, fixed = (
        rich(
            [sensor("ahead", 0.0, **more, **phase), sensor("side", 90.0, **phase)],
            compensate_latency=compensates,
        )
        for phase in ({}, {"random_phase": False, "phase": "50 ms"})
    )
    a, b = run_trials(drawn, 200, 3), run_trials(fixed, 200, 3)
    assert (a.counts.sum(axis=(0, 1)) > 0).sum() >= 4
    assert_identical(a, b)


@pytest.mark.parametrize("batch", [1, 17])
def test_law_phases_do_not_depend_on_batches(batch: int) -> None:
    """Two sensors of random and one of fixed phase: the same in batches of any size."""
    case = rich(
        [
            sensor("ahead", 0.0),
            sensor("side", 90.0, latency="20 ms"),
            sensor("back", 180.0, random_phase=False),
        ]
    )
    count = 40
    whole, parts = run_trials(case, count, 2), run_trials(case, count, 2, batch=batch)
    assert_identical(whole, parts)
    for field in dataclasses.fields(whole.own):
        assert np.array_equal(getattr(whole.own, field.name), getattr(parts.own, field.name)), field.name
    assert whole.own.by_trial[:, 0].min() > 0


def slots_of(case: Prepared, count: int, seed: int) -> list[np.ndarray]:
    """Return the phase that each trial draws, sensor by sensor."""
    return [
        (
            Streams(seed, 0, count).uniforms(f"range_phase:{one.id}", "run", 0)[0] * len(sub_phases(one))
        ).astype(int)
        for one in case.case.robot.sensors
    ]


def test_law_each_trial_is_that_of_its_own_phase(monkeypatch: pytest.MonkeyPatch) -> None:
    """Trial by trial the outcome is, bit for bit, the one it has when all trials have its phase."""
    case = rich([sensor("ahead", 0.0, latency="20 ms")])
    drawn = run_trials(case, 60, 4)
    (slots,) = slots_of(case, 60, 4)
    assert set(slots) == set(range(8))
    uniforms = Streams.uniforms
    for slot in range(8):

        def one_phase(self: Any, source: str, *address: Any, slot: int = slot) -> Any:
            found = uniforms(self, source, *address)
            return (
                (np.full(len(found[0]), (slot + 0.5) / 8.0), found[1])
                if source == "range_phase:ahead"
                else found
            )

        monkeypatch.setattr(Streams, "uniforms", one_phase)
        together, mine = run_trials(case, 60, 4), slots == slot
        for a, b in zip(drawn.moments, together.moments, strict=True):
            assert np.array_equal(a.error[mine], b.error[mine])
            assert np.array_equal(a.estimation[mine], b.estimation[mine])
        assert np.array_equal(drawn.touch_step[mine], together.touch_step[mine])
        assert np.array_equal(drawn.lost[mine], together.lost[mine])


def test_law_phases_of_two_sensors_are_drawn_apart() -> None:
    """Two sensors of one rate draw their phases independently of each other."""
    first, second = slots_of(rich([sensor("ahead", 0.0), sensor("side", 90.0)]), 4000, 1)
    table = np.zeros((8, 8))
    np.add.at(table, (first, second), 1)
    # 64 cells of 62.5 on average: chi-square of 63 degrees of freedom, mean 63, sd 11.2.
    assert ((table - 62.5) ** 2 / 62.5).sum() < 63.0 + 4.0 * 11.2


def gap(random_phase: bool) -> TrialsResult:
    """Return trials that pass a gap between two benches through which alone the wall is seen."""
    benches = [
        {
            "id": name,
            "shape": {"rectangle": {"length": f"{length!r} m", "width": "100 mm"}},
            "at": {"x": f"{x!r} m", "y": "2 m"},
        }
        for name, x, length in (("left", 0.975, 1.85), ("right", 3.055, 2.21))
    ]
    phase = {} if random_phase else {"random_phase": False, "phase": "20 ms"}
    # One 50 mm wide gap, driven past at 1 m/s in half an interval of 100 ms.
    machine = robot(
        sensors=[sensor("side", 90.0, **phase)],
        correction={**LOOSE, "gate": {"sigmas": 3.0}},
    )
    field = field_map(x=(0.0, 4.2), y=(0.0, 3.0), structures=benches)
    return run_trials(
        prepared(
            [{"do": "drive", "to": ["3.0 m", "1 m"]}],
            machine,
            believed=field,
            start=(0.5, 1.0, 0.0),
            spread=("0 mm", "20 mm", "0 deg"),
        ),
        400,
        1,
    )


def test_mc_a_narrow_gap_is_seen_by_the_phases_that_fall_into_it() -> None:
    """With a fixed phase all trials see the wall through the gap or none; with a drawn one about half do."""
    drawn, fixed = gap(True), gap(False)
    share = drawn.counts[..., Outcome.ACCEPTED].sum() / 400
    assert fixed.counts[..., Outcome.ACCEPTED].sum() in (0, 400)
    # Four of eight phases, 12.5 ms apart, fall into 50 ms; five standard errors of a half over 400.
    assert share == pytest.approx(0.5, abs=5.0 * 0.5 / np.sqrt(400.0))
    y = drawn.moments[-1].estimation[:, 1]
    seen = np.abs(y) < 0.010
    assert 0.4 < seen.mean() < 0.9


@pytest.mark.parametrize("engine", ENGINES)
def test_law_a_fix_at_any_phase_takes_the_error_out(engine: str) -> None:
    """A start 100 mm off is put right by a look, whatever phase the readings have; without fixes it stays."""
    hall, moved = (field_map(x=(west, 4.0), y=(-2.0, 2.0)) for west in (0.0, 0.1))
    for enabled, left_m in ((True, 0.0), (False, 0.1)):
        machine = robot(
            sensors=[sensor("ahead", 0.0, errors={})],
            correction={"when": "always", "update": {"law": "replace"}, "enabled": enabled},
        )
        case = prepared(
            [{"do": "look", "time": "0.3 s"}],
            machine,
            believed=hall,
            true=moved,
            start=(1.0, 0.0, 0.0),
            placed_against=["west"],
        )
        # Three trials of seed 1: not all of one phase.
        assert len(set(slots_of(case, 3, 1)[0].tolist())) > 1
        assert known(case, engine)["end"].e == pytest.approx([left_m, 0.0, 0.0], abs=1e-9)


def test_law_a_phase_that_is_switched_off_is_the_middle_one() -> None:
    """With the source off every trial takes the four readings of the middle phase and no others."""
    result = run_trials(looking("0.45 s"), 200, 1, off=frozenset({"range_phase"}))
    assert result.counts.sum() == 4 * 200


def test_law_redrawn_phases_are_other_phases() -> None:
    """Redrawing the source deals other phases: the number of readings of half the trials changes."""
    case = looking("0.45 s")
    plain, again = (
        np.array([run_trials(case, 1, 1, first=t, redrawn=redrawn).counts.sum() for t in range(60)])
        for redrawn in (frozenset(), frozenset({"range_phase"}))
    )
    assert 15 <= np.count_nonzero(plain != again) <= 45
