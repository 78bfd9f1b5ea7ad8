"""The C code in a robot's own loop, over what one trial of the model measured, does what the trial did.

Not to the last digit: the model grows its filter by the planned increments, the robot by the measured ones.
"""

from __future__ import annotations

import subprocess
from pathlib import Path

import numpy as np
import pytest
from compiled import files_of
from made_scenes import PAIR, correction, hall, sensors
from scenes import prepared as made_case
from scenes import robot, run, tick

from driftgate.core.pose import compose, inverse, log
from driftgate.export.as_c import literal
from driftgate.export.vector_values import Instant, Reading
from driftgate.load.project import load_project
from driftgate.plan.values import Law
from driftgate.predict.recorder import NOT_TRIED, Recorder
from driftgate.predict.trials_engine import run_recorded, trials_plan
from driftgate.predict.values import Outcome
from driftgate.run.cases import one_case
from driftgate.run.tasks import plan_one
from driftgate.sight.expect import belief_knots
from driftgate.sight.pairs import partners

ROOT = Path(__file__).resolve().parents[2]
TRIAL, SEED = 7, 1


class Watch(Recorder):
    """Keeps the beliefs at every knot, before and after what arrives there, and every reading."""

    def __init__(self, prepared):
        super().__init__(prepared, 1)
        start = np.zeros(3)
        self.before, self.after, self.readings = {0: start}, {0: start}, {}

    def moved(self, knot, p, clock_s):
        self.before[knot] = np.array([np.ravel(v)[0] for v in (p.bx, p.by, p.bh)])

    def corrected(self, knot, p):
        self.after[knot] = np.array([np.ravel(v)[0] for v in (p.bx, p.by, p.bh)])


def trial(prepared):
    """Run one trial and return what was watched, with the value of every reading that was looked at."""
    shared, watch = trials_plan(prepared), Watch(prepared)
    read = shared.corrector.read

    def listened(r, echo_of, *more):
        watch.readings[r] = float(echo_of().reading_m[0])
        read(r, echo_of, *more)

    shared.corrector.read = listened
    result = run_recorded(prepared, np.array([TRIAL], dtype=np.intp), SEED, watch, shared)
    return watch, result


def row(what, rows=(0, 0), measured=(0.0,) * 4, instant=None, readings=()):
    """Return one event as C."""
    instant = instant or Instant(0, 0.0, 0.0, 0.0, 0.0)
    both = [*readings, *[Reading(0, 0, False, 0.0)] * (2 - len(readings))]
    numbers = ", ".join(repr(float(v)) for v in measured)
    return (
        f"{{{what}, {{{rows[0]}, {rows[1]}}}, {{{numbers}}}, {literal(instant)}, "
        f"{{{literal(both[0])}, {literal(both[1])}}}}}"
    )


def events(prepared, watch):
    """Return what the robot would hear of in that trial, in its order."""
    timeline = prepared.plan.timeline
    readings, pair = timeline.readings, partners(prepared.case.robot, timeline.readings)
    seconds = {p.reading for p in pair.values()}
    compared = belief_knots(prepared.case, prepared.plan)
    contact = {s.index for s in prepared.plan.steps if s.law is Law.CONTACT}
    found, here = [], timeline.pose[0] + watch.after[0]
    for knot in range(len(timeline.time_s)):
        step = int(timeline.step[knot - 1]) if knot else 0
        span = timeline.first_tick[step : step + 2]
        if knot and (step not in contact or knot == span[0] + 1):
            # A contact moves the belief at once.
            to = int(span[1]) if step in contact else knot
            there = timeline.pose[to] + watch.before[to]
            since = float(
                timeline.time_s[to] - timeline.time_s[int(span[0]) if step in contact else knot - 1]
            )
            found.append(row(0, measured=(*log(compose(inverse(here), there)), since)))
            if step in contact:
                found.append(row(4, measured=(here[2], 0, 0, 0), instant=Instant(step, 0.0, 0.0, 0.0, 0.0)))
        found += [row(1, (r, 0)) for r in np.flatnonzero(readings.echo_knot == knot).tolist()]
        for r in np.flatnonzero(readings.knot == knot).tolist():
            if r in seconds:
                continue
            rows = (r, pair[r].reading) if r in pair else (r, 0)
            heard = []
            for q in rows if r in pair else rows[:1]:
                value = watch.readings.get(q, float("nan"))
                heard.append(
                    Reading(
                        int(readings.sensor[q]),
                        int(prepared.sight.surface[q]),
                        not np.isnan(value),
                        0.0 if np.isnan(value) else value,
                    )
                )
            rate = timeline.rate[knot]
            instant = Instant(
                int(readings.step[r]),
                float(timeline.time_s[compared[r]]),
                float(np.hypot(rate[0], rate[1])),
                float(rate[2]),
                float(timeline.pose[knot, 2]),
            )
            found.append(row(3 if r in pair else 2, rows, instant=instant, readings=heard))
        if step not in contact or knot == span[1]:
            here = timeline.pose[knot] + watch.after[knot]
    return found


