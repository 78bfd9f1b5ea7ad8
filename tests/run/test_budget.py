"""The error budget along the command's own path, on a small project."""

from __future__ import annotations

import dataclasses
import json
import math
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import numpy as np
import pytest
from small_project import write_project

from driftgate.judge.budget import AxisBudget
from driftgate.judge.pickfreeze import Share
from driftgate.judge.variance import Shift, shift_of
from driftgate.predict import covariance
from driftgate.report.budget import adding_up, axis_notes, render_budget, table_rows
from driftgate.report.budget_json import budget_object, render_budget_json
from driftgate.report.budget_markdown import render_budget_markdown
from driftgate.report.budget_model import BudgetReport
from driftgate.run.budget import BudgetSettings, budget_routine
from driftgate.run.cases import one_case
from driftgate.run.inputs import load_inputs
from driftgate.run.status import InputError
from driftgate.run.tasks import plan_one

OUT = Path("routines/out.yaml")


def silent(done: int, total: int, what: str) -> None:
    """Show no progress."""


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> BudgetReport:
    """Return the budget of the small project."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(write_project(tmp_path_factory.mktemp("project")))
        return budget_routine(BudgetSettings(OUT, trials=1000, redraws=1000), silent)


def axes(report: BudgetReport) -> list[AxisBudget]:
    """Return every table of a budget."""
    return [axis for moment in report.moments for axis in moment.axes]


def test_law_columns_root_sum_square_to_the_whole(report: BudgetReport) -> None:
    """By covariance, the root of the sum of the columns' squares is the all-on spread, to 1e-12 of it."""
    assert [len(moment.axes) for moment in report.moments] == [1, 3]
    for axis in axes(report):
        together = math.sqrt(sum(row.covariance_sd**2 for row in axis.rows))
        assert together == pytest.approx(axis.covariance_sd, rel=1e-12)
        assert sum(row.covariance_share for row in axis.rows) == pytest.approx(1.0, abs=1e-12)


def test_law_one_pass_per_source_gives_its_column(project: Path, report: BudgetReport) -> None:
    """Each column is what a pass gives with all other sources at zero (A. Gelb 1974, chapter 7).

    The small robot's sources have no means, so that switching some off changes no gain.
    """
    named = one_case(load_inputs([OUT]).routines[0])
    prepared = plan_one((named.case, named.written)).prepared
    assert prepared is not None
    names = [source.name for source in covariance(prepared).sources]
    squares = np.zeros(3)
    for name in names:
        found = covariance(prepared, off=frozenset(names) - {name}).moments[-1].cov
        squares += np.diag(found)
        row = next(r for r in report.moments[-1].axes[0].rows if r.source.name == name)
        assert row.covariance_sd == pytest.approx(math.sqrt(found[0, 0]), rel=1e-12, abs=1e-18)
    assert squares == pytest.approx(np.diag(covariance(prepared).moments[-1].cov), rel=1e-12)


def test_law_first_orders_and_the_rest_make_the_whole(report: BudgetReport) -> None:
    """By trials, the sources alone and what they make only together are 100 %."""
    for axis in axes(report):
        assert axis.interactions is not None
        alone = sum(row.trials.first.value for row in axis.rows if row.trials is not None)
        assert alone + axis.interactions.value == pytest.approx(1.0, abs=1e-12)


def test_mc_both_engines_give_the_same_shares(report: BudgetReport) -> None:
    """In a nearly linear case both engines' shares agree within four standard errors and a tenth of a share.

    The gate at three sigmas and the dropouts are what the covariance does not see: some per cent.
    """
    for axis in axes(report):
        for row in axis.rows:
            assert row.trials is not None
            for share in (row.trials.first, row.trials.total):
                slack = 4.0 * share.error + 0.1 * row.covariance_share + 0.01
                assert share.value == pytest.approx(row.covariance_share, abs=slack), row.source.name


def test_law_shown_shares_add_up(report: BudgetReport) -> None:
    """The figures of both columns add up to 100.0 % as they are shown, gathered rows included."""
    for moment in report.moments:
        for axis in moment.axes:
            for everything in (False, True):
                rows = table_rows(moment, axis, everything)
                for column in ("covariance_share", "first"):
                    cells = [getattr(row, column).split(" ")[0] for row in rows]
                    figures = [round(10 * float(cell)) for cell in cells if cell not in ("", "-")]
                    assert sum(figures[:-1]) == figures[-1] == 1000


def test_law_a_share_that_says_nothing_is_not_a_figure(report: BudgetReport) -> None:
    """Where it may be off by more than half of all, words stand there, and how many redraws it takes."""
    (axis,) = report.moments[0].axes[:1]
    row, *rest = axis.rows
    assert row.trials is not None
    wild = dataclasses.replace(row.trials, total=Share(1.79, 1.41))
    budget = dataclasses.replace(axis, rows=(dataclasses.replace(row, trials=wild), *rest))
    (shown,) = (r for r in table_rows(report.moments[0], budget, True) if r.source == row.source.title)
    assert shown.total.startswith("not resolved")
    assert "±" in shown.first
    note = next(n for n in axis_notes(budget, 1000) if n.startswith("not resolved"))
    # Standard errors fall with the root of the number: (1.96 * 1.41 / 0.1)^2 = 764 times as many.
    assert "1000 redraws" in note
    assert "--redraws 800000 " in note
    assert "no number that is allowed" in next(n for n in axis_notes(budget, 2000) if "resolved" in n)
    assert not any("resolved" in n for n in axis_notes(axis, 1000))
    assert "not resolved" in render_budget(
        dataclasses.replace(report, moments=(dataclasses.replace(report.moments[0], axes=(budget,)),))
    )


