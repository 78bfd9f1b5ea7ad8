"""The whole of `driftgate nightly`: load, run or find the night, keep it, look back."""

from __future__ import annotations

import shlex
from collections.abc import Sequence
from datetime import date
from pathlib import Path

from driftgate import __version__
from driftgate.core.findings import Finding
from driftgate.judge.night import Night
from driftgate.judge.trend import FALSE_ALARMS, shifts
from driftgate.judge.values import Status
from driftgate.report.night_model import Change, NightReport, Series
from driftgate.run.cases import cases_of
from driftgate.run.history import History, Opened, already_words
from driftgate.run.inputs import load_inputs, nothing_words
from driftgate.run.night import NightSettings, Progress, run_key, run_night
from driftgate.run.night_work import forget_work
from driftgate.run.status import Exit, InputError, counted, findings_status


def nightly(settings: NightSettings, progress: Progress) -> NightReport:
    """Run a night, keep it, and say what became of every tolerance over the nights.

    Parameters
    ----------
    settings : NightSettings
        What is run and how.
    progress : callable
        Told (done, of how many, words).

    Returns
    -------
    NightReport
        With the exit status and why. A damaged history is in it as a finding; it is left as it is.

    Raises
    ------
    InputError
        If the history has this night already, from other inputs.
    FaultError
        If a worker process dies.
    WriteError
        If the night cannot be kept.
    """
    inputs = load_inputs(settings.paths)
    status, why = findings_status(inputs.findings)
    if status is not Exit.PASS:
        return _report(settings, inputs.findings, status, why)
    if not inputs.routines:
        return _report(settings, inputs.findings, Exit.NOTHING, nothing_words(settings.paths))
    history = None if settings.history is None else History(settings.history)
    opened = Opened((), ()) if history is None else history.open()
    findings = (*inputs.findings, *opened.findings)
    if not opened.sound:
        return _report(settings, findings, Exit.BAD_INPUT, _damage_words(opened.findings))
    cases = [case for loaded in inputs.routines for case in cases_of(loaded, None, settings.day)]
    run = run_key(settings, cases)
    night = None if history is None else _known(history, settings, run)
    if night is None:
        night = run_night(settings, cases, run, progress)
        if history is not None and settings.history is not None:
            history.add(night)
    if settings.history is not None:
        # Of a night that is kept already, too: the run that kept it may have ended right after that.
        forget_work(settings.history, run)
    return _told(settings, findings, opened, history, night)


def look_back(folder: Path, name: str) -> NightReport:
    """Return the report of a night that is kept; nothing is run.

    Parameters
    ----------
    folder : Path
        The history.
    name : str
        The night; empty: the latest.

    Raises
    ------
    InputError
        If there is no such night.
    """
    history = History(folder)
    opened = history.open()
    settings = NightSettings(date.min, history=folder)
    if not opened.sound:
        return _report(settings, opened.findings, Exit.BAD_INPUT, _damage_words(opened.findings))
    night = history.night(name or max(opened.nights, default=""))
    if night is None:
        if not opened.nights:
            where = folder.as_posix() if folder.is_dir() else f"{folder.as_posix()}, which is no folder"
            raise InputError(f"no night is kept in {where}")
        there = ", ".join(opened.nights[-3:])
        raise InputError(f"no night {name} is kept in {folder.as_posix()}; the latest: {there}")
    return _told(settings, opened.findings, opened, history, night)


def _told(
    settings: NightSettings,
    findings: tuple[Finding, ...],
    opened: Opened,
    history: History | None,
    night: Night,
) -> NightReport:
    """Return the report of a night, with what became of the nights before it."""
    status, why = night_status(night)
    before = None
    earlier = [name for name in opened.nights if name < night.night]
    if history is not None and earlier:
        before = history.night(earlier[-1])
    series = series_of(night) if history is None else _until(history.series(), night.night)
    changes = changes_of(series)
    worse = sum(change.shift.worse and change.since == night.night for change in changes)
    if worse:
        why += f"; {counted(worse, 'tolerance has', 'tolerances have')} become worse tonight"
    return _report(settings, findings, status, why, night, before, series, changes)


def _known(history: History, settings: NightSettings, run: str) -> Night | None:
    """Return this very night if it is kept already.

    Raises
    ------
    InputError
        If another run has its name.
    """
    there = history.night(settings.night)
    if there is not None and there.run != run:
        raise InputError(already_words(settings.night))
    return there


