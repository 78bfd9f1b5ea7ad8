"""`driftgate calibrate LOG...` on the command line."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
import yaml

from driftgate.cli import main
from driftgate.load.single import load_single

ROOT = Path(__file__).resolve().parents[2]
WREN = ROOT / "routines" / "robots" / "wren.yaml"


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


@pytest.fixture(scope="module")
def logs(tmp_path_factory):
    """Return a folder of three simulated runs of the calibration drive."""
    folder = tmp_path_factory.mktemp("runs")
    drive = ROOT / "routines" / "calibration" / "drive.yaml"
    assert main.run(["sample-logs", str(drive), "--runs", "3", "--out", str(folder)]) == 0
    return folder


@pytest.fixture
def calibrated(capsys, logs):
    """Return what a calibration from those runs prints."""
    floor = ROOT / "fieldmaps" / "cleared-floor.yaml"
    return run(capsys, "calibrate", logs, "--robot", WREN, "--field", floor)


def test_law_the_report_says_what_was_found_and_what_was_not(calibrated):
    """Numbers with intervals, what is missing with a drive that would show it, and that it is invented."""
    status, out, err = calibrated
    assert status == 0
    assert "3 runs, 39 reference poses" in out
    assert "about invented data" in out
    assert "Range sensor front:" in out
    assert "Not found; what would show it" in out
    assert "Keep clear" in out
    missing = out[out.index("\nNot found;") :].split("\n\n")[0].strip().splitlines()[1:]
    assert "error sources found in 3 runs; " in err.splitlines()[-1]
    assert err.splitlines()[-1].endswith(f"; {len(missing)} more named under 'Not found'")


def test_law_nothing_is_found_and_not_found_at_once(calibrated):
    """What is named below as not found has no figure above, and the other way round."""
    out = calibrated[1]
    missing = {
        line[2:].split(":")[0] for line in out[out.index("\nNot found;") :].splitlines() if ": " in line
    }
    named, sensor = {}, ""
    for line in out[: out.index("\nNot found;")].splitlines():
        if line.startswith("Range sensor "):
            sensor = line.split(":")[0].removeprefix("Range sensor ") + " "
        for words, name in (("  bias, ", "bias"), ("  scale ", "scale"), ("  mount angle, ", "mount angle")):
            if sensor and line.startswith(words):
                named[sensor + name] = "not found" in line
    assert len(named) == 12
    assert any(named.values())
    assert not all(named.values())
    for name, lost in named.items():
        assert lost == (name in missing), name


def test_law_the_section_is_yaml_with_its_provenance(calibrated):
    """The printed section is a robot file's, and says from how many runs and which files."""
    out = calibrated[1]
    section = yaml.safe_load(out[out.index("\nerrors:") : out.index("\nKeep clear")])
    scale = section["errors"]["heading_scale"]
    assert scale["fitted"]["runs"] == 3
    assert scale["basis"] == "measured"
    assert "simulated" in scale["note"]
    assert scale["fitted"]["files"][0].endswith("drive-sim-1.csv")
    assert {sensor["id"] for sensor in section["sensors"]} == {"front", "left", "back", "right"}


def test_law_out_writes_the_whole_robot_file_and_keeps_its_comments(capsys, logs, tmp_path):
    """The new file is sound, has every comment of the old one, and nothing else changed."""
    new = tmp_path / "wren-fitted.yaml"
    floor = ROOT / "fieldmaps" / "cleared-floor.yaml"
    status, out, err = run(capsys, "calibrate", logs, "--robot", WREN, "--field", floor, "--out", new)
    assert status == 0
    assert f"written to {new.as_posix()}" in err
    assert "For the robot file" not in out
    assert "driftgate backtest LOG... --robot FILE" in out
    before, after = WREN.read_text(), new.read_text()
    comments = [line.strip() for line in before.splitlines() if line.strip().startswith("#")]
    assert all(comment in after for comment in comments)
    old, fitted = yaml.safe_load(before), yaml.safe_load(after)
    assert {k: v for k, v in old.items() if k not in ("errors", "sensors")} == {
        k: v for k, v in fitted.items() if k not in ("errors", "sensors")
    }
    assert fitted["errors"]["bump"] == old["errors"]["bump"]
    assert fitted["errors"]["heading_scale"]["fitted"]["runs"] == 3
    assert load_single(new, "robot").findings == ()


