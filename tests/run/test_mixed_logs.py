"""Logs of which one alone is wrong: the sound ones beside it do not hide it. All simulated."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from driftgate.calibrate.doubted import Doubted
from driftgate.calibrate.from_logs import fit_logs
from driftgate.cli import main
from driftgate.core.findings import Finding
from driftgate.load.single import load_single
from driftgate.logs import Log, read_log
from driftgate.logs.values import RangeColumn
from driftgate.run.from_logs import _no_field
from driftgate.run.log_columns import check_columns
from driftgate.run.same_runs import ReadRun, refuse_copies, shared_poses
from driftgate.run.status import InputError
from driftgate.schema.fieldmap import FieldMap

ROOT = Path(__file__).resolve().parents[2]
HALL = "fieldmaps/hall.yaml"


@pytest.fixture(scope="module")
def logs(tmp_path_factory: pytest.TempPathFactory) -> list[Log]:
    """Return three runs of a routine in the hall."""
    folder = tmp_path_factory.mktemp("mixed")
    for name in ("routines", "fieldmaps"):
        shutil.copytree(ROOT / name, folder / name)
    (folder / "pyproject.toml").touch()
    words = ["sample-logs", str(folder / "routines/long-round.yaml"), "--runs", "3"]
    assert main.run([*words, "--out", str(folder / "runs")]) == 0
    read = [read_log([file], [], folder) for file in sorted((folder / "runs").glob("*.csv"))]
    found = [log for log in read if log is not None]
    assert len(found) == 3
    return found


def hall() -> FieldMap:
    """Return the map that the logs were driven on."""
    return load_single(ROOT / HALL, "field map").document.model


def narrowed() -> FieldMap:
    """Return a hall whose north wall stands 400 mm further south."""
    true = hall()
    north = max(wall.corner[1] for wall in true.walls)
    walls = [
        wall.model_copy(update={"corner": (wall.corner[0], min(wall.corner[1], north - 0.4))})
        for wall in true.walls
    ]
    return true.model_copy(update={"walls": walls})


def said(
    logs: Sequence[Log],
    fields: Sequence[FieldMap],
    maps: dict[str, FieldMap],
    doubted: Doubted | None = None,
) -> list[Finding]:
    """Return what is said of logs of the shipped robot."""
    robot = load_single(ROOT / logs[0].robot, "robot").document.model
    return check_columns(logs, fields, robot, maps, doubted=doubted)


def exchanged(log: Log, one: str, other: str) -> Log:
    """Return a log in which two range columns have each other's titles."""
    return replace(log, ranges=log.ranges | {one: log.ranges[other], other: log.ranges[one]})


@pytest.mark.parametrize(
    ("which", "pair"),
    [
        ((1,), ("front", "left")),
        ((0, 1, 2), ("front", "left")),
        # Most of their readings are as long as some wall is far, but for a fifth of a metre and a quarter.
        ((1,), ("left", "right")),
        ((0, 2), ("left", "right")),
    ],
)
def test_err_columns_exchanged_in_some_logs(logs: list[Log], which: tuple[int, ...], pair: tuple[str, str]):
    """Each such log is named; sound ones are not, nor is any sensor but the two."""
    true = hall()
    assert said(logs, [true] * 3, {}) == []
    mixed = [exchanged(log, *pair) if i in which else log for i, log in enumerate(logs)]
    found = said(mixed, [true] * 3, {})
    assert {(f.code, f.path) for f in found} == {("DG618", logs[which[0]].path)}
    # Two columns are one fault.
    (fault,) = found
    assert fault.suggestion.startswith(f"exchange the titles 'range {pair[0]}' and 'range {pair[1]}'")
    for fault in found:
        assert all((log.path in fault.message) == (i in which[1:]) for i, log in enumerate(logs))