def _until(series: Sequence[Series], night: str) -> tuple[Series, ...]:
    """Return the series up to a night: what came later is not known in its report."""
    found = []
    for one in series:
        count = sum(name <= night for name in one.nights)
        if count and one.nights[count - 1] == night:
            cut = {
                name: getattr(one, name)[:count]
                for name in ("nights", "required", "trials", "successes", "half", "used", "inputs")
            }
            found.append(Series(one.routine, one.carried, one.field, one.side, one.tolerance, **cut))
    return tuple(found)


def series_of(night: Night) -> tuple[Series, ...]:
    """Return one night alone as series."""
    found = []
    for case in night.cases:
        cell = case.as_it_is
        for one in () if cell is None else cell.tolerances:
            found.append(
                Series(
                    *case.key,
                    one.name,
                    (night.night,),
                    (one.required,),
                    (one.trials,),
                    (one.successes,),
                    (one.half,),
                    (one.used,),
                    ((("driftgate", night.software), *case.inputs),),
                )
            )
    return tuple(found)


def changes_of(series: Sequence[Series]) -> tuple[Change, ...]:
    """Return since when tolerances hold more or less often, the largest losses first.

    Each tolerance is looked at twice, in its successes and in those that use at most half of it; both share
    the false-alarm rate with all others. A change that shows in both is told once.
    """
    found: list[Change] = []
    level = FALSE_ALARMS / max(1, 2 * len(series))
    for one in series:
        changed = [bool(one.changed(i)) for i in range(len(one.nights))]
        plain = shifts(one.trials, one.successes, changed, level)
        found += [Change(one, False, shift) for shift in plain]
        told = {shift.at for shift in plain}
        if one.half != one.successes:
            early = shifts(one.trials, one.half, changed, level)
            found += [Change(one, True, shift) for shift in early if shift.at not in told]
    found.sort(key=lambda change: (change.shift.after - change.shift.before, change.since))
    return tuple(found)


def night_status(night: Night) -> tuple[Exit, str]:
    """Return the status of a night and why: its cases as they are; faults decide nothing."""
    statuses: list[Status] = []
    infeasible = 0
    for case in night.cases:
        if case.as_it_is is None:
            infeasible += 1
        else:
            statuses += [one.status for one in case.as_it_is.tolerances]
    parts = []
    for status, word in (("fail", "broken"), ("undecided", "undecided")):
        if number := statuses.count(status):  # type: ignore[arg-type]
            parts.append(f"{number} {word}")
    if infeasible:
        parts.append(f"{counted(infeasible, 'plan')} infeasible")
    if parts:
        return Exit.FAIL, f"of {counted(len(statuses), 'tolerance')}: {', '.join(parts)}"
    return Exit.PASS, f"all {counted(len(statuses), 'tolerance')} hold"


def _damage_words(findings: Sequence[Finding]) -> str:
    errors = [finding for finding in findings if finding.level == "error"]
    return f"{counted(len(errors), 'error')} in the history; nothing was run and nothing was written"


def rebuild(folder: Path) -> NightReport:
    """Make the database of a history anew from the files of its nights."""
    settings = NightSettings(date.min, history=folder)
    opened = History(folder).rebuild()
    if not opened.sound:
        return _report(settings, opened.findings, Exit.BAD_INPUT, _damage_words(opened.findings))
    return _report(
        settings,
        opened.findings,
        Exit.PASS,
        f"the history is made anew from {counted(len(opened.nights), 'night')}",
    )


def _report(
    settings: NightSettings,
    findings: tuple[Finding, ...],
    status: Exit,
    why: str,
    night: Night | None = None,
    before: Night | None = None,
    series: tuple[Series, ...] = (),
    changes: tuple[Change, ...] = (),
) -> NightReport:
    return NightReport(
        version=__version__,
        findings=findings,
        night=night,
        before=before,
        kept=night is not None and settings.history is not None,
        series=series,
        changes=changes,
        status=int(status),
        why=why,
        command=_command(settings, night),
    )


def _command(settings: NightSettings, night: Night | None) -> str:
    if night is None or settings.day != date.min:
        return settings.command()
    # Which files it was of, only its inputs' fingerprints know.
    assert settings.history is not None
    words = ["driftgate", "nightly", "--history", settings.history.as_posix(), "--kept"]
    return shlex.join([*words, "--night", night.night])
