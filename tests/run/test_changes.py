"""Changed cases: what is widened, what stays, and that the numbers are those of the changed files."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from small_project import write_project

from driftgate.judge.budget import outputs_of
from driftgate.judge.growth import MOST, grown_cov
from driftgate.judge.improve import Improvement
from driftgate.judge.values import MomentVerdict
from driftgate.predict import Prepared, covariance, prepare, run_trials
from driftgate.predict.filter_model import filter_model
from driftgate.predict.sources import TITLES, source_table
from driftgate.report.budget import render_budget
from driftgate.report.budget_json import budget_object, render_budget_json
from driftgate.report.budget_markdown import render_budget_markdown
from driftgate.report.budget_model import BudgetReport
from driftgate.report.budget_schema import SCHEMA
from driftgate.run.budget import BudgetSettings, budget_routine
from driftgate.run.candidates import _compensated
from driftgate.run.cases import one_case
from driftgate.run.changes import OTHER_NUMBERS, SPREADS, grown, widened, with_compensation
from driftgate.run.check import CheckSettings, check_routines
from driftgate.run.growth import Search, grown_prepared
from driftgate.run.inputs import load_inputs
from driftgate.schema.base import Sourced
from driftgate.schema.case import Case
from strict_schema import strict

OUT = Path("routines/out.yaml")
ROBOT = Path("routines/robots/small.yaml")
SHIPPED = Path(__file__).resolve().parents[2] / "routines"
TRIALS = 1000
# Widths that do not simply scale: the resolution decides whether rounding is a constant or a noise.
BY_STEPS = {"quantisation"}


def shipped(name: str) -> Case:
    """Return a shipped routine on its own map."""
    return one_case(load_inputs([SHIPPED / f"{name}.yaml"]).routines[0]).case


def silent(done: int, total: int, what: str) -> None:
    """Show no progress."""


@pytest.fixture
def project(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


@pytest.fixture(scope="module")
def deep(tmp_path_factory: pytest.TempPathFactory) -> BudgetReport:
    """Return the budget of the small project with all that can be asked for."""
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(write_project(tmp_path_factory.mktemp("project"), "6 mm"))
        settings = BudgetSettings(OUT, trials=TRIALS, redraws=TRIALS, grow=True, improve=True)
        return budget_routine(settings, silent)


def all_sourced(kind: type[Sourced] = Sourced) -> set[type[Sourced]]:
    """Return every model of an error source."""
    return {kind, *(found for below in kind.__subclasses__() for found in all_sourced(below))}


def test_law_every_number_of_every_source_is_a_width_or_known_not_to_be() -> None:
    """No source gains a number that nobody has decided about."""
    numbers = {
        name
        for model in all_sourced()
        for name, field in model.model_fields.items()
        if "float" in repr(field.annotation)
    }
    # Where strays go is a list of points, and no number.
    numbers -= {"region"}
    assert numbers == SPREADS | OTHER_NUMBERS


@pytest.mark.parametrize("name", ["corner-dash", "square-up"])
def test_law_doubling_a_spread_doubles_its_column_only(name: str) -> None:
    """With the filter kept, each source twice as wide makes four times its variance, and no other changes.

    A. Gelb (ed.), Applied Optimal Estimation (1974), chapter 7: the true covariance under fixed gains is
    linear in every source. The prediction of growth rests on it.
    """
    case = prepare(shipped(name))
    before = covariance(case).moments[-1]
    for source in {constant.source for constant in source_table(case.case).constants} | set(before.by_source):
        wider = grown_prepared(case, source, 2.0)
        if wider is None or source in BY_STEPS:
            continue
        after = covariance(wider).moments[-1]
        scale = np.sqrt(np.outer(np.diag(before.cov), np.diag(before.cov)))
        for other, cov in after.by_source.items():
            wanted = before.by_source[other] * (4.0 if other == source else 1.0)
            # Parts far below the whole carry the rounding of the whole.
            assert cov == pytest.approx(wanted, rel=1e-9, abs=float(1e-12 * scale.max())), (source, other)
        assert after.cov == pytest.approx(grown_cov(before, source, 2.0), rel=1e-9, abs=1e-18)


def test_law_growing_changes_the_truth_alone() -> None:
    """A wider source changes neither the filter that is kept nor the map that is carried; means stay."""
    case = shipped("corner-dash")
    base = prepare(case)
    wider = grown_prepared(base, "distance_scale", 3.0)
    assert wider is not None
    assert wider.filter == base.filter == filter_model(case)
    assert filter_model(wider.case) != base.filter
    walls = grown(case, "wall_build", 3.0)
    assert walls is not None
    assert walls.believed == case.believed
    assert walls.true.build.offset == 3.0 * case.true.build.offset
    own = [(new.build, old.build) for new, old in zip(walls.true.walls, case.true.walls, strict=True)]
    assert any(old is not None for _, old in own)
    assert all(new == (old and widened(old, 3.0)) for new, old in own)
    latency = case.robot.errors.heading_latency
    assert latency is not None
    assert widened(latency, 3.0).mean == latency.mean


def test_law_probabilities_stop_at_one() -> None:
    """A chance of 30 % four times over is certainty, not 120 %."""
    stray = next(e.stray for e in shipped("corner-dash").true.elements if e.stray is not None)
    likely = stray.model_copy(update={"probability": 0.3})
    assert widened(likely, 2.0).probability == pytest.approx(0.6)
    assert widened(likely, 4.0).probability == 1.0


def test_law_every_acting_source_but_delays_can_be_grown() -> None:
    """Whatever is in the table of sources can grow; a known delay and rough floors that are none cannot."""
    case = shipped("corner-dash")
    acting = {info.name for info in source_table(case).info}
    assert {name for name in acting if grown(case, name, 2.0) is None} == {"range_latency"}
    assert all(grown(case, name, 2.0) is None for name in set(TITLES) - acting)
    with pytest.raises(KeyError, match="no error source"):
        grown(case, "nonsense", 2.0)


def test_law_growth_is_confirmed_by_trials(deep: BudgetReport, project: Path) -> None:
    """The share of trials named where a source breaks is that of a run at that factor; below it all holds."""
    write_project(project, "6 mm")
    named = one_case(load_inputs([OUT]).routines[0])
    base = prepare(named.case)
    assert deep.growths
    breaking = [row for row in deep.growths if row.breaks is not None]
    assert {row.source for row in breaking} >= {"distance_scale"}
    for row in breaking[:2]:
        assert row.holds < row.breaks <= 1.2 * row.holds
        assert share(base, row.source, row.breaks, row.moment) == row.success < row.required
        assert share(base, row.source, row.holds, row.moment) >= row.required


@pytest.mark.parametrize("threshold", [1.01, 1.3, 2.0, 3.7, 9.9, 50.0])
@pytest.mark.parametrize("predicted", [None, 1.2, 3.5])
def test_law_search_brackets_the_factor(threshold: float, predicted: float | None) -> None:
    """Wherever it begins, the search ends on two factors that were run: one that holds, one that breaks."""
    source = source_table(shipped("corner-dash")).info[0]
    search, ran = Search(source, predicted), [1.0]
    for _ in range(20):
        factor = search.next()
        if factor is None:
            break
        ran.append(factor)
        search.record(factor, ("end", 0.9, 0.95) if factor >= threshold else None)
    assert search.next() is None
    assert search.holds in ran
    assert search.holds < threshold
    if threshold > MOST:
        assert (search.holds, search.breaks) == (MOST, None)
    else:
        assert search.breaks in ran
        assert threshold <= search.breaks <= 1.2 * search.holds
    assert len(ran) <= 8


def share(base: Prepared, source: str, factor: float, name: str) -> float:
    """Return the share of the trials that succeed at a moment with a source so much wider."""
    wider = grown_prepared(base, source, factor)
    assert wider is not None
    trials = run_trials(wider, TRIALS, 1)
    outputs = outputs_of(wider.moments, trials, wider.case.routine.time_limit)
    return next(
        float(output.success.mean())
        for moment, output in zip(wider.moments, outputs, strict=True)
        if moment.name == name
    )


def test_law_growth_of_both_engines_agrees(deep: BudgetReport) -> None:
    """In a nearly linear case the covariance's factor lies near the trials' bracket: within a quarter."""
    assert deep.growths
    compared = 0
    for row in deep.growths:
        if row.predicted is not None and row.breaks is not None:
            compared += 1
            assert 0.75 * row.holds <= row.predicted <= 1.25 * row.breaks, row.source
    assert compared >= 2


def test_law_broken_tolerances_are_left_out_of_growth(project: Path) -> None:
    """What is broken as it is cannot break: it is named, and the others are looked at."""
    write_project(project, "0.1 mm")
    found = budget_routine(BudgetSettings(OUT, trials=400, redraws=200, grow=True), silent)
    assert found.broken == ("half-way",)
    assert found.growths
    assert {row.moment for row in found.growths} <= {"", "end", "contact"}
    assert "Broken as it is, and not looked at here: half-way." in render_budget(found)


def by_check(edit: tuple[Path, str, str] | None = None) -> MomentVerdict:
    """Return the verdict on the first checkpoint by `check`, after an edit of a file."""
    if edit is not None:
        path, old, new = edit
        text = path.read_text()
        assert text.count(old) == 1
        path.write_text(text.replace(old, new))
    verdict = check_routines(CheckSettings((OUT,), trials=TRIALS, sample="fixed")).cases[0].verdict
    assert verdict is not None
    return verdict.moments[0]


EDITS = {
    "a jig for the start pose": (
        OUT,
        "spread: {x: 2 mm, y: 2 mm, heading: 0.2 deg",
        f"spread: {{x: {2 / 3!r} mm, y: {2 / 3!r} mm, heading: {0.2 / 3!r} deg",
    ),
    "distances calibrated better": (
        ROBOT,
        "distance_scale: {spread: 0.5 %",
        "distance_scale: {spread: 0.25 %",
    ),
    "a tighter gate": (ROBOT, "gate: {sigmas: 3.0}", "gate: {sigmas: 2.1}"),
    "a better gyro": (ROBOT, "heading_bias: {spread: 0.1 deg/s", "heading_bias: {spread: 0.05 deg/s"),
    "a look of 0.5 s before step 2": (
        OUT,
        "  - {name: half-way",
        "  - {do: look, time: 0.5 s}\n  - {name: half-way",
    ),
}


@pytest.mark.parametrize("change", EDITS)
def test_law_each_number_is_that_of_the_changed_files(change: str, deep: BudgetReport, project: Path) -> None:
    """Margin and success of a change are what `check` gives after the same edit of the files.

    To the last bits that a third, or degrees and back, leave.
    """
    write_project(project, "6 mm")
    one = improvement_of(deep, change)
    assert one.moment == "half-way"
    before = by_check()
    assert one.margin_before == before.margin
    assert one.success_before == before.estimate.probability
    now = by_check(EDITS[change])
    assert one.margin_now == pytest.approx(now.margin, abs=1e-9)
    assert one.success_now == now.estimate.probability


def improvement_of(report: BudgetReport, change: str) -> Improvement:
    """Return the one change that begins so."""
    (found,) = (one for one in report.improvements or () if one.change.startswith(change))
    return found


def test_law_changes_are_ordered_and_told(deep: BudgetReport) -> None:
    """The most margin comes first, in the terminal, in Markdown and in JSON alike."""
    assert deep.improvements
    gains = [one.gain.value for one in deep.improvements if one.gain is not None]
    assert gains == sorted(gains, reverse=True)
    first = deep.improvements[0]
    assert gains[0] > 0.0
    assert f"  1. {first.change}: margin of 'half-way'" in render_budget(deep)
    assert "What single changes would buy" in render_budget_markdown(deep)
    found = budget_object(deep)
    jsonschema.validate(json.loads(render_budget_json(deep)), strict(SCHEMA))
    assert found["improvements"][0]["change"] == first.change
    assert found["growth"][0]["breaks_at"] == deep.growths[0].breaks
    assert not any(isinstance(v, float) and math.isnan(v) for row in found["growth"] for v in row.values())


def test_law_a_slower_step_is_among_the_changes(deep: BudgetReport) -> None:
    """The motion over which the error grows is tried at 0.7 of its speed."""
    one = improvement_of(deep, "step 1 slower ('out', drive to (1.40, 1.00) m): 1.00 to 0.70 m/s")
    assert one.margin_now != one.margin_before


def test_law_changes_that_cannot_be_driven_are_left_out(project: Path) -> None:
    """With no time to spare neither a slower step nor a look is offered."""
    text = OUT.read_text()
    duration = check_routines(CheckSettings((OUT,), trials=50)).cases[0].duration_s
    OUT.write_text(text.replace("time_limit: 10 s", f"time_limit: {duration + 0.1:.3f} s"))
    found = budget_routine(BudgetSettings(OUT, trials=200, redraws=100, improve=True), silent)
    assert found.improvements
    assert not any("slower" in one.change or "look of" in one.change for one in found.improvements)


def test_law_only_what_is_there_is_offered(project: Path) -> None:
    """Without sensors' use there is no gate to change and no look that could help."""
    ROBOT.write_text(ROBOT.read_text().replace("correction:\n", "correction:\n  enabled: false\n"))
    found = budget_routine(BudgetSettings(OUT, trials=200, redraws=100, improve=True), silent)
    assert found.improvements
    assert not any("gate" in one.change or "look of" in one.change for one in found.improvements)


@pytest.mark.parametrize(
    ("own", "changes"), [({}, True), ({"when": "looking"}, False), ({"enabled": False}, False)]
)
def test_law_old_readings_are_compensated_where_they_are_used_at_speed(
    own: dict[str, object], changes: bool
) -> None:
    """The switch is tried where readings come in motion and nothing takes their age out, and only there."""
    case = shipped("aisle-steps")
    sensors = [s.model_copy(update={"latency": 0.1}) for s in case.robot.sensors]
    base = {"compensate_latency": False, "when": "always", **own}
    correction = case.robot.correction.model_copy(update=base)
    old = replace(case, robot=case.robot.model_copy(update={"correction": correction, "sensors": sensors}))
    found = with_compensation(old)
    assert (found is not None) == changes
    assert found is None or found.robot.correction.compensate_latency
    assert found is None or with_compensation(found) is None
    assert any("compensate_latency" in c.change for c in _compensated(old, old.routine)) == changes
