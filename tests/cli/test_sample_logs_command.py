"""`driftgate sample-logs`, and `driftgate validate` with logs."""

from __future__ import annotations

import json

import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.logs import read_log

SAMPLE = ("sample-logs", "routines/out.yaml", "--out", "made")


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def test_law_logs_are_written_and_sound(project, capsys):
    """Each run has a file of its own, which validate finds sound, and says where it comes from."""
    status, out, err = run(capsys, *SAMPLE, "--runs", 3, "--seed", 5)
    assert status == 0
    assert err.splitlines()[-1] == "driftgate: status 0: 3 simulated logs in made"
    names = [f"made/out-sim-{i}.csv" for i in (1, 2, 3)]
    assert out.splitlines() == [*names, "made/out-sim-drawn.json"]
    status, out, err = run(capsys, "validate", *names, "routines/out.yaml")
    assert (status, out) == (0, "")
    assert err.endswith("status 0: 1 sound routine, 3 sound logs, no errors\n")
    findings = []
    log = read_log([names[0]], findings)
    assert findings == []
    assert (log.origin, log.robot, log.field) == (
        "simulated",
        "routines/robots/small.yaml",
        "fieldmaps/box.yaml",
    )
    assert log.step[0] == "out"
    text = (project / names[0]).read_text()
    assert "# origin: simulated\n" in text
    assert "# note: simulated: invented data, no robot drove this\n" in text
    drawn = json.loads((project / "made/out-sim-drawn.json").read_text())
    assert [r["file"] for r in drawn["runs"]] == [name.removeprefix("made/") for name in names]
    known = {c["key"]: c for c in drawn["constants"]}
    assert known["distance_scale"] == {
        "key": "distance_scale",
        "source": "distance_scale",
        "mean": 0.0,
        "spread": 0.005,
        "constant_over": "run",
    }
    assert all(abs(r["drawn"]["distance_scale"]) < 0.03 for r in drawn["runs"])


def test_law_same_seed_same_files(project, capsys):
    """Written again, simulated logs are the same, digit by digit, and may be written over."""
    run(capsys, *SAMPLE, "--runs", 2)
    before = {f.name: f.read_bytes() for f in (project / "made").iterdir()}
    assert run(capsys, *SAMPLE, "--runs", 2)[0] == 0
    assert {f.name: f.read_bytes() for f in (project / "made").iterdir()} == before
    assert run(capsys, *SAMPLE, "--runs", 2, "--seed", 2)[0] == 0
    assert {f.name: f.read_bytes() for f in (project / "made").iterdir()} != before


def test_err_measured_logs_are_not_written_over(project, capsys):
    """What is no simulated log stays, and nothing else is written."""
    (project / "made").mkdir()
    mine = project / "made" / "out-sim-2.csv"
    mine.write_text("# driftgate log: 1\n# origin: measured\ntime [s],forward [m]\n0,0\n")
    status, _, err = run(capsys, *SAMPLE, "--runs", 3)
    assert status == 2
    assert "is not written over" in err
    assert "measured" in mine.read_text()
    assert [f.name for f in (project / "made").iterdir()] == ["out-sim-2.csv"]


def test_law_one_log_can_be_printed(project, capsys):
    """A dash in place of the folder prints what else is written."""
    run(capsys, *SAMPLE, "--runs", 1)
    status, out, _ = run(capsys, *SAMPLE, "--runs", 1, "--out", "-")
    assert status == 0
    assert out == (project / "made/out-sim-1.csv").read_text()
    assert not (project / "-").exists()


def test_law_reference_and_jitter_are_options(project, capsys):
    """A camera's spread and rate come out as asked for, in any units."""
    status, _, _ = run(
        capsys, *SAMPLE, "--runs", 1, "--reference", "camera", "--reference-spread", "0.1 in, 1 mm, 5 mrad",
        "--camera-rate", "5 Hz", "--jitter", "1 mm, 0.1 deg",
    )  # fmt: skip
    assert status == 0
    log = read_log(["made/out-sim-1.csv"], [])
    assert log.reference_spread == pytest.approx((0.00254, 0.001, 0.005), abs=1e-9)
    assert log.reference_by.count("camera") == pytest.approx(5.0 * log.time_s[-1], abs=1)
    assert log.forward_m.min() < 0.0


