"""`driftgate calibrate` with a tape sheet on the command line."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml

from driftgate.cli import main
from driftgate.load.compose import compose
from driftgate.load.single import load_single
from driftgate.load.text import split_lines
from driftgate.load.validate import validated_data

ROOT = Path(__file__).resolve().parents[2]
SHEET = ROOT / "routines" / "calibration" / "wren-tape.yaml"
ROBOT = ROOT / "routines" / "robots" / "wren.yaml"


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


def test_law_a_drive_that_goes_sideways_is_told_what_no_sheet_shows(capsys):
    """Sheet and guide name the drive for the sideways scale; of a differential drive they say nothing."""
    carrier = ROOT / "routines" / "robots" / "carrier.yaml"
    words = "sidesteps of 1 m to the left and to the right"
    told = run(capsys, "--tape", SHEET, "--robot", carrier)[1].partition("Not known from this sheet")[2]
    assert f"\n  sideways scale: logged runs with {words}" in told
    assert "sideways scale, if the drive" in run(capsys, "--tape", SHEET)[1]
    assert "sideways scale" not in run(capsys, "--tape", SHEET, "--robot", ROBOT)[1]
    assert words in run(capsys, "--guide", "--robot", carrier)[1]
    assert "Sideways" not in run(capsys, "--guide", "--robot", ROBOT)[1]


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


def test_law_a_whole_robot_file_is_written(capsys, tmp_path):
    """`--out` writes the robot file with the section in it; nothing else of the file changes."""
    out = tmp_path / "measured.yaml"
    status, printed, err = run(capsys, "--tape", SHEET, "--robot", ROBOT, "--out", out)
    assert status == 0
    assert f"\nWritten to {out.as_posix()}, as it drives now" in printed
    for name in ("distance_scale", "heading_bias", "heading_scale"):
        line = int(re.search(rf"  line (\d+): {name}\n", printed)[1])
        assert out.read_text().splitlines()[line - 1].strip() == f"{name}:"
    assert f"written to {out.as_posix()}" in err.splitlines()[-1]
    before, after = (load_single(path, "robot") for path in (ROBOT, out))
    assert after.findings == ()
    found = section(run(capsys, "--tape", SHEET)[1])
    for name in ("distance_scale", "heading_bias", "heading_scale"):
        new = yaml.safe_load(out.read_text())["errors"][name]
        assert new == found[name]
    kept = dict.fromkeys(found)
    assert before.document.robot.model_copy(
        update={"errors": before.document.robot.errors.model_copy(update=kept)}
    ) == after.document.robot.model_copy(
        update={"errors": after.document.robot.errors.model_copy(update=kept)}
    )
    comments = [line for line in ROBOT.read_text().splitlines() if line.lstrip().startswith("#")]
    assert [line for line in comments if line not in out.read_text()] == []


def test_err_a_refused_sheet_writes_nothing(capsys, tmp_path):
    """A sheet that contradicts itself leaves no robot file behind."""
    sheet, out = tmp_path / "sheet.yaml", tmp_path / "measured.yaml"
    text = SHEET.read_text()
    text = text.replace("  right:", "  XX:").replace("  left:", "  right:").replace("  XX:", "  left:")
    sheet.write_text(text)
    assert run(capsys, "--tape", sheet, "--robot", ROBOT, "--out", out)[0] == 2
    assert not out.exists()


def second_pass(turns: float, sides: float, distance: float = 0.0) -> str:
    """Return a sheet of which so much is left of what the first one shows of turns, sides and distance."""
    text = SHEET.read_text()
    for way, sign in (("right", 1), ("left", -1)):
        # 2 L alpha and 2 L beta of the first sheet, in mm.
        a, b = 20.6 * turns, 8.5 * sides
        along = a + b if way == "right" else a - b
        begin = text.index(f"  {way}:")
        end = text.index("  left:") if way == "right" else len(text)
        drives = "".join(
            f"    - {{tape: [{-along + i:.0f} mm, {sign * (-along + j):.0f} mm], robot: [0 mm, 0 mm]}}\n"
            for i, j in ((2, -1), (-3, 1), (0, 2), (1, -2), (-1, 1))
        )
        text = text[:begin] + f"  {way}:\n" + drives + text[end:]
    counts = iter((2.003, 2.001, 2.000, 1.999, 2.002))
    return re.sub(
        r"tape: (\d\.\d+) m, robot: \d\.\d+ m",
        lambda m: f"tape: {m[1]} m, robot: {next(counts) * (1.0 + 0.0044 * distance):.3f} m",
        text,
    )


@pytest.mark.parametrize(
    ("turns", "sides", "distance", "says"),
    [
        (0.02, -0.02, 0.0, ()),
        (2.0, 0.1, 0.0, ("heading scale is", "sign, or factor")),
        (0.1, 1.0, 0.0, ("heading bias is", "code that the robot ran")),
        (-1.0, 0.1, 0.0, ("heading scale is -", "entered twice")),
        (0.0, 0.0, 2.0, ("distance scale is", "sign, or factor")),
    ],
)
def test_law_a_second_pass_shows_whether_the_first_was_entered(
    turns, sides, distance, says, capsys, tmp_path
):
    """A correction the wrong way round, left out or entered twice is recognised by the drives after it."""
    sheet = tmp_path / "second.yaml"
    sheet.write_text(second_pass(turns, sides, distance))
    status, out, _ = run(capsys, "--tape", sheet, "--after", SHEET)
    assert status == (2 if says else 0)
    assert out.count("DG631") == (1 if says else 0)
    assert all(word in out for word in says)
    assert ("\nerrors:" in out) == (not says)
    assert ("Nothing to enter" in out) == (not says)


def test_law_exchanged_axes_show_in_the_second_pass(capsys, tmp_path):
    """Ahead and left exchanged in both sheets: the corrections change places, and the second pass says so."""
    exchange = (
        r"tape: \[(-?\d+) mm, (-?\d+) mm\], robot: \[(-?\d+) mm, (-?\d+) mm\]",
        r"tape: [\2 mm, \1 mm], robot: [\4 mm, \3 mm]",
    )
    first, second = tmp_path / "first.yaml", tmp_path / "second.yaml"
    first.write_text(re.sub(*exchange, SHEET.read_text()))
    # alpha was corrected by beta and the other way round: what is left is the difference, either way.
    second.write_text(re.sub(*exchange, second_pass(1.0 - 8.5 / 20.6, 1.0 - 20.6 / 8.5)))
    status, out, _ = run(capsys, "--tape", second, "--after", first)
    assert status == 2
    assert "ahead and left exchanged in both sheets" in out


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
        (("--guide", "--after", SHEET), "--corrected and --after go with --tape"),
        (("--guide", "--robot", ROBOT, "--out", "new.yaml"), "--out goes with logs or --tape"),
        (("--tape", SHEET, "--out", "new.yaml"), "--out needs --robot FILE"),
        (("--tape", SHEET, "--robot", ROBOT, "--out", ROBOT), "is there already; name a new file"),
        ((), "give either LOGs of runs, or --tape SHEET, or --guide"),
        (("--guide", "--corrected"), "--corrected and --after go with --tape"),
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
