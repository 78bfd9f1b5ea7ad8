"""A first project comes out for any sensible robot and field, and leaves no trace where it cannot be made."""

from __future__ import annotations

import json
import math
import os
import tempfile
from datetime import date
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from driftgate.core.units import parse_quantity
from driftgate.first.course import GAP_M, course_of
from driftgate.first.files import FIELD, ROBOT, ROUTINE, WORKFLOW, project_files
from driftgate.first.values import SIDES, MisfitError, Typed, Wanted
from driftgate.load import load_project
from driftgate.report import write_tree
from driftgate.report.write import WriteError, write_new
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.first import begin_project
from driftgate.run.status import InputError


def typed(text, dimension="length"):
    """Return a quantity as it comes from the command line."""
    return Typed(text, parse_quantity(text, dimension))


def wanted(field=("3.6 m", "2.4 m"), robot=("350 mm", "300 mm"), wheel=("80 mm", "300 rpm"), **more):
    """Return what is asked for; by default what `driftgate new --yes` takes."""
    rest = {"drive": "differential", "sensors": ("front", "left"), "install": "./tools/driftgate", **more}
    return Wanted(
        typed(field[0]),
        typed(field[1]),
        typed(robot[0]),
        typed(robot[1]),
        typed("5 kg", "mass"),
        typed(wheel[0]),
        typed(wheel[1], "turn rate"),
        **rest,
    )


def length(low_m, high_m):
    """Return lengths in several units and spellings, small ones as likely as large ones."""
    units = {"mm": 1000.0, "cm": 100.0, "m": 1.0, "in": 1.0 / 0.0254, "ft": 1.0 / 0.3048}
    number = st.floats(math.log(low_m), math.log(high_m)).map(math.exp)
    return st.tuples(number, st.sampled_from(sorted(units)), st.sampled_from(["", " "])).map(
        lambda t: f"{t[0] * units[t[1]]:.4f}{t[2]}{t[1]}"
    )


@st.composite
def sensible(draw):
    """Draw a robot of 80 mm to 1 m, and a field on which it can just or easily turn."""
    robot = draw(length(0.08, 1.0)), draw(length(0.08, 1.0))
    turning = math.hypot(*(typed(text).si for text in robot))
    spare = draw(length(0.36, 12.0)), draw(length(0.46, 12.0))
    field = tuple(f"{turning + typed(text).si:.4f} m" for text in spare)
    speed = draw(st.integers(60, 600))
    sensors = draw(st.sets(st.sampled_from(SIDES)))
    return wanted(
        field,
        robot,
        (draw(length(0.03, 0.15)), f"{speed} rpm"),
        drive=draw(st.sampled_from(["differential", "holonomic"])),
        sensors=tuple(side for side in SIDES if side in sensors),
    )


def written(folder, texts):
    """Write files by hand."""
    for name, text in texts.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(text)
    return folder


# A failing example is a run of the gate; looking for a smaller one would take minutes.
@settings(max_examples=16, deadline=None, derandomize=True, phases=[Phase.explicit, Phase.generate])
@given(sensible())
def test_law_any_sensible_project_passes(asked):
    """Whatever robot and field: no finding in the files, a plan that can be driven, every tolerance held."""
    here = Path.cwd()
    with tempfile.TemporaryDirectory() as name:
        folder = written(Path(name), project_files(asked))
        (folder / "pyproject.toml").write_text("")
        os.chdir(folder)
        try:
            report = check_routines(
                CheckSettings((), 400, 1, 0.95, 1, None, False, date(2026, 1, 1), "fixed", None)
            )
        finally:
            os.chdir(here)
    assert report.findings == ()
    assert (report.status, report.why) == (0, "all 3 tolerances hold")
    # On a long field a sensor may look at no wall in reach all the way: that is noted.
    said = {(found.code, found.level) for case in report.cases for found in case.findings}
    assert said <= {("DG303", "note")}


@settings(max_examples=50, deadline=None, derandomize=True)
@given(sensible())
def test_law_the_turning_robot_keeps_its_distance(asked):
    """Where it turns, the outline stays as far from every wall as is promised."""
    course = course_of(asked)
    reach = math.hypot(asked.robot_length.si, asked.robot_width.si) / 2.0 + GAP_M - 1e-9
    for x in (course.turn_x, asked.field_length.si - course.turn_x):
        assert x >= reach
    for y in (course.start_y, asked.field_width.si - course.drop_y):
        assert y >= reach
    assert course.start_y < course.end_y < course.drop_y
    # Flush with the west wall, as the routine says.
    assert course.start_x == asked.robot_length.si / 2.0


def test_law_examples_in_comments_are_sound(tmp_path):
    """The field's commented structures and elements, with their marks taken off, are found sound."""
    texts = project_files(wanted())
    assert texts[FIELD].count("\n#: ") >= 10
    texts[FIELD] = texts[FIELD].replace("\n#: ", "\n")
    texts[ROUTINE] = texts[ROUTINE].replace("# mirror: true", "mirror: true")
    project = load_project([written(tmp_path, texts) / "routines"], tmp_path)
    # Beside the west and the east wall stand different things: what the map's mirror makes of it.
    assert {finding.code for finding in project.findings} <= {"DG139"}
    texts[ROUTINE] = texts[ROUTINE].replace("mirror: true", "# mirror: true")
    project = load_project([written(tmp_path, texts) / "routines"], tmp_path)
    assert project.findings == ()
    assert [e.id for e in project.routines[0].field.field_map.elements] == ["pot"]


