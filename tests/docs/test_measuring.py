"""What README says about measuring where a robot stands is right."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from shapely import LineString, Point, affinity, box

from driftgate.cli import main
from driftgate.core.findings import Finding
from driftgate.logs import read_log

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
PART = README[README.index("### Where the robot stands, by tape") : README.index("### Logs of runs")]


def test_law_the_worked_heading_is_that_of_a_robot_drawn_to_scale():
    """A robot put at the pose of the example, drawn as a polygon, has its corners as far from the wall."""
    example = re.search(
        r"corners of its bumper are (?P<apart>\d+) mm apart, "
        r"the\s+left one is (?P<left>\d+) mm from the wall, "
        r"the right one (?P<right>\d+) mm: "
        r"heading = asin\((?P<off>\d+) / (?P<sep>\d+)\) = (?P<deg>[\d.]+) deg.*?"
        r"wall at x = (?P<wall>[\d.]+) m and the robot's centre (?P<ahead>\d+) mm behind the bumper.*?"
        r"= (?P<x>[\d.]+) m\.",
        PART,
        re.DOTALL,
    )
    assert example is not None
    told = {name: float(value) for name, value in example.groupdict().items()}
    assert told["off"] == told["left"] - told["right"]
    assert told["sep"] == told["apart"]
    half, ahead = told["apart"] / 2000, told["ahead"] / 1000
    outline = affinity.rotate(box(-ahead, -half, ahead, half), told["deg"], origin=(0, 0))
    robot = affinity.translate(outline, told["x"], 1.0)
    wall = LineString([(told["wall"], 0), (told["wall"], 3)])
    front = affinity.translate(
        affinity.rotate(LineString([(ahead, -half), (ahead, half)]), told["deg"], origin=(0, 0)),
        told["x"],
        1.0,
    )
    right, left = (Point(corner).distance(wall) for corner in front.coords)
    assert robot.distance(wall) == pytest.approx(right, abs=1e-12)
    # The example rounds to whole millimetres and hundredths of a degree.
    assert (left, right) == pytest.approx((told["left"] / 1000, told["right"] / 1000), abs=6e-4)


def test_law_small_angles_may_be_taken_as_a_difference_over_a_separation():
    """Both forms that README gives agree to the hundredth of a degree up to 4 deg, and are two at 20 deg."""
    for deg, same in ((1.0, True), (4.0, True), (20.0, False)):
        over = math.sin(math.radians(deg))
        other = math.degrees(math.atan2(over, 1.0))
        assert (abs(other - deg) < 0.011) == same


def test_mc_the_spread_of_a_heading_is_what_the_table_says():
    """For each cell: 20 000 pairs of lengths drawn with the row's spread, within 5 standard errors."""
    head = re.search(r"\| each length \| marks (\d+) mm apart \| (\d+) mm \| (\d+) mm \|", PART)
    assert head is not None
    rows = re.findall(
        r"^\| (\d) mm: [^|]*\| ([\d.]+) deg \| ([\d.]+) deg \| ([\d.]+) deg \|$", PART, re.MULTILINE
    )
    assert len(rows) == 2
    rng = np.random.default_rng(20240614)
    for length, *spreads in rows:
        for apart, told in zip(head.groups(), spreads, strict=True):
            left, right = float(length) * rng.standard_normal((2, 20_000))
            drawn = np.degrees(np.arcsin((left - right) / float(apart))).std()
            assert float(told) == pytest.approx(drawn, rel=5 / math.sqrt(40_000), abs=0.005)


def test_law_poses_in_a_file_of_their_own_are_those_of_the_run(tmp_path: Path, capsys):
    """README's file of poses is read, and joined with a run gives the reference of the run's own rows."""
    block = re.search(r"```csv\n(.*?)```", PART, re.DOTALL)
    assert block is not None
    shown = tmp_path / "shown.csv"
    shown.write_text(block[1])
    findings: list[Finding] = []
    assert read_log((shown,), findings, tmp_path) is not None
    assert [f for f in findings if f.level == "error"] == []

    routine = ROOT / "routines" / "corner-dash.yaml"
    assert main.run(["sample-logs", str(routine), "--runs", "1", "--out", str(tmp_path / "made")]) == 0
    capsys.readouterr()
    (made,) = (tmp_path / "made").glob("*.csv")
    lines = made.read_text().splitlines()
    head = [line for line in lines if line.startswith("#")]
    rows = [line.split(",") for line in lines if not line.startswith("#")]
    names = rows[0]
    refs = [i for i, name in enumerate(names) if name.startswith("reference")]
    poses, run = tmp_path / "poses.csv", tmp_path / "run.csv"
    measured = [row for row in rows[1:] if row[refs[0]]]
    origin = ["# driftgate log: 1", "# origin: simulated", "# reference spread: 2 mm, 2 mm, 0.5 deg"]
    kept = [",".join([row[0], *(row[i] for i in refs)]) for row in [names, *measured]]
    poses.write_text("\n".join([*origin, *kept]) + "\n")
    rest = [",".join(cell for i, cell in enumerate(row) if i not in refs) for row in rows]
    run.write_text("\n".join([line for line in head if "reference" not in line] + rest) + "\n")
    whole, joined = (read_log(files, findings, tmp_path) for files in ((made,), (run, poses)))
    assert whole is not None
    assert joined is not None
    assert np.isfinite(whole.reference[:, 0]).sum() == len(measured) > 1
    np.testing.assert_array_equal(whole.time_s, joined.time_s)
    np.testing.assert_array_equal(whole.reference, joined.reference)
    np.testing.assert_array_equal(whole.forward_m, joined.forward_m)
    assert joined.reference_spread == whole.reference_spread


@pytest.mark.parametrize("where", ["README", "guide"])
def test_law_whoever_makes_the_robot_move_is_cautioned_first(where: str, capsys):
    """Before the first procedure stand the stop, the power, the eyes, and who comes first."""
    if where == "guide":
        assert main.run(["calibrate", "--guide"]) == 0
        text = capsys.readouterr().out.split("1. Straights")[0]
    else:
        begin = README.index("## Calibrate, and hold predictions against real runs")
        text = README[begin : README.index("### An hour with a tape measure")]
    text = re.sub(r"[\s>]+", " ", text)
    for words in (
        "people",
        "holds the stop",
        "powered down or disabled",
        "eye protection",
        "supervisor come first",
    ):
        assert words in text
