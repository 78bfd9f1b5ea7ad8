"""What is doubted in logs, and left out of what is fitted on them: a warning says so, and why."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from driftgate.logs.values import Log, RangeColumn


@dataclass
class Doubted:
    """What is left out of some logs, by their paths; to begin with, nothing.

    Attributes
    ----------
    poses : dict of str to set of int
        Rows of reference poses.
    silent : dict of (str, str) to set of int
        Rows in which a sensor, which is the second of the key, was silent.
    fields : set of str
        Logs that were hardly driven on the field that they name.
    """

    poses: dict[str, set[int]] = field(default_factory=dict)
    silent: dict[tuple[str, str], set[int]] = field(default_factory=dict)
    fields: set[str] = field(default_factory=set)

    def without(self, log: Log) -> Log:
        """Return a log without the poses and the silences that are doubted."""
        ranges = {
            name: _unfired(column, self.silent.get((log.path, name), set()))
            for name, column in log.ranges.items()
        }
        rows = sorted(self.poses.get(log.path, ()))
        reference = log.reference.copy()
        reference[rows] = np.nan
        by = np.array(log.reference_by, dtype=object)
        by[rows] = ""
        return replace(log, ranges=ranges, reference=reference, reference_by=tuple(by))

    @property
    def logs(self) -> set[str]:
        """Logs that `without` takes something out of."""
        return {*self.poses, *(path for path, _ in self.silent)}

    @property
    def count(self) -> int:
        """How many poses are left out."""
        return sum(map(len, self.poses.values()))


def _unfired(column: RangeColumn, rows: set[int]) -> RangeColumn:
    if not rows:
        return column
    fired = column.fired.copy()
    fired[sorted(rows)] = False
    fix = column.fix
    if fix is not None:
        fix = tuple("" if row in rows else word for row, word in enumerate(fix))
    return RangeColumn(column.reading_m, fired, fix)