def test_law_everything_begins_as_a_guess():
    """No number claims to have been measured, and a field of tens of guesses says so for each."""
    texts = project_files(wanted(sensors=SIDES))
    for name in (ROUTINE, ROBOT, FIELD):
        assert "basis: measured" not in "\n".join(
            line for line in texts[name].splitlines() if not line.lstrip().startswith("#")
        )
        assert "basis: guess" in texts[name]
        assert "CHANGE" in texts[name]


def test_law_an_editor_finds_its_schema(tmp_path):
    """The first two lines of each file name a schema that is written too, and that the file satisfies."""
    texts = project_files(wanted(sensors=()))
    written(tmp_path, texts)
    for name in (ROUTINE, ROBOT, FIELD):
        first, second = texts[name].splitlines()[:2]
        where = first.removeprefix("# yaml-language-server: $schema=")
        assert second == f"# $schema: {where}"
        schema = json.loads(((tmp_path / name).parent / where).read_text())
        jsonschema.validate(yaml.safe_load(texts[name]), schema)


def test_law_workflow_gives_nothing_away():
    """The workflow may only read, runs the gate with reports, and no shell line holds an expression."""
    workflow = yaml.safe_load(project_files(wanted(install="git+https://git.example/dg@v1"))[WORKFLOW])
    assert workflow["permissions"] == {"contents": "read"}
    (job,) = workflow["jobs"].values()
    assert "permissions" not in job
    lines = [step["run"] for step in job["steps"] if "run" in step]
    assert not any("${{" in line for line in lines)
    assert [line for line in lines if line.startswith("driftgate check --report")]
    (install,) = (step for step in job["steps"] if step.get("run", "").startswith("pip "))
    assert install["run"] == 'pip install "$DRIFTGATE"'
    assert install["env"] == {"DRIFTGATE": "git+https://git.example/dg@v1"}


def test_err_robot_does_not_fit():
    """A field that is too small is refused with the size that would do, and that size does."""
    with pytest.raises(MisfitError, match=r"--field-width 500 mm is too little, make it at least 0\.79 m"):
        project_files(wanted(field=("3 m", "500 mm")))
    assert project_files(wanted(field=("3 m", "0.79 m")))
    with pytest.raises(MisfitError, match="--field-length"):
        project_files(wanted(field=("60 cm", "3 m")))
    with pytest.raises(MisfitError, match="check --wheel-diameter and --wheel-speed"):
        project_files(wanted(wheel=("10 mm", "1 rpm")))


def everything_in(folder):
    """Return every path below a folder, with what it holds."""
    return {path: path.read_bytes() if path.is_file() else None for path in folder.rglob("*")}


@pytest.mark.parametrize("name", sorted(project_files(wanted())))
def test_err_nothing_is_written_over(tmp_path, name):
    """Any of the files in the way, be it a link to nowhere: it is named, and nothing changes."""
    path = tmp_path / name
    path.parent.mkdir(parents=True)
    path.symlink_to("nowhere")
    before = everything_in(tmp_path)
    with pytest.raises(WriteError, match="never written over") as error:
        begin_project(tmp_path, wanted())
    assert name in str(error.value)
    assert everything_in(tmp_path) == before


@pytest.mark.parametrize("failure", [WriteError("disk full"), KeyboardInterrupt()])
@pytest.mark.parametrize("count", [0, 3, 6])
def test_err_nothing_is_left_half_written(tmp_path, monkeypatch, failure, count):
    """If writing fails at some file, what was written before it is taken back, folders too."""
    (tmp_path / "routines").mkdir()
    (tmp_path / "routines/mine.yaml").write_text("mine")
    before = everything_in(tmp_path)
    done = []

    def failing(path, text):
        if tmp_path in path.parents:
            done.append(path)
            if len(done) > count:
                raise failure
        write_new(path, text)

    monkeypatch.setattr(write_tree, "write_new", failing)
    with pytest.raises(type(failure)):
        begin_project(tmp_path, wanted())
    assert len(done) == count + 1
    assert everything_in(tmp_path) == before


def test_err_misfit_is_bad_input(tmp_path):
    """Sizes that do not go together are bad input, and no folder is made."""
    with pytest.raises(InputError, match="does not fit"):
        begin_project(tmp_path / "new", wanted(field=("400 mm", "3 m")))
    assert not (tmp_path / "new").exists()


def test_err_a_link_out_of_the_repository_is_not_followed(tmp_path):
    """Where a folder of the repository is a link that leads out of it, nothing is written behind it."""
    (tmp_path / "here/.git").mkdir(parents=True)
    (tmp_path / "outside").mkdir()
    (tmp_path / "here/routines").symlink_to(tmp_path / "outside")
    before = everything_in(tmp_path)
    with pytest.raises(WriteError):
        begin_project(tmp_path / "here", wanted())
    assert everything_in(tmp_path) == before