def shipped(name):
    """Return a shipped case."""
    (loaded,) = load_project([ROOT / "routines" / name], ROOT).routines
    named = one_case(loaded)
    return plan_one((named.case, named.written)).prepared


def with_pairs():
    """Return the made-up hall with a robot that drifts, and a pair of sensors."""
    errors = {
        "distance_scale": run(spread="1 %"),
        "heading_bias": run(spread="0.3 deg/s"),
        "heading_walk": tick(per_root_metre="0.3 deg/sqrt(m)"),
    }
    noise = {"noise": {"at_zero": "4 mm", "constant_over": "reading", "basis": "guess"}}
    rule = correction(compensate_latency=True, **PAIR)
    return made_case(
        [
            {"do": "drive", "to": ["2.4 m", "1 m"]},
            {"do": "turn", "to": "90 deg"},
            {"do": "drive", "to": ["2.4 m", "1.4 m"], "speed": "0.5 m/s"},
        ],
        robot(errors, sensors(errors=noise), rule),
        believed=hall(),
        start=(0.6, 1.0, 0.0),
    )


CASES = {
    "corner-dash": lambda: shipped("corner-dash.yaml"),
    "square-up": lambda: shipped("square-up.yaml"),
    "aisle-steps": lambda: shipped("aisle-steps.yaml"),
    "with pairs": with_pairs,
}


@pytest.mark.parametrize("name", CASES)
def test_law_the_robot_does_what_the_trial_does(name, c_compiler, tmp_path):
    """Nearly every reading has the trial's outcome, some are fixes, and the belief ends within 0.3 mm."""
    prepared = CASES[name]()
    watch, result = trial(prepared)
    for file, text in files_of(prepared).files.items():
        (tmp_path / file).write_text(text)
    rows = ",\n".join(events(prepared, watch))
    count = len(prepared.plan.timeline.readings.knot)
    table = f"#define DRIVE_ROWS {count}\nstatic const drive_event drive_events[] = {{\n{rows}\n}};\n"
    (tmp_path / "events.h").write_text(table)
    (tmp_path / "drive.c").write_text((Path(__file__).parent / "drive.c").read_text())
    source = str(c_compiler.folder / "driftgate_correction.c")
    done = c_compiler.compile(
        f"-I{c_compiler.folder}", "drive.c", source, "-lm", "-o", "drive", folder=tmp_path
    )
    assert done.returncode == 0, done.stderr[:3000]
    out = subprocess.run([tmp_path / "drive"], capture_output=True, text=True, check=True).stdout.splitlines()
    mine = {int(r): int(outcome) for r, outcome in (line.split() for line in out[:-1])}
    theirs = watch.outcome[:, 0]
    tried = [r for r in mine if theirs[r] != NOT_TRIED]
    same = sum(mine[r] == theirs[r] for r in tried)
    assert same >= 0.99 * len(tried)
    assert sum(theirs[r] == Outcome.ACCEPTED for r in tried) >= 5
    end = [float(word) for word in out[-1].split()[1:]]
    last = len(prepared.plan.timeline.time_s) - 1
    believed = prepared.plan.timeline.pose[last] + watch.after[last]
    assert end[:2] == pytest.approx(believed[:2], abs=3e-4)
    assert end[2] == pytest.approx(believed[2], abs=5e-4)
    assert bool(end[6]) == bool(result.lost[0])
