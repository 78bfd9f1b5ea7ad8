"""Settings in force: every value once, where it is written, and whose limit holds in a step."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

import jsonschema
import pytest
from small_project import write_project

from driftgate.cli import main
from driftgate.load import load_routine
from driftgate.plan import plan_case
from driftgate.report.record_schema import settings_schema
from driftgate.run.settings import effective_settings
from driftgate.run.status import InputError
from driftgate.schema.case import Case

sys.path.insert(0, str(Path(__file__).parents[1]))
from strict_schema import strict

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = sorted((ROOT / "routines").glob("*.yaml"))


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def edit(path, old, new):
    """Replace a text that must be there."""
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def by_key(report, group=""):
    """Return settings by key, those of one group if one is given."""
    return {s.key: s for s in report.settings if group in ("", s.group)}


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_law_what_a_file_says_stands_where_it_is_said_to_stand(path, monkeypatch):
    """Each value that comes from a file is, letter by letter, what stands at its line and column."""
    monkeypatch.chdir(ROOT)
    found = effective_settings(path)
    lines = {}
    seen = 0
    for setting in found.settings:
        if setting.origin != "file" or setting.note or setting.group == "files":
            continue
        if setting.file not in lines:
            lines[setting.file] = (ROOT / setting.file).read_text().splitlines()
        rest = lines[setting.file][setting.line - 1][setting.column - 1 :]
        if setting.value[:1] in "[{":
            assert rest[:1] in ("[", "{", "-") or rest.startswith(setting.value[1:4]), setting
        else:
            assert rest.strip("'\"").startswith(setting.value), setting
            seen += 1
    assert seen > 100


def test_law_no_setting_is_told_twice(monkeypatch):
    """Within a group every key comes once."""
    monkeypatch.chdir(ROOT)
    keys = [(s.group, s.key) for s in effective_settings(SHIPPED[0]).settings]
    assert len(keys) == len(set(keys))


def test_law_defaults_are_those_that_are_used(project):
    """What the robot file leaves out is told with the value that the model takes."""
    found = by_key(effective_settings(Path("routines/out.yaml")), "robot")
    assert (found["controller.settle"].value, found["controller.settle"].origin) == ("0.1 s", "default")
    assert found["errors.crab_angle"].value == "none"
    edit(project / "routines/robots/small.yaml", "mass: 2 kg", "mass: 2 kg\ncontroller: {settle: 300 ms}")
    settle = by_key(effective_settings(Path("routines/out.yaml")), "robot")["controller.settle"]
    assert (settle.value, settle.where()) == ("300 ms", "routines/robots/small.yaml:6")


def test_law_the_filters_numbers_are_derived_unless_given(project):
    """A derived number is what its sources make of it; one that the robot file gives is no longer derived."""
    found = by_key(effective_settings(Path("routines/out.yaml")), "filter")
    # 0.5 % drawn anew every 2 m: 5 mm/m x sqrt(2 m).
    assert found["correction.filter.along"].value == f"{5 * math.sqrt(2):.4g} mm/sqrt(m)"
    # Its noise alone, since what stays the same over a run is considered; 2 mm of every wall.
    assert found["correction.filter.range_at_zero of front"].value == "4 mm"
    assert found["correction.filter.range_bias of front"].value == "0 mm"
    assert found["correction.filter.wall"].value == "2 mm"
    edit(project / "routines/robots/small.yaml", "  gate:", "  filter: {along: 9 mm/sqrt(m)}\n  gate:")
    report = effective_settings(Path("routines/out.yaml"))
    assert "correction.filter.along" not in by_key(report, "filter")
    assert by_key(report, "robot")["correction.filter.along"].value == "9 mm/sqrt(m)"


@pytest.mark.parametrize(
    ("speed", "limit", "free", "value", "where"),
    [
        ("", "1 m/s", "600 rpm", "1 m/s", "routines/robots/small.yaml:"),
        (", speed: 0.4 m/s", "1 m/s", "600 rpm", "0.4 m/s", "routines/out.yaml:11"),
        ("", "5 m/s", "300 rpm", "0.8482 m/s", "derived, from drive.motor"),
        (", speed: 0.7 m/s", "0.3 m/s", "600 rpm", "0.3 m/s", "routines/robots/small.yaml:"),
    ],
)
def test_law_the_least_limit_holds_and_is_named(project, speed, limit, free, value, where):
    """Of step, robot and motor the one that holds back is told, and the plan is as fast as that."""
    edit(project / "routines/out.yaml", "to: [1.4 m, 1 m]", f"to: [1.4 m, 1 m]{speed}")
    edit(project / "routines/robots/small.yaml", "speed: 1 m/s", f"speed: {limit}")
    edit(project / "routines/robots/small.yaml", "600 rpm", free)
    setting = by_key(effective_settings(Path("routines/out.yaml")), "step 1 'out'")["speed"]
    assert setting.value == value
    assert setting.where().startswith(where)
    loaded = load_routine("routines/out.yaml")
    field = loaded.field.field_map
    plan = plan_case(Case(loaded.document.routine, loaded.robot.robot, field, field))
    fastest = plan.timeline.rate[1:][plan.timeline.step == 0].max(axis=0)[0]
    assert fastest == pytest.approx(float(value.split()[0]), rel=0.01)


def test_law_fixes_follow_step_robot_and_switch(project):
    """Whose readings count: as the step says, else as the robot says, and nobody's when it is off."""

    def fixes():
        return by_key(effective_settings(Path("routines/out.yaml")), "step 1 'out'")["fixes"]

    assert (fixes().value, fixes().where()) == ("front", "default, correction.when: always")
    edit(project / "routines/robots/small.yaml", "correction:", "correction:\n  when: looking")
    assert (fixes().value, fixes().file) == ("none", "routines/robots/small.yaml")
    edit(project / "routines/out.yaml", "to: [1.4 m, 1 m]", "to: [1.4 m, 1 m], fixes: [front]")
    assert (fixes().value, fixes().where()) == ("front", "routines/out.yaml:11")
    edit(project / "routines/robots/small.yaml", "when: looking", "enabled: false")
    assert fixes().value == "none"


