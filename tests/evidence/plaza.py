"""A public log of a real robot, turned into the log format: odometry, ranges to beacons, satellite truth.

Source: J. Djugash, B. Hamner and S. Roth, "Navigating with Ranging Radios: Five Data Sets with Ground Truth",
Journal of Field Robotics 26(9) (2009): the run "Plaza 1" of a mowing robot, as the file Plaza1_.mat that the
package gtsam (BSD licence) carries. Only that file is read; the package itself is never imported.

    python tests/evidence/plaza.py FOLDER

writes odometry.csv, ranges.csv, reference.csv and beacons.csv.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from importlib import metadata
from pathlib import Path

import numpy as np

from driftgate.logs import Beacons, Log, RangeColumn, write_log

FILE = "Plaza1_.mat"
PACKAGE = "gtsam"
WHY_NOT = f"the package {PACKAGE}, whose data has {FILE}, is not installed (it is in the group 'evidence')"


def plaza_file() -> Path | None:
    """Return where the file is installed, or None."""
    try:
        files = metadata.files(PACKAGE) or []
    except metadata.PackageNotFoundError:
        return None
    return next((Path(str(f.locate())) for f in files if f.name == FILE), None)


def plaza_tables(path: Path) -> dict[str, np.ndarray]:
    """Return the file's tables.

    GT: time, x, y, heading of the truth. DR: time, distance and heading increment. DRp: time, x, y, heading
    of the dead-reckoned path. TD: time, antenna, beacon, range. TL: beacon, x, y. Seconds, metres, radians.
    """
    from scipy.io import loadmat

    return {name: table for name, table in loadmat(path).items() if not name.startswith("__")}


def plaza_log(tables: dict[str, np.ndarray]) -> tuple[Log, Beacons]:
    """Return the run and its beacons.

    What the file really holds: the heading increments of DR are copies of the truth's and prove nothing.
    The gyro survives in the direction of the steps of the dead-reckoned path, each of them the heading half
    way through its step; headings at the rows lie between. Distances are unsigned. Ranges are not in the
    order of time; their beacon is the third column.
    """
    truth, increments, path, ranges, places = (tables[k] for k in ("GT", "DR", "DRp", "TD", "TL"))
    time = truth[:, 0]
    step = np.diff(path[:, 1:3], axis=0)
    towards = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    heading = np.interp(time, 0.5 * (time[1:] + time[:-1]), towards)

    ranges = ranges[np.argsort(ranges[:, 0], kind="stable")]
    for k in np.flatnonzero((np.diff(ranges[:, 0]) == 0.0) & (np.diff(ranges[:, 2]) == 0.0)):
        ranges[k + 1, 0] += 1e-6  # two of one beacon at one time: a row holds one
    every = np.unique(np.concatenate([time, ranges[:, 0]]))
    row, at = np.searchsorted(every, time), np.searchsorted(every, ranges[:, 0])

    def spread(values: np.ndarray, rows: np.ndarray) -> np.ndarray:
        out = np.full((len(every), *values.shape[1:]), np.nan)
        out[rows] = values
        return out

    names = [str(int(beacon)) for beacon in places[:, 0]]
    columns = {}
    for name in names:
        mine = ranges[:, 2] == float(name)
        reading = spread(ranges[mine, 3], at[mine])
        columns[name] = RangeColumn(reading, np.isfinite(reading))
    forward = spread(np.concatenate([[0.0], increments[:, 1]]), row)
    reference = truth[:, 1:4].copy()
    reference[:, 2] = np.unwrap(reference[:, 2])
    has = np.isfinite(forward)
    log = Log(
        path="plaza1.csv", run="plaza 1", day=None, origin="measured", robot=None, routine=None, field=None,
        time_s=every - time[0], step=None, forward_m=np.nan_to_num(forward), sideways_m=np.zeros(len(every)),
        has_odometry=has, heading_rad=spread(heading, row), speed_mps=np.full(len(every), np.nan),
        believed=np.full((len(every), 3), np.nan), ranges=columns, reference=spread(reference, row),
        reference_by=tuple(np.where(has, "satellite", "").tolist()),
    )  # fmt: skip
    return log, Beacons(tuple(names), places[:, 1:3].copy())


def write_plaza(folder: Path, log: Log, beacons: Beacons) -> tuple[Path, Path, Path, Path]:
    """Write odometry, ranges, reference and beacons, each to a file of its own."""
    nothing, no_pose = np.full(len(log.time_s), np.nan), np.full((len(log.time_s), 3), np.nan)
    fired = np.any([column.fired for column in log.ranges.values()], axis=0)
    odometry = _rows(replace(log, ranges={}, reference=no_pose, reference_by=()), log.has_odometry)
    ranges = _rows(
        replace(
            log, has_odometry=np.zeros_like(fired), heading_rad=nothing, reference=no_pose, reference_by=()
        ),
        fired,
    )
    reference = _rows(
        replace(log, has_odometry=np.zeros_like(fired), heading_rad=nothing, ranges={}), log.has_odometry
    )
    files = []
    for name, part in (("odometry", odometry), ("ranges", ranges), ("reference", reference)):
        files.append(folder / f"{name}.csv")
        files[-1].write_text(write_log(part))
    lines = ["# driftgate beacons: 1", "beacon,x [m],y [m]"]
    lines += [f"{name},{x:.6f},{y:.6f}" for name, (x, y) in zip(beacons.name, beacons.position, strict=True)]
    files.append(folder / "beacons.csv")
    files[-1].write_text("\n".join(lines) + "\n")
    return files[0], files[1], files[2], files[3]


def _rows(log: Log, keep: np.ndarray) -> Log:
    """Return a log of some of its rows."""
    return replace(
        log,
        time_s=log.time_s[keep], forward_m=log.forward_m[keep], sideways_m=log.sideways_m[keep],
        has_odometry=log.has_odometry[keep], heading_rad=log.heading_rad[keep],
        speed_mps=log.speed_mps[keep], believed=log.believed[keep], reference=log.reference[keep],
        reference_by=tuple(np.array(log.reference_by)[keep].tolist()) if log.reference_by else (),
        ranges={name: RangeColumn(c.reading_m[keep], c.fired[keep]) for name, c in log.ranges.items()},
    )  # fmt: skip


if __name__ == "__main__":
    found = plaza_file()
    if found is None or len(sys.argv) != 2:
        sys.exit(WHY_NOT if found is None else __doc__)
    for written in write_plaza(Path(sys.argv[1]), *plaza_log(plaza_tables(found))):
        print(written)
