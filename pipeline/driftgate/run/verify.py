"""Verify a code freeze: is everything as frozen, and does what has changed still pass?"""

from __future__ import annotations

import os
import shlex
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Final

from driftgate import __version__
from driftgate.core.findings import Finding
from driftgate.load.document import Document
from driftgate.load.manifest import Manifest, load_manifest
from driftgate.load.project import LoadedRoutine, find_root
from driftgate.load.single import load_single
from driftgate.load.text import real_path
from driftgate.report.model import CaseReport
from driftgate.report.verify_model import FieldOfTheDay, MarginNow, Verification
from driftgate.run.accepted import exception_findings, in_force
from driftgate.run.cache import Cache
from driftgate.run.cases import cases_of
from driftgate.run.check import CheckSettings, Progress, judged_cases
from driftgate.run.event_field import cases_on, field_findings, field_of_the_day, frozen_margins, not_holding
from driftgate.run.freeze import DEFAULT_MANIFEST, documents_of
from driftgate.run.inputs import Inputs, load_inputs
from driftgate.run.override import FieldOverride, check_override, load_override
from driftgate.run.robot_files import changed_outputs, folder_findings, robot_files, shared_robot_files
from driftgate.run.since_freeze import SinceFreeze, changed_bytes, compare_files, tool_change
from driftgate.run.software import tool_facts
from driftgate.run.status import Exit, findings_status
from driftgate.run.verify_outcome import verify_outcome
from driftgate.run.waived import Consequence, Sorted, sort_out, worst_verdict
from driftgate.schema.freeze import Freeze
from driftgate.schema.waivers import TOOL, WaivedVerdict

if TYPE_CHECKING:
    from driftgate.run.workers import Crew

WAIVERS_NAME: Final = "waivers.yaml"


@dataclass(frozen=True)
class VerifySettings:
    """What to verify and how.

    Attributes
    ----------
    manifest : Path
        What `freeze` wrote.
    today : date
        The day on which waivers and accepted exceptions are looked at.
    expect : str
        The first digits, 12 or more, of the digest that the manifest must have; empty: any.
    waivers : Path or None
        The waivers; None: the file `waivers.yaml` beside the manifest, if there is one.
    field : Path or None
        The field as taped out.
    robot_files : Path or None
        A folder of generated robot files, to be held against the routines.
    trials : int or None
        Most trials of each case; None: as frozen.
    workers : int or Scheduler
        Worker processes, or a cluster.
    cache : Cache or None
        Where answers of earlier runs are kept; changes no number.
    """

    manifest: Path
    today: date
    expect: str = ""
    waivers: Path | None = None
    field: Path | None = None
    robot_files: Path | None = None
    trials: int | None = None
    workers: Crew = 1
    cache: Cache | None = None

    def command(self) -> str:
        """Return the command line that gives the same on the same day."""
        words = ["driftgate", "verify"]
        if self.manifest != DEFAULT_MANIFEST:
            words.append(self.manifest.as_posix())
        for name, value in (
            ("--expect", self.expect),
            ("--waivers", self.waivers),
            ("--field", self.field),
            ("--robot-files", self.robot_files),
        ):
            if value:
                words += [name, value.as_posix() if isinstance(value, Path) else value]
        if self.trials is not None:
            words += ["--trials", str(self.trials)]
        return shlex.join([*words, "--today", self.today.isoformat()])


def _ignore(done: int, total: int, what: str) -> None:
    pass


def verify(settings: VerifySettings, progress: Progress = _ignore) -> Verification:
    """Hold the repository against the manifest of a code freeze.

    Parameters
    ----------
    settings : VerifySettings
        What to verify and how.
    progress : callable, optional
        Told how far the work is.

    Returns
    -------
    Verification
        With the exit status and why. Damaged manifests and bad files are in it; nothing is raised for them.

    Raises
    ------
    FaultError
        If a worker process dies.
    """
    manifest = load_manifest(settings.manifest)
    freeze = manifest.freeze
    if freeze is None:
        return _unverified(settings, manifest, manifest.findings, "the manifest cannot be used")
    if not manifest.digest.startswith(settings.expect):
        message = f"the manifest is sound, but has the digest {manifest.digest}, not {settings.expect}"
        other = Finding(manifest.path, 0, 0, "DG702", message, suggestion="see who changed it, and why")
        return _unverified(settings, manifest, (other,), "it is not the manifest that was expected")
    root = find_root(Path.cwd())
    waivers, findings = _waivers(settings)
    if findings:
        # What has changed is still named: a waiver that is half filled in must not hide what it is about.
        found = (*_changes(settings, freeze, root), *findings)
        return _unverified(settings, manifest, found, findings_status(findings)[1])
    inputs, override, findings = _inputs(settings, freeze, root)
    if any(finding.level == "error" for finding in findings):
        found = (*changed_bytes(freeze, root), *findings)
        return _unverified(settings, manifest, found, findings_status(findings)[1])
    verification = _Verification(settings, manifest, freeze, inputs, root, waivers, progress)
    return verification.result(override)