def test_err_nothing_is_written_over(capsys, logs, tmp_path):
    """A file that is there is left alone, a link to nowhere too."""
    taken, link = tmp_path / "taken.yaml", tmp_path / "link.yaml"
    taken.write_text("mine\n")
    link.symlink_to(tmp_path / "nowhere.yaml")
    for target in (taken, link, WREN):
        status, _, err = run(capsys, "calibrate", logs, "--robot", WREN, "--out", target)
        assert status == 2
        assert "is there already" in err
    assert taken.read_text() == "mine\n"
    assert not (tmp_path / "nowhere.yaml").exists()


def test_err_a_robot_file_in_braces_is_not_edited(capsys, logs, tmp_path):
    """Sources on one line cannot be replaced one by one: the message says where and what to do."""
    robot = tmp_path / "robot.yaml"
    text = WREN.read_text()
    begin, end = text.index("errors:\n"), text.index("# Four range sensors")
    robot.write_text(text[:begin] + "errors: {bump: {along: 2 mm, heading: 0.3 deg, basis: guess, "
                     "constant_over: tick}}\n" + text[end:])  # fmt: skip
    status, _, err = run(capsys, "calibrate", logs, "--robot", robot, "--out", tmp_path / "new.yaml")
    assert status == 2
    assert "written in braces on one line" in err


def test_err_measured_and_simulated_logs_are_not_mixed(capsys, logs, tmp_path):
    """Invented runs never go with measured ones."""
    mixed = tmp_path / "mixed"
    shutil.copytree(logs, mixed)
    one = sorted(mixed.glob("*.csv"))[0]
    one.write_text(one.read_text().replace("# origin: simulated", "# origin: measured"))
    status, _, err = run(capsys, "calibrate", mixed, "--robot", WREN)
    assert status == 2
    assert "are not mixed" in err


def test_err_logs_without_a_reference_say_nothing(capsys, logs, tmp_path):
    """Runs of which nobody measured where they ended are refused with the reason."""
    lines = sorted(logs.glob("*.csv"))[0].read_text().splitlines()
    header = next(i for i, line in enumerate(lines) if line.startswith("time"))
    names = lines[header].split(",")
    keep = [i for i, name in enumerate(names) if not name.startswith("reference")]
    rows = [",".join(line.split(",")[i] for i in keep) for line in lines[header:]]
    bare = tmp_path / "bare.csv"
    preamble = [line for line in lines[:header] if not line.startswith("# reference")]
    bare.write_text("\n".join([*preamble, *rows]) + "\n")
    status, out, _ = run(capsys, "calibrate", bare, "--robot", WREN)
    assert status == 2
    assert f"bare.csv:{len(preamble) + 1}:1: error DG617: it says nowhere twice where the robot really" in out


def _with_header(logs, folder, *changes):
    """Return a folder of the same logs with other words in their header rows."""
    folder.mkdir()
    (folder / "pyproject.toml").write_text("")
    shutil.copytree(ROOT / "routines" / "robots", folder / "routines" / "robots")
    shutil.copytree(ROOT / "fieldmaps", folder / "fieldmaps")
    for log in logs.glob("*.csv"):
        lines = log.read_text().splitlines(keepends=True)
        at = next(i for i, line in enumerate(lines) if line.startswith("time"))
        for old, new in changes:
            assert old in lines[at]
            lines[at] = lines[at].replace(old, new)
        (folder / log.name).write_text("".join(lines))
    return sorted(folder.glob("*.csv"))


