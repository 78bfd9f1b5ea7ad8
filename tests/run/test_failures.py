"""Causes of failing trials, and the commands that tell one, through the whole run."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from small_project import FIELD, write_project

from driftgate.report.as_json import render_json
from driftgate.run.cache import Cache
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.explain import ExplainSettings, explain_routine
from driftgate.run.story import tell_trial


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return a small project whose checkpoint fails, judged on a second map and mirrored, in its folder."""
    monkeypatch.chdir(write_project(tmp_path, "2 mm"))
    routine = tmp_path / "routines/out.yaml"
    text = routine.read_text()
    text = text.replace("time_limit", "also_on: [../fieldmaps/other.yaml]\nmirror: true\ntime_limit")
    routine.write_text(text)
    (tmp_path / "fieldmaps/other.yaml").write_text(FIELD.replace("title: Box", "title: Other"))
    return tmp_path


def settings_of(command):
    """Return what a command that tells a trial means, read as the command line reads it."""
    words = shlex.split(command)
    assert words[:2] == ["driftgate", "explain"]
    more = words[3:]

    def after(option):
        return more[more.index(option) + 1] if option in more else None

    field = after("--field")
    settings = ExplainSettings(
        Path(words[2]),
        seed=int(after("--seed")),
        field=None if field is None else Path(field),
        carry_field="--carry-field" in more,
        mirrored="--mirrored" in more,
    )
    return settings, int(after("--trial"))


def test_law_each_command_tells_the_trial_of_its_case(project):
    """On every map and side the worst trial, told by its command, fails at its tolerance as in the run."""
    report = check_routines(CheckSettings(trials=200, seed=5))
    assert len(report.cases) == 4
    for case in report.cases:
        moment = case.verdict.moments[0]
        assert len(moment.worst) == 3
        told = tell_trial(*settings_of(f"{case.tell} --trial {moment.worst[0]} --seed 5"))
        assert told.report.label == case.label
        assert told.story.points[0].success is False
        assert told.story.fails_at == "half-way"
        binding = next(axis for axis in moment.axes if axis.axis == moment.binding)
        # The share is of 2 mm; nothing that the worst trial is worse than can be larger.
        assert told.story.points[0].share >= binding.abs_99 / 0.002 * (1.0 - 1e-12)


def test_law_a_map_of_the_command_line_is_named(project):
    """With a map given apart, carried or not, the commands name it."""
    (project / "fieldmaps/third.yaml").write_text(FIELD.replace("title: Box", "title: Third"))
    third = Path("fieldmaps/third.yaml")
    for carry, words in ((False, ["--field", str(third)]), (True, ["--field", str(third), "--carry-field"])):
        report = check_routines(CheckSettings(trials=50, field=third, carry_field=carry))
        tells = [case.tell for case in report.cases if case.true_map == str(third)]
        assert [t.split()[3:] for t in tells] == [words, ["--mirrored", *words]]


def test_law_causes_do_not_depend_on_workers_or_the_cache(project, tmp_path):
    """The report is the same byte for byte, causes included, by two workers and from a cache."""
    alone = render_json(check_routines(CheckSettings(trials=300)))
    assert '"groups": [' in alone
    kept = CheckSettings(trials=300, workers=2, cache=Cache(tmp_path / "kept"))
    assert render_json(check_routines(kept)) == alone
    assert render_json(check_routines(kept)) == alone


def test_law_causes_count_the_trials_that_fail(project):
    """The groups cover the failing trials of tolerances that do not pass; passing cases have none."""
    case = check_routines(CheckSettings(trials=150)).cases[0]
    moment, causes = case.verdict.moments[0], case.verdict.causes
    assert causes.failing == moment.estimate.trials - moment.estimate.successes
    assert sum(group.trials for group in causes.groups) == causes.looked_at == min(causes.failing, 200)
    write_project(project, "200 mm")
    assert check_routines(CheckSettings(trials=150)).cases[0].verdict.causes is None


def test_law_explaining_names_causes(project):
    """The explanation of a case groups its failing trials, as the check does."""
    checked = check_routines(CheckSettings(trials=150)).cases[0].verdict.causes
    explained = explain_routine(ExplainSettings(Path("routines/out.yaml"), trials=150), lambda *_: None)
    assert explained.report.verdict.causes == checked
