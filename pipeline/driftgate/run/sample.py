"""A routine driven in simulation, as the logs that a robot would write."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from driftgate.core.findings import Finding
from driftgate.load.text import UNWANTED
from driftgate.report.json_text import as_text
from driftgate.report.model import CaseReport
from driftgate.report.write import WriteError, check_target, check_way, write_whole
from driftgate.run.explain import ExplainSettings, chosen_case
from driftgate.run.status import Exit, InputError, counted, judged_status

if TYPE_CHECKING:
    from driftgate.predict.logged import Jitter, Reference, SampledRun
    from driftgate.predict.sources import SourceTable

# Enough of a file to see whether it is a simulated log.
_HEAD_BYTES: Final = 4096
# What a line of a log cannot hold: characters that its reader refuses, line ends, and after a comma what a
# spreadsheet would take for a formula.
_NO_LINE: Final = re.compile(rf"{UNWANTED.pattern}|[\t\r\n]|[,;]\s*[=+@-]")
_INVENTED: Final = "simulated: invented data, no robot drove this"


@dataclass(frozen=True)
class SampleSettings:
    """What is driven, how often, and where the logs go.

    Attributes
    ----------
    case : ExplainSettings
        The routine, the field and the seed.
    runs : int
        How many.
    folder : Path, optional
        Where the logs are written to; made if it is not there. None: the first run's log is returned.
    reference : Reference
        How the robot's true place is measured.
    jitter : Jitter
        Noise of the odometry's own readings.
    one_robot : bool
        One robot on one field drives all runs, or others each.
    """

    case: ExplainSettings
    runs: int
    folder: Path | None
    reference: Reference
    jitter: Jitter
    one_robot: bool = True


@dataclass(frozen=True)
class Sampled:
    """Findings alone, an infeasible case, or the files written, or the text of one log."""

    findings: tuple[Finding, ...]
    report: CaseReport | None
    files: tuple[Path, ...]
    status: Exit
    why: str
    text: str = ""


def sample_logs(settings: SampleSettings) -> Sampled:
    """Drive a routine in simulation and write one log for each run, and one file with what was drawn.

    Raises
    ------
    InputError
        If the path holds not exactly one routine.
    WriteError
        If a file cannot be written, or stands where something other than a simulated log would be lost.
    """
    findings, named, status, why = chosen_case(settings.case)
    if named is None:
        return Sampled(findings, None, (), status, why)

    from driftgate.logs import write_log
    from driftgate.predict.logged import sample_runs
    from driftgate.predict.sources import source_table
    from driftgate.run.gather import report_of
    from driftgate.run.tasks import plan_one

    paths = named.robot.path, named.document.path, named.true.path
    for path in paths:
        if _NO_LINE.search(path):
            raise InputError(
                f"{path}: a log names the files of its run in lines of its own, and this name does not go"
                " into one: rename the file"
            )
    folder, stem = settings.folder, Path(named.document.path).stem
    names = [f"{stem}-sim-{i + 1:0{len(str(settings.runs))}}.csv" for i in range(settings.runs)]
    drawn = f"{stem}-sim-drawn.json"
    if folder is not None:
        _make_room(folder, [*names, drawn])
    planned = plan_one((named.case, named.written))
    if planned.prepared is None:
        report = report_of(named, planned)
        return Sampled(findings, report, (), *judged_status([report]))
    seed = settings.case.seed
    runs = sample_runs(
        planned.prepared, settings.runs, seed, settings.reference, settings.jitter, settings.one_robot, paths
    )
    whose = "the same robot and field in all" if settings.one_robot else "another robot and field in each"
    texts = [
        write_log(run.log, [_INVENTED, f"run {i + 1} of seed {seed}, {whose}"]) for i, run in enumerate(runs)
    ]
    if folder is None:
        return Sampled(findings, None, (), Exit.PASS, "1 simulated log", texts[0])
    texts.append(_drawn_text(settings, names, runs, source_table(named.case)))
    files = tuple(folder / name for name in (*names, drawn))
    for file, text in zip(files, texts, strict=True):
        write_whole(file, text)
    words = f"{counted(len(runs), 'simulated log')} in {folder.as_posix()}"
    return Sampled(findings, None, files, Exit.PASS, words)


def _make_room(folder: Path, names: list[str]) -> None:
    """Make the folder, and refuse to write over anything but what this command writes."""
    check_way(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise WriteError(f"{folder}: {error.strerror}") from error
    for name in names:
        file = folder / name
        check_target(file)
        if file.exists() and not _is_simulated(file):
            raise WriteError(f"{file}: is no simulated log, and is not written over")


def _is_simulated(file: Path) -> bool:
    try:
        with file.open("rb") as stream:
            head = stream.read(_HEAD_BYTES)
    except OSError:
        return False
    return b"\n# origin: simulated\n" in head or _INVENTED.encode() in head


def _drawn_text(
    settings: SampleSettings, names: list[str], runs: tuple[SampledRun, ...], table: SourceTable
) -> str:
    """Return what was drawn, so that what is found in the logs can be held against it; SI."""
    constants: list[dict[str, Any]] = [
        {
            "key": c.key,
            "source": c.source,
            "mean": c.mean,
            "spread": c.spread,
            "constant_over": c.constant_over,
        }
        for c in table.constants
    ]
    listed = [{"file": name, "drawn": run.drawn} for name, run in zip(names, runs, strict=True)]
    whole = {"note": _INVENTED, "seed": settings.case.seed, "constants": constants, "runs": listed}
    return as_text(whole)