@pytest.mark.parametrize(
    ("changes", "code", "title"),
    [
        ([("forward [m]", "forward [in]")], "DG610", None),
        ([("reference x [m],reference y [m]", "reference x [ft],reference y [ft]")], "DG618", "forward"),
        ([("range front [m]", "range fornt [m]"), ("fix front", "fix fornt")], "DG616", "range fornt"),
        ([("forward [m]", "forwrad [m]")], "DG603", "forwrad"),
    ],
)
def test_law_validate_says_what_calibrate_refuses(capsys, logs, tmp_path, changes, code, title):
    """With the same words at the same places, and neither calls such logs sound."""
    files = _with_header(logs, tmp_path / "project", *changes)
    wren = tmp_path / "project" / "routines" / "robots" / "wren.yaml"
    lines = []
    for command in (("validate",), ("calibrate", "--robot", wren)):
        status, out, _ = run(capsys, command[0], *files, *command[1:])
        assert status == 2
        lines.append([line for line in out.splitlines() if f"error {code}: " in line])
    assert lines[0]
    assert lines[0] == lines[1]
    if title is not None:
        rows = files[0].read_text().splitlines()
        at = next(i for i, text in enumerate(rows) if text.startswith("time"))
        assert f":{at + 1}:{rows[at].index(title) + 1}: " in lines[0][0]


@pytest.mark.parametrize(
    ("changes", "sensor", "words", "advice"),
    [
        (
            [("range front", "range X"), ("range left", "range front"), ("range X", "range left"),
             ("fix front", "fix X"), ("fix left", "fix front"), ("fix X", "fix left")],
            "front",
            "do not fit where they sit: ",
            "exchange the titles 'range front' and 'range left'",
        ),
        ([("range front [m]", "range front [in]")], "front", "times as long", "metres against inches"),
        ([("range left [m]", "range left [mm]")], "left", "times as long", "metres against millimetres"),
    ],
)  # fmt: skip
def test_err_readings_that_do_not_fit_where_the_sensor_sits(
    capsys, logs, tmp_path, changes, sensor, words, advice
):
    """Two columns exchanged, or one in another unit: named at its title, and no number is written."""
    files = _with_header(logs, tmp_path / "project", *changes)
    wren, out_file = tmp_path / "project" / "routines" / "robots" / "wren.yaml", tmp_path / "new.yaml"
    said = []
    for command in (("validate",), ("calibrate", "--robot", wren, "--out", out_file), ("backtest",)):
        status, out, _ = run(capsys, command[0], *files, *command[1:])
        assert status == 2
        assert advice in out
        said.append([line for line in out.splitlines() if "error DG618: " in line])
    assert said[0] == said[1] == said[2]
    assert not out_file.exists()
    rows = files[0].read_text().splitlines()
    at = next(i for i, text in enumerate(rows) if text.startswith("time"))
    place = f":{at + 1}:{rows[at].index(f'range {sensor} ') + 1}: error DG618: the readings of '{sensor}' "
    (line,) = [line for line in said[0] if place in line]
    assert words in line


def test_law_a_range_column_of_no_sensor_is_warned_of_once(capsys, logs, tmp_path):
    """Named with how many logs have it; what else the logs show is found all the same."""
    files = _with_header(logs, tmp_path / "project", ("range front [m]", "range sonar [m]"),
                         ("fix front", "fix sonar"))  # fmt: skip
    wren = tmp_path / "project" / "routines" / "robots" / "wren.yaml"
    status, out, err = run(capsys, "validate", *files)
    assert status == 0
    assert out.count("warning DG616: 'range sonar' belongs to no sensor of wren.yaml") == 1
    assert "nor in 2 logs more" in out
    assert "its sensors: front, left, back, right" in out
    assert "3 sound logs" in err
    floor = tmp_path / "project" / "fieldmaps" / "cleared-floor.yaml"
    status, out, _ = run(capsys, "calibrate", *files, "--robot", wren, "--field", floor)
    assert status == 0
    assert "'range sonar' belongs to no sensor" in out
    assert "  front: hardly a reading" in out