def _changes(settings: VerifySettings, freeze: Freeze, root: Path) -> tuple[Finding, ...]:
    """Return what has changed, value by value where the files can be loaded, else line by line."""
    inputs, _, _ = _inputs(replace(settings, field=None), freeze, root)
    # What is wrong with the waivers is told anyway.
    own = real_path(_waivers_path(settings))
    wrong = (root / finding.path for finding in inputs.findings if finding.level == "error")
    if any(path != own for path in wrong):
        return changed_bytes(freeze, root)
    since = compare_files(freeze, documents_of(inputs.routines), root)
    return (*(finding for change in since.changes for finding in change.findings), *since.notes)


def _waivers_path(settings: VerifySettings) -> Path:
    return settings.waivers or settings.manifest.parent / WAIVERS_NAME


def _waivers(settings: VerifySettings) -> tuple[Document | None, tuple[Finding, ...]]:
    path = _waivers_path(settings)
    if settings.waivers is None and not path.exists():
        return None, ()
    single = load_single(path, "waivers")
    return single.document, tuple(_with_advice(finding) for finding in single.findings)


def _with_advice(finding: Finding) -> Finding:
    """Return the finding with what to do about an entry that was pasted as it is printed."""
    if finding.code not in ("DG110", "DG112") or '""' not in finding.excerpt:
        return finding
    return replace(finding, suggestion="fill in who lets it through, why, and until which day")


def _inputs(
    settings: VerifySettings, freeze: Freeze, root: Path
) -> tuple[Inputs, FieldOverride | None, tuple[Finding, ...]]:
    """Load what was frozen as it is now; a folder or file that is gone holds nothing."""
    paths = [root / path for path in freeze.settings.paths]
    paths = [path for path in paths if path.exists()]
    inputs = load_inputs(paths) if paths else Inputs((), None, ())
    if settings.field is None:
        return inputs, None, inputs.findings
    override, more = load_override(settings.field, False)
    if override is not None:
        more += check_override(inputs.routines, override)
    return inputs, override, (*inputs.findings, *more)


def _unverified(
    settings: VerifySettings, manifest: Manifest, findings: Sequence[Finding], why: str
) -> Verification:
    return _record(settings, manifest, tuple(findings), None, (), None, Exit.BAD_INPUT, why)


def _record(
    settings: VerifySettings,
    manifest: Manifest,
    findings: tuple[Finding, ...],
    found: Sorted | None,
    rejudged: tuple[MarginNow, ...],
    field: FieldOfTheDay | None,
    status: Exit,
    why: str,
) -> Verification:
    freeze = manifest.freeze
    return Verification(
        version=__version__,
        manifest=manifest.path,
        digest=manifest.digest,
        frozen_version="" if freeze is None else freeze.tool.version,
        files=0 if freeze is None else len(freeze.files),
        routines=0 if freeze is None else sum(file.kind == "routine" for file in freeze.files),
        seed=0 if freeze is None else freeze.settings.seed,
        trials=0 if freeze is None else settings.trials or freeze.settings.trials,
        sample="sequential" if freeze is None else freeze.settings.sample,
        confidence=0.0 if freeze is None else freeze.settings.confidence,
        findings=findings,
        waived=() if found is None else found.waived,
        needed=() if found is None else found.needed,
        rejudged=rejudged,
        field=field,
        status=int(status),
        why=why,
        command=settings.command(),
        waivers=_waivers_path(settings).as_posix(),
        waivers_there=os.path.exists(_waivers_path(settings)),
    )


