"""Simulated logs say what happened in the trials, and a log alone rebuilds the belief."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from driftgate.core.findings import Finding
from driftgate.core.pose import compose, exp, inverse
from driftgate.load import load_routine
from driftgate.logs import Log, read_log, write_log
from driftgate.plan.values import Law
from driftgate.predict import run_trials
from driftgate.predict.doubt import factor_key
from driftgate.predict.logged import FIX_WORDS, Jitter, OneRobot, Reference, SampledRun, sample_runs
from driftgate.predict.prepared import Prepared
from driftgate.predict.sources import source_table
from driftgate.predict.story import replay
from driftgate.predict.streams import Streams
from driftgate.predict.values import Outcome
from driftgate.run.cases import one_case
from driftgate.run.tasks import plan_one

ROOT = Path(__file__).resolve().parents[2]
SPREAD = (0.002, 0.003, math.radians(0.4))
CAMERA = Reference("camera", SPREAD, 50.0)
RUNS = 4
SEED = 3
# A wheel without a sideways one misses the part of a controller's turn that comes a fraction of a tick
# early: half a tick's turn of a fraction of a tick's way, some 0.1 um a tick.
MISSED_M = 1e-4


@pytest.fixture(scope="module", params=["corner-dash", "square-up", "aisle-steps"])
def prepared(request: pytest.FixtureRequest) -> Prepared:
    """Give a differential robot, one that resets at walls, and one that drives sideways."""
    return _prepared(request.param)


def _prepared(name: str) -> Prepared:
    case = one_case(load_routine(ROOT / "routines" / f"{name}.yaml"))
    found = plan_one((case.case, case.written)).prepared
    assert found is not None
    return found


@pytest.fixture(scope="module")
def runs(prepared: Prepared) -> tuple[SampledRun, ...]:
    """Give the same trials as a prediction has, as logs."""
    return sample_runs(prepared, RUNS, SEED, CAMERA, one_robot=False)


@pytest.fixture(scope="module")
def dash() -> Prepared:
    """Give one case alone."""
    return _prepared("corner-dash")


def _reread(log: Log, folder: Path) -> Log:
    findings: list[Finding] = []
    file = folder / "run.csv"
    file.write_text(write_log(log), encoding="utf-8")
    back = read_log([file], findings, folder)
    assert findings == []
    assert back is not None
    return back


def test_law_odometry_and_fixes_rebuild_the_belief(
    runs: tuple[SampledRun, ...], prepared: Prepared, tmp_path: Path
):
    """Integrating the logged increments and adding what the fixes moved gives the logged belief."""
    for run in runs:
        log = _reread(run.log, tmp_path)
        belief = log.believed[0].copy()
        for k in range(1, len(log.time_s)):
            turn = log.heading_rad[k] - log.heading_rad[k - 1]
            belief = compose(belief, exp(np.array([log.forward_m[k], log.sideways_m[k], turn])))
            belief = belief + run.fixes[k]
            off = belief - log.believed[k]
            # Rounding to a micrometre and a millionth of a degree walks to some 20 um over a run.
            assert np.hypot(*off[:2]) < MISSED_M
            assert abs(off[2]) < 1e-7


def test_law_only_fixes_and_resets_move_the_belief(runs: tuple[SampledRun, ...], prepared: Prepared):
    """Where no reading was used and no wall squared up to, the belief is the odometry's."""
    resets = {s.name or str(s.index + 1) for s in prepared.plan.steps if s.law is Law.CONTACT}
    for run in runs:
        used = np.zeros(len(run.log.time_s), dtype=bool)
        for column in run.log.ranges.values():
            assert column.fix is not None
            used |= np.array([word == "used" for word in column.fix])
        moved = np.abs(run.fixes).max(axis=1) > 0.0
        assert used.any()
        assert run.log.step is not None
        assert all(used[k] or run.log.step[k] in resets for k in np.flatnonzero(moved))
        # A fix that moves nothing at all is a coincidence.
        assert np.count_nonzero(moved & used) >= 0.99 * np.count_nonzero(used)


