"""What a backtest leaves out is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from small_project import write_project

from driftgate.calibrate.tracks import track_of
from driftgate.cli import main
from driftgate.logs import Beacons, read_log
from driftgate.run.left_out import unmeasured, unused_ranges
from driftgate.run.routine_logs import routine_runs, step_row


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """Return a run of the small routine, simulated, and its routine."""
    folder = write_project(tmp_path_factory.mktemp("left_out"))
    assert main.run(["sample-logs", str(folder / "routines/out.yaml"), "--out", str(folder / "made")]) == 0
    path = sorted((folder / "made").glob("*.csv"))[0]
    log = read_log([path], [], folder)
    (found,) = routine_runs([(log, track_of(log))], [[folder]], None, [])
    return found


def test_law_a_checkpoint_that_nobody_measured_is_named(run):
    """The end is measured by tape, a pose driven through is not; without steps nothing has an end."""
    (note,) = unmeasured([run])
    assert note == (
        "checkpoint 'half-way' of routines/out.yaml is not judged: "
        "no log has a reference pose within 0.1 s of the end of step 'half-way'"
    )
    blank = replace(run, log=replace(run.log, reference=np.full_like(run.log.reference, np.nan)))
    assert len(unmeasured([blank])) == 2
    assert unmeasured([run, blank]) == [note]
    foreign = replace(run, log=replace(run.log, step=tuple("?" for _ in run.log.step)))
    notes = unmeasured([foreign])
    assert "no log tells, in a column 'step', when step 'half-way' ended" in notes[0]
    assert len(notes) == 2


def test_law_rows_without_a_step_hide_no_checkpoint(run):
    """A pose before the first row that names a step, and blank cells in the middle of one, change no end."""
    steps, count = run.log.step, len(run.prepared.plan.steps)
    ends = [step_row(run, step) for step in range(count)]
    assert ends[-1] == len(steps) - 1
    inside = next(k for k in range(3, len(steps) - 1) if steps[k - 1] == steps[k] == steps[k + 1])
    blank = tuple("" if k in (0, inside) else label for k, label in enumerate(steps))
    parted = replace(run, log=replace(run.log, step=blank))
    assert [step_row(parted, step) for step in range(count)] == ends
    assert unmeasured([parted]) == unmeasured([run])


def test_law_poses_in_a_file_of_their_own_reach_the_checkpoint(run, tmp_path):
    """The same rows joined from two files, the first pose taken before the robot's own first row."""
    log = run.log
    head = "# driftgate log: 1\n# origin: simulated\n# run: split\n"
    rows = zip(log.time_s, log.step, log.forward_m, log.heading_rad, strict=True)
    drive = [f"{t + 0.5:.6f},{step},{ahead:.9f},{turned:.9f}" for t, step, ahead, turned in rows]
    (tmp_path / "drive.csv").write_text(
        head + "time [s],step,forward [m],heading [rad]\n" + "\n".join(drive) + "\n"
    )
    known = np.flatnonzero(np.isfinite(log.reference[:, :2]).all(axis=1))
    poses = [f"0.0,{log.reference[0, 0]},{log.reference[0, 1]},tape"]
    poses += [
        f"{log.time_s[k] + 0.5:.6f},{log.reference[k, 0]},{log.reference[k, 1]},tape" for k in known[1:]
    ]
    title = "time [s],reference x [m],reference y [m],reference by\n"
    (tmp_path / "poses.csv").write_text(head + title + "\n".join(poses) + "\n")
    findings: list = []
    joined = read_log([tmp_path / "drive.csv", tmp_path / "poses.csv"], findings, tmp_path)
    assert joined is not None, findings
    assert joined.step[0] == ""
    split = replace(run, log=replace(joined, routine=log.routine))
    assert unmeasured([split]) == unmeasured([run])
    last = len(run.prepared.plan.steps) - 1
    assert split.log.time_s[step_row(split, last)] == pytest.approx(log.time_s[step_row(run, last)] + 0.5)


def test_law_ranges_that_go_by_nothing_are_named(run):
    """A sensor of the routine's robot is used; ranges of no beacon listed, or of nothing at all, are not."""
    names = list(run.log.ranges)
    assert names
    listed = Beacons(name=tuple(names), position=np.zeros((len(names), 2)))
    assert unused_ranges([run.log], None, [run]) == []
    assert unused_ranges([run.log], listed, []) == []
    (note,) = unused_ranges([run.log], None, [])
    assert f"'range {names[0]}'" in note
    other = replace(listed, name=(f"{names[0]}x", *names[1:]))
    (note,) = unused_ranges([run.log], other, [])
    assert f"'range {names[0]}', in 1 log; is '{names[0]}' the list's '{names[0]}x'?" in note
