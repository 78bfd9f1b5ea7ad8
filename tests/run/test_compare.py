"""Variants side by side, through the Python interface, on a small project."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_project import FIELD, ROBOT, write_project

from driftgate.report.compare_json import render_side_by_side_json
from driftgate.report.compare_markdown import render_side_by_side_markdown
from driftgate.report.compare_terminal import render_side_by_side
from driftgate.run.compare import CompareSettings, compare_variants
from driftgate.run.status import InputError
from driftgate.run.variants import read_variant, without_correction

OUT = Path("routines/out.yaml")


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def compared(*variants, trials=400, **more):
    """Return the comparison of variants given as texts."""
    specs = tuple(read_variant(v) if isinstance(v, str) else v for v in variants)
    return compare_variants(CompareSettings(OUT, specs, trials, **more), lambda *_: None)


def test_law_nothing_changed_is_no_difference(project):
    """A variant that sets what is written anyway has the very same trials."""
    found = compared("same: correction.gate.sigmas=3.0")
    first, same = found.variants
    assert found.status == 0
    for old, new in zip(first.moments, same.moments, strict=True):
        for mine, its in zip(old.axes, new.axes, strict=True):
            assert mine.error.value == its.error.value
            assert (its.error.difference.low, its.error.difference.high) == (0.0, 0.0)
    assert same.fixes.value == first.fixes.value
    assert (first.same, same.same) == (False, True)
    for text in (render_side_by_side(found), render_side_by_side_markdown(found)):
        assert "the same in every trial as the first variant" in text
    assert first.fixes.difference is None


def test_law_what_plain_trials_hardly_show_is_said(project):
    """A requirement of 99.99 % is noted in both formats; with 90 % nothing is."""
    words, same = (
        "1 tolerance requires 99.99 % or more, and these are plain trials",
        "same: correction.gate.sigmas=3",
    )
    assert words not in render_side_by_side(compared(same))
    OUT.write_text(OUT.read_text().replace("\n  required: 90 %", "\n  required: 99.99 %"))
    for render in (render_side_by_side, render_side_by_side_markdown):
        assert words in render(compared(same))


def test_law_without_correction_takes_no_fix(project):
    """Dead reckoning alone takes no fix, errs more along the sensor's line, and the interval shows it."""
    first, off = compared(without_correction()).variants
    assert off.fixes.value == 0.0 < first.fixes.value
    assert off.fixes.difference.high < 0.0
    along = next(axis for axis in off.moments[-1].axes if axis.axis == "along")
    assert along.error.difference.low > 0.0


def test_law_setting_is_what_the_file_would_say(project):
    """A setting on the command line gives the numbers that the same words in the file give."""
    by_option = compared("loose: correction.gate.sigmas=1; sensors.front.errors.noise.at_zero=8 mm").variants[
        1
    ]
    text = ROBOT.replace("sigmas: 3.0", "sigmas: 1").replace("at_zero: 4 mm", "at_zero: 8 mm")
    (project / "routines/robots/small.yaml").write_text(text)
    by_file = compared(without_correction()).variants[0]
    assert by_option.success.value == by_file.success.value
    assert by_option.fixes.value == by_file.fixes.value
    assert by_option.moments[0].axes[0].error.value == by_file.moments[0].axes[0].error.value


def test_law_other_robot_and_field(project):
    """A variant may bring its own robot and field; a wall moved unknown to the robot moves the end."""
    (project / "other.yaml").write_text(ROBOT.replace("0.5 %", "3 %"))
    moved = FIELD.replace("[3 m, 0 m]", "[3.03 m, 0 m]").replace("[3 m, 2 m]", "[3.03 m, 2 m]")
    (project / "moved.yaml").write_text(moved)
    found = compared("other: robot=other.yaml", "moved: field=moved.yaml", "known: carried-field=moved.yaml")
    first, other, moved_report, known = found.variants
    assert [v.robot for v in found.variants] == ["routines/robots/small.yaml", "other.yaml"] + [
        "routines/robots/small.yaml"
    ] * 2
    assert (moved_report.believed_map, moved_report.true_map) == ("fieldmaps/box.yaml", "moved.yaml")
    assert (known.believed_map, known.true_map) == ("moved.yaml", "moved.yaml")

    def along(variant):
        return next(axis.error for axis in variant.moments[-1].axes if axis.axis == "along")

    assert along(other).difference.low > 0.0
    assert along(moved_report).value > along(first).value + 0.01
    assert along(known).value < along(first).value + 0.01


def test_law_workers_change_no_digit(project):
    """One worker and two give the same bytes."""
    variants = (without_correction(), "wide: correction.gate.sigmas=6")
    assert render_side_by_side_json(compared(*variants)) == render_side_by_side_json(
        compared(*variants, workers=2)
    )


def test_law_mirrored_side(project):
    """The other side of the field can be compared as well."""
    path = project / OUT
    path.write_text(path.read_text().replace("time_limit", "mirror: true\ntime_limit"))
    found = compared(without_correction(), trials=50, mirrored=True)
    assert (found.side, found.status) == ("mirrored", 0)


