"""Files that logs name: found inside the repository, and in no other way. The logs are invented."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from driftgate.calibrate.tracks import track_of
from driftgate.cli import main
from driftgate.logs import read_log
from driftgate.logs.values import NAMED
from driftgate.run.log_robots import check_robots
from driftgate.run.named_files import check_named, named_file
from driftgate.run.routine_logs import routine_runs
from driftgate.run.tape import load_robot

ROOT = Path(__file__).resolve().parents[2]
NAMES = {
    "robot": "routines/robots/wren.yaml",
    "routine": "routines/corner-dash.yaml",
    "field": "fieldmaps/hall.yaml",
}
TITLE = (
    "time [s],forward [m],heading [deg],reference x [m],reference y [m],reference heading [deg],reference by"
)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a repository with the shipped files, beside files that are none of its business."""
    inside = tmp_path / "here"
    (inside / ".git").mkdir(parents=True)
    for folder in (inside, tmp_path):
        for path in (
            *ROOT.glob("routines/*.yaml"),
            *ROOT.glob("routines/robots/*"),
            *ROOT.glob("fieldmaps/*"),
        ):
            to = folder / path.relative_to(ROOT)
            to.parent.mkdir(parents=True, exist_ok=True)
            to.write_bytes(path.read_bytes())
    monkeypatch.chdir(inside)
    return inside


def written(folder: Path, names: dict[str, str], name: str = "run.csv") -> Path:
    """Write a log that names files, and drives half a metre."""
    head = ["# driftgate log: 1", "# origin: simulated", *(f"# {key}: {file}" for key, file in names.items())]
    rows = [f"{0.1 * i:.1f},0.01,0,{0.2 + 0.01 * i:.2f},0.8,0,tape" for i in range(50)]
    (folder / name).write_text("\n".join([*head, TITLE, *rows]) + "\n")
    return folder / name


def out_of(here: Path, how: str, name: str) -> str:
    """Return another name of a file outside."""
    if how == "link":
        (here / "link.yaml").symlink_to(here.parent / name)
    if how == "linked folder":
        (here / "all").symlink_to(here.parent)
    ways = {"up": f"../{name}", "up late": f"routines/../../{name}", "top": str(here.parent / name)}
    return ways.get(how) or {"link": "link.yaml", "linked folder": f"all/{name}"}[how]


WAYS = ("up", "up late", "top", "link", "linked folder")


@pytest.mark.parametrize("how", WAYS)
def test_err_no_name_leads_out(here: Path, how: str):
    """Whatever the way, a file outside is none; inside, and over a link inside, it is found."""
    name = NAMES["robot"]
    assert named_file(name, [here]) == (here / name).resolve()
    (here / "again.yaml").symlink_to(here / name)
    assert named_file("again.yaml", [here]) == (here / name).resolve()
    assert named_file(out_of(here, how, name), [here]) is None
    for other in (".", "routines", "nothing.yaml", "a\0b", "x" * 5000, "", None):
        assert named_file(other, [here]) is None
    assert named_file(name, [here / "fieldmaps", here]) == (here / name).resolve()


@pytest.mark.parametrize("how", WAYS)
@pytest.mark.parametrize("key", NAMED)
def test_err_no_command_reads_outside(here: Path, capsys: pytest.CaptureFixture[str], key: str, how: str):
    """Validate, calibrate and backtest say the same words at the same place, and use nothing of such a file.

    A name that leads up or begins at the top is refused with the preamble; one over a link is not there.
    """
    (here.parent / NAMES[key]).write_text("secret: SESAME\n")
    log = written(here, NAMES | {key: out_of(here, how, NAMES[key])})
    at = list(NAMES).index(key) + 3
    robot = ("--robot", NAMES["robot"])
    for words in (["validate"], ["calibrate", *robot], ["backtest", *robot, "--length", "20 cm"]):
        main.run([words[0], log.name, *words[1:]])
        said = "".join(capsys.readouterr())
        assert "SESAME" not in said
        assert "Traceback" not in said
        places = [line for line in said.splitlines() if line.startswith(f"{log.name}:{at}:{len(key) + 5}: ")]
        if how.startswith(("up", "top")):
            assert "DG602" in places[0]
            assert "is no path from the repository's root" in places[0]
        else:
            assert "DG121" in places[0], said
            assert "there is no file" in places[0]


def test_law_a_run_without_its_files_is_left_out(here: Path):
    """A plan is made for a log whose routine and field are there, and for no other."""
    log = read_log([written(here, NAMES)], [], here)
    assert log is not None
    (here / "link.yaml").symlink_to(here.parent / NAMES["routine"])
    pair = track_of(log)

    def runs(**changed: str | None):
        return routine_runs([(replace(log, **changed), pair)], [[here]], None, [])

    assert len(runs()) == len(runs(field=None)) == 1
    assert runs(routine=None) == runs(routine="link.yaml") == runs(field="fieldmaps/none.yaml") == []


def test_err_several_logs_say_it_once(here: Path):
    """One finding for each file, at its first place, with how many logs name it, too."""
    logs = [read_log([written(here, NAMES | {"field": "gone.yaml"}, f"{i}.csv")], [], here) for i in "abc"]
    found = []
    check_named([(log, [here]) for log in logs], found)
    assert [(f.path, f.line, f.column, f.code, f.level) for f in found] == [
        ("a.csv", 5, 10, "DG121", "warning")
    ]
    assert found[0].message == "there is no file gone.yaml in the repository (and so 2 logs more)"
    assert found[0].suggestion == "paths start at the repository's root"


def test_law_the_robot_of_a_log_kept_outside_is_looked_for_beside_the_one_meant(here: Path):
    """It names a file of the robot's repository, and no other robot."""
    away = here.parent / "logs"
    away.mkdir()
    file = written(away, NAMES)
    log = read_log([file], [], away)
    robot, _ = load_robot(here / NAMES["robot"])
    for name, codes in ((NAMES["robot"], []), ("routines/robots/none.yaml", ["DG121"])):
        found = []
        check_robots([(replace(log, robot=name), [file])], here / NAMES["robot"], robot, found)
        assert [f.code for f in found] == codes


@pytest.mark.parametrize("key", NAMED)
def test_err_a_name_misspelt_is_one_message_with_the_one_meant(
    here: Path, capsys: pytest.CaptureFixture[str], key: str
):
    """Whichever command reads the log: there is no such file, and what is called like it, of its kind."""
    meant = NAMES[key]
    stem = Path(meant).stem
    wrong = meant.replace(stem, f"{stem[:-1]}x{stem[-1]}")
    # (Something of another kind is called even more like it.)
    (here / wrong.replace(".yaml", "x.yaml")).write_text("kind: waivers\n")
    log = written(here, NAMES | {key: wrong})
    at = list(NAMES).index(key) + 3
    robot = ("--robot", NAMES["robot"])
    for words in (["validate"], ["calibrate", *robot], ["backtest", *robot, "--length", "20 cm"]):
        main.run([words[0], log.name, *words[1:]])
        said = "".join(capsys.readouterr())
        assert f"{log.name}:{at}:{len(key) + 5}: " in said
        assert f"DG121: there is no file {wrong} in the repository\n" in said
        assert f"hint: did you mean '{meant}'?" in said
        assert "DG615" not in said
    (here / log).write_text(log.read_text().replace(wrong, f"{Path(meant).parent.as_posix()}/zoom.yaml"))
    main.run(["validate", log.name])
    assert f"hint: there is {Path(meant).parent.as_posix()}/" in "".join(capsys.readouterr())