class _Verification:
    """One verification of a sound manifest."""

    def __init__(
        self,
        settings: VerifySettings,
        manifest: Manifest,
        freeze: Freeze,
        inputs: Inputs,
        root: Path,
        waivers: Document | None,
        progress: Progress,
    ) -> None:
        self.settings, self.manifest, self.freeze = settings, manifest, freeze
        self.routines = inputs.routines
        self.findings = list(inputs.findings)
        self.waivers = waivers
        self.progress = progress
        self.since: SinceFreeze = compare_files(freeze, documents_of(inputs.routines), root)
        self.tool, notes = tool_change(freeze, tool_facts(), manifest.path)
        self.findings += [*self.since.notes, *notes]
        self.changes = [*self.since.changes, *([] if self.tool is None else [self.tool])]
        self.check = CheckSettings(
            trials=settings.trials or freeze.settings.trials,
            seed=freeze.settings.seed,
            confidence=freeze.settings.confidence,
            workers=settings.workers,
            today=settings.today,
            sample=freeze.settings.sample,
            cache=settings.cache,
        )

    def result(self, override: FieldOverride | None) -> Verification:
        reports, rejudged = self.judge_changed()
        field, on_field = self.judge_field(override)
        sorted_out = sort_out(
            self.changes,
            self.consequences(reports),
            self.verdicts(reports),
            self.waivers,
            self.settings.today,
        )
        folder = self.settings.robot_files
        made = [] if folder is None else folder_findings(folder, self.routines, self.settings.today)
        findings = (*self.findings, *sorted_out.counting, *on_field, *made)
        status, why = verify_outcome(
            self.freeze, self.since, self.changes, sorted_out, findings, reports, field
        )
        return _record(self.settings, self.manifest, findings, sorted_out, rejudged, field, status, why)

    # --- judging again

    def causes(self, loaded: LoadedRoutine) -> frozenset[str]:
        """Return the changes that a routine may come out otherwise for."""
        changed = {change.path for change in self.changes}
        read = {document.path for document in documents_of([loaded])}
        return frozenset(changed & (read | {TOOL}))

    def judge_changed(self) -> tuple[list[CaseReport], tuple[MarginNow, ...]]:
        """Judge all routines again that a change can affect, or an exception that has ended since."""
        chosen = []
        for loaded in self.routines:
            routine = loaded.document.routine
            if self.causes(loaded) or in_force(routine, self.settings.today) is not routine:
                chosen.append(loaded)
        cases = [case for loaded in chosen for case in cases_of(loaded, None, self.settings.today)]
        if not cases:
            return [], ()
        reports, _ = judged_cases(self.check, cases, self.progress)
        documents = [named.document for named in cases]
        self.findings += exception_findings(documents, reports, self.settings.today)
        return reports, tuple(row for report in reports for row in self.margins(report))

    def margins(self, report: CaseReport) -> list[MarginNow]:
        then = frozen_margins(self.freeze, report.path, report.true_map, report.side)
        moments = () if report.verdict is None else report.verdict.moments
        return [
            MarginNow(report.path, report.label, m.name, m.status, then.get(m.name), m.margin)
            for m in moments
        ]

    def consequences(self, reports: Sequence[CaseReport]) -> list[Consequence]:
        """Return what changes lead to: verdicts that do not pass, other files for the robot."""
        causes = {loaded.document.path: self.causes(loaded) for loaded in self.routines}
        found = [
            Consequence(causes[report.path], finding)
            for report in reports
            for finding in not_holding(report, "DG710")
        ]
        made = robot_files(self.routines, self.settings.today)
        tool = frozenset([TOOL] if self.tool is not None else [])
        for path, message in changed_outputs(self.freeze, made, shared_robot_files()):
            why = causes[path] if path else tool
            message = f"so {message}" if why else f"{message}; no frozen file has changed"
            finding = Finding(path or self.manifest.path, 0, 0, "DG709", message)
            found.append(Consequence(why, finding))
        return found

    def verdicts(self, reports: Sequence[CaseReport]) -> Mapping[str, WaivedVerdict]:
        """Return for each change the worst verdict on what it can affect."""
        statuses: dict[str, set[str]] = {change.path: set() for change in self.changes}
        causes = {loaded.document.path: self.causes(loaded) for loaded in self.routines}
        for report in reports:
            for cause in causes[report.path]:
                statuses[cause].add(report.status)
        return {path: worst_verdict(found) for path, found in statuses.items()}

    def judge_field(self, override: FieldOverride | None) -> tuple[FieldOfTheDay | None, list[Finding]]:
        if override is None or not self.routines:
            return None, []
        cases = cases_on(self.routines, override, self.settings.today)
        reports, _ = judged_cases(self.check, cases, self.progress)
        field = field_of_the_day(override.document, self.routines, reports, self.freeze)
        return field, field_findings(field)
