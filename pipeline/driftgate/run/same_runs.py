"""One run under two names, and runs that a robot's numbers come from: neither is evidence of its own."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Final

import numpy as np

from driftgate.core.findings import Finding
from driftgate.core.many import named_of
from driftgate.core.pose import FloatArray, wrap_angles
from driftgate.load.project import find_root
from driftgate.load.text import TextError, is_inside, real_path
from driftgate.logs.values import Log
from driftgate.run.log_files import LOG_SUFFIX
from driftgate.run.read_run import read_run
from driftgate.run.same_rows import Rows, rows_of, same_run
from driftgate.run.status import InputError, counted
from driftgate.schema.fitted import Provenance
from driftgate.schema.robot import Robot

# Runs that are named one by one.
_MOST_NAMED: Final = 3
# So many poses after the first, in all of a run's, that have the time and place of another run's: nobody
# measures that twice. (Our choice; the first is where the robot is put down.)
_LEAST_POSES: Final = 3
# Equal to within what converting units and turning back whole turns leaves. [s, m, m, rad]
_EQUAL: Final = (1e-6, 1e-7, 1e-7, 1e-7)
WHOSE_POSES: Final = "one of them has the other's: give each run its own, or leave out the one without"


@dataclass(frozen=True, eq=False)
class ReadRun:
    """A run as it was read.

    Attributes
    ----------
    log : Log
        What it says.
    files : sequence of Path
        Where it stands.
    """

    log: Log
    files: Sequence[Path]

    @cached_property
    def rows(self) -> Rows:
        """What it is known again by, made once."""
        return rows_of(self.log)


def copies_among(runs: Iterable[ReadRun]) -> Iterator[tuple[int, int]]:
    """Yield every run that is the same as one before it: its number, and that of the earlier one."""
    seen: list[tuple[int, Rows]] = []
    for i, rows in enumerate(run.rows for run in runs):
        first = next((j for j, before in seen if same_run(before, rows)), None)
        if first is None:
            seen.append((i, rows))
        else:
            yield i, first


def shared_poses(runs: Sequence[ReadRun]) -> Iterator[tuple[int, int, int]]:
    """Yield every run that has the reference poses of one before it: its number, that one's, how many.

    Of measured runs alone: in simulated ones all may be driven along one path.
    """
    seen: list[tuple[int, FloatArray]] = []
    for i, log in enumerate(run.log for run in runs):
        rows = np.flatnonzero(np.isfinite(log.reference[:, :2]).all(axis=1))[1:]
        if log.origin != "measured" or len(rows) < _LEAST_POSES:
            continue
        poses = np.column_stack([log.time_s[rows], log.reference[rows]])
        first = next((j for j, before in seen if _equal_poses(before, poses)), None)
        if first is None:
            seen.append((i, poses))
        else:
            yield i, first, len(poses)


def _equal_poses(one: FloatArray, other: FloatArray) -> bool:
    if one.shape != other.shape:
        return False
    # Whole turns of a heading depend on what the gyro of each run says.
    off = one - other
    off[:, 3] = wrap_angles(off[:, 3])
    known = np.isnan(one) == np.isnan(other)
    return bool(known.all() and np.all(np.nan_to_num(np.abs(off)) <= np.array(_EQUAL)))


def refuse_copies(runs: Iterable[ReadRun]) -> None:
    """Refuse the same run under two names: it counts as one.

    Raises
    ------
    InputError
        If two logs have the same odometry, row by row, or one has a part of the other's; or if two runs have
        the same reference poses.
    """
    listed = list(runs)
    for again, first in copies_among(listed):
        raise InputError(
            f"{named(listed[first].files)} and {named(listed[again].files)} hold the same rows: one run "
            "under two names counts once; leave one out"
        )
    for again, first, count in shared_poses(listed):
        raise InputError(
            f"{named(listed[first].files)} and {named(listed[again].files)} are two runs with the same "
            f"{count} reference poses at the same times; {WHOSE_POSES}"
        )


def named(files: Sequence[Path]) -> str:
    """Return a run's files as somebody types them."""
    return "+".join(path.as_posix() for path in files)


def seen_before(judged: Sequence[ReadRun], fitted: Sequence[ReadRun]) -> list[Sequence[Path]]:
    """Return the runs judged that are among those fitted on: by a file of theirs, or by what it says."""
    paths = {_real(path) for run in fitted for path in run.files}
    return _among(judged, paths, [run.rows for run in fitted])


def _among(judged: Sequence[ReadRun], paths: set[Path], known: Sequence[Rows]) -> list[Sequence[Path]]:
    return [
        run.files
        for run in judged
        if any(_real(path) in paths for path in run.files)
        or any(same_run(before, run.rows) for before in known)
    ]


def behind_robot(judged: Sequence[ReadRun], robot: Robot, folders: Iterable[Path]) -> list[Sequence[Path]]:
    """Return the runs judged that a robot file's numbers were fitted on, as it says itself.

    Parameters
    ----------
    judged : sequence
        The runs.
    robot : Robot
        The robot: `fitted.files` of its sources.
    folders : iterable of Path
        Where those files may be looked for.
    """
    said = _provenance(robot)
    paths = {real for place in folders for name in said if is_inside(real := _real(place / name), place)}
    known = [rows for path in sorted(paths) if (rows := _rows_in(path)) is not None]
    return _among(judged, paths, known)


def _provenance(robot: Robot) -> list[str]:
    """Return the logs that a robot file names as where its numbers come from."""
    names: dict[str, None] = {}
    for holder in (robot.errors, *(sensor.errors for sensor in robot.sensors)):
        for name in type(holder).model_fields:
            fitted = getattr(getattr(holder, name), "fitted", None)
            if isinstance(fitted, Provenance):
                names |= dict.fromkeys(fitted.files)
    return list(names)


def repositories(robot: Path | None, judged: Sequence[ReadRun]) -> list[Path]:
    """Return the repositories of a robot file and of the runs: what provenance is written from."""
    files = [*([] if robot is None else [robot]), *(run.files[0] for run in judged)]
    folders = [find_root(path) for path in files]
    return list(dict.fromkeys(folders))


def _rows_in(path: Path) -> Rows | None:
    if path.suffix.lower() != LOG_SUFFIX or not _is_file(path):
        return None
    ignored: list[Finding] = []
    log = read_run([path], ignored)
    return None if log is None else rows_of(log)


def _is_file(path: Path) -> bool:
    try:
        return path.is_file()
    except OSError:
        return False


def _real(path: Path) -> Path:
    try:
        return real_path(path)
    except TextError:
        return path


def no_evidence(files: Sequence[Sequence[Path]], of: int, who: str) -> str:
    """Return the note on runs that were fitted on and are judged.

    Parameters
    ----------
    files : sequence
        The runs, each as its files; at least one.
    of : int
        How many are judged.
    who : str
        What was fitted on them, in words.
    """
    names = named_of([named(each) for each in files], _MOST_NAMED)
    which = "all runs judged" if len(files) == of else f"{len(files)} of the {counted(of, 'run')} judged"
    return (
        f"{which} ({names}) {who}: that is no independent evidence, and says nothing of a run that was "
        "not seen"
    )
