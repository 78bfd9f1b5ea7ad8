"""`driftgate calibrate` with a tape sheet on the command line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from driftgate.cli import main
from driftgate.load.compose import compose
from driftgate.load.text import split_lines
from driftgate.load.validate import validated_data

ROOT = Path(__file__).resolve().parents[2]
SHEET = ROOT / "routines" / "calibration" / "wren-tape.yaml"


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run(["calibrate", *(str(a) for a in arguments)])
    out, err = capsys.readouterr()
    return status, out, err


def section(out: str) -> dict:
    """Return the error sources printed for the robot file."""
    return yaml.safe_load(out[out.index("\nerrors:") : out.index("\nNot known")])["errors"]


def test_law_a_sheet_is_worked_out(capsys):
    """Corrections, intervals and the section for the robot file are shown, and a caution."""
    status, out, err = run(capsys, "--tape", SHEET)
    assert status == 0
    assert re.search(r"heading scale +0\.\d+ %.*multiply the gyro's turn by 0\.99", out)
    assert "keep clear" in out.lower()
    assert err.splitlines()[-1] == "driftgate: status 0: worked out from 15 drives"


@pytest.mark.parametrize("corrected", [False, True])
def test_law_the_section_fits_the_robot_file(capsys, corrected):
    """What is printed for the robot file is accepted there as it stands."""
    out = run(capsys, "--tape", SHEET, *(["--corrected"] if corrected else []))[1]
    found = section(out)
    robot = ROOT / "routines" / "robots" / "wren.yaml"
    text = robot.read_text()
    data = compose(text, "wren.yaml", split_lines(text)).data
    data["errors"] |= found
    errors = validated_data(data, "robot").model.errors
    assert set(found) == {"distance_scale", "heading_bias", "heading_scale"}
    assert (errors.heading_scale.mean == 0.0) == corrected
    assert errors.heading_bias.basis == "measured"


def test_law_the_sheet_of_the_guide_works(capsys, tmp_path):
    """The sheet that the guide prints is a sound sheet."""
    status, out, _ = run(capsys, "--guide", "--robot", ROOT / "routines" / "robots" / "wren.yaml")
    assert status == 0
    assert "Keep" in out or "Clear the floor" in out
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(out[out.index("kind: tape sheet") :])
    assert run(capsys, "--tape", sheet)[0] == 0


def test_law_wheels_get_their_own_corrections(capsys, tmp_path):
    """A robot without a gyro gets a track width and a factor for each wheel."""
    text = SHEET.read_text().replace("heading_from: gyro", "heading_from: wheels\ntrack_width: 270 mm")
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(text)
    status, out, _ = run(capsys, "--tape", sheet)
    assert status == 0
    assert "track width 0.271" in out
    assert "left wheel by" in out
    assert "heading_bias" not in out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ((), "give either LOGs of runs, or --tape SHEET, or --guide"),
        (("--guide", "--corrected"), "--corrected goes with --tape"),
        (("--tape", ROOT / "routines" / "robots" / "wren.yaml"), "1 error in the files"),
        (("--tape", "no-such-file.yaml"), "1 error in the files"),
    ],
)
def test_err_bad_usage(capsys, arguments, says):
    """Bad usage and bad files end with status 2 and say why."""
    status, _, err = run(capsys, *arguments)
    assert status == 2
    assert says in err.splitlines()[-1]


def test_err_a_hostile_title_is_harmless(capsys, tmp_path):
    """A title from a stranger cannot steer the terminal."""
    sheet = tmp_path / "sheet.yaml"
    sheet.write_text(SHEET.read_text().replace("title: Wren, after", 'title: "\\e[31mWren\\u202e" # after'))
    status, out, _ = run(capsys, "--tape", sheet)
    assert "\x1b" not in out
    assert "\u202e" not in out
    assert status in (0, 2)
