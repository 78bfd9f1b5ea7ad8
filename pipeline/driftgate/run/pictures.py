"""What the pictures of a run show, gathered after the verdicts and only where a report shows pictures.

Cases are planned again, which takes milliseconds, and a few hundred of their trials are run again with a
recorder looking on: they are the very trials that the verdicts counted.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from driftgate.load.document import Document
from driftgate.report.model import CaseReport, RunReport
from driftgate.report.picture import CasePicture, InputFile
from driftgate.run.cases import NamedCase
from driftgate.run.check import CheckSettings, checked_cases
from driftgate.run.inputs import load_inputs
from driftgate.run.workers import open_workers

_MOST_SAMPLED = 400
# Readings times trials, and knots times trials, that are kept at a time: some 70 and 12 bytes each.
_MOST_READINGS = 1_000_000
_MOST_KNOTS = 4_000_000

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True)
class _Task:
    """One case to gather the pictures of."""

    named: NamedCase
    report: CaseReport
    seed: int


def pictures_of(
    settings: CheckSettings, report: RunReport, progress: Progress
) -> tuple[CasePicture | None, ...]:
    """Return what the pictures of each case of a report show, in the same order.

    None stands for a case whose files are no longer what they were when it was judged.

    Raises
    ------
    FaultError
        If a worker process dies.
    """
    if not report.cases:
        return ()
    inputs = load_inputs(settings.paths, settings.field, settings.carry_field)
    cases = {_key(named): named for named in checked_cases(settings, inputs)}
    there, tasks = [], []
    for index, case in enumerate(report.cases):
        named = cases.get((case.path, case.believed_map, case.true_map, case.side))
        if named is not None:
            there.append(index)
            tasks.append(_Task(named, case, settings.seed))
    found: dict[int, CasePicture | None] = {}
    with open_workers(settings.workers, len(tasks)) as workers:
        for index, picture in zip(there, workers.map(_picture, tasks), strict=True):
            found[index] = picture
            progress(len(found), len(tasks), "cases drawn")
    return tuple(found.get(index) for index in range(len(report.cases)))


def check_room(folder: Path, settings: CheckSettings) -> None:
    """Raise WriteError if pictures of what is to be judged cannot be written into a folder, before any work.

    A file in the way that driftgate did not write is never replaced. Files with errors are for the check to
    tell.
    """
    from driftgate.report.as_svg import names_taken
    from driftgate.report.svg import MARK
    from driftgate.report.write import check_ours

    there = sorted(path.name for path in folder.iterdir()) if folder.is_dir() else []
    if not there:
        return
    inputs = load_inputs(settings.paths, settings.field, settings.carry_field)
    if any(finding.level == "error" for finding in inputs.findings):
        return
    cases = checked_cases(settings, inputs)
    keys = [(named.document.path, named.true.path, named.case.side) for named in cases]
    check_ours(folder, names_taken(keys, there), (MARK,))


def _key(named: NamedCase) -> tuple[str, str, str, str]:
    return named.document.path, named.believed.path, named.true.path, named.case.side


def _picture(task: _Task) -> CasePicture | None:
    import numpy as np

    from driftgate.judge.causes import CauseFinder
    from driftgate.predict import covariance
    from driftgate.predict.path_record import PathRecorder
    from driftgate.predict.story import replay
    from driftgate.run.picture_field import picture_field, picture_legs
    from driftgate.run.picture_sight import picture_strips
    from driftgate.run.picture_trials import (
        Sample,
        failing,
        named_trials,
        picture_failed,
        picture_instants,
        picture_paths,
        picture_targets,
        sample_numbers,
    )
    from driftgate.run.tasks import plan_one
    from driftgate.world.footprint import footprint_hull

    named, report = task.named, task.report
    case = named.case
    planned = plan_one((case, named.written))
    if len(planned.plan.steps) != len(report.steps):
        return None
    hull = tuple((float(x), float(y)) for x, y in footprint_hull(case.robot.footprint))
    prepared, verdict = planned.prepared, report.verdict
    if prepared is None or verdict is None:
        legs = picture_legs(planned.plan, report, None)
        return CasePicture(picture_field(case, None), hull, legs, _inputs(named))
    timeline = prepared.plan.timeline
    sampled = max(
        1,
        min(
            _MOST_SAMPLED,
            _MOST_READINGS // max(1, len(timeline.readings.knot)),
            _MOST_KNOTS // len(timeline.time_s),
            verdict.success.trials,
        ),
    )
    why = named_trials(verdict)
    numbers = sample_numbers(sampled, tuple(why))
    record = PathRecorder(prepared, len(numbers))
    predicted = covariance(prepared)
    again = replay(prepared, numbers, task.seed, recorder=record)
    finder = CauseFinder(prepared, predicted, again, lambda index: report.steps[index].words(), planned.dark)
    sample = Sample(finder, record, sampled)
    return CasePicture(
        field=picture_field(case, record, sampled),
        hull=hull,
        legs=picture_legs(planned.plan, report, predicted.fixes.tolist()),
        inputs=_inputs(named),
        instants=picture_instants(prepared, predicted, sample),
        sampled=sampled,
        paths=picture_paths(prepared, sample),
        failed=picture_failed(prepared, sample, why),
        failing=int(np.count_nonzero(failing(sample) < sampled)),
        targets=picture_targets(prepared, predicted, sample),
        strips=picture_strips(prepared, predicted, record, sampled),
    )


def _inputs(named: NamedCase) -> tuple[InputFile, ...]:
    from driftgate.run.cache_key import document_fingerprint

    def of(role: str, document: Document) -> InputFile:
        title, note = (getattr(document.model, name, None) or "" for name in ("title", "note"))
        return InputFile(role, document.path, title, note, document_fingerprint(document.model))

    found = [of("routine", named.document), of("robot", named.robot)]
    if named.true.path == named.believed.path:
        return (*found, of("field map", named.true))
    return (*found, of("map that the robot carries", named.believed), of("true field", named.true))
