"""Whether logs of one routine begin where it begins: poses counted from elsewhere are in other axes.

What is fitted on differences between poses does not notice where they are counted from; range sensors and
checkpoints do. Whoever counts from where the robot is put down has 0, 0 there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import numpy as np

from driftgate.core.findings import Finding
from driftgate.load.project import LoadedRoutine, find_root, load_project
from driftgate.logs.values import Log
from driftgate.run.named_files import named_file
from driftgate.run.status import counted
from driftgate.schema.fieldmap import FieldMap

# A start so far off that of the routine, or turned by so much, is another one: twenty times as far as a robot
# is misplaced by hand (some millimetres, half a degree; common practice, no source). [m, rad]
_OFF_M: Final = 0.1
_OFF_RAD: Final = math.radians(10.0)
# Counted from where the robot was put down, its first pose is nought but for the measurement. [m]
_ORIGIN_M: Final = 0.03
# A pose says where the run began if the robot has rolled no further, and turned by no more. [m, rad]
_YET_M: Final = 0.02
_YET_RAD: Final = math.radians(3.0)

Kind = Literal["reference", "believed"]
Pose = tuple[float, float, float]


@dataclass(frozen=True)
class _First:
    """The first pose of a log, heading perhaps nan, and its row."""

    log: Log
    kind: Kind
    pose: Pose

    def off(self, start: Pose) -> bool:
        x, y, heading = (a - b for a, b in zip(self.pose, start, strict=True))
        turned = 0.0 if math.isnan(heading) else abs(math.remainder(heading, math.tau))
        return math.hypot(x, y) > _OFF_M or turned > _OFF_RAD

    @property
    def nought(self) -> bool:
        return math.hypot(self.pose[0], self.pose[1]) < _ORIGIN_M


def check_origins(
    runs: Sequence[tuple[Log, Sequence[Path]]], findings: list[Finding]
) -> tuple[dict[str, FieldMap], set[str]]:
    """Add DG622 for logs whose first pose, measured or believed, is not where their routine begins.

    Said of one that begins at 0, 0, if the routine does not, and of one that begins elsewhere, if another log
    of the routine begins where it should. (Where all are driven elsewhere, that may be meant.)

    Parameters
    ----------
    runs : sequence
        Logs, each with the repositories in which the routine that it names may lie.
    findings : list of Finding
        To which one is added for each such log.

    Returns
    -------
    dict of str to FieldMap, set of str
        The field maps that the routines name, by file; and the paths of the logs that begin elsewhere.
    """
    read: dict[Path, LoadedRoutine | None] = {}
    starts: dict[str, Pose] = {}
    of_routine: dict[str, list[Log]] = {}
    for log, roots in runs:
        path = named_file(log.routine, roots)
        if path is not None and path not in read:
            read[path] = next(iter(load_project([path], find_root(path)).routines), None)
        routine = None if path is None else read[path]
        if routine is not None and log.routine is not None:
            pose = routine.document.routine.start.pose
            starts[log.routine] = (pose.x, pose.y, pose.heading)
            of_routine.setdefault(log.routine, []).append(log)
    said: set[str] = set()
    kinds: tuple[Kind, ...] = ("reference", "believed")
    for kind in kinds:
        for name, logs in of_routine.items():
            firsts = [
                first for log in logs if log.path not in said and (first := _first(log, kind)) is not None
            ]
            odd = [first for first in firsts if first.off(starts[name])]
            right = len(firsts) - len(odd)
            moved = math.hypot(*starts[name][:2]) > _OFF_M
            for first in odd:
                if (first.nought and moved) or right:
                    said.add(first.log.path)
                    findings.append(_warning(first, starts[name], right))
    sound = [routine for routine in read.values() if routine is not None]
    return {one.path: one.field_map for each in sound for one in (each.field, *each.variants)}, said


def _first(log: Log, kind: Kind) -> _First | None:
    """Return the first pose of a log, if the robot has hardly moved by then."""
    poses = log.reference if kind == "reference" else log.believed
    known = np.flatnonzero(np.isfinite(poses[:, :2]).all(axis=1))
    if not len(known):
        return None
    row = int(known[0])
    rolled = float(np.hypot(log.forward_m[: row + 1], log.sideways_m[: row + 1]).sum())
    heading = log.heading_rad[: row + 1]
    heading = heading[~np.isnan(heading)]
    turned = float(np.ptp(heading)) if len(heading) else 0.0
    if rolled > _YET_M or turned > _YET_RAD:
        return None
    x, y, th = poses[row].tolist()
    return _First(log, kind, (x, y, th))


def _warning(first: _First, start: Pose, right: int) -> Finding:
    log, kind = first.log, first.kind
    at = log.place(f"{kind} x")
    words = f"the first {kind} pose is {_shown(first.pose)}, and {log.routine} begins at {_shown(start)}"
    if right:
        words += f", as {counted(right, 'other log')} of it {'do' if right > 1 else 'does'}"
    advice = "poses are in the axes of the field map"
    if first.nought:
        advice += (
            ", not counted from where the robot is put down: turn by its heading there and add that place"
        )
    else:
        advice += ": other axes, another unit, or a log of another routine?"
    return Finding(at.path, at.line, at.column, "DG622", words, "warning", advice, at.excerpt)


def _shown(pose: Pose) -> str:
    x, y, heading = pose
    turned = "" if math.isnan(heading) else f", {math.degrees(heading):.0f} deg"
    return f"({x:.2f} m, {y:.2f} m{turned})".replace("-0.00", "0.00").replace("-0 deg", "0 deg")
