"""Whole runs with a cache: the same bytes, today's lines, and nothing worked out twice."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest
from small_project import write_project

from driftgate.report.as_json import render_json
from driftgate.report.as_junit import render_junit
from driftgate.report.as_markdown import render_markdown
from driftgate.report.terminal import render_terminal
from driftgate.run import engines, gather
from driftgate.run.cache import Cache
from driftgate.run.cache_key import judged_key
from driftgate.run.check import _APART, CheckSettings, check_routines
from driftgate.run.workers import Workers

SETTINGS = CheckSettings(trials=120, sample="fixed")
MIRRORED = ("time_limit", "mirror: true\ntime_limit")
INFEASIBLE = ("time_limit: 10 s", "time_limit: 1 s")
WARNED = ("to: [1.4 m, 1 m]", "to: [1.4 m, 1 m], speed: 1.5 m/s")
ACCEPTING = (
    "final:\n",
    'accepted:\n  - {code: DG201, step: out, reason: "\\u00e9", until: "2999-01-01"}\nfinal:\n',
)


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project with a tolerance that breaks, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path, "1.5 mm"))
    return tmp_path


@pytest.fixture
def worked(monkeypatch):
    """Return a list to which every planned ("plan") and judged ("judged") case is added."""
    calls: list[str] = []
    for name, word in (("plan_facts", "plan"), ("judged_facts", "judged")):
        real = getattr(gather, name)
        monkeypatch.setattr(gather, name, lambda *a, real=real, word=word: calls.append(word) or real(*a))
    return calls


def edit(project, *changes, name="routines/out.yaml"):
    """Change a file of the project."""
    path = project / name
    text = path.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    path.write_text(text)


def texts(settings=SETTINGS, cache=None):
    """Return a run's report in every format."""
    report = check_routines(dataclasses.replace(settings, cache=cache))
    return [render(report) for render in (render_terminal, render_json, render_junit, render_markdown)]


def cache_of(project):
    """Return the cache of this project as a new run opens it."""
    return Cache(project / "kept")


@pytest.mark.parametrize(
    "changes",
    [(), (MIRRORED,), (INFEASIBLE,), (WARNED,), (WARNED, ACCEPTING), (MIRRORED, WARNED, ACCEPTING)],
)
@pytest.mark.parametrize("sample", ["fixed", "sequential"])
def test_law_same_bytes_with_and_without(project, worked, changes, sample) -> None:
    """Without a cache, filling one, and answered from it, every report format has the same bytes."""
    edit(project, *changes)
    settings = dataclasses.replace(SETTINGS, sample=sample)
    plain = texts(settings)
    filling = texts(settings, cache_of(project))
    worked.clear()
    answered = texts(settings, cache_of(project))
    assert filling == plain
    assert answered == plain
    assert worked == []


def test_law_reasons_point_at_todays_lines(project, worked) -> None:
    """Comments move lines and change no answer: every line in the report of a hit is the new one."""
    before = texts(cache=cache_of(project))
    edit(project, ("kind: routine", "# one\n# two\n# three\nkind: routine"), ("steps:\n", "steps:\n\n"))
    worked.clear()
    after = texts(cache=cache_of(project))
    assert worked == []
    assert after == texts()
    assert "line 11" in before[0]
    assert "line 15" in after[0]
    assert "line 11" not in after[0]
    assert "\0" not in "".join(after)


def test_law_titles_are_todays(project, worked) -> None:
    """A new title is no new question, and is shown."""
    texts(cache=cache_of(project))
    edit(project, ("Out and stop", "There and back"))
    worked.clear()
    assert "There and back" in texts(cache=cache_of(project))[0]
    assert worked == []


def test_law_rare_requirements_have_the_same_bytes(project, worked) -> None:
    """Verdicts that rest on tilted trials are kept like any other."""
    edit(project, ("required: 90 %\n", "required: 99.99 %\n"), ("60 mm, across: 60 mm", "200 mm"))
    settings = dataclasses.replace(SETTINGS, trials=6000, sample="sequential")
    report = check_routines(dataclasses.replace(settings, cache=cache_of(project)))
    assert report.cases[0].verdict.moments[-1].tilted is not None
    worked.clear()
    answered = check_routines(dataclasses.replace(settings, cache=cache_of(project)))
    assert worked == []
    assert render_json(answered) == render_json(report)


@pytest.mark.parametrize(
    "change",
    [{"seed": 2}, {"trials": 121}, {"confidence": 0.9}, {"sample": "sequential"}],
)
def test_law_other_settings_are_other_verdicts(project, worked, change) -> None:
    """Every setting of the verdicts is part of the question; the plan is not asked for again."""
    texts(cache=cache_of(project))
    worked.clear()
    settings = dataclasses.replace(SETTINGS, **change)
    assert texts(settings, cache_of(project)) == texts(settings)
    assert worked[:1] == ["judged"]