def test_err_another_field_shows_in_the_walls_that_differ(logs: list[Log]):
    """Most readings fit both maps: those that can fit one only tell, of one log and of all."""
    true, other = hall(), narrowed()
    name = "fieldmaps/narrowed.yaml"
    wrong = [replace(log, field=name) for log in logs]
    doubted = Doubted()
    found = said([logs[0], wrong[1], logs[2]], [true, other, true], {HALL: true}, doubted)
    assert doubted == Doubted(fields={logs[1].path})
    assert [(f.code, f.level, f.path) for f in found] == [("DG623", "warning", logs[1].path)]
    assert "that can fit only one of two maps" in found[0].message
    assert found[0].suggestion.startswith(f"was it driven on {HALL}?")
    assert [f.code for f in said(wrong, [other] * 3, {HALL: true})] == ["DG623"] * 3
    assert said(logs, [true] * 3, {name: other}) == []


def test_law_each_log_is_held_against_its_own_field(logs: list[Log]):
    """Two maps that say the same are as good as one; of a log without one its ranges are."""
    true = hall()
    robot = load_single(ROOT / logs[0].robot, "robot").document.model
    few = [thinned(log) for log in logs]
    one = fit_logs(few, robot, [true] * 3, {}, 0.95)
    own = fit_logs(few, robot, [true, hall(), None], {}, 0.95, "a.csv, which has none")
    assert own.missing[0] == "range sensors of a.csv, which has none"
    assert own.drift.poses == one.drift.poses
    both = fit_logs(few[:2], robot, [true] * 2, {}, 0.95)
    for name, fit in both.ranges.items():
        assert (fit.runs, own.ranges[name].runs, one.ranges[name].runs) == (2, 2, 3)
        assert own.ranges[name].readings == fit.readings < one.ranges[name].readings


def thinned(log: Log) -> Log:
    """Return a log with every eighth reading."""
    rows = np.arange(len(log.time_s)) % 8 == 0
    return replace(
        log, ranges={name: RangeColumn(c.reading_m, c.fired & rows) for name, c in log.ranges.items()}
    )


def test_law_logs_left_out_are_named():
    """One by its name, several by the first; of all or none there is nothing to say."""
    logs = [replace_path(f"{i}.csv") for i in range(3)]
    odd = Doubted(fields={"1.csv"})
    assert _no_field(logs, [hall()] * 3, Doubted()) == _no_field(logs, [None] * 3, Doubted()) == ""
    assert _no_field(logs, [hall()] * 3, odd).startswith("1.csv, hardly driven on the field named (DG623)")
    assert _no_field(logs, [hall(), None, None], Doubted()).startswith("2 logs (1.csv and others): name")


def replace_path(path: str) -> Log:
    """Return an empty log of that name."""
    empty = np.zeros(0)
    none = np.zeros((0, 3))
    words = (path, path, None, "simulated", None, None, None)
    return Log(*words, empty, None, empty, empty, empty.astype(bool), empty, empty, none)


def test_err_poses_of_another_run(logs: list[Log]):
    """Two measured runs with the same poses at the same times, whole turns apart: one has the other's."""
    first, second, third = (replace(log, origin="measured") for log in logs)
    sound = [ReadRun(log, [Path(log.path)]) for log in (first, second, third)]
    assert list(shared_poses(sound)) == []
    refuse_copies(sound)
    rows = np.isfinite(first.reference).all(axis=1)
    at = np.searchsorted(second.time_s, first.time_s[rows])
    assert len(set(at.tolist())) == rows.sum()
    time, reference = second.time_s.copy(), np.full_like(second.reference, np.nan)
    at = np.minimum(at, len(time) - 1)
    time[at], reference[at] = first.time_s[rows], first.reference[rows] + [0.0, 0.0, 2.0 * np.pi]
    odd = replace(second, time_s=time, reference=reference)
    mixed = [sound[0], ReadRun(odd, [Path(odd.path)]), sound[2]]
    assert list(shared_poses(mixed)) == [(1, 0, int(rows.sum()) - 1)]
    with pytest.raises(InputError, match=r"same \d+ reference poses at the same times"):
        refuse_copies(mixed)
    moved = replace(odd, reference=reference + np.array([0.001, 0.0, 0.0]))
    assert list(shared_poses([sound[0], ReadRun(moved, [])])) == []