def test_law_recorded_runs_are_the_trials(runs: tuple[SampledRun, ...], prepared: Prepared):
    """Readings, and where the robot ends, are those of the same trials of a prediction."""
    trials = run_trials(prepared, RUNS, SEED)
    by_sensor = trials.counts.sum(axis=1)
    for s, sensor in enumerate(prepared.case.robot.sensors):
        words = [w for run in runs for w in run.log.ranges[sensor.id].fix or () if w]
        for outcome, word in FIX_WORDS.items():
            assert words.count(word) == by_sensor[s, outcome], (sensor.id, outcome)
    end = prepared.plan.timeline.pose[-1]
    final = trials.moments[-1]
    assert prepared.moments[-1].name == "end"
    for i, run in enumerate(runs):
        belief = run.log.believed[-1]
        assert compose(inverse(end), belief) == pytest.approx(final.tracking[i], abs=1e-12)
        assert compose(inverse(belief), run.truth[-1]) == pytest.approx(final.estimation[i], abs=1e-12)
        assert run.log.time_s[-1] == pytest.approx(final.clock_s[i], abs=0.05)


def test_law_steps_end_where_the_trials_do(runs: tuple[SampledRun, ...], prepared: Prepared):
    """The last row of each step is where a trial told again has it, settling included."""
    again = replay(prepared, np.arange(RUNS), SEED).record
    names = [s.name or str(s.index + 1) for s in prepared.plan.steps]
    assert len(set(names)) == len(names)
    for step, name in zip(prepared.plan.steps, names, strict=True):
        for i, run in enumerate(runs):
            rows = [k for k, said in enumerate(run.log.step or ()) if said == name]
            if not rows:
                assert step.begin_s == step.end_s
                continue
            end = np.array(step.end_pose)
            assert run.truth[rows[-1]] == pytest.approx(end + again.truth[step.index, :, i], abs=1e-9)
            belief = run.log.believed[rows[-1]]
            assert belief == pytest.approx(end + again.belief[step.index, :, i], abs=1e-9)


def test_law_what_came_back_is_logged(runs: tuple[SampledRun, ...]):
    """A used reading has a number, one without an echo has none, and none lies beyond the field."""
    for run in runs:
        for column in run.log.ranges.values():
            assert column.fix is not None
            for k in np.flatnonzero(column.fired):
                known = not np.isnan(column.reading_m[k])
                if column.fix[k] in ("used", "gate"):
                    assert known
                if column.fix[k] == FIX_WORDS[Outcome.NO_ECHO]:
                    assert not known
            assert np.nanmax(column.reading_m) < math.hypot(4.2, 3.0) + 0.5
            assert column.fired.sum() > 10


def test_law_readings_of_random_phase_are_each_runs_own(dash: Prepared):
    """Where each run has its own phase of a sensor, a run alone has the readings that it has among others."""
    robot = dash.case.robot
    sensors = [s.model_copy(update={"random_phase": True}) for s in robot.sensors]
    case = replace(dash.case, robot=robot.model_copy(update={"sensors": sensors}))
    prepared = plan_one((case, case.routine)).prepared
    assert prepared is not None
    runs = sample_runs(prepared, RUNS, SEED, CAMERA, one_robot=False)
    (alone,) = sample_runs(prepared, 1, SEED, CAMERA, one_robot=False)
    assert write_log(alone.log) == write_log(runs[0].log)
    for run in runs:
        for column in run.log.ranges.values():
            assert column.fix is not None
            known = ~np.isnan(column.reading_m)
            assert all(known[k] for k, word in enumerate(column.fix) if word in ("used", "gate"))
            assert column.fired.sum() > 40
    first = [tuple(np.flatnonzero(run.log.ranges["front"].fired)) for run in runs]
    assert len(set(first)) > 1


def test_law_readings_fit_the_true_place():
    """Ahead of a robot with perfect sensors in an empty hall a used reading is the distance to its wall."""
    prepared = _prepared("corner-dash")
    (run,) = sample_runs(prepared, 1, 5, CAMERA)
    front = next(s for s in prepared.case.robot.sensors if s.id == "front")
    column = run.log.ranges["front"]
    assert column.fix is not None
    off = []
    for k in np.flatnonzero([word == "used" for word in column.fix]):
        x, _, heading = run.truth[k]
        if abs(math.remainder(heading, math.tau)) < 0.1:
            nose = x + front.mount.x * math.cos(heading) - front.mount.y * math.sin(heading)
            off.append(column.reading_m[k] - (4.2 - nose) / math.cos(heading))
    assert len(off) > 5
    # Noise of a reading, the wall's offset, and bias together: a few millimetres to a centimetre.
    assert abs(float(np.median(off))) < 0.02


