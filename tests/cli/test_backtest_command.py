"""`driftgate backtest` as people type it."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from driftgate.report.backtest import _verdict

ROOT = Path(__file__).resolve().parents[2]


def _run(*words: str, cwd: Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "driftgate", "backtest", *words],
        cwd=cwd, capture_output=True, text=True, check=False,
        env={"PYTHONPATH": str(ROOT / "pipeline"), "NO_COLOR": "1", "PATH": "/usr/bin:/bin"},
    )  # fmt: skip


def _write(
    folder: Path, lateral: float = 0.02, standing_s: float = 0.0, bias: float = 0.001, seed: int = 4
) -> None:
    """Write a made-up drive among three beacons: 120 m, odometry, reference and ranges in three files."""
    rng = np.random.default_rng(seed)
    n, dt = 3000, 0.1
    first = int(standing_s / dt)
    ahead = 0.04 * np.repeat(rng.uniform(0.5, 1.5, n // 30), 30)
    ahead[:first] = 0.0
    turn = np.where(ahead > 0.0, np.repeat(rng.uniform(-0.06, 0.06, n // 20), 20), 0.0)
    heading = np.concatenate([[0.0], np.cumsum(turn)])
    half = 0.5 * (heading[1:] + heading[:-1])
    side = lateral * np.sqrt(ahead) * rng.normal(size=n)
    x = np.concatenate([[0.0], np.cumsum(ahead * np.cos(half) - side * np.sin(half))])
    y = np.concatenate([[0.0], np.cumsum(ahead * np.sin(half) + side * np.cos(half))])
    time = dt * np.arange(n + 1)
    # Wheels and gyro wander a little too: nothing that is exact has a size to be judged.
    other = np.random.default_rng(seed + 100)
    wander = np.concatenate([[0.0], np.cumsum(0.002 * np.sqrt(ahead) * other.normal(size=n))])
    rolled = ahead + 0.01 * np.sqrt(ahead) * other.normal(size=n)
    measured = 1.01 * heading + bias * time + wander
    head = "# driftgate log: 1\n# run: made up\n# origin: simulated\n"
    rows = [f"{t:.3f},{f:.6f},{h:.8f}" for t, f, h in zip(time, [0.0, *rolled], measured, strict=True)]
    (folder / "odometry.csv").write_text(
        head + "time [s],forward [m],heading [rad]\n" + "\n".join(rows) + "\n"
    )
    rows = [f"{t:.3f},{a:.6f},{b:.6f},{h:.8f},camera" for t, a, b, h in zip(time, x, y, heading, strict=True)]
    title = "time [s],reference x [m],reference y [m],reference heading [rad],reference by\n"
    (folder / "reference.csv").write_text(head + title + "\n".join(rows) + "\n")
    places = {"a": (10.0, 10.0), "b": (-10.0, 5.0), "c": (2.0, -12.0)}
    rows = []
    for i in range(5, n, 5):
        name = "abc"[(i // 5) % 3]
        true = np.hypot(x[i] - places[name][0], y[i] - places[name][1])
        reading = f"{1.05 * true + 0.1 + 0.05 * rng.normal():.5f}"
        cells = [reading if column == name else "" for column in "abc"]
        rows.append(f"{time[i] + 0.01:.3f}," + ",".join(cells))
    title = "time [s],range a [m],range b [m],range c [m]\n"
    (folder / "ranges.csv").write_text(head + title + "\n".join(rows) + "\n")
    lines = ["# driftgate beacons: 1", "beacon,x [m],y [m]"]
    lines += [f"{name},{px},{py}" for name, (px, py) in places.items()]
    (folder / "beacons.csv").write_text("\n".join(lines) + "\n")


RUN = "odometry.csv+reference.csv"
ALL = "odometry.csv+ranges.csv+reference.csv"


def test_a_run_fitted_and_judged(tmp_path: Path):
    """First half fitted, second judged: what was put in is found, and the JSON has the numbers."""
    _write(tmp_path, lateral=0.06)
    done = _run(
        ALL, "--beacons", "beacons.csv", "--length", "3 m", "--length", "6 m", "--every", "1 m",
        "--report", "json=out.json", cwd=tmp_path,
    )  # fmt: skip
    data = json.loads((tmp_path / "out.json").read_text())
    assert done.returncode == (0 if data["verdict"] == "calibrated" else 1), done.stderr
    assert "Verdict: " + data["verdict"] in done.stdout
    model = data["dead_reckoning"][0]
    assert model["constants"]["heading_scale"] == pytest.approx(0.01, abs=0.001)
    assert model["constants"]["heading_bias"] == pytest.approx(0.001, abs=0.0002)
    assert model["noise"]["lateral_walk"] == pytest.approx(0.06, rel=0.25)
    assert [score["length_m"] for score in model["scores"]] == [3.0, 6.0]
    assert [beacon["scale"] for beacon in data["beacons"]] == pytest.approx([0.05] * 3, abs=0.01)
    (row,) = data["correction"]
    assert row["rmse_m"][0] < 0.5 * row["dead_reckoning_rmse_m"]
    assert data["runs"][0]["judged_m"] == pytest.approx(data["runs"][0]["distance_m"] / 2, abs=0.1)


def test_beacons_exchanged_are_refused(tmp_path: Path):
    """The replay cannot be judged by them: status 2, at the titles of their ranges, and no verdict."""
    _write(tmp_path)
    listed = (tmp_path / "beacons.csv").read_text()
    (tmp_path / "beacons.csv").write_text(listed.replace("a,", "x,").replace("b,", "a,").replace("x,", "b,"))
    done = _run(ALL, "--beacons", "beacons.csv", "--no-slips", "--report", "json=out.json", cwd=tmp_path)
    assert done.returncode == 2
    assert "ranges.csv:4:10: error DG621: the ranges to 'a' do not fit where it stands: " in done.stdout
    assert "'a' and 'b' fit the other way round" in done.stdout
    assert "Verdict" not in done.stdout
    assert not (tmp_path / "out.json").exists()


def test_settings_are_compared_on_the_same_readings(tmp_path: Path):
    """One line for each gate and way back; the first is the one judged."""
    _write(tmp_path)
    done = _run(
        ALL, "--beacons", "beacons.csv", "--no-slips", "--gate", "3", "--gate", "1", "--gate", "none",
        "--way-back", "4, 10, 10", "--way-back", "none", "--combined", "--false-share", "20%", "--seeds", "2",
        "--report", "json=out.json", cwd=tmp_path,
    )  # fmt: skip
    assert "replayed" in done.stdout
    rows = json.loads((tmp_path / "out.json").read_text())["correction"]
    assert [(row["gate_sigmas"], row["way_back"] is not None) for row in rows] == [
        (3.0, True), (3.0, False), (1.0, True), (1.0, False), (None, True), (None, False),
    ]  # fmt: skip
    assert [row["judged"] for row in rows] == [True] + [False] * 5
    assert rows[0]["false_refused"] > 0.9
    assert rows[2]["good_refused"] > rows[0]["good_refused"]
    assert max(rows[4]["rmse_m"]) > max(rows[0]["rmse_m"])
    assert "gate" not in rows[4]["readings"]


def test_an_overconfident_model_fails_the_build(tmp_path: Path):
    """A robot file that promises too little error: status 1, and the verdict says which way it is wrong."""
    _write(tmp_path, lateral=0.08)
    robot = (ROOT / "routines/robots/wren.yaml").read_text()
    (tmp_path / "wren.yaml").write_text(robot)
    done = _run(RUN, "--robot", "wren.yaml", "--length", "3 m", "--every", "1 m", cwd=tmp_path)
    assert done.returncode == 1
    assert "Verdict: overconfident" in done.stdout
    assert done.stderr.splitlines()[-1].startswith("driftgate: status 1: overconfident")


def test_another_run_warns_unless_it_stands_first(tmp_path: Path):
    """Fitted on one run, judged on another: without a standstill the bias is unknown, with one it is not."""
    for name, standing in (("old", 0.0), ("new", 0.0), ("stood", 20.0)):
        (tmp_path / name).mkdir()
        _write(tmp_path / name, standing_s=standing)
    fit = ("--fit", "old/odometry.csv+old/reference.csv", "--no-slips")
    moving = _run("new/odometry.csv+new/reference.csv", *fit, cwd=tmp_path)
    stood = _run("stood/odometry.csv+stood/reference.csv", *fit, cwd=tmp_path)
    assert "heading bias is unknown" in moving.stdout
    assert "heading bias is unknown" not in stood.stdout
    assert "Model: fitted on 1 run (--fit)" in stood.stdout


def test_each_run_is_judged_with_its_own_heading_bias(tmp_path: Path):
    """Runs whose biases differ: each second half with the bias of its own first half, and a table of them."""
    logs = []
    for seed, (name, bias) in enumerate((("one", 0.001), ("two", -0.006), ("three", 0.008))):
        (tmp_path / name).mkdir()
        _write(tmp_path / name, lateral=0.06, bias=bias, seed=seed)
        logs.append(f"{name}/odometry.csv+{name}/reference.csv")
    words = ("--length", "6 m", "--every", "2 m", "--no-slips", "--report", "json=out.json")
    done = _run(*logs, *words, cwd=tmp_path)
    (row,) = json.loads((tmp_path / "out.json").read_text())["dead_reckoning"]
    found = row["heading_bias_of_runs"]
    assert [bias["value_rad_s"] for bias in found] == pytest.approx([0.001, -0.006, 0.008], abs=0.0004)
    assert {bias["known_by"] for bias in found} == {"its own first part"}
    assert row["scores"][0]["verdict"] == "calibrated"
    assert row["scores"][0]["heading_rms_rad"] < 0.02
    assert "Heading bias of each run judged" in done.stdout
    unseen = _run(logs[0], "--fit", logs[1], "--fit", logs[2], *words[:-1], "json=new.json", cwd=tmp_path)
    (bias,) = json.loads((tmp_path / "new.json").read_text())["dead_reckoning"][0]["heading_bias_of_runs"]
    assert bias["known_by"] == "not known but for its size"
    assert bias["error_rad_s"] > 0.005
    assert "heading bias is unknown" in unseen.stdout


def test_the_scores_that_made_the_verdict_are_named():
    """Where others are calibrated, the reader sees which are not."""

    def scored(word: str) -> SimpleNamespace:
        return SimpleNamespace(word=word)

    rows = [SimpleNamespace(length_m=5.0, poses_on=None, model=scored("calibrated"))]
    points = [SimpleNamespace(name=name, score=scored("cannot say")) for name in ("end", "shelf")]
    found = SimpleNamespace(
        reckoning=[SimpleNamespace(scores=rows, worsened=None, constants=None)],
        correction=[],
        checkpoints=points,
        word="calibrated",
    )
    assert _verdict(found) == [
        "Verdict: calibrated, by 1 of 3 scores (errors are as large as predicted); the others have too few "
        "errors to say",
        "  calibrated: 5 m",
        "  cannot say: 'end', 'shelf'",
    ]
    points[0].score.word = found.word = "overconfident"
    first, *which = _verdict(found)
    assert first.endswith("(errors are larger than predicted); 1 of the others have too few errors to say")
    assert which == ["  calibrated: 5 m", "  overconfident: 'end'", "  cannot say: 'shelf'"]
    points[0].score.word = found.word = points[1].score.word = "calibrated"
    assert _verdict(found) == ["Verdict: calibrated, by all 3 scores (errors are as large as predicted)"]
    found.reckoning[0].worsened = (0.071, 0.015)
    assert _verdict(found)[1:] == [
        "But the fit is of no use: with its constants the fitted runs are 0.071 m off (RMS), with the values "
        "that these replace 0.015 m. Look for a run or a reference that is wrong."
    ]
    points[0].score.word = points[1].score.word = found.word = "cannot say"
    found.reckoning = []
    assert _verdict(found) == ["Verdict: cannot say (too few independent errors to tell): judge more runs"]


def test_windows_between_poses_are_called_so(tmp_path: Path):
    """Named by how many poses on they end, not in metres; what leaves nothing to judge is said."""
    _write(tmp_path, lateral=0.06)
    rows = (tmp_path / "reference.csv").read_text().splitlines()
    (tmp_path / "reference.csv").write_text("\n".join([*rows[:4], *rows[4::100]]) + "\n")
    done = _run(RUN, "--between", "--jump", "none", "--report", "json=out.json", cwd=tmp_path)
    scores = json.loads((tmp_path / "out.json").read_text())["dead_reckoning"][0]["scores"]
    assert [(score["length_m"], score["poses_on"]) for score in scores] == [(None, k) for k in (1, 2, 3, 4)]
    assert "  one pose on" in done.stdout
    assert "  2 poses on" in done.stdout
    far = _run(RUN, "--length", "100 m", cwd=tmp_path)
    assert far.returncode == 2
    assert "the shortest window 100 m; give a shorter --length, or --between" in far.stderr
    assert "--robot FILE judges a robot file on all of it" in far.stderr


@pytest.mark.parametrize(("words", "message"), [
    (["--gate", "wide"], "is not a number from 0 to 100, or 'none'"),
    (["--way-back", "5"], "refusals, factor, lost after"),
    (["--constant", "crab_angel"], "did you mean 'crab_angle'?"),
    (["--added", "distance_walk=4"], "unit"),
    (["--added", "bump=4"], "there is no 'bump'"),
    (["--length", "5"], "unit"),
    (["--start-off", "3 m"], "separated by commas"),
    (["--mount", "1 m, 2 m"], "--mount goes with --beacons"),
    (["--between", "--length", "5 m"], "either --between or --length"),
    (["--fit", "a.csv", "--robot", "b.yaml"], "either --robot or --fit"),
    (["--fit-share", "2"], "not between 0 and 1"),
])  # fmt: skip
def test_bad_usage(tmp_path: Path, words: list[str], message: str):
    """Status 2, one line, what was expected."""
    done = _run(RUN, *words, cwd=tmp_path)
    assert done.returncode == 2
    assert message in done.stderr
    assert "Traceback" not in done.stderr


def test_logs_that_cannot_be_judged(tmp_path: Path):
    """No reference, no heading, no odometry, no file: said plainly, status 2."""
    _write(tmp_path)
    head = "# driftgate log: 1\n# origin: simulated\n"
    (tmp_path / "no-heading.csv").write_text(head + "time [s],forward [m]\n0,0\n0.1,0.01\n")
    (tmp_path / "nothing.csv").write_text(head + "time [s],heading [deg]\n0,0\n0.1,0\n")
    for file, message in (
        ("odometry.csv", "no run has two reference poses with a heading"),
        ("no-heading.csv", "no heading"),
        ("nothing.csv", "no odometry"),
        ("missing.csv", "error"),
        ("beacons.csv", "error"),
    ):
        done = _run(file, cwd=tmp_path)
        assert done.returncode == 2, file
        assert message in done.stderr, file
        assert "Traceback" not in done.stderr + done.stdout, file
    for words in (["--false-share", "20%"], ["--start-off", "0 m, 3 deg"]):
        done = _run(RUN, *words, "--no-slips", cwd=tmp_path)
        assert (done.returncode, done.stdout) == (2, "")
        assert f"{words[0]} changes the replay of the correction, and nothing is replayed" in done.stderr
    short = _run(RUN, "--length", "500 m", cwd=tmp_path)
    assert short.returncode == 2
    assert "no windows to fit on" in short.stderr


def test_logs_that_name_their_routine(tmp_path: Path):
    """Simulated runs of a shipped routine: checkpoints as predicted, readings treated as the robot did."""
    for name in ("routines", "fieldmaps"):
        shutil.copytree(ROOT / name, tmp_path / name)
    (tmp_path / "pyproject.toml").touch()
    words = ["sample-logs", "routines/corner-dash.yaml", "--runs", "8", "--out", "runs", "--other-robots"]
    words += ["--reference", "camera", "--reference-spread", "2 mm, 2 mm, 0.2 deg", "--seed", "3"]
    made = subprocess.run(
        [sys.executable, "-m", "driftgate", *words],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={"PYTHONPATH": str(ROOT / "pipeline"), "PATH": "/usr/bin:/bin"},
    )  # fmt: skip
    assert made.returncode == 0, made.stderr
    logs = sorted(str(path.relative_to(tmp_path)) for path in (tmp_path / "runs").glob("*.csv"))
    done = _run(
        *logs, "--robot", "routines/robots/wren.yaml", "--length", "1 m", "--every", "1 m", "--gate", "1",
        "--report", "json=out.json", cwd=tmp_path,
    )  # fmt: skip
    data = json.loads((tmp_path / "out.json").read_text())
    assert done.returncode == data["status"], done.stderr
    (end,) = data["checkpoints"]
    assert (end["name"], end["windows"], end["held_against"]["engine"]) == ("end", 8, "covariance")
    assert 0.5 < end["position_predicted_m"] / end["position_rms_m"] < 2.0
    own, tight = data["correction"][0::2], data["correction"][1::2]
    assert [row["gate_sigmas"] for row in own] == [3.5] * 8
    assert all(row["as_the_robot_did"] > 0.85 for row in own)
    assert sum(row["readings"].get("gate", 0) for row in tight) > 2 * sum(
        row["readings"].get("gate", 0) for row in own
    )
    assert "as the\n" in done.stdout
    # Of one run few poses are measured: what all of them show stands below, for each setting.
    assert done.stdout.count("\n  all 8 runs") == 2
    assert done.stdout.count("\n  gate ") == 2
    tables = [line for line in done.stdout.splitlines() if line.startswith("  ")]
    assert max(len(line) for line in tables) <= 120
    assert "In brackets: no verdict rests on it." in done.stdout
    # What they say of the filter stands beside the verdict, of the robot's own setting.
    said = data["filter"]
    assert f"\nFilter: {said['sentence']}\n" in done.stdout
    assert (said["runs"], said["poses"]) == (8, sum(row["poses"] for row in own))
    inside = sum(row["inside"]["95"] * row["poses"] for row in own) / said["poses"]
    assert abs(said["inside_95"] - inside) < 1e-9
    words = ("--gate", "1", "--gate", "none", "--way-back", "none", "--false-share", "30%", "--seeds", "2")
    robot = ("--robot", "routines/robots/wren.yaml", "--length", "1 m")
    done = _run(logs[0], *robot, *words, "--report", "json=false.json", cwd=tmp_path)
    worse = json.loads((tmp_path / "false.json").read_text())
    rows = worse["correction"]
    assert worse["filter"] is None
    assert "Filter:" not in done.stdout
    # Each change alone: the robot's own, both gates with its way back, its gate without a way back.
    assert [(row["gate_sigmas"], row["way_back"] is not None) for row in rows] == [
        (3.5, True), (1.0, True), (None, True), (3.5, False),
    ]  # fmt: skip
    assert rows[0]["false_refused"] > 0.8 > 0.0 == rows[2]["false_refused"]
    assert rows[0]["seeds"] == 2
    assert rows[0]["rmse_m"][0] != rows[0]["rmse_m"][1]
    assert max(rows[2]["rmse_m"]) > 2.0 * max(rows[0]["rmse_m"])
    assert max(len(line) for line in done.stdout.splitlines() if line.startswith("  ")) <= 120
    # What the file has of a robot and a field as constant is one draw in all runs, as far as a log can say.
    assert 1.0 < end["independent"] < 8.0
    robot = (tmp_path / "routines/robots/wren.yaml").read_text()
    wide = robot.replace("distance_scale: {spread: 0.6 %", "distance_scale: {spread: 40 %")
    assert wide != robot
    (tmp_path / "routines/robots/wide.yaml").write_text(wide)
    _run(logs[0], "--robot", "routines/robots/wide.yaml", "--report", "json=wide.json", cwd=tmp_path)
    (other,) = json.loads((tmp_path / "wide.json").read_text())["checkpoints"]
    assert other["position_predicted_m"] > 1.3 * end["position_predicted_m"]


def test_a_run_is_judged_once_and_not_on_itself(tmp_path: Path):
    """Named twice it is refused; fitted on and judged, the report says what that is worth."""
    _write(tmp_path)
    done = _run(RUN, RUN, cwd=tmp_path)
    assert (done.returncode, done.stdout) == (2, "")
    assert "named twice" in done.stderr
    words = (
        "all runs judged (odometry.csv+reference.csv) had a part in the fit (--fit): that is no independent"
    )
    assert words in _run(RUN, "--fit", RUN, "--no-slips", cwd=tmp_path).stdout


def test_a_link_to_itself_is_a_file_that_cannot_be_read(tmp_path: Path):
    """It is bad input like any other, not a fault of the program."""
    (tmp_path / "loop.csv").symlink_to("loop.csv")
    done = _run("loop.csv", cwd=tmp_path)
    assert done.returncode == 2
    assert "loop.csv: error DG101" in done.stdout


def test_what_was_found_of_the_files_is_told_before_an_error(tmp_path: Path):
    """Two files were read as one run, and nothing is replayed: both are said."""
    _write(tmp_path)
    (tmp_path / "day").mkdir()
    (tmp_path / "odometry.csv").rename(tmp_path / "day" / "monday.csv")
    (tmp_path / "reference.csv").rename(tmp_path / "day" / "monday-poses.csv")
    done = _run("day", "--gate", "4", cwd=tmp_path)
    assert done.returncode == 2
    assert "changes the replay of the correction, and nothing is replayed" in done.stderr
    assert "DG624: read as one run with" in done.stdout
