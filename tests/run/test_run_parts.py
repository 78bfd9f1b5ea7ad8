"""Files of one run beside each other: joined where their names and columns leave no doubt, else told of."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import pytest

from driftgate.cli import main
from driftgate.run.log_files import all_runs
from driftgate.run.run_parts import JoinedByName, joined_by_name, say_parts
from driftgate.run.validate import validate_files

ROOT = Path(__file__).resolve().parents[2]
WREN = ROOT / "routines/robots/wren.yaml"
DRIVES = "time [s],forward [m],heading [deg]"
POSES = "time [s],reference x [m],reference y [m],reference heading [deg],reference by"
RANGES = "time [s],range left [m]"
HEAD = "# driftgate log: 1\n# origin: simulated\n"


def _rows(header: str, tag: int) -> list[str]:
    if header == POSES:
        return [f"{0.1 * i:.1f},{0.01 * i:.3f},0,0,tape" for i in (0, 20, 39)]
    if header == RANGES:
        return [f"{0.1 * i:.1f},0.5" for i in range(40)]
    # Unlike from run to run, as those of real robots are.
    return [f"{0.1 * i:.1f},{0.01 + 0.0001 * ((i * tag) % 7):.4f},{0.01 * tag * i:.3f}" for i in range(40)]


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the folder that the command is typed in."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "logs").mkdir()
    return tmp_path


def put(name: str, header: str, tag: int = 1, head: str = HEAD) -> Path:
    """Write a file of that kind in the folder logs."""
    path = Path("logs") / name
    path.write_text(head + "\n".join([header, *_rows(header, tag)]) + "\n")
    return path


def joined(*words: str) -> list[str]:
    """Return the runs of a command line as somebody would type them."""
    return ["+".join(path.name for path in run) for run in joined_by_name(all_runs(words))]


@pytest.mark.parametrize(
    ("files", "runs"),
    [
        ({"a.csv": DRIVES, "a-poses.csv": POSES}, ["a.csv+a-poses.csv"]),
        ({"a.csv": DRIVES, "a poses.csv": POSES}, ["a.csv+a poses.csv"]),
        ({"a-odometry.csv": DRIVES, "a-reference.csv": POSES}, ["a-odometry.csv+a-reference.csv"]),
        ({"a.csv": DRIVES, "a_r.csv": RANGES, "a_p.csv": POSES}, ["a.csv+a_p.csv+a_r.csv"]),
        (
            {"run1.csv": DRIVES, "run1-poses.csv": POSES, "run10.csv": DRIVES, "run10-poses.csv": POSES},
            ["run1.csv+run1-poses.csv", "run10.csv+run10-poses.csv"],
        ),
        (
            {"run.csv": DRIVES, "run-2.csv": DRIVES, "run-2-poses.csv": POSES},
            ["run-2.csv+run-2-poses.csv", "run.csv"],
        ),
        # Two lists of poses of one run, a run that has its poses, names that say nothing: nobody can know.
        ({"a.csv": DRIVES, "a-p.csv": POSES, "a-q.csv": POSES}, ["a-p.csv", "a-q.csv", "a.csv"]),
        ({"a.csv": f"{DRIVES},{POSES[9:]}", "a-p.csv": POSES}, ["a-p.csv", "a.csv"]),
        ({"odometry.csv": DRIVES, "poses.csv": POSES}, ["odometry.csv", "poses.csv"]),
        ({"run-1.csv": DRIVES, "run-2.csv": POSES}, ["run-1.csv", "run-2.csv"]),
        ({"a-x.csv": DRIVES, "a-y.csv": DRIVES, "a-p.csv": POSES}, ["a-p.csv", "a-x.csv", "a-y.csv"]),
        ({"a.csv": DRIVES, "ab-poses.csv": POSES}, ["a.csv", "ab-poses.csv"]),
    ],
)  # fmt: skip
def test_law_files_are_joined_by_name_and_columns(here: Path, files: dict[str, str], runs: list[str]):
    """In a folder, by a pattern, or named one by one in any order, as a shell does for a pattern."""
    for name, header in files.items():
        put(name, header)
    assert sorted(joined("logs")) == sorted(joined("logs/*.csv")) == sorted(runs)
    for words in list(permutations(f"logs/{name}" for name in files))[:6]:
        assert sorted(joined(*words)) == sorted(runs)


def test_law_what_is_no_log_is_joined_to_nothing(here: Path):
    """A table of a team's own, a list of beacons, a link that leads out of the repository, a folder."""
    (here / ".git").mkdir()
    put("a.csv", DRIVES)
    put("a-prices.csv", POSES, head="")
    put("a-posts.csv", "beacon,x [m],y [m]", head="# driftgate beacons: 1\n")
    (here / "logs" / "a-all.csv").mkdir()
    away = here.parent / f"{here.name}-away.csv"
    put("b.csv", POSES).rename(away)
    (here / "logs" / "a-link.csv").symlink_to(away)
    assert "a.csv" in joined("logs")
    # Files that somebody joined stay as they were joined.
    put("a-poses.csv", POSES)
    assert joined("logs/a-poses.csv+logs/a.csv", "logs/a.csv") == ["a-poses.csv+a.csv", "a.csv"]
    assert not isinstance(joined_by_name(all_runs(["logs/a.csv+logs/a-poses.csv"]))[0], JoinedByName)