def test_law_one_robot_drives_all_runs(dash: Prepared):
    """What is constant over robot or field is one number in all runs, what is constant over a run is not."""
    same = sample_runs(dash, 5, 1, CAMERA)
    other = sample_runs(dash, 5, 1, CAMERA, one_robot=False)
    over = set()
    for constant in source_table(dash.case).constants:
        if constant.spread == 0.0:
            continue
        over.add(constant.constant_over)
        shared = len({run.drawn[constant.key] for run in same}) == 1
        assert shared == (constant.constant_over != "run"), constant.key
        assert len({run.drawn[constant.key] for run in other}) == 5
        assert same[0].drawn[constant.key] == other[0].drawn[constant.key]
    assert over == {"run", "robot", "field"}


def test_law_a_run_does_not_depend_on_how_many(dash: Prepared):
    """The first runs of many are the same as those of few, digit by digit; another seed is another run."""
    few, many = sample_runs(dash, 2, 7, CAMERA), sample_runs(dash, 5, 7, CAMERA)
    other = sample_runs(dash, 1, 8, CAMERA)
    for a, b in zip(few, many, strict=False):
        assert write_log(a.log) == write_log(b.log)
    assert write_log(few[0].log) != write_log(other[0].log)


def test_mc_reference_has_its_noise(dash: Prepared):
    """A camera's measurements scatter about the truth as stated, and come at its rate."""
    runs = sample_runs(dash, 4, 1, CAMERA)
    off = np.concatenate([run.log.reference - run.truth for run in runs])
    off = off[~np.isnan(off[:, 0])]
    n = len(off)
    assert n > 400
    for axis, spread in enumerate(SPREAD):
        # Five standard errors of a mean and of a standard deviation.
        assert abs(off[:, axis].mean()) < 5.0 * spread / math.sqrt(n)
        assert off[:, axis].std() == pytest.approx(spread, rel=5.0 / math.sqrt(2 * n))
    for run in runs:
        seen = run.log.time_s[[by == "camera" for by in run.log.reference_by]]
        assert len(seen) == pytest.approx(50.0 * run.log.time_s[-1], abs=2)
        assert run.log.reference_spread == SPREAD


def test_law_tape_at_start_stops_and_end():
    """A tape is laid out where the robot stands: at the start, after each standing step, at the end."""
    prepared = _prepared("three-bench-run")
    (run,) = sample_runs(prepared, 1, 1, Reference("tape", SPREAD))
    rows = [k for k, by in enumerate(run.log.reference_by) if by == "tape"]
    stands = [s for s in prepared.plan.steps if s.law is Law.STAND and s.begin_s < s.end_s]
    assert len(stands) == 3
    assert len(rows) == 1 + len(stands) + 1
    assert rows[0] == 0
    assert rows[-1] == len(run.log.time_s) - 1
    for k in rows[1:-1]:
        assert run.log.believed[k, :2] == pytest.approx(run.log.believed[k - 1, :2], abs=0.02)
        assert abs(run.log.forward_m[k]) < 1e-12


def test_mc_jitter_does_not_add_up(dash: Prepared):
    """Summed up, the jitter of the increments is white noise of its size, late as early."""
    jitter = Jitter(0.0005, math.radians(0.05))
    plain, noisy = (sample_runs(dash, 8, 1, CAMERA, j) for j in (None, jitter))
    way = np.array([np.cumsum(b.log.forward_m - a.log.forward_m) for a, b in zip(plain, noisy, strict=True)])
    turn = np.array([b.log.heading_rad - a.log.heading_rad for a, b in zip(plain, noisy, strict=True)])
    for found, size in ((way, jitter.distance_m), (turn, jitter.heading_rad)):
        half = found.shape[1] // 2
        for part in (found[:, 1:half], found[:, half:]):
            assert part.std() == pytest.approx(size, rel=5.0 / math.sqrt(2 * part.size))
        beside = np.mean(found[:, 1:-1] * found[:, 2:]) / size**2
        assert abs(beside) < 5.0 / math.sqrt(found.size)
    for a, b in zip(plain, noisy, strict=True):
        assert np.array_equal(a.truth, b.truth)
        assert np.array_equal(a.log.believed, b.log.believed)


def test_law_what_is_known_too_poorly_is_one_robots_own():
    """All runs of one robot have one factor on a spread, and each its own of what is not."""
    luck = OneRobot(Streams(3, 0, 5), ())
    for index in (0, 1):
        of_robot = luck.uniforms(factor_key("distance_walk"), "run", index)
        assert all(np.ptp(drawn) == 0.0 for drawn in of_robot)
        assert of_robot[0][0] != of_robot[1][0]
    assert np.ptp(luck.uniforms("rare_slip", "leg#1", 0)[0]) > 0.0
