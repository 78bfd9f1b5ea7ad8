"""Backtests of logs in which the robot hardly moves, or that end early. The logs are invented."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.calibrate.correction_score import LEAST_PLACES, too_still
from driftgate.calibrate.windows import STILL_M, STILL_RAD, Track, stands
from driftgate.cli import main
from driftgate.run.routine_logs import step_row

ROOT = Path(__file__).resolve().parents[2]
WREN = str(ROOT / "routines/robots/wren.yaml")
HEAD = "# driftgate log: 1\n# origin: simulated\n# routine: routines/corner-dash.yaml\n"
TITLE = "time [s],step,forward [m],heading [deg],reference x [m],reference y [m],reference heading [deg],"
TITLE += "reference by,range left [m]\n"


def written(folder: Path, name: str, moved_m: float, rows: int = 200) -> Path:
    """Write a log of readings at rest, but for so much of the way in its last rows."""
    rng = np.random.default_rng(7)
    text, x = HEAD + f"# run: {name}\n" + TITLE, 0.17
    for i in range(rows):
        step = moved_m / 20 if i >= rows - 20 else 0.0
        x += step
        place = f"{x + 0.002 * rng.standard_normal():.4f},0.8,0,camera" if i % 5 == 0 else ",,,"
        text += f"{0.02 * i:.2f},cross,{step},{1e-3 * rng.standard_normal():.4f},{place},0.7\n"
    path = folder / f"{name}.csv"
    path.write_text(text)
    return path


@pytest.fixture
def still(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a log of readings at rest."""
    monkeypatch.chdir(ROOT)
    return written(tmp_path, "still", 0.05)


@pytest.mark.parametrize("options", [(), ("--between",), ("--robot", WREN), ("--robot", WREN, "--between")])
def test_err_a_log_at_rest_is_one_sentence(still: Path, capsys: pytest.CaptureFixture[str], options: Any):
    """No table, no verdict: what is missing, and what to log."""
    assert main.run(["backtest", str(still), *options]) == 2
    said = capsys.readouterr()
    assert "Verdict" not in said.out
    assert "likelihood" not in said.out
    assert "run 'still' stands: by the odometry it gets 50 mm far, and turns" in said.err
    assert "log runs in which the robot drives, measured at two places or more" in said.err


def test_err_nothing_is_fitted_on_a_log_at_rest(still: Path, capsys: pytest.CaptureFixture[str]):
    """Whatever is judged."""
    other = written(still.parent, "far", 1.5)
    assert main.run(["backtest", str(other), "--fit", str(still), "--between"]) == 2
    assert "run 'still' stands" in (said := capsys.readouterr().err)
    assert "leave it out of --fit" in said


def test_law_a_log_at_rest_beside_another_is_left_out(still: Path, capsys: pytest.CaptureFixture[str]):
    """All rows, those of the replay too, are of the other one alone; both are cut off before the end."""
    other = written(still.parent, "far", 1.5)
    words = ["--robot", WREN, "--between"]
    main.run(["backtest", str(other), *words])
    alone = capsys.readouterr().out
    main.run(["backtest", str(other), str(still), *words])
    both = capsys.readouterr().out
    note = "Note: run 'still' stands: by the odometry it gets 50 mm far, and turns 0.0 deg: of that no dead "
    assert note + "reckoning is judged." in both
    rows, before = (
        [line for line in said.splitlines() if " on  " in line or line.startswith("  far ")]
        for said in (both, alone)
    )
    assert rows == before
    assert len(rows) == 5
    places = "its measured poses are at one place only, and it takes 5 that are 50 mm or 5 deg apart"
    assert f"of run 'still' is not replayed: {places}" in both
    assert "Checkpoints" not in both
    assert "checkpoint 'end' of routines/corner-dash.yaml is not judged: no log tells" in both


def track(twist: np.ndarray, known: np.ndarray) -> Track:
    """Return a run of ticks of 20 ms, measured at some rows."""
    reference = np.full((len(twist) + 1, 3), np.nan)
    reference[known] = 0.0
    return Track("made", 0.02 * np.arange(len(twist) + 1), twist, reference)


