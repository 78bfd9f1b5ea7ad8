"""Steps that a log names against those of its routine. The logs are invented."""

from __future__ import annotations

from pathlib import Path

from driftgate.cli import main
from driftgate.core.rules import RULES
from driftgate.logs import read_log
from driftgate.run.log_steps import check_steps

ROOT = Path(__file__).resolve().parents[2]
DRIVE = "routines/calibration/drive.yaml"
OWN = ("rest", "straight", "at-a", "left-once")


def written(folder: Path, steps, routine: str = DRIVE, name: str = "run.csv") -> Path:
    """Write a log in which each step is driven for two rows."""
    rows = [f"{0.1 * i:.1f},{steps[i // 2]},0.01" for i in range(2 * len(steps))]
    head = ["# driftgate log: 1", "# origin: simulated", f"# routine: {routine}", "time [s],step,forward [m]"]
    (folder / name).write_text("\n".join([*head, *rows]) + "\n")
    return folder / name


def checked(*files: Path):
    """Return the logs that are left and what is said of them."""
    logs = [read_log([file], [], file.parent) for file in files]
    found = []
    kept = check_steps([(log, [ROOT]) for log in logs if log is not None], found)
    return kept, found


def test_law_steps_of_the_routine_have_nothing_said_of_them(tmp_path):
    """By name, by number, and rows in which nothing is driven."""
    kept, found = checked(written(tmp_path, [*OWN, "3", "", "12"]))
    assert found == []
    assert kept[0].step is not None


def test_err_a_misspelt_step_is_named_at_its_first_cell(tmp_path):
    """Once for all logs that have it, with the step that was meant; the other steps are used."""
    files = [written(tmp_path, ["rest", "straigth", "at-a", "straigth"], name=f"{i}.csv") for i in "ab"]
    kept, (found,) = checked(*files)
    assert (found.path, found.line, found.column, found.code, found.level) == (
        *("a.csv", 7, 5, "DG620"),
        "warning",
    )
    assert f"there is no step 'straigth' in {DRIVE}" in found.message
    assert "and so 1 log more" in found.message
    assert found.suggestion == "did you mean 'straight'?"
    assert found.code in RULES
    assert all(log.step is not None for log in kept)


def test_err_a_log_of_another_routine(tmp_path):
    """One warning says so, and no timing is taken from it, not even of steps that are called alike."""
    kept, (found,) = checked(written(tmp_path, ["up", "dock", "straight", "cross"]))
    assert (found.line, found.column, found.code, found.level) == (5, 5, "DG620", "warning")
    assert "3 of the 4 steps" in found.message
    assert "a log of another routine (up, dock, cross)" in found.message
    assert kept[0].step is None


def test_law_of_a_routine_that_is_not_there_no_step_is_asked(tmp_path):
    """That it is not there is said elsewhere."""
    kept, found = checked(written(tmp_path, OWN, "routines/drve.yaml"))
    assert found == []
    assert kept[0].step is not None


def test_law_every_command_says_it(capsys, tmp_path):
    """Validate, calibrate, and backtest of runs judged and fitted: a simulated one has a step misspelt."""
    assert main.run(["sample-logs", str(ROOT / DRIVE), "--runs", "2", "--out", str(tmp_path)]) == 0
    log, other = sorted(tmp_path.glob("*.csv"))
    log.write_text(log.read_text().replace(",wide-left,", ",wide-lft,"))
    (tmp_path / "pyproject.toml").write_text("")
    for name in (DRIVE, "routines/robots/wren.yaml", "fieldmaps/cleared-floor.yaml"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text((ROOT / name).read_text())
    robot = ("--robot", str(tmp_path / "routines/robots/wren.yaml"))
    capsys.readouterr()
    places = []
    for command, *options in (["validate"], ["calibrate", *robot], ["backtest", *robot, "--length", "1 m"]):
        main.run([command, str(log), *options])
        out, err = capsys.readouterr()
        (line,) = [line for line in (out + err).splitlines() if "DG620" in line]
        places.append(line)
    assert "there is no step 'wide-lft'" in places[0]
    assert places[0] == places[1] == places[2]
    for judged in (other, log):
        words = ["backtest", str(judged), "--fit", str(log), "--between"]
        main.run([*words, "--no-slips"])
        said = capsys.readouterr()
        assert [line for line in said.out.splitlines() if "DG620" in line] == places[:1], said.err
