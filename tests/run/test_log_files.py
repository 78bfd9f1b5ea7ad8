"""Which runs a word of a command line means, and one run under two names."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.cli import main
from driftgate.load.single import load_single
from driftgate.logs import read_log
from driftgate.run import same_runs
from driftgate.run.log_files import all_runs, runs_of
from driftgate.run.same_rows import rows_of, same_run
from driftgate.run.same_runs import ReadRun, behind_robot, no_evidence, refuse_copies, seen_before
from driftgate.run.status import InputError
from driftgate.run.validate import validate_files

ROOT = Path(__file__).resolve().parents[2]
HEAD = "# driftgate log: 1\n# origin: simulated\n"
TITLE = "time [s],forward [m],heading [rad],reference x [m],reference y [m],reference heading [rad]"
TITLE += ",reference by\n"


def _log(name: str, bias: float = 0.0, head: str = HEAD) -> str:
    rows = [f"{0.1 * i:.1f},{0.01 * (i > 0)},{bias * i:.6f},{0.01 * i:.3f},0,0,tape\n" for i in range(40)]
    return head + f"# run: {name}\n" + TITLE + "".join(rows)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return a folder with runs, beacons beside them, and another file."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "runs").mkdir()
    for i, name in enumerate(("b", "a")):
        (tmp_path / "runs" / f"{name}.csv").write_text(_log(name, 0.001 * (i + 1)))
    (tmp_path / "runs" / "beacons.csv").write_text("# driftgate beacons: 1\nbeacon,x [m],y [m]\nn,1,2\n")
    (tmp_path / "runs" / "drawn.json").write_text("{}")
    return tmp_path


def test_a_word_means_runs(here: Path):
    """File, files of one run, folder and pattern; beacons and other files in a folder are none."""
    both = [(Path("runs/a.csv"),), (Path("runs/b.csv"),)]
    assert runs_of("runs") == runs_of("runs/*") == runs_of("r*") == runs_of("**/[ab].csv") == both
    assert runs_of("runs/a.csv") == [(Path("runs/a.csv"),)]
    assert runs_of("runs/a.csv+runs/b.csv") == [(Path("runs/a.csv"), Path("runs/b.csv"))]
    shutil.copy("runs/a.csv", "a+[1].csv")
    assert runs_of("a+[1].csv") == [(Path("a+[1].csv"),)]
    assert all_runs(["runs", "a+[1].csv"]) == [*both, (Path("a+[1].csv"),)]
    (here / "none").mkdir()
    for text, words in (
        ("none", "there is no log"), ("none/*.csv", "no log"), ("runs/a.csv+", "FILE+FILE"),
        ("runs/a.csv+runs", "runs is a folder"), ("runs/a.csv+runs/*.csv", "is a pattern"),
    ):  # fmt: skip
        with pytest.raises(InputError, match=words.replace("+", r"\+")):
            runs_of(text)


def test_every_command_takes_them(here: Path, capsys: pytest.CaptureFixture[str]):
    """The folder, the pattern and the joined files: `validate`, `calibrate`, `backtest` and its --fit."""
    for word in ("runs", "runs/*.csv"):
        assert validate_files([Path(word)]).why.startswith("2 sound logs")
    found = validate_files([Path("runs/a.csv+runs/b.csv")])
    assert {finding.code for finding in found.findings} == {"DG613"}
    robot = str(ROOT / "routines/robots/wren.yaml")
    assert main.run(["calibrate", "runs/*.csv", "--robot", robot]) == 0
    assert "2 runs" in capsys.readouterr().out
    for words in (["backtest", "runs", "--robot", robot], ["backtest", "runs/*.csv", "--fit", "runs"]):
        main.run([*words, "--length", "20 cm", "--every", "20 cm"])
        said = capsys.readouterr()
        assert "judged: 0.39 m" in said.out or "too few" in said.err, said.err
        assert "Traceback" not in said.err


def test_hidden_files_and_folders_hold_no_runs(here: Path):
    """What archives and editors leave beside files is no log, and YAML of a build service no document."""
    (here / "runs" / "._a.csv").write_bytes(b"\0\5\26\7")
    (here / "runs" / ".old").mkdir()
    shutil.copy("runs/a.csv", "runs/.old/c.csv")
    (here / "runs" / ".old" / "build.yaml").write_text("on: push\n")
    (here / "runs" / ".lint.yaml").write_text("rules: []\n")
    (here / "runs" / "prices.csv").write_text("bolt,1\n")
    assert [path.name for (path,) in runs_of("runs")] == ["a.csv", "b.csv", "prices.csv"]
    found = validate_files([Path("runs")])
    assert {finding.path for finding in found.findings} == {"runs/prices.csv"}


def test_a_folder_of_documents_keeps_its_other_tables(here: Path):
    """Beside documents only those count as logs that say so."""
    (here / "runs" / "wren.yaml").write_text((ROOT / "routines/robots/wren.yaml").read_text())
    (here / "runs" / "prices.csv").write_text("bolt,1\n")
    found = validate_files([Path("runs")])
    assert (found.status, found.findings) == (0, ())
    assert "2 sound logs" in found.why
    assert "1 sound list of beacons" in found.why
    (here / "runs" / "wide.csv").write_bytes(_log("wide", 0.003).encode("utf-16"))
    (finding,) = validate_files([Path("runs")]).findings
    assert (finding.path, finding.code) == ("runs/wide.csv", "DG101")
    assert "UTF-16" in finding.message
    (here / "runs" / "wide.csv").unlink()
    (here / "runs" / "wren.yaml").unlink()
    assert validate_files([Path("runs")]).status == 2


def _read(path: Path):
    log = read_log([path], [], path.parent)
    assert log is not None
    return ReadRun(log, (path,))


@given(st.integers(0, 39), st.sampled_from(["forward_m", "heading_rad", "time_s"]))
def test_law_a_run_is_what_was_measured(row: int, column: str):
    """Another last digit anywhere is another run; another name, day or reference is not."""
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.csv"
        path.write_text(_log("a", 0.001))
        log = _read(path).log
    rows = rows_of(log)
    assert same_run(rows, rows_of(replace(log, run="other", reference=log.reference + 1.0)))
    changed = getattr(log, column).copy()
    changed[row] += 1e-6
    assert not same_run(rows, rows_of(replace(log, **{column: changed})))


def test_err_one_run_under_two_names(here: Path, capsys: pytest.CaptureFixture[str]):
    """A copy counts once, whatever its preamble and line ends: both commands name both files."""
    text = _log("b again", 0.001).replace("\n", "\r\n")
    (here / "runs" / "copy.csv").write_bytes(text.encode())
    for words in (
        ["calibrate", "runs", "--robot", str(ROOT / "routines/robots/wren.yaml")],
        ["backtest", "runs"],
        ["backtest", "runs/a.csv", "--fit", "runs/b.csv", "--fit", "runs/copy.csv"],
    ):
        assert main.run(words) == 2
        said = capsys.readouterr()
        assert said.out == ""
        assert "runs/b.csv and runs/copy.csv hold the same rows" in said.err
    refuse_copies([_read(here / "runs" / name) for name in ("a.csv", "b.csv")])
    found = validate_files([Path("runs")])
    assert [(f.code, f.path) for f in found.findings] == [("DG619", "runs/copy.csv")]


def test_runs_behind_a_fit_are_told(here: Path):
    """By path or by content: among those of --fit, and among those that a robot file says it comes from."""
    (here / ".git").mkdir()
    (here / "other").mkdir()
    shutil.copy("runs/a.csv", "other/renamed.csv")
    (here / "other" / "new.csv").write_text(_log("new", 0.005))
    judged = [_read(here / name) for name in ("other/renamed.csv", "other/new.csv", "runs/b.csv")]
    copy, _, listed = (run.files for run in judged)
    assert seen_before(judged, [_read(here / "runs/a.csv")]) == [copy]
    assert seen_before(judged, [_read(here / "other/new.csv"), _read(here / "runs/b.csv")]) == [
        run.files for run in judged[1:]
    ]
    text = (ROOT / "routines/robots/wren.yaml").read_text()
    text = text.replace(
        "distance_scale: {spread: 0.6 %, basis: measured",
        'distance_scale: {fitted: {runs: 2, files: ["runs/a.csv", "runs/b.csv", "gone.csv", "../x.csv"]}, '
        "spread: 0.6 %, basis: measured",
    )
    assert "fitted" in text
    (here / "wren.yaml").write_text(text)
    document = load_single(here / "wren.yaml", "robot").document
    assert document is not None
    assert behind_robot(judged, document.model, [here]) == [copy, listed]
    assert behind_robot(judged, document.model, [here / "other"]) == []
    note = no_evidence([copy, listed], 3, "had a part in it")
    assert "2 of the 3 runs judged" in note
    assert "other/renamed.csv" in note
    assert no_evidence([copy], 1, "had a part in it").startswith("all runs judged")


def test_law_a_run_is_looked_at_once(here: Path, monkeypatch: pytest.MonkeyPatch):
    """However often it is held against others: in its own list, and against the runs fitted."""
    looked: list[str] = []

    def counted(log):
        looked.append(log.path)
        return rows_of(log)

    monkeypatch.setattr(same_runs, "rows_of", counted)
    main.run(["backtest", "runs/a.csv", "--fit", "runs/b.csv", "--length", "10 cm", "--every", "1 cm"])
    assert sorted(looked) == ["runs/a.csv", "runs/b.csv"]


@pytest.mark.parametrize("way", ["file", "folder", "target in a repository"])
def test_err_a_link_out_of_the_repository_is_not_followed(
    here: Path, capsys: pytest.CaptureFixture[str], way: str
):
    """In a folder, by a pattern or by name, in every command: nothing of what is behind it is shown."""
    (here / ".git").mkdir()
    away = here.parent / f"{here.name}-away"
    away.mkdir()
    (away / "key.csv").write_text(_log("key", 0.003).replace("tape\n", "SESAME\n"))
    if way.startswith("target"):
        (away / ".git").mkdir()
    link = here / "runs" / ("z.csv" if way != "folder" else "z")
    link.symlink_to(away / "key.csv" if way != "folder" else away)
    named = "runs/z.csv" if way != "folder" else "runs/z/key.csv"
    words = [named] if way == "folder" else [named, "runs", "runs/*.csv", f"runs/a.csv+{named}"]
    robot = ("--robot", str(ROOT / "routines/robots/wren.yaml"))
    for word in words:
        for command in (["validate", word], ["calibrate", word, *robot], ["backtest", word]):
            assert main.run(command) == 2
            said = "".join(capsys.readouterr())
            assert "SESAME" not in said
            assert f"{named}: error DG101: " in said
            assert "is a symbolic link that leads out of the repository, and is not followed" in said
            assert "name the file itself" in said
    assert main.run(["backtest", "runs/a.csv", "--beacons", named]) == 2
    assert "leads out of the repository" in capsys.readouterr().out


def test_law_other_links_to_logs_are_followed(here: Path, capsys: pytest.CaptureFixture[str]):
    """One that stays inside, and one outside of any repository, which is the machine's own affair."""
    away = here.parent / f"{here.name}-away"
    away.mkdir()
    (away / "far.csv").write_text(_log("far", 0.003))
    (here / "runs" / "far.csv").symlink_to(away / "far.csv")
    assert validate_files([Path("runs")]).why.startswith("3 sound logs")
    (here / "runs" / "far.csv").unlink()
    (here / ".git").mkdir()
    (here / "more.csv").write_text(_log("more", 0.004))
    (here / "runs" / "more.csv").symlink_to(here / "more.csv")
    assert validate_files([Path("runs")]).why.startswith("3 sound logs")
    # A folder outside the repository is read if it is named.
    assert validate_files([away]).why.startswith("1 sound log")