def test_law_a_source_hardly_met_is_not_a_figure(report: BudgetReport) -> None:
    """Its sampled error looks small, and is as rough as the share: words stand there, and what to try."""
    (axis,) = report.moments[0].axes[:1]
    row, *rest = axis.rows
    assert row.trials is not None
    for met, shown in ((9.9, False), (10.0, True)):
        rare = dataclasses.replace(row, trials=dataclasses.replace(row.trials, met=met))
        budget = dataclasses.replace(axis, rows=(rare, *rest))
        (line,) = (r for r in table_rows(report.moments[0], budget, True) if r.source == row.source.title)
        assert ("±" in line.first, "±" in line.total) == (shown, shown)
        notes = [n for n in axis_notes(budget, 1000) if "--redraws 2000 " in n]
        assert len(notes) == int(not shown)
        # It may be one of the small ones that are gathered in a line: it is named.
        assert all(f"not resolved: {row.source.title}, which had an effect" in n for n in notes)


def test_law_adding_up_moves_each_figure_by_less_than_its_last_digit() -> None:
    """Rounded shares add up, and none is a tenth of a per cent or more off; negative ones too."""
    shares = [1 / 3, 1 / 3, 1 / 3 + 0.0204, -0.0204]
    words = adding_up(shares)
    figures = [float(word.removesuffix(" %")) for word in words]
    assert sum(figures) == pytest.approx(100.0, abs=1e-9)
    assert all(abs(f - 100.0 * s) < 0.1 for f, s in zip(figures, shares, strict=True))
    # What adds up to nothing is left as it is.
    assert adding_up([0.0, 0.0]) == ["0.0 %", "0.0 %"]


def test_law_switched_off_is_a_run_without_the_source(project: Path, report: BudgetReport) -> None:
    """The what-if column is the spread of a run with that source off, with the same luck elsewhere."""
    from driftgate.predict import run_trials

    named = one_case(load_inputs([OUT]).routines[0])
    prepared = plan_one((named.case, named.written)).prepared
    assert prepared is not None
    off = run_trials(prepared, 1000, 1, off=frozenset({"heading_bias"})).moments[0].error[:, 0]
    row = next(r for r in report.moments[0].axes[0].rows if r.source.name == "heading_bias")
    assert row.off_sd == pytest.approx(off.std(), rel=1e-12)


def test_law_workers_change_nothing(project: Path, report: BudgetReport) -> None:
    """Two workers give the budget of one, byte for byte."""
    two = budget_routine(BudgetSettings(OUT, trials=1000, redraws=1000, workers=2), silent)
    assert render_budget_json(two) == render_budget_json(report)


def test_law_verdict_is_that_of_all_trials(project: Path) -> None:
    """The status is the case's own, by --trials, however few trials the budget takes."""
    write_project(project, "0.1 mm")
    found = budget_routine(BudgetSettings(OUT, trials=1000, redraws=100), silent)
    assert (found.status, found.why) == (1, "1 of 3 tolerances breaks")
    assert found.moments[0].axes[0].rows


def test_law_json_has_every_number(report: BudgetReport) -> None:
    """What programs read is finite, complete, and carries the shares of every source on every axis."""
    found = json.loads(render_budget_json(report))
    assert found == json.loads(json.dumps(budget_object(report)))
    share = {"type": "object", "required": ["value", "standard_error"]}
    source = {
        "type": "object",
        "required": ["name", "basis", "covariance_share", "first", "total", "off_sd", "off_success"],
        "properties": {"first": share, "total": share, "covariance_share": {"type": "number"}},
    }
    axis = {"properties": {"sources": {"type": "array", "minItems": 5, "items": source}}}
    jsonschema.validate(
        found, {"properties": {"moments": {"items": {"properties": {"axes": {"items": axis}}}}}}
    )
    assert [a["axis"] for a in found["moments"][1]["axes"]] == ["along", "across", "heading"]


def test_law_reports_say_the_same(report: BudgetReport) -> None:
    """Terminal and Markdown have the same tables; the terminal's `--all` has every source."""
    text, everything = render_budget(report), render_budget(report, everything=True)
    assert (
        f"Verdicts, by all {report.trials} trials; 'driftgate check' ends a case once all is certain" in text
    )
    assert "smaller ones" in text
    assert "smaller ones" not in everything
    assert "heading bias" in everything
    assert "it is no safety assessment" in text.lower()
    marked = render_budget_markdown(report)
    assert "| only together |" in marked
    assert "**half-way (line 12), x&#58; within 50 mm**" in marked


