"""Logged runs: read with every fault at its place, as plain arrays, and written."""

from __future__ import annotations

from driftgate.logs.read import read_any, read_beacons, read_log
from driftgate.logs.values import Beacons, Log, RangeColumn
from driftgate.logs.write import write_log

__all__ = ["Beacons", "Log", "RangeColumn", "read_any", "read_beacons", "read_log", "write_log"]