def said(*words: str) -> list[tuple[str, str, str, str]]:
    """Return what is said of the runs of a command line."""
    found = []
    say_parts(joined_by_name(all_runs(words)), found)
    assert {finding.code for finding in found} <= {"DG624"}
    return [(f.level, f.path, f.message, f.suggestion) for f in found]


def test_law_what_was_joined_is_said_once(here: Path):
    """A note names the first, and how many there are."""
    for i in (1, 2, 3):
        put(f"r{i}.csv", DRIVES, i)
        put(f"r{i}-poses.csv", POSES)
    ((level, path, message, _),) = said("logs")
    assert (level, path) == ("note", "logs/r1.csv")
    assert message == "read as one run with r1-poses.csv (and 2 runs more from files called so)"
    assert said("logs/r1.csv+logs/r1-poses.csv") == []


@pytest.mark.parametrize(
    ("files", "words", "path", "message", "command"),
    [
        (
            {"a.csv": DRIVES, "a-p.csv": POSES}, ("logs/a.csv",), "logs/a.csv",
            "it has no reference poses, and a-p.csv beside it looks like them", "logs/a.csv+logs/a-p.csv",
        ),
        (
            {"a.csv": DRIVES, "a-p.csv": POSES}, ("logs/a-p.csv",), "logs/a-p.csv",
            "it has no odometry: it is a part of a run, and a.csv beside it", "logs/a.csv+logs/a-p.csv",
        ),
        (
            {"o.csv": DRIVES, "p.csv": POSES, "r.csv": RANGES}, ("logs",), "logs/p.csv",
            "o.csv beside it has what was driven (and so 1 file more)",
            "logs/o.csv+logs/p.csv+logs/r.csv",
        ),
        (
            {"a.csv": DRIVES, "a-p.csv": POSES, "a-q.csv": POSES}, ("logs",), "logs/a-p.csv",
            "; a-q.csv has a column 'reference by', too", "logs/a.csv+logs/a-p.csv",
        ),
        (
            {"a.csv": DRIVES, "a b.csv": POSES}, ("logs/a.csv",), "logs/a.csv",
            "a b.csv beside it", "'logs/a.csv+logs/a b.csv'",
        ),
    ],
)  # fmt: skip
def test_law_a_part_alone_is_told_the_command(here: Path, files, words, path, message, command):
    """A warning names the file that is missing, and the plus sign in what to type."""
    for name, header in files.items():
        put(name, header)
    found = [one for one in said(*words) if one[1] == path]
    assert [one[0] for one in found] == ["warning"]
    assert message in found[0][2]
    assert found[0][3] == f"'+' joins the files of one run: {command}"


def test_law_a_run_with_its_poses_is_told_that_it_has_them(here: Path):
    """Joining would have each column twice."""
    put("a.csv", f"{DRIVES},{POSES[9:]}")
    (here / "logs" / "a.csv").write_text(HEAD + f"{DRIVES},{POSES[9:]}\n0,0.1,0,1,1,0,tape\n")
    put("a-p.csv", POSES)
    ((level, path, message, advice),) = said("logs")
    assert (level, path) == ("warning", "logs/a-p.csv")
    assert message == "it has no odometry, and a.csv beside it has a column 'reference by' already"
    assert "delete" in advice


def test_law_every_command_reads_the_pair_and_says_so(here: Path, capsys: pytest.CaptureFixture[str]):
    """Validate, calibrate and backtest: the pairs of a folder are its runs, and a part alone is told of."""
    for i in (1, 2):
        put(f"r{i}.csv", DRIVES, i)
        put(f"r{i}-poses.csv", POSES)
    assert validate_files([Path("logs")]).why.startswith("2 sound logs")
    robot = ("--robot", str(WREN))
    for words in (["calibrate", *robot], ["backtest", "--between", *robot]):
        main.run([words[0], "logs", *words[1:]])
        out = capsys.readouterr().out
        assert "logs/r1.csv: note DG624: read as one run with r1-poses.csv (and 1 run more" in out
        main.run([words[0], "logs/r1.csv", *words[1:]])
        assert "'+' joins the files of one run: logs/r1.csv+logs/r1-poses.csv" in "".join(capsys.readouterr())
        main.run([words[0], "logs/r1-poses.csv", *words[1:]])
        assert "'+' joins the files of one run: logs/r1.csv+logs/r1-poses.csv" in "".join(capsys.readouterr())


def test_law_the_files_shown_in_the_documents_are_sound():
    """A log, its poses and a list of beacons, short enough to be typed: no error, no warning."""
    found = validate_files([ROOT / "tests/docs/logs"])
    assert found.why == "1 sound log, 1 sound list of beacons, no errors"
    assert [(f.code, f.level) for f in found.findings] == [("DG624", "note")]