def test_law_a_wall_is_built_as_the_map_says_or_itself(project):
    """A wall without a build of its own has the map's, at the map's line."""
    walls = by_key(effective_settings(Path("routines/out.yaml")), "map")
    assert walls["walls.east.build"].where() == "fieldmaps/box.yaml:9, the map's"
    own = "corner: [3 m, 0 m], build: {offset: 9 mm, tilt: 0 deg, basis: guess, constant_over: field}}"
    edit(project / "fieldmaps/box.yaml", "corner: [3 m, 0 m]}", own)
    walls = by_key(effective_settings(Path("routines/out.yaml")), "map")
    assert walls["walls.east.build.offset"].value == "9 mm"
    assert "walls.east.build" not in walls


def test_law_the_command_line_has_the_last_word(project, capsys, monkeypatch):
    """Options, environment and defaults of a run, and a field map given apart, each with where it is from."""
    box = (project / "fieldmaps/box.yaml").read_text()
    (project / "fieldmaps/day.yaml").write_text(box.replace("title: Box", "title: Day"))
    monkeypatch.setenv("DRIFTGATE_TODAY", "2026-12-01")
    arguments = ["--trials", "700", "--field", "fieldmaps/day.yaml", "--report", "json=s.json"]
    assert main.run(["settings", "routines/out.yaml", *arguments]) == 0
    out, err = capsys.readouterr()
    assert "--trials      700         command line" in out
    assert "--today       2026-12-01  environment" in out
    assert "--seed        1           default" in out
    assert "true map     fieldmaps/day.yaml          command line, by --field" in out
    assert "map carried  fieldmaps/box.yaml          routines/out.yaml:5" in out
    assert err.splitlines()[-1].endswith("settings")
    written = json.loads((project / "s.json").read_text())
    jsonschema.validate(written, strict(settings_schema()))
    assert {s["group"] for s in written["settings"]} >= {"files", "robot", "filter", "true map", "run"}


def test_law_what_the_filter_derives_is_no_key_that_stands_for_nothing(project):
    """Asked for alone, a number that each sensor has is shown by sensor, never as one that is left out."""
    key = "correction.filter.range_at_zero"
    report = effective_settings(Path("routines/out.yaml"), keys=(key,))
    assert [(s.group, s.key, s.value) for s in report.settings] == [("filter", f"{key} of front", "4 mm")]
    assert key not in by_key(effective_settings(Path("routines/out.yaml")), "robot")
    edit(project / "routines/robots/small.yaml", "  gate:", "  filter: {range_at_zero: 7 mm}\n  gate:")
    report = effective_settings(Path("routines/out.yaml"), keys=(key,))
    assert [(s.group, s.key, s.value) for s in report.settings] == [("robot", key, "7 mm")]


def test_law_keys_and_origins_select(project):
    """A group, the name of a checkpoint, the beginning of a key, an origin; what begins none is refused."""

    def shown(*keys, origins=()):
        report = effective_settings(Path("routines/out.yaml"), keys=keys, origins=origins)
        return {(s.group, s.key) for s in report.settings}

    assert {group for group, _ in shown("filter")} == {"filter"}
    assert ("checkpoint 'half-way', step 2", "within.x") in shown("half-way")
    motor = {f"drive.motor.{key}" for key in ("free_speed", "gear_ratio", "wheel_diameter", "usable")}
    assert {key for _, key in shown("drive.motor")} == motor
    defaults = {key for _, key in shown("drive.motor", origins=("default",))}
    assert defaults == {"drive.motor.gear_ratio", "drive.motor.usable"}
    own = "correction.filter"
    assert shown(f"{own}.start") == {("filter", f"{own}.start_{key}") for key in ("x", "y", "heading")}
    with pytest.raises(InputError, match=r"no setting begins with 'drive\.mot'"):
        shown("drive.mot")
    with pytest.raises(InputError, match=r"'half-wya'; did you mean 'half-way'\?"):
        shown("half-wya")
    with pytest.raises(InputError, match=r"'qqqq'; without a key all are listed"):
        shown("qqqq")


def test_err_files_that_are_not_sound_show_their_findings(project, capsys):
    """With a fault in the files there are findings and no settings, status 2."""
    edit(project / "routines/out.yaml", "time_limit: 10 s", "time_limit: 10")
    assert main.run(["settings", "routines/out.yaml"]) == 2
    out, _ = capsys.readouterr()
    assert "DG111" in out
    assert "key" not in out.replace("keys", "")