def test_law_a_reference_of_unknown_spread_is_fitted_and_said(capsys, logs, tmp_path):
    """What is taken for it stands in the report, and the fit finds what was put in: 2 mm and 0.5 deg."""
    for log in logs.glob("*.csv"):
        lines = log.read_text().splitlines(keepends=True)
        text = "".join(line for line in lines if not line.startswith("# reference spread"))
        (tmp_path / log.name).write_text(text)
    status, out, _ = run(capsys, "calibrate", tmp_path, "--robot", WREN)
    assert status == 0
    assert "No log says how good its reference is" in out
    assert "for range sensors taken as 3 mm, 3 mm, 0.5 deg" in out
    rows = [line for line in out.splitlines() if "reference's spread included" in line]
    found = [line.split("does not add up")[1].split() for line in rows]
    (low, high), (turned_low, turned_high) = ((float(f[2]), float(f[4])) for f in found)
    assert low < 2.0 < high
    assert turned_low < 0.5 < turned_high
    one = sorted(tmp_path.glob("*.csv"))[0]
    shutil.copy(logs / one.name, one)
    assert "2 of 3 logs do not say how good" in run(capsys, "calibrate", tmp_path, "--robot", WREN)[1]
    assert "how good its reference" not in run(capsys, "calibrate", logs, "--robot", WREN)[1]


def test_law_places_without_headings_show_what_they_show(capsys, logs, tmp_path):
    """What the places determine is found, what they do not is named, with a way to measure a heading."""
    for log in logs.glob("*.csv"):
        lines = log.read_text().splitlines()
        at = next(i for i, line in enumerate(lines) if line.startswith("time"))
        column = lines[at].split(",").index("reference heading [deg]")
        for i in range(at + 1, len(lines)):
            cells = lines[i].split(",")
            cells[column] = ""
            lines[i] = ",".join(cells)
        (tmp_path / log.name).write_text("\n".join(lines) + "\n")
    floor = ROOT / "fieldmaps" / "cleared-floor.yaml"
    status, out, _ = run(capsys, "calibrate", tmp_path, "--robot", WREN, "--field", floor)
    assert status == 0
    assert "3 runs, 39 reference places, none with a heading" in out
    rows = {line[2:24].strip(): line[24:] for line in out.splitlines() if line.startswith("  ")}
    assert "not found" in rows["crab angle"]
    for name in ("wheel offset", "heading scale"):
        assert "not found" not in rows[name]
    assert "the places of two marks on the robot's middle line" in out
    assert "Range sensor" not in out
    assert "crab_angle:" not in out


def test_err_validate_names_one_run_under_two_names(capsys, logs, tmp_path):
    """As calibrate refuses it: with both names."""
    files = _with_header(logs, tmp_path / "project")
    shutil.copy(files[0], tmp_path / "project" / "z.csv")
    status, out, _ = run(capsys, "validate", *files, tmp_path / "project" / "z.csv")
    assert status == 2
    assert f"z.csv:10:1: error DG619: holds the same rows as {files[0].name}: one run under two names" in out
    assert run(capsys, "validate", *files)[0] == 0


def test_law_a_log_that_lacks_something_is_readable_and_named(capsys, tmp_path):
    """A file of a run's references alone is no error, but it is not called sound for a calibration."""
    file = tmp_path / "odometry.csv"
    file.write_text("# driftgate log: 1\n# origin: measured\ntime [s],forward [m]\n0,0\n0.1,0.01\n")
    (tmp_path / "pyproject.toml").write_text("")
    status, out, err = run(capsys, "validate", file, tmp_path / "." / "odometry.csv")
    assert status == 0
    assert "odometry.csv:3:1: warning DG617: calibrate refuses this: there is no heading in it" in out
    assert out.count("DG617") == 1
    assert "1 log that calibrate can do nothing with" in err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("x.csv",), "logs need --robot FILE"),
        (("x.csv", "--tape", "y.yaml", "--robot", WREN), "give either LOGs of runs"),
        (("--guide", "--out", "z.yaml"), "--out goes with logs or --tape"),
        (("no-such.csv", "--robot", WREN), "in the files"),
    ],
)
def test_err_bad_usage(capsys, arguments, says):
    """Bad usage ends with status 2 and says why."""
    status, _, err = run(capsys, "calibrate", *arguments)
    assert status == 2
    assert says in err.splitlines()[-1]


def test_err_a_folder_without_logs(capsys, tmp_path):
    """An empty folder is named."""
    status, _, err = run(capsys, "calibrate", tmp_path, "--robot", WREN)
    assert status == 2
    assert "there is no log (*.csv)" in err


