"""Hashes of the files that the robot's own code is given."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

from driftgate.load.project import LoadedRoutine
from driftgate.report.manifest_text import RobotFileFacts


def robot_files(routines: Iterable[LoadedRoutine], today: date | None) -> tuple[RobotFileFacts, ...]:
    return ()


def shared_robot_files() -> dict[str, str]:
    return {}
