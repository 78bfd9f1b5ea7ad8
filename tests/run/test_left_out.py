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
from driftgate.run.routine_logs import routine_runs


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
