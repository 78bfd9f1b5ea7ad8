"""What a backtest leaves out of logs, said in words: a lead reads what is absent as "all right"."""

from __future__ import annotations

from collections.abc import Sequence

from driftgate.load.text import shorten
from driftgate.load.wording import alike, listed
from driftgate.logs import Beacons, Log
from driftgate.run.routine_logs import NEAR_S, RoutineRun, by_routine, measured_at, step_row
from driftgate.run.status import counted


def unmeasured(runs: Sequence[RoutineRun]) -> list[str]:
    """Return a note for each checkpoint of a routine that no run has a measured pose for."""
    notes = []
    for group in by_routine(runs):
        prepared, routine = group[0].prepared, group[0].log.routine or ""
        for moment in prepared.moments:
            if any(measured_at(run, moment) is not None for run in group):
                continue
            planned = prepared.plan.steps[moment.step]
            step = planned.name or str(planned.index + 1)
            if any(step_row(run, moment.step) is not None for run in group):
                why = f"no log has a reference pose within {NEAR_S} s of the end of step '{step}'"
            else:
                why = f"no log tells, in a column 'step', when step '{step}' ended"
            notes.append(f"checkpoint '{moment.name}' of {routine} is not judged: {why}")
    return notes


def unused_ranges(logs: Sequence[Log], beacons: Beacons | None, runs: Sequence[RoutineRun]) -> list[str]:
    """Return a note on ranges that neither a beacon nor a sensor of the robot of a routine goes by.

    Parameters
    ----------
    logs : sequence of Log
        All logs, fitted or judged.
    beacons : Beacons, optional
        The list given.
    runs : sequence of RoutineRun
        The runs that name a routine.
    """
    sensors = {id(run.log): {sensor.id for sensor in run.prepared.case.robot.sensors} for run in runs}
    listed_names = () if beacons is None else tuple(beacons.name)
    seen: dict[str, int] = {}
    for log in logs:
        for name in log.ranges:
            if name not in listed_names and name not in sensors.get(id(log), ()):
                seen[name] = seen.get(name, 0) + 1
    if not seen:
        return []
    shown = listed([f"'range {shorten(name, 40)}'" for name in seen])
    if beacons is None:
        if sensors:
            return []
        return [f"ranges are not used ({shown}): no log names a routine, and no list of beacons was given"]
    absent = [name for name in listed_names if not any(name in log.ranges for log in logs)]
    meant = [(name, close) for name in seen if (close := alike(name, absent))]
    asked = "".join(f"; is '{shorten(a, 40)}' the list's '{b}'?" for a, b in meant)
    missing = f"; the list's {listed(absent)} has no column" if absent and not meant else ""
    logs_word = counted(max(seen.values()), "log")
    return [f"ranges of no beacon listed are not used: {shown}, in {logs_word}{asked}{missing}"]