def test_law_command_reproduces(project):
    """The command in the report gives the same settings back."""
    settings = CompareSettings(OUT, (read_variant("a b: mass=3 kg"),), 7, 3, 0.9, 2, True)
    assert settings.command() == (
        "driftgate compare routines/out.yaml --variant 'a b: mass=3 kg' --trials 7 --seed 3 "
        "--confidence 90% --mirrored"
    )


def test_law_infeasible_variant_is_status_one(project):
    """A variant whose plan cannot be driven has findings and no figures; the others have theirs."""
    found = compared("slow: drive.limits.speed=0.05 m/s", "same: mass=2 kg", trials=50)
    assert found.status == 1
    assert found.why == "1 variant infeasible: slow"
    assert found.variants[1].success is None
    assert found.variants[1].findings
    assert found.variants[2].success is not None


@pytest.mark.parametrize(
    ("text", "code", "column"),
    [
        ("a: correction.gate.sigma=4", "DG108", 20),
        ("a: corection.enabled=false", "DG108", 4),
        ("a: errors.heading_bias.spread=0.02", "DG111", 31),
        ("a: errors.heading_bias.spread = -1 deg/s", "DG112", 33),
        ("a: sensors.frnt.rate=20 Hz", "DG113", 12),
        ("a: sensors.2.rate=20 Hz", "DG113", 12),
        ("a: correction.enabled=yes", "DG105", 23),
        ("a: mass.x=1", "DG110", 9),
        ("a: mass=2 kg; correction.update={law: wave}", "DG113", 39),
        ("a: mass=[1", "DG102", 11),
        ("a: mass=&a 2 kg", "DG104", 9),
        ("a: correction=null", "DG109", 4),
    ],
)
def test_err_setting_is_found_at_the_option(project, text, code, column):
    """A bad setting is a finding of the same code as in a file, placed in the option's own text."""
    found = compared(text)
    finding = found.findings[0]
    assert found.status == 2
    assert (finding.path, finding.line, finding.excerpt) == ("--variant 'a'", 1, text)
    assert (finding.code, finding.column) == (code, column)


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("a: start.off.x=5 mm", "a copy of the routine"),
        ("a: mass=2 kg; steps.1.fixes=none", "a copy of the routine"),
        ("a: fixes=none", "a copy of the routine"),
        ("a: walls.east.reference=false", "field=FILE"),
        ("a: corection.enabled=false", "did you mean 'correction'?"),
        ("a: correction.start=5 mm", "allowed here: "),
    ],
)
def test_err_a_setting_of_the_routine_is_answered_with_what_to_do(project, text, word):
    """Only the robot's settings vary: a key of a routine or a map is said to be none of them."""
    (finding,) = compared(text).findings
    assert finding.code == "DG108"
    assert word in finding.suggestion


@pytest.mark.parametrize(
    "text",
    [
        "",
        "name",
        "name:",
        ": mass=2 kg",
        "a: mass",
        "a: mass=",
        "a: =2",
        "a: ma ss=2",
        "a: b\nc=2",
        "a: x=1; x=2",
        "a: field=x.yaml; carried-field=y.yaml",
        "x" * 50 + ": mass=2 kg",
    ],
)
def test_err_variant_grammar(text):
    """What is no variant is refused before anything is run."""
    with pytest.raises(InputError):
        read_variant(text)


def test_law_quotes_keep_a_semicolon():
    """A semicolon inside quotes belongs to the value; positions count from the option's start."""
    spec = read_variant("a: title='x; y' ;  mass = 2 kg")
    assert [(s.keys, s.value, s.column) for s in spec.settings] == [
        ((("title", 4),), "'x; y'", 10),
        ((("mass", 20),), "2 kg", 27),
    ]


def test_err_two_variants_of_one_name(project):
    """Names tell rows apart, so no two are the same."""
    with pytest.raises(InputError, match="two variants"):
        compared("a: mass=3 kg", "a: mass=4 kg")


def test_err_variant_without_a_sensor_that_a_step_names(project):
    """What the routine needs of a robot is asked of every variant's robot."""
    path = project / OUT
    path.write_text(path.read_text().replace("do: drive, to: [1.4", "do: drive, fixes: [front], to: [1.4"))
    assert compared(without_correction(), trials=20).status == 0
    found = compared("a: sensors.front.id=bow", trials=20)
    assert found.status == 2
    assert "variant 'a'" in found.findings[0].message


@pytest.mark.parametrize(
    "text", ["a: field=missing.yaml", "a: robot=fieldmaps/box.yaml", "a: footprint.length=3 m"]
)
def test_err_variant_that_does_not_fit(project, text):
    """A file that is not there or of another kind, and a robot that does not fit the start, are status 2."""
    found = compared(text)
    assert (found.status, found.variants) == (2, ())
    assert found.findings
