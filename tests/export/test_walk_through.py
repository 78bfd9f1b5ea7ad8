"""The example that reads a routine's header ends where the plan ends, whatever the steps."""

from __future__ import annotations

import pytest
from compiled import files_of
from scenes import field_map, prepared, robot

HALL = field_map(
    x=(0.0, 4.0),
    y=(0.0, 3.0),
    structures=[
        {
            "id": "bench",
            "shape": {"rectangle": {"length": "0.4 m", "width": "0.6 m"}},
            "at": {"x": "3 m", "y": "1.5 m", "heading": "5 deg"},
        }
    ],
)
LOPSIDED = {
    "footprint": {
        "corners": [["0.2 m", "0.1 m"], ["0.2 m", "-0.14 m"], ["-0.1 m", "-0.14 m"], ["-0.1 m", "0.1 m"]]
    }
}

WALKS = {
    "drives and turns": [
        {"do": "face", "point": ["2 m", "2 m"]},
        {"do": "drive", "to": ["2 m", "2 m"]},
        {"do": "turn", "to": "-135 deg"},
        {"do": "face", "point": ["1 m", "2.5 m"], "backwards": True},
        {"do": "drive", "to": ["1 m", "2.5 m"], "backwards": True},
        {"do": "turn", "to": "170 deg"},
        {"do": "turn", "to": "-170 deg"},
        {"do": "turn", "to": "10 deg"},
    ],
    "amounts": [
        {"do": "advance", "distance": "0.7 m"},
        {"do": "rotate", "angle": "200 deg"},
        {"do": "arc", "radius": "0.3 m", "angle": "250 deg"},
        {"do": "arc", "radius": "0.25 m", "angle": "-80 deg"},
        {"do": "arc", "radius": "0.4 m", "angle": "70 deg", "backwards": True},
        {"do": "arc", "radius": "0.3 m", "angle": "-400 deg", "backwards": True},
        {"do": "advance", "distance": "-0.1 m"},
    ],
    "curves": [
        {"do": "curve", "through": [["1.5 m", "1.2 m"], ["2 m", "2 m"]], "end_heading": "120 deg"},
        {"do": "curve", "through": [["2.2 m", "1.2 m"]], "backwards": True},
    ],
    "square-ups": [
        {"do": "turn", "to": "-86 deg"},
        {"do": "square-up", "against": "south", "speed": "0.3 m/s"},
        {"do": "advance", "distance": "-0.4 m"},
        {"do": "turn", "to": "3 deg"},
        {"do": "square-up", "against": "west", "speed": "0.4 m/s", "backwards": True},
        {"do": "turn", "to": "2 deg"},
        {"do": "pause", "time": "0.2 s"},
    ],
    "a face of a structure": [
        {"do": "drive", "to": ["2 m", "1 m"]},
        {"do": "turn", "to": "90 deg"},
        {"do": "drive", "to": ["2 m", "1.5 m"]},
        {"do": "turn", "to": "0 deg"},
        {"do": "square-up", "against": "bench", "speed": "0.3 m/s"},
    ],
    "repetitions": [
        {
            "do": "repeat",
            "times": 3,
            "steps": [{"do": "advance", "distance": "0.2 m"}, {"do": "rotate", "angle": "130 deg"}],
        }
    ],
}  # fmt: skip


def walked(steps, compiler, folder, drive="differential"):
    """Return where a routine's example and its plan end."""
    case = prepared(steps, robot(drive=drive, **LOPSIDED), believed=HALL, start=(1.0, 1.0, 0.0))
    errors = [finding for finding in case.plan.findings if finding.level == "error"]
    assert [f.code for f in errors if f.code not in ("DG204",)] == []
    ran = compiler.host(files_of(case), folder)
    assert ran.status == 0, ran.text
    return ran, case.plan.steps


@pytest.mark.parametrize("walk", WALKS)
def test_law_the_example_ends_where_the_plan_ends(walk, compiler, tmp_path):
    """By targets and amounts alone the end pose is the plan's, to a nanometre and a nanoradian."""
    ran, steps = walked(WALKS[walk], compiler, tmp_path)
    assert ran.end == pytest.approx(steps[-1].end_pose, abs=1e-9)
    assert "rad: as the plan" in ran.text
    assert ran.text.count(" deg  ") == len(steps)


def test_law_a_holonomic_drive_keeps_its_heading(c_compiler, tmp_path):
    """A drive of a holonomic robot goes sideways, and a sidestep to its own left."""
    steps = [
        {"do": "drive", "to": ["1.5 m", "2 m"]},
        {"do": "turn", "to": "30 deg"},
        {"do": "sidestep", "distance": "0.3 m"},
        {"do": "sidestep", "distance": "-0.1 m"},
    ]
    ran, planned = walked(steps, c_compiler, tmp_path, "holonomic")
    assert ran.end == pytest.approx(planned[-1].end_pose, abs=1e-9)
    assert planned[0].end_pose[2] == 0.0