def test_law_a_run_named_twice_is_refused(capsys, logs):
    """A folder and a file in it: one run is no two."""
    one = sorted(logs.glob("*.csv"))[0]
    status, out, err = run(capsys, "calibrate", logs, one, "--robot", WREN)
    assert (status, out) == (2, "")
    assert "named twice" in err


@pytest.mark.parametrize("factor", [-1.0, 0.0175])
def test_law_a_slip_of_unit_or_sign_is_said(capsys, logs, tmp_path, factor):
    """A gyro that counts the other way, or in another unit, is no noise of the robot."""
    lines = sorted(logs.glob("*.csv"))[0].read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("time"))
    column = lines[at].split(",").index("heading [deg]")
    for i in range(at + 1, len(lines)):
        cells = lines[i].split(",")
        if cells[column]:
            cells[column] = f"{factor * float(cells[column]):.6f}"
        lines[i] = ",".join(cells)
    (tmp_path / "run.csv").write_text("\n".join(lines) + "\n")
    status, out, _ = run(capsys, "calibrate", tmp_path / "run.csv", "--robot", WREN)
    assert status == 2
    assert f"run.csv:{at + 1}:{lines[at].index('heading [deg]') + 1}: error DG618: " in out


def scaled(source, target, titles, factor):
    """Write a log again with columns of numbers multiplied, as by another unit in the header."""
    lines = source.read_text().splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("time"))
    names = [title.split(" [")[0] for title in lines[at].split(",")]
    for i in range(at + 1, len(lines)):
        cells = lines[i].split(",")
        for title in titles:
            cell = cells[names.index(title)]
            if cell not in ("", "none"):
                cells[names.index(title)] = f"{factor * float(cell):.6f}"
        lines[i] = ",".join(cells)
    target.write_text("\n".join(lines) + "\n")


@pytest.mark.parametrize(
    ("titles", "factor"),
    [
        (("forward",), 2.0),
        (("forward",), 0.5),
        (("reference x", "reference y"), 0.394),
        (("range front",), 25.4),
    ],
)
def test_err_one_run_in_another_unit_is_named(capsys, logs, tmp_path, titles, factor):
    """One bad log among good ones: its file and the column, no number, no warning of a library."""
    good = sorted(logs.glob("*.csv"))
    for source in good[:2]:
        shutil.copy(source, tmp_path / source.name)
    scaled(good[2], tmp_path / "slip.csv", titles, factor)
    floor = ROOT / "fieldmaps" / "cleared-floor.yaml"
    status, out, err = run(capsys, "calibrate", tmp_path, "--robot", WREN, "--field", floor)
    assert status == 2
    header = next(line for line in good[2].read_text().splitlines() if line.startswith("time"))
    column = header.index("forward" if titles[0].startswith("reference") else titles[0]) + 1
    (at,) = (line for line in out.splitlines() if " error " in line)
    assert at.startswith(f"slip.csv:10:{column}: error DG61")
    assert "check the unit" in out
    assert "Warning" not in err


def test_err_a_link_to_itself_is_a_file_that_cannot_be_read(capsys, tmp_path):
    """It is bad input like any other, not a fault of the program."""
    loop = tmp_path / "loop.csv"
    loop.symlink_to(loop)
    status, out, _ = run(capsys, "calibrate", loop, "--robot", WREN)
    assert status == 2
    assert "loop.csv: error DG101" in out


def test_err_nothing_between_the_files_of_a_run(capsys):
    """A name ends in the sign that joins two."""
    status, _, err = run(capsys, "calibrate", "a.csv+", "--robot", WREN)
    assert status == 2
    assert "'a.csv+' is not FILE or FILE+FILE+FILE" in err


