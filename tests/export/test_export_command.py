"""`driftgate export`: what it writes, where, and what it refuses."""

from __future__ import annotations

import json
import os

import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.load.project import load_project
from driftgate.run.cache_key import inputs_fingerprint
from driftgate.run.cases import one_case
from driftgate.run.export import common_files, export_routines


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    root = write_project(tmp_path / "project")
    monkeypatch.chdir(root)
    return root


def run(capsys, *arguments):
    """Run a command line in this process; return status, stdout and stderr."""
    status = main.run([str(a) for a in arguments])
    out, err = capsys.readouterr()
    return status, out, err


def fingerprint(project):
    """Return the fingerprint of the small project's routine."""
    (loaded,) = load_project([project / "routines" / "out.yaml"], project).routines
    return inputs_fingerprint(one_case(loaded).case)


def changed(project, file, before, after):
    """Change a file and return the fingerprint."""
    path = project / file
    text = path.read_text()
    assert before in text
    path.write_text(text.replace(before, after))
    return fingerprint(project)


def test_law_files_of_a_routine_are_written(project, capsys):
    """Header, JSON, vectors, host program, and the shared files; the output names fingerprint and files."""
    status, out, err = run(capsys, "export", "routines/out.yaml", "--out", "made")
    assert status == 0, err
    own = {"out.h", "out.json", "out.vectors.h", "out.vectors.json", "out.host.c"}
    written = {path.name for path in (project / "made").iterdir()}
    assert own | set(common_files()) <= written
    document = json.loads((project / "made" / "out.json").read_text())
    assert document["fingerprint"] == fingerprint(project)
    assert f"fingerprint {document['display']}" in out
    assert "keep clear of a moving robot" in out
    assert err.splitlines()[-1].startswith("driftgate: status 0: ")


def test_law_twice_is_the_same_byte_for_byte(project, capsys):
    """A second export replaces the first with the same bytes."""
    assert run(capsys, "export", "--out", "made")[0] == 0
    first = {path.name: path.read_bytes() for path in (project / "made").iterdir()}
    assert run(capsys, "export", "--out", "made")[0] == 0
    assert first == {path.name: path.read_bytes() for path in (project / "made").iterdir()}


def test_law_a_mirrored_routine_has_both_sides(project, capsys):
    """Where the routine says mirror, both sides are written, with fingerprints of their own."""
    changed(project, "routines/out.yaml", "time_limit", "mirror: true\ntime_limit")
    cases = export_routines([project / "routines" / "out.yaml"]).cases
    assert [(case.name, case.side) for case in cases] == [("out", "as written"), ("out_mirrored", "mirrored")]
    assert cases[0].fingerprint != cases[1].fingerprint


def test_law_the_fingerprint_is_of_content(project):
    """Titles, comments, units and defaults written out change nothing; a number anywhere does."""
    first = fingerprint(project)
    assert changed(project, "routines/out.yaml", "title: Out and stop", "# more\ntitle: Other") == first
    assert changed(project, "routines/robots/small.yaml", "length: 200 mm", "length: 20 cm") == first
    assert (
        changed(
            project,
            "routines/robots/small.yaml",
            "update: {law: kalman}",
            "update: {law: kalman}\n  when: always",
        )
        == first
    )
    robot = changed(project, "routines/robots/small.yaml", "sigmas: 3.0", "sigmas: 3.1")
    field = changed(project, "fieldmaps/box.yaml", "[3 m, 2 m]", "[3 m, 2.001 m]")
    routine = changed(project, "routines/out.yaml", "time_limit: 10 s", "time_limit: 11 s")
    assert len({first, robot, field, routine}) == 4


def test_err_what_others_wrote_is_kept(project, capsys):
    """A file that driftgate did not write is not replaced, and then nothing is written."""
    made = project / "made"
    made.mkdir()
    (made / "out.h").write_text("/* mine */\n")
    status, _, err = run(capsys, "export", "--out", "made")
    assert status == 2
    assert "was not written by driftgate" in err
    assert [path.name for path in made.iterdir()] == ["out.h"]
    assert (made / "out.h").read_text() == "/* mine */\n"


@pytest.mark.skipif(not hasattr(os, "symlink"), reason="no symbolic links")
def test_err_symbolic_links_are_not_followed(project, capsys):
    """Neither a folder nor a file that is a link is written through."""
    elsewhere = project / "elsewhere"
    elsewhere.mkdir()
    (project / "made").symlink_to(elsewhere)
    status, _, err = run(capsys, "export", "--out", "made")
    assert (status, "is a symbolic link" in err) == (2, True)
    assert not any(elsewhere.iterdir())
    (elsewhere / "target").write_text("Written by driftgate\n")
    real = project / "real"
    real.mkdir()
    (real / "out.json").symlink_to(elsewhere / "target")
    status, _, err = run(capsys, "export", "--out", "real")
    assert (status, "is a symbolic link" in err) == (2, True)
    assert (elsewhere / "target").read_text() == "Written by driftgate\n"
    assert [path.name for path in real.iterdir()] == ["out.json"]


def test_err_no_parent_and_no_folder(project, capsys):
    """A folder whose parent is missing, and a file in its place, are refused."""
    assert "there is no directory" in run(capsys, "export", "--out", "a/b")[2]
    (project / "file").write_text("x")
    assert "is no folder" in run(capsys, "export", "--out", "file")[2]


def test_err_an_infeasible_plan_is_not_handed_over(project, capsys):
    """A plan beyond the time limit is status 1, and nothing is written."""
    changed(project, "routines/out.yaml", "time_limit: 10 s", "time_limit: 100 ms")
    status, out, err = run(capsys, "export", "--out", "made")
    assert status == 1
    assert "DG202" in out
    assert "nothing was written" in err.splitlines()[-1]
    assert not (project / "made").exists()


def test_err_bad_files_and_usage(project, capsys):
    """Faults of the files are findings; a true field alone says nothing to a robot; no --out is bad usage."""
    status, _, err = run(capsys, "export", "--out", "made", "--field", "fieldmaps/box.yaml")
    assert (status, "--carry-field" in err) == (2, True)
    assert run(capsys, "export")[0] == 2
    changed_file = project / "routines" / "out.yaml"
    changed_file.write_text(changed_file.read_text().replace("time_limit", "time_limits"))
    status, out, _ = run(capsys, "export", "--out", "made")
    assert (status, "unknown key 'time_limits'" in out) == (2, True)
    assert not (project / "made").exists()


def test_law_another_map_may_be_carried(project, capsys):
    """With --field and --carry-field the robot's surfaces are those of that map."""
    text = (project / "fieldmaps" / "box.yaml").read_text().replace("[3 m, 2 m]", "[3 m, 2.01 m]")
    (project / "fieldmaps" / "other.yaml").write_text(text)
    arguments = ("--field", "fieldmaps/other.yaml", "--carry-field")
    assert run(capsys, "export", "--out", "made", *arguments)[0] == 0
    document = json.loads((project / "made" / "out.json").read_text())
    assert 2.01 in [surface["ay_m"] for surface in document["routine"]["surfaces"]]


@pytest.mark.parametrize("kind", ["hand-over", "test-vectors"])
def test_law_schemas_are_printed(kind, capsys):
    """The command `schema` knows both files."""
    status, out, _ = run(capsys, "schema", kind)
    assert status == 0
    assert json.loads(out)["properties"]["kind"] == {"const": kind}