@pytest.mark.parametrize(
    ("extra", "words"),
    [
        (("--reference-spread", "2 mm, 2 mm"), "a length, a length, an angle"),
        (("--reference-spread", "2, 2, 1"), "needs its unit"),
        (("--reference-spread", "0 mm, 2 mm, 1 deg"), "more than 0"),
        (("--camera-rate", "1e9 Hz"), "0.1 Hz to 1 kHz"),
        (("--jitter", "-1 mm, 0 deg"), "negative"),
        (("--runs", "0"), "runs"),
        (("--out", "-", "--runs", "2"), "--runs 1"),
        (("--carry-field",), "--carry-field needs --field"),
        (("--field", "nothing.yaml"), "1 error"),
    ],
)
def test_err_bad_usage(project, capsys, extra, words):
    """What makes no sense is refused before anything is written."""
    status, _, err = run(capsys, *SAMPLE, *extra)
    assert status == 2
    assert words in err
    assert not (project / "made").exists()


def test_err_infeasible_plan(project, capsys):
    """A plan that cannot be driven gives its findings, status 1 and no log."""
    routine = project / "routines/out.yaml"
    routine.write_text(routine.read_text().replace("[2.2 m, 1 m]", "[2.95 m, 1 m]"))
    status, out, err = run(capsys, *SAMPLE)
    assert status == 1
    assert "DG204" in out
    assert "1 plan infeasible" in err
    assert list((project / "made").glob("*.csv")) == []


def test_law_validate_reads_beacons_and_warns_of_missing_files(project, capsys):
    """A list of beacons is sound; a robot that the log names and that is not there is a warning."""
    (project / "b.csv").write_text("# driftgate beacons: 1\nbeacon,x [m],y [m]\n1,0,0\n")
    (project / "l.csv").write_text(
        "# driftgate log: 1\n# origin: measured\n# robot: routines/robots/smal.yaml\n"
        "time [s],forward [m],heading [deg],reference x [m],reference y [m],reference heading [deg],"
        "reference by\n0,0,0,0,0,0,tape\n1,0.1,0,0.1,0,0,tape\n"
    )
    status, out, err = run(capsys, "validate", "b.csv", "l.csv")
    assert status == 0
    assert "l.csv:3:10: warning DG121: there is no file routines/robots/smal.yaml" in out
    assert err.endswith("1 sound log, 1 sound list of beacons, no errors, 1 warning\n")


def test_law_validate_reads_logs_in_folders_below(project, capsys):
    """Runs sorted into folders are read too, hidden ones are not, and a folder of nothing is no success."""
    (project / "runs/fit").mkdir(parents=True)
    (project / "runs/.old").mkdir()
    text = (
        "time [s],forward [m],heading [deg],reference x [m],reference y [m],reference heading [deg],"
        "reference by\n0,0,0,0,0,0,tape\n1,{d},0,{d},0,0,tape\n"
    )
    for name, far in (("fit/a", 0.1), ("fit/b", 0.2), ("c", 0.3)):
        (project / f"runs/{name}.csv").write_text(
            "# driftgate log: 1\n# origin: measured\n" + text.format(d=far)
        )
    (project / "runs/.old/d.csv").write_text("no log")
    status, _, err = run(capsys, "validate", "runs")
    assert (status, err.splitlines()[-1]) == (0, "driftgate: status 0: 3 sound logs, no errors")
    (project / "nothing").mkdir()
    status, _, err = run(capsys, "validate", "nothing")
    assert status == 2
    assert "nothing: there is no document (*.yaml) and no log (*.csv) in this folder" in err


def test_err_validate_shows_faults_of_logs_in_place(project, capsys):
    """Faults of a log and of a routine come together, with status 2."""
    (project / "l.csv").write_text("# driftgate log: 1\n# origin: measured\ntime [s],forward [m]\n0,x\n")
    status, out, err = run(capsys, "validate", "l.csv", "missing.csv")
    assert status == 2
    assert "l.csv:4:3: error DG607: 'x' is no number" in out
    assert "missing.csv: error DG101: there is no such file" in out
    assert err.endswith("2 errors in the files\n")
