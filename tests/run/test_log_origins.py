"""Logs that begin elsewhere than their routine, or were not driven on the field they name. All simulated."""

from __future__ import annotations

import math
import re
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from driftgate.calibrate.field_checks import check_field
from driftgate.calibrate.range_data import sighted
from driftgate.cli import main
from driftgate.core.findings import Finding
from driftgate.core.rules import RULES
from driftgate.load.single import load_single
from driftgate.logs import Log, read_log, write_log
from driftgate.run.log_origins import check_origins
from driftgate.run.validate import validate_files
from driftgate.world.build import build_world

ROOT = Path(__file__).resolve().parents[2]
MADE = ("corner-dash", "aisle-steps", "three-bench-run")


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a repository with three runs each of three routines."""
    folder = tmp_path_factory.mktemp("origins")
    for name in ("routines", "fieldmaps"):
        shutil.copytree(ROOT / name, folder / name)
    (folder / "pyproject.toml").touch()
    for name in MADE:
        words = ["sample-logs", str(folder / f"routines/{name}.yaml"), "--runs", "3", "--other-robots"]
        assert main.run([*words, "--out", str(folder / "runs" / name)]) == 0
    return folder


def logs_of(repository: Path, name: str = "corner-dash") -> list[Log]:
    """Return the runs of a routine."""
    files = sorted((repository / "runs" / name).glob("*.csv"))
    read = [read_log([file], [], repository) for file in files]
    logs = [log for log in read if log is not None]
    assert len(logs) == 3
    return logs


def said(repository: Path, logs: Sequence[Log]) -> list[Finding]:
    """Return what is said of where logs begin."""
    found: list[Finding] = []
    check_origins([(log, [repository]) for log in logs], found)
    assert {finding.code for finding in found} <= {"DG622"} <= set(RULES)
    assert all(finding.level == "warning" for finding in found)
    return found


def moved(log: Log, x: float, y: float, turn: float = 0.0, kinds: Sequence[str] = ("reference", "believed")):
    """Return a log whose poses are in axes moved by so much, and then turned by so much."""

    def in_axes(poses: np.ndarray) -> np.ndarray:
        dx, dy = poses[:, 0] - x, poses[:, 1] - y
        c, s = math.cos(turn), math.sin(turn)
        return np.stack([c * dx + s * dy, c * dy - s * dx, poses[:, 2] - turn], axis=1)

    return replace(log, **{kind: in_axes(getattr(log, kind)) for kind in kinds})


def from_start(log: Log) -> Log:
    """Return a log whose poses are counted from where the robot was put down: (0.17 m, 0.8 m, 0 deg)."""
    return moved(log, 0.17, 0.8)


def test_law_sound_logs_have_nothing_said_of_them(repository: Path):
    """Each by itself and all together, of three routines on fields of their own."""
    for name in MADE:
        logs = logs_of(repository, name)
        assert said(repository, logs) == []
        assert [said(repository, [log]) for log in logs] == [[], [], []]
    found = validate_files([repository / "runs"]).findings
    assert not {finding.code for finding in found} & {"DG622", "DG623"}


def test_err_one_log_is_counted_from_where_it_was_put_down(repository: Path):
    """It is named at its column, with both places; the others are as they should be."""
    first, second, third = logs_of(repository)
    (found,) = said(repository, [first, from_start(second), third])
    at = second.titles["reference x"]
    assert (found.path, found.line, found.column) == (second.path, at.line, at.column)
    assert re.match(
        r"the first reference pose is \(-?0.0[01] m, -?0.0[01] m, -?[01] deg\), and ", found.message
    )
    assert "begins at (0.17 m, 0.80 m, 0 deg), as 2 other logs of it do" in found.message
    assert "not counted from where the robot is put down" in found.suggestion
    assert len(said(repository, [from_start(log) for log in (first, second, third)])) == 3


def test_err_a_belief_alone_is_enough(repository: Path):
    """Of a log without measured poses, or whose measured ones are right."""
    first, second, _ = logs_of(repository)
    for log in (
        moved(second, 0.17, 0.8, kinds=("believed",)),
        replace(from_start(second), reference=np.full_like(second.reference, np.nan)),
    ):
        (found,) = said(repository, [first, log])
        assert "the first believed pose is (0.00 m, 0.00 m" in found.message.replace("-0.00", "0.00")


def test_law_what_all_logs_have_may_be_meant(repository: Path):
    """A routine driven elsewhere by all is none of it; one of them alone is."""
    logs = logs_of(repository)
    away = [moved(log, -1.0, 0.5) for log in logs]
    assert said(repository, away) == []
    (found,) = said(repository, [away[0], *logs[1:]])
    assert "other axes, another unit, or a log of another routine?" in found.suggestion
    turned = [moved(logs[0], 0.0, 0.0, turn) for turn in (math.radians(12.0), math.tau)]
    assert [len(said(repository, [log, *logs[1:]])) for log in turned] == [1, 0]


@pytest.mark.parametrize(("off_m", "count"), [(0.06, 0), (0.13, 1)])
def test_law_a_robot_put_down_badly_is_no_other_origin(repository: Path, off_m: float, count: int):
    """Centimetres beside its mark it is put down by hand; decimetres it is not."""
    logs = logs_of(repository)
    assert len(said(repository, [moved(logs[0], off_m, 0.0), *logs[1:]])) == count


def test_law_a_pose_of_a_robot_that_has_driven_says_nothing(repository: Path):
    """Measured on the way first, it may be anywhere."""
    logs = logs_of(repository)
    late = from_start(logs[0])
    rows = np.flatnonzero(np.cumsum(np.abs(late.forward_m)) < 0.1)
    gone = {kind: getattr(late, kind).copy() for kind in ("reference", "believed")}
    for poses in gone.values():
        poses[rows] = np.nan
    assert said(repository, [replace(late, **gone), *logs[1:]]) == []
    assert said(repository, [replace(late, routine=None), *logs[1:]]) == []
    assert said(repository, [replace(late, routine="routines/none.yaml"), *logs[1:]]) == []


def written(repository: Path, log: Log) -> list[Finding]:
    """Return the warnings of `validate` about the origin and the field of a log."""
    folder = repository / "again"
    folder.mkdir(exist_ok=True)
    (folder / "run.csv").write_text(write_log(log))
    found = validate_files([folder / "run.csv"]).findings
    return [finding for finding in found if finding.code in ("DG622", "DG623")]


def test_err_readings_fit_the_routines_own_map(repository: Path):
    """A log that names another map is told which one its readings fit; of the right one nothing is said."""
    for log in logs_of(repository, "aisle-steps"):
        assert written(repository, log) == []
        assert written(repository, replace(log, field="fieldmaps/practice-floor.yaml")) == []
        (found,) = written(repository, replace(log, field="fieldmaps/cleared-floor.yaml"))
        assert (found.code, found.level, found.line, found.column) == ("DG623", "warning", 5, 10)
        assert "% as fieldmaps/hall.yaml has it" in found.message
        assert found.suggestion.startswith("was it driven on fieldmaps/hall.yaml?")


def test_err_poses_where_no_robot_can_be(repository: Path):
    """Outside the walls, or in a structure of the map that the log names; by less than the tape slips, no."""
    log = logs_of(repository, "three-bench-run")[0]
    hall = load_single(repository / "fieldmaps/hall.yaml", "field map").document.model
    wren = load_single(repository / "routines/robots/wren.yaml", "robot").document.model
    places = log.reference[np.isfinite(log.reference[:, 0]), :2]
    east = places[:, 0].max()

    def said_of(field) -> str:
        found = check_field(sighted([(log, None)], wren.sensors, build_world(field)), wren, field, {})
        assert [(f.code, f.level) for f in found] == [("DG623", "warning")] * len(found)
        return found[0].message if found else ""

    def narrow(x: float):
        walls = [w.model_copy(update={"corner": (min(w.corner[0], x), w.corner[1])}) for w in hall.walls]
        return hall.model_copy(update={"walls": walls, "structures": []})

    assert said_of(hall) == said_of(narrow(east - 0.04)) == ""
    assert "measured poses lie outside the walls of fieldmaps/hall.yaml, the first at (" in said_of(
        narrow(east - 0.06)
    )
    bench = hall.structures[0]
    for dx, inside in ((0.0, True), (0.12 - 0.04, False)):
        at = bench.at.model_copy(update={"x": places[0, 0] + dx, "y": places[0, 1], "heading": 0.0})
        moved_bench = bench.model_copy(update={"at": at})
        words = said_of(hall.model_copy(update={"structures": [moved_bench]}))
        assert ("lie inside the structure 'bench-west' of fieldmaps/hall.yaml" in words) == inside, words
    at = at.model_copy(update={"x": places[0, 0]})
    high = bench.model_copy(update={"at": at, "height": bench.height.model_copy(update={"low": 2.0})})
    assert said_of(hall.model_copy(update={"structures": [high]})) == ""


def test_law_one_fault_is_said_once(repository: Path):
    """Poses in other axes are no other field."""
    log = logs_of(repository, "three-bench-run")[0]
    x, y = log.reference[np.isfinite(log.reference[:, 0])][0, :2]
    (found,) = written(repository, moved(log, x, y))
    assert found.code == "DG622"


def test_law_every_command_says_it(repository: Path, capsys: pytest.CaptureFixture[str]):
    """Validate, calibrate and backtest, in the same words."""
    logs = logs_of(repository)
    folder = repository / "mixed"
    folder.mkdir()
    for i, log in enumerate([logs[0], from_start(logs[1])]):
        (folder / f"{i}.csv").write_text(write_log(log))
    robot = ("--robot", str(repository / "routines/robots/wren.yaml"))
    lines = []
    for command, *options in (["validate"], ["calibrate", *robot], ["backtest", *robot, "--length", "1 m"]):
        main.run([command, str(folder), *options])
        text = "".join(capsys.readouterr())
        (line,) = [line for line in text.splitlines() if "DG622" in line]
        lines.append(line)
    assert lines[0].startswith("mixed/1.csv:")
    assert lines[0] == lines[1] == lines[2]