def test_law_logs_of_another_robot_are_said(capsys, logs, tmp_path):
    """A warning at the line that names the robot; another file of the same machine is the same robot."""
    root = tmp_path / "repository"
    shutil.copytree(ROOT / "routines" / "robots", root / "routines" / "robots")
    (root / "pyproject.toml").touch()
    robots = root / "routines" / "robots"
    kept = WREN.read_text()
    (robots / "wren-2.yaml").write_text(kept.replace("spread: 0.6 %", "spread: 0.7 %"))
    assert (robots / "wren-2.yaml").read_text() != kept
    for log in logs.glob("*.csv"):
        shutil.copy(log, root / log.name)
    files = sorted(root.glob("*.csv"))
    status, out, _ = run(capsys, "calibrate", *files, "--robot", robots / "wren-2.yaml")
    assert status == 0
    assert "DG615" not in out
    # Logs kept outside a repository name a file of the robot's.
    status, out, _ = run(capsys, "calibrate", logs, "--robot", WREN)
    assert "DG615" not in out
    status, out, _ = run(capsys, "calibrate", *files, "--robot", robots / "stork.yaml")
    assert status == 0
    assert "drive-sim-1.csv:3:10: warning DG615: driven by routines/robots/wren.yaml, and 2 logs more" in out
    plain = files[0].read_text().replace("# robot: routines/robots/wren.yaml\n", "")
    files[0].write_text(plain)
    status, out, _ = run(capsys, "calibrate", *files, "--robot", WREN)
    assert "DG615: the log does not say which robot drove it" in out


def test_law_random_returns_give_way_to_short_and_long_ones(capsys, logs, tmp_path):
    """What was counted as short and long false returns does not stay in the file as random ones too."""
    robot, new = tmp_path / "robot.yaml", tmp_path / "fitted.yaml"
    text = WREN.read_text()
    at = text.index("      dropout:")
    random = "      random_return: {probability: 2 %, basis: guess, constant_over: reading}\n"
    robot.write_text(text[:at] + random + text[at:])
    floor = ROOT / "fieldmaps" / "cleared-floor.yaml"
    status, out, _ = run(capsys, "calibrate", logs, "--robot", robot, "--field", floor)
    assert status == 0
    assert "# random_return is counted in it: delete that one" in out
    status, _, _ = run(capsys, "calibrate", logs, "--robot", robot, "--field", floor, "--out", new)
    assert status == 0
    assert "random_return" not in new.read_text()
    assert load_single(new, "robot").findings == ()


def test_law_one_log_that_contradicts_itself_hides_no_other(capsys, logs, tmp_path):
    """Distances of one run in another unit, and a range column of the others: both are said at once."""
    files = _with_header(logs, tmp_path / "project", ("range left [m]", "range left [mm]"))
    scaled(files[0], files[0], ["reference x", "reference y"], 0.3048)
    wren = tmp_path / "project" / "routines" / "robots" / "wren.yaml"
    for command in (("validate",), ("calibrate", "--robot", wren)):
        status, out, _ = run(capsys, command[0], *files, *command[1:])
        assert status == 2
        assert out.count("error DG618: between reference poses") == 1
        assert out.count("error DG618: the readings of 'left'") == 1
        assert "(and so in 1 log more: " in out


def test_law_backtest_says_what_validate_says_of_logs(capsys, logs, tmp_path):
    """Of runs judged and of those of --fit, and with --robot; ranges to beacons are no sensor's."""
    files = _with_header(logs, tmp_path / "project", ("range left [m]", "range post [m]"),
                         ("fix left", "fix post"))  # fmt: skip
    beacons = tmp_path / "beacons.csv"
    beacons.write_text("# driftgate beacons: 1\nbeacon,x [m],y [m]\npost,1,1\n")
    warned = "warning DG616: 'range post' belongs to no sensor"
    scaled(files[0], files[0], ["reference x", "reference y"], 0.3048)
    wren = tmp_path / "project" / "routines" / "robots" / "wren.yaml"
    for words in (files, (files[0], "--robot", wren), (files[1], "--fit", files[0])):
        status, out, err = run(capsys, "backtest", *words)
        assert status == 2
        assert f"{files[0].name}:" in out
        assert out.count("error DG618: between reference poses the odometry drives 3.2") == 1
        assert out.count(warned) == 1
        assert "Verdict" not in out
        assert "status 2: 1 error in the files" in err
    status, out, _ = run(capsys, "backtest", files[0], "--beacons", beacons)
    assert status == 2
    assert warned not in out