def test_law_what_it_comes_to_is_said_first(report: BudgetReport) -> None:
    """The tightest tolerance and its largest sources, by the table's own figures, in both texts."""
    verdict = report.case.verdict
    tight = max(verdict.moments, key=lambda m: m.used)
    (moment,) = (m for m in report.moments if m.name == tight.name)
    (axis,) = (a for a in moment.axes if a.limit.axis == tight.binding)
    first, second = sorted(axis.rows, key=lambda row: -row.covariance_share)[:2]
    line = render_budget(report).splitlines()[2]
    assert line.startswith(f"  closest to failing: {tight.name}, {tight.binding}, ")
    words = f"{first.source.title} ({100 * first.covariance_share:.0f} % of the variance)"
    assert f"its spread comes most from {words}" in line
    assert f", {second.source.title} ({100 * second.covariance_share:.0f} %)" in line
    assert ("--improve" in line) == (report.improvements is None)
    assert "Closest to failing&#58; " in render_budget_markdown(report)
    assert "closest to failing" not in render_budget(dataclasses.replace(report, moments=()))


def test_law_few_trials_are_told(report: BudgetReport) -> None:
    """A budget that a few trials decide says so, and names the sources that rest on them."""
    moment = report.moments[1]
    axis = moment.axes[0]
    rough = dataclasses.replace(axis, by_extremes=0.4)
    text = render_budget(dataclasses.replace(report, moments=(dataclasses.replace(moment, axes=(rough,)),)))
    assert "Few trials decide this: one in a thousand makes 40 %" in text
    assert "Few trials decide this" not in render_budget(report)


def test_err_bad_files_and_folders(project: Path) -> None:
    """Files that do not load give status 2 and no budget; a folder of several routines is refused."""
    OUT.write_text(OUT.read_text().replace("time_limit: 10 s", "time_limit: 10"))
    found = budget_routine(BudgetSettings(OUT), silent)
    assert (found.status, found.case, found.moments) == (2, None, ())
    assert found.findings
    write_project(project)
    (OUT.parent / "again.yaml").write_text(OUT.read_text())
    with pytest.raises(InputError, match="holds 2 routines"):
        budget_routine(BudgetSettings(OUT.parent), silent)


def test_err_infeasible_plan(project: Path) -> None:
    """A plan that cannot be driven has no budget, and status 1."""
    OUT.write_text(OUT.read_text().replace("time_limit: 10 s", "time_limit: 1 s"))
    found = budget_routine(BudgetSettings(OUT), silent)
    assert (found.status, found.moments) == (1, ())
    assert "no budget" in render_budget(found)


def test_law_a_budget_says_what_its_plain_trials_hardly_show(project: Path) -> None:
    """With 99.99 % required the budget's verdict is by plain trials, and it says so in both formats."""
    words = "1 tolerance requires 99.99 % or more, and these are plain trials"
    settings = BudgetSettings(OUT, trials=200, redraws=20)
    assert words not in render_budget(budget_routine(settings, silent))
    OUT.write_text(OUT.read_text().replace("\n  required: 90 %", "\n  required: 99.99 %"))
    found = budget_routine(settings, silent)
    assert words in render_budget(found)
    assert words in render_budget_markdown(found)


@pytest.mark.parametrize("late", [True, False])
def test_law_a_mean_among_the_largest_contributions_is_noted(report: BudgetReport, late: bool) -> None:
    """In terminal and Markdown, of the age of readings and of any other source, and in the JSON."""
    shift = Shift("range_latency" if late else "heading_latency", "the title", -0.0067)
    moment = report.moments[0]
    axis = dataclasses.replace(moment.axes[0], shift=shift)
    told = dataclasses.replace(report, moments=(dataclasses.replace(moment, axes=(axis,)),))
    by = "The age of the readings, which are taken for new," if late else "The mean of the the title"
    for text in (render_budget(told), render_budget_markdown(told)):
        assert f"{by} alone shifts it by -6.7 mm." in text
        assert "alone shifts" not in render_budget(report)
    found = budget_object(told)["moments"][0]["axes"][0]["shift"]
    assert found == {"name": shift.name, "title": "the title", "mean": -0.0067}


def test_law_a_mean_is_large_by_the_shares_of_the_variance() -> None:
    """By hand: variance 9 + 4 mm², so that a mean counts from 2 mm on; what is known of maps never does."""
    parts = {"one": np.diag([9e-6, 1.0, 1.0]), "two": np.diag([4e-6, 1.0, 1.0])}

    def found(**means: float) -> str:
        moment = SimpleNamespace(
            cov=parts["one"] + parts["two"],
            by_source=parts,
            guessed=np.zeros((3, 3)),
            between_fields=np.zeros((3, 3)),
            mean_by_source={name: np.array([mean, 0.0, 0.0]) for name, mean in means.items()},
        )
        shift = shift_of(moment, (), "x", 0.0)
        return "" if shift is None else shift.name

    assert found(known=0.1) == found() == ""
    assert found(two=0.0019, known=0.1) == ""
    assert found(two=-0.0021, one=0.002, known=0.1) == "two"
