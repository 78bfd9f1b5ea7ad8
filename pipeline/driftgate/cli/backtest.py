"""`driftgate backtest`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from driftgate.cli import options
from driftgate.cli.out import emit, say_status
from driftgate.cli.targets import check_targets, report_option
from driftgate.cli.written import Pair, Quantities, Quantity, RunFiles, WayBackText

if TYPE_CHECKING:
    from driftgate.core.findings import Finding


@click.command(
    epilog="""
    \b
    Examples:
      driftgate backtest runs/tuesday.csv
      driftgate backtest runs/ --robot routines/robots/wren.yaml
      driftgate backtest new.csv --fit old.csv --fit older.csv
      driftgate backtest thursday/ --fit tuesday/ --between
      driftgate backtest odometry.csv+ranges.csv+reference.csv \\
          --beacons beacons.csv
      driftgate backtest run.csv --beacons beacons.csv --gate 3 --gate none
      driftgate backtest run.csv --beacons beacons.csv --false-share 20%
      driftgate backtest run.csv --added distance_scale="3 %" \\
          --constant distance_scale

    What it does: dead reckoning over windows of several lengths, each from a reference pose on, is held
    against the reference at the window's end. With beacons, or a log that names its routine, the
    correction is run again over the logged ranges, once for each setting named. Checkpoints of the
    routine are held against their prediction from the files, that of the trials where these are to be
    believed (DG405). Nothing is fitted on what is judged.
    The log format is described in README.md.

    Verdict: calibrated, overconfident, overcautious, or cannot say (too few independent errors).
    Beside it a line says whether the robot's filter claims too much or too little, and what to do.

    Exit statuses: 0 calibrated, 1 not, 2 something is wrong with the files.
    """
)
@click.argument("logs", nargs=-1, required=True, type=RunFiles())
@click.option(
    "--fit",
    "fit_on",
    multiple=True,
    type=RunFiles(),
    metavar="LOG",
    help="Fit on this run, or these, and judge all of LOGS. May be given several times; without it the first "
    "part of each run is fitted and the rest judged.",
)
@click.option(
    "--fit-share",
    type=options.Share(),
    default=0.5,
    show_default=True,
    help="The first part: which share of the odometry distance.",
)
@click.option(
    "--robot",
    type=options.ROBOT_FILE,
    default=None,
    metavar="FILE",
    help="Judge this robot file's error sources instead.",
)
@click.option(
    "--length",
    "lengths",
    multiple=True,
    type=Quantity("length", above=0.0),
    help="Length of the windows; may be given several times. [default: 5 m, 10 m, 20 m, 40 m]",
)
@click.option(
    "--between",
    is_flag=True,
    help="Windows from each reference pose to the next ones, where these are few, as by tape.",
)
@click.option(
    "--every",
    type=Quantity("length", above=0.0),
    default="2 m",
    show_default=True,
    help="Distance from window to window.",
)
@click.option(
    "--jump",
    metavar="LENGTH",
    default="0.1 m",
    show_default=True,
    help="Leave out windows over sideways leaps of the reference by more than this; 'none' keeps them.",
)
@click.option(
    "--constant",
    "constants",
    multiple=True,
    metavar="NAME",
    help="Fit this constant too, for example distance_scale; may be given several times.",
)
@click.option(
    "--noise",
    "noises",
    multiple=True,
    metavar="NAME",
    help="Fit this noise too, for example heading_walk:second; may be given several times.",
)
@click.option(
    "--slips/--no-slips", default=True, show_default=True, help="Fit rare slips of the distance as well."
)
@click.option(
    "--added",
    multiple=True,
    type=Pair(),
    metavar="KEY=VALUE",
    help="Put a known error on top of the odometry: distance_scale, heading_scale, heading_bias, "
    "distance_walk, heading_walk.",
)
@click.option(
    "--beacons",
    type=options.FILE,
    default=None,
    metavar="FILE",
    help="Where beacons stand: replay the correction.",
)
@click.option(
    "--gate",
    "gates",
    multiple=True,
    metavar="SIGMAS",
    help="Gate in standard deviations, or 'none'; may be given several times: each is tried alone. Judged is "
    "the robot's own setting, and for beacons the first one given. [default: the robot's own; for beacons 3]",
)
@click.option(
    "--way-back",
    "ways_back",
    multiple=True,
    type=WayBackText(),
    metavar="K, F, M",
    help="After K refusals in a row the filter grows by F, after M more it is lost; or 'none'. [default: the "
    "robot's own; for beacons '4, 10, 10']",
)
@click.option(
    "--combined",
    is_flag=True,
    help="Every --gate with every --way-back; without it each changes alone.",
)
@click.option(
    "--false-share",
    type=options.Share(),
    default=None,
    help="Replace this share of the ranges by false ones, anywhere before the true range to a beacon, or "
    "before what was read of a wall.",
)
@click.option(
    "--every-nth",
    type=options.Count(1, 10_000),
    default=1,
    show_default=True,
    help="Use only every so many-th range of the log.",
)
@click.option(
    "--start-off",
    type=Quantities("length", "angle"),
    default=None,
    metavar="LENGTH, ANGLE",
    help="Believe a wrong start, for example '3 m, 15 deg'; each seed another way.",
)
@click.option(
    "--start-spread",
    type=Quantities("length", "length", "angle"),
    default="5 cm, 5 cm, 0.01 rad",
    show_default=True,
    help="With --beacons: what the filter believes of its start.",
)
@click.option(
    "--mount",
    type=Quantities("length", "length", negative=True),
    default="0 m, 0 m",
    show_default=True,
    metavar="AHEAD, LEFT",
    help="With --beacons: where the ranges' antenna sits on the robot.",
)
@click.option(
    "--seeds",
    type=options.Count(1, 1000),
    default=1,
    show_default=True,
    help="How often what is random is drawn.",
)
@options.seed_option
@report_option(("json",))
@options.colour_option
def command(logs: Any, reports: tuple[tuple[str, Path], ...], colour: str, **given: Any) -> int:
    """Hold a model of dead reckoning and correction against LOGS that it was not fitted on.

    Each LOG is one run: a file, or several joined by '+' that share its clock. A folder, or a pattern like
    'runs/*.csv', stands for all the runs in it; NAME.csv and NAME-poses.csv are one run.
    """
    from driftgate.report.backtest import render_backtest
    from driftgate.report.backtest_json import render_backtest_json
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.report.write import write_whole
    from driftgate.run.backtest import backtest
    from driftgate.run.status import InputError

    check_targets(reports)
    paint = Paint(options.wants_colour(colour))
    findings: list[Finding] = []
    try:
        found = backtest(_settings(logs, **given), findings)
    except InputError:
        # What was found of the files before may well be why.
        emit("".join(f"{line}\n" for line in render_findings(tuple(findings), paint)))
        raise
    lines = render_findings(found.findings, paint)
    text = "\n".join(lines) + "\n" if lines else ""
    if found.runs:
        text += render_backtest(found)
        for _, path in reports:
            write_whole(path, render_backtest_json(found))
    emit(text)
    say_status(int(found.status), found.why)
    return int(found.status)


def _settings(logs: Any, **given: Any) -> Any:
    from driftgate.calibrate.backtest import USUAL_CONSTANTS, USUAL_NOISES
    from driftgate.calibrate.dead_reckoning import DRIFT_KEYS, NOISES
    from driftgate.calibrate.perturb import ADDED
    from driftgate.cli.written import known, one_quantity, optional_length
    from driftgate.run.backtest_settings import BacktestSettings
    from driftgate.run.corrected import CorrectionPlan
    from driftgate.run.run_parts import joined_by_name

    if given["robot"] is not None and given["fit_on"]:
        raise click.UsageError("either --robot or --fit: a robot file is judged as it is")
    if given["between"] and given["lengths"]:
        raise click.UsageError("either --between or --length")
    if given["robot"] is not None and given["beacons"] is not None:
        raise click.UsageError("--beacons fits the ranges, which --robot leaves as they are")
    _refuse_without_beacons(given)
    added = {}
    for key, value in given["added"]:
        known("--added", key, ADDED)
        added[key] = one_quantity("--added", value, ADDED[key])
    for option, names, allowed in (
        ("--constant", given["constants"], DRIFT_KEYS),
        ("--noise", given["noises"], NOISES),
    ):
        for name in names:
            known(option, name, allowed)
    off_m, off_rad = given["start_off"] or (0.0, 0.0)
    if min(given["start_spread"]) <= 0.0:
        raise click.UsageError("--start-spread: a spread is more than zero")
    correction = CorrectionPlan(
        gates=tuple(_gate(text) for text in given["gates"]),
        ways_back=given["ways_back"],
        combined=given["combined"],
        false_share=given["false_share"] or 0.0,
        every_nth=given["every_nth"],
        off_m=off_m,
        off_rad=off_rad,
        start_spread=given["start_spread"],
        mount=given["mount"],
    )
    usual = {} if not given["lengths"] and not given["between"] else {"lengths_m": tuple(given["lengths"])}
    return BacktestSettings(
        runs=tuple(joined_by_name(run for runs in logs for run in runs)),
        fit_on=tuple(joined_by_name(run for runs in given["fit_on"] for run in runs)),
        fit_share=given["fit_share"],
        robot=given["robot"],
        every_m=given["every"],
        jump_m=optional_length("--jump", given["jump"]),
        constants=tuple(dict.fromkeys((*USUAL_CONSTANTS, *given["constants"]))),
        noises=tuple(dict.fromkeys((*USUAL_NOISES, *given["noises"]))),
        slips=given["slips"],
        added=added,
        seeds=given["seeds"],
        seed=given["seed"],
        beacons=given["beacons"],
        correction=correction,
        **usual,
    )


def _refuse_without_beacons(given: dict[str, Any]) -> None:
    """Refuse what only beacons take; of a routine's log the robot file says it."""
    context = click.get_current_context()
    for name in ("mount", "start_spread"):
        if context.get_parameter_source(name) is ParameterSource.COMMANDLINE and given["beacons"] is None:
            raise click.UsageError(f"--{name.replace('_', '-')} goes with --beacons")


def _gate(text: str) -> float | None:
    if text == "none":
        return None
    try:
        number = float(text)
    except ValueError:
        number = 0.0
    if not 0.0 < number <= 100.0:
        raise click.UsageError(f"--gate: '{text}' is not a number from 0 to 100, or 'none'")
    return number
