"""Robot files fitted from a few simulated runs of the calibration drive, and further runs to hold them to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import yaml
from closing import REFERENCE, calibration_case

from driftgate.calibrate.chain import LoggedRun, logged_run
from driftgate.calibrate.drift_fit import fit_drift
from driftgate.calibrate.file_constants import FileConstants, hold_constants
from driftgate.calibrate.robot_model import robot_model
from driftgate.calibrate.tracks import track_of
from driftgate.logs import Log
from driftgate.predict import Prepared
from driftgate.predict.doubt import freedoms
from driftgate.predict.logged import sample_runs
from driftgate.report.robot_section import Origin, robot_section
from driftgate.schema.drift import ErrorSources
from driftgate.schema.robot import Robot


def logs_of(seed: int, runs: int, case: Prepared | None = None) -> list[Log]:
    """Return the logs of runs of one robot; with as many of a seed the first ones are the same."""
    return [run.log for run in sample_runs(case or calibration_case(), runs, seed, REFERENCE)]


def ready(logs: Sequence[Log]) -> list[LoggedRun]:
    """Return runs ready to be fitted or held against a file."""
    return [logged_run(track_of(log), log.reference_spread) for log in logs]


def written_file(logs: Sequence[Log]) -> Robot:
    """Return the robot with the error sources that `calibrate` writes from runs, read back from text."""
    robot = calibration_case().case.robot
    found = fit_drift(ready(logs), robot.errors, 0.95, slips=False)
    section = yaml.safe_load("\n".join(robot_section(found.sources, Origin(), 0.95)))
    kept = {
        name: getattr(robot.errors, name)
        for name in ErrorSources.model_fields
        if name not in section["errors"]
    }
    return robot.model_copy(
        update={"errors": ErrorSources.model_validate(section["errors"]).model_copy(update=kept)}
    )


def held(robot: Robot, runs: Sequence[LoggedRun]) -> FileConstants:
    """Return what runs show of the constants of a file, as a backtest holds them."""
    freedom = freedoms(robot)
    found = hold_constants(runs, robot_model(robot), freedom)
    assert found is not None
    return found


def case_with(**changed: dict[str, float]) -> Prepared:
    """Return the calibration drive of a robot some of whose error sources have other numbers."""
    from driftgate.predict import prepare

    case = calibration_case().case
    errors = case.robot.errors
    sources = {name: getattr(errors, name).model_copy(update=values) for name, values in changed.items()}
    robot = case.robot.model_copy(update={"errors": errors.model_copy(update=sources)})
    return prepare(replace(case, robot=robot))