@given(st.floats(0.0, 2.0), st.floats(-2.0, 2.0), st.integers(1, 60))
def test_law_a_run_stands_that_gets_nowhere(far: float, turn: float, ticks: int):
    """By the end of the way, straight or turning on the spot; there and back is as far as its middle."""
    for twist in (
        np.tile([far / ticks, 0.0, 0.0], (ticks, 1)),
        np.vstack([np.tile([s * far / ticks, 0.0, 0.0], (ticks, 1)) for s in (1.0, -1.0)]),
    ):
        if abs(far - STILL_M) > 1e-9:
            assert stands(track(twist, np.zeros(0, int))) == (far < STILL_M)
    if abs(abs(turn) - STILL_RAD) > 1e-9:
        spin = track(np.tile([0.0, 0.0, turn / ticks], (ticks, 1)), np.zeros(0, int))
        assert stands(spin) == (abs(turn) < STILL_RAD)


def test_law_counters_that_tremble_go_nowhere():
    """A way that is noise alone adds up to metres, and is none."""
    tremble = np.zeros((20_000, 3))
    tremble[:, 0] = np.tile([2e-4, -2e-4], 10_000)
    made = track(tremble, np.zeros(0, int))
    assert made.distance_m[-1] > 3.0
    assert stands(made)
    assert stands(track(np.zeros((0, 3)), np.zeros(0, int)))


def test_law_a_replay_takes_poses_at_several_places():
    """Of a camera and of a tape alike: as many as it takes, driven or turned apart."""
    twist = np.zeros((100, 3))
    twist[50:, 0] = 0.02
    few = np.array([0, 60, 70, 80, 90])
    assert too_still(track(twist, np.arange(101))) == ""
    assert too_still(track(twist, few)) == ""
    assert "at 4 places only" in too_still(track(twist, few[1:]))
    assert "at 4 places only" in too_still(track(twist, np.array([*few[1:], 81, 91])))
    assert "at one place only" in too_still(track(twist, np.arange(50)))
    assert "at no place only" in too_still(track(twist, few[:0]))
    stops = np.zeros((LEAST_PLACES - 1, 3))
    stops[:, 2] = np.deg2rad(6.0)
    assert too_still(track(stops, np.arange(LEAST_PLACES))) == ""


@dataclass
class _Step:
    name: str | None
    index: int
    begin_s: float
    end_s: float


def row(labels: str, step: int, durations: str = "5555", names: str = "abcd") -> int | None:
    """Return `step_row` of a log whose rows have these labels, one letter each; '.' where none is driven."""
    ends = np.cumsum([0.0, *(int(d) for d in durations)])
    steps = [_Step(n, i, ends[i], ends[i + 1]) for i, n in enumerate(names)]
    log = SimpleNamespace(step=tuple(label.strip(".") for label in labels))
    made: Any = SimpleNamespace(log=log, prepared=SimpleNamespace(plan=SimpleNamespace(steps=steps)))
    return step_row(made, step)


@pytest.mark.parametrize(
    ("labels", "step", "expected"),
    [
        ("aabbccdd", 3, 7), ("aabbccdd", 1, 3), ("..aabb..ccdd.", 3, 11), ("1122ccdd", 1, 3),
        ("aabb", 3, None), ("aabb", 2, None), ("aabb", 1, 3), ("aaxxccdd", 1, None), ("ccdd", 3, 3),
        ("", 0, None), ("....", 0, None),
    ],
)  # fmt: skip
def test_law_a_step_ends_where_the_log_says(labels: str, step: int, expected: int | None):
    """By name or number, over stretches without a step; one that the log has not ends nowhere."""
    assert row(labels, step) == expected


def test_law_a_step_that_takes_no_time_need_not_be_in_a_log():
    """It ends with the one before; one that is repeated at once has a single stretch."""
    assert row("aabb", 2, "5500") == 3
    assert row("aabb", 3, "5505") is None
    assert row("aaaabb", 1, "5555", "aaab") == 3
    assert row("aaaabb", 3, "5555", "aaab") == 5