def test_law_workers_are_no_setting_of_a_verdict(project, worked) -> None:
    """The number of workers is no part of the question."""
    texts(cache=cache_of(project))
    worked.clear()
    texts(dataclasses.replace(SETTINGS, workers=2), cache_of(project))
    assert worked == []


def test_law_only_what_changed_is_worked_out(project, worked) -> None:
    """Of two routines the one that changed is planned and judged anew, in a pool or here."""
    (project / "routines/again.yaml").write_text((project / "routines/out.yaml").read_text())
    edit(project, ("2.2 m", "2.1 m"), name="routines/again.yaml")
    texts(cache=cache_of(project))
    assert worked == ["plan", "plan", "judged", "judged"]
    edit(project, ("2.1 m", "2.15 m"), name="routines/again.yaml")
    worked.clear()
    answered = texts(dataclasses.replace(SETTINGS, workers=2), cache_of(project))
    assert worked == ["plan", "judged"]
    worked.clear()
    assert texts(cache=cache_of(project)) == answered
    assert worked == []


def test_law_other_tolerances_of_the_run_are_another_question(project, worked) -> None:
    """Failing is judged at a level shared among all tolerances: with more of them it is judged anew."""
    alone = texts(cache=cache_of(project))
    (project / "routines/again.yaml").write_text((project / "routines/out.yaml").read_text())
    worked.clear()
    together = texts(cache=cache_of(project))
    assert worked == ["judged", "judged"]
    assert together == texts()
    assert alone != together


def test_err_damaged_answers_are_worked_out_again(project, worked) -> None:
    """Cut, emptied or overwritten answers give the same bytes, and are whole again afterwards."""
    plain = texts(cache=cache_of(project))
    files = sorted((project / "kept").iterdir())
    assert len(files) == 2
    whole = [file.read_bytes() for file in files]
    for damage in (
        lambda b: b"",
        lambda b: b[:-1],
        lambda b: b.replace(b"pass", b"fail"),
        lambda b: b"\0" * 9,
    ):
        for file, data in zip(files, whole, strict=True):
            file.write_bytes(damage(data))
        assert texts(cache=cache_of(project)) == plain
        assert [file.read_bytes() for file in files] == whole


def test_err_a_value_of_another_shape_is_worked_out_again(project) -> None:
    """An answer that is whole and yet no fact, as from another hand, is not trusted."""
    plain = texts(cache=cache_of(project))
    cache = cache_of(project)
    for file in (project / "kept").iterdir():
        cache.put(file.stem, b'{"verdict":"pass","readings":[]}')
    assert texts(cache=cache_of(project)) == plain


def test_err_a_cache_that_cannot_be_used_changes_nothing(project, monkeypatch) -> None:
    """A file in its place, or no source to be told by, is one line of trouble and the same bytes."""
    plain = texts()
    (project / "file").write_text("")
    cache = Cache(project / "file")
    assert texts(cache=cache) == plain
    assert cache.trouble

    def unreadable(*arguments):
        raise FileNotFoundError("no source")

    monkeypatch.setattr("driftgate.run.known.plan_key", unreadable)
    cache = cache_of(project)
    assert texts(cache=cache) == plain
    assert "no source" in cache.trouble
    assert not (project / "kept").exists()


def test_law_every_setting_is_apart_or_has_a_key() -> None:
    """A setting that is not set apart belongs to the question, and can be put into it."""
    names = {field.name for field in dataclasses.fields(CheckSettings)}
    assert names >= _APART
    of_verdicts = CheckSettings((Path("a"),), field=Path("b")).of_verdicts()
    assert set(of_verdicts) == names - _APART
    assert judged_key("", of_verdicts)


def test_law_workers_start_first_or_not_at_all(project, monkeypatch) -> None:
    """Several unknown cases start the pool before anything is imported; known ones and a lone one do not."""
    started = []
    monkeypatch.setattr(Workers, "start", lambda self: started.append(self.count))
    settings = dataclasses.replace(SETTINGS, workers=2)
    texts(settings)
    assert started == []
    edit(project, MIRRORED)
    texts(settings, cache_of(project))
    assert started == [2]
    texts(dataclasses.replace(settings, seed=2), cache_of(project))
    assert started == [2]


@pytest.mark.parametrize("sample", ["fixed", "sequential"])
def test_law_cases_in_parts_give_the_same(project, monkeypatch, sample) -> None:
    """However few cases are held in memory at a time, reports have the same bytes; progress ends whole."""
    edit(project, MIRRORED, WARNED, ACCEPTING)
    settings = dataclasses.replace(SETTINGS, sample=sample)
    whole = texts(settings)
    monkeypatch.setattr(engines, "_AT_ONCE", 1)
    assert texts(settings) == whole
    assert texts(settings, cache_of(project)) == whole
    told = []
    check_routines(settings, lambda done, total, words: told.append((done, total, words)))
    planned = [(done, total) for done, total, words in told if words == "cases planned"]
    assert planned[:2] == [(1, 2), (2, 2)]
    done, total, _ = told[-1]
    assert done == total
