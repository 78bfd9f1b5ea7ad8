"""`driftgate explain`."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from driftgate.cli import options
from driftgate.cli.complete import Documents
from driftgate.cli.out import emit, say_status

if TYPE_CHECKING:
    from driftgate.run.workers import Crew


@click.command(
    epilog="""
    \b
    Examples:
      driftgate explain routines/dash.yaml
      driftgate explain routines/dash.yaml --mirrored
      driftgate explain routines/dash.yaml --filter
      driftgate explain routines/dash.yaml --field fieldmaps/practice.yaml
      driftgate explain routines/dash.yaml --trial 123 --seed 1

    What it shows: the planned timeline; how near the outline comes to things; what every sensor
    should see in every step, and the named reason where a reading gives no fix; dark times; the
    predicted error at each checkpoint by both engines; which error sources make it, and which of
    their numbers are guesses; what became of the readings, wrongly accepted and wrongly refused
    ones apart; whether the robot's filter is right about its own errors, and if not, which of its
    numbers to change. The exit status is that of the case shown.

    With --trial: that one trial of the run with this seed, step by step: what drifted, which reading
    was taken or refused and what mattered of it, contact, and why it ended off. What weighs most is
    marked with '!'. The exit status is 0 whatever became of it.
    """
)
@click.argument("routine", type=Documents("routine"))
@click.option("--filter", "only_filter", is_flag=True, help="Only whether the filter is right about itself.")
@click.option(
    "--trial",
    "number",
    type=options.Count(0, options.MOST_EVER),
    default=None,
    metavar="N",
    help="Tell the story of this trial instead.",
)
@click.option("--details", is_flag=True, help="With --trial: all its steps and readings.")
@click.option("--mirrored", is_flag=True, help="Take the other side of the field.")
@options.trials_options
@options.seed_option
@options.confidence_option
@options.workers_option
@options.one_field_options
@options.today_option
@options.colour_option
def command(
    routine: Path,
    only_filter: bool,
    number: int | None,
    details: bool,
    mirrored: bool,
    trials: int | None,
    sample: Any,
    seed: int,
    confidence: float,
    workers: Crew,
    field: Path | None,
    carry_field: bool,
    today: date,
    colour: str,
) -> int:
    """Explain one ROUTINE in depth, on its own field map or on that of --field."""
    if carry_field and field is None:
        raise click.UsageError("--carry-field needs --field")
    from driftgate.cli.progress import ProgressLine
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.run.explain import ExplainSettings, explain_routine

    settings = ExplainSettings(
        routine,
        options.usable_trials(trials, sample),
        seed,
        confidence,
        workers,
        field,
        carry_field,
        mirrored,
        today,
        sample,
    )
    if number is not None:
        if only_filter:
            raise click.UsageError("--filter is about all trials, --trial about one")
        return _tell(settings, number, options.wants_colour(colour), details)
    if details:
        raise click.UsageError("--details needs --trial")
    with ProgressLine() as progress:
        found = explain_routine(settings, progress)
    wanted = options.wants_colour(colour)
    lines = render_findings(found.findings, Paint(wanted))
    text = "\n".join(lines) + "\n" if lines else ""
    if found.report is not None:
        from driftgate.report.explain import render_explanation, render_filter, render_infeasible

        if found.explained is None:
            text += render_infeasible(found.report, wanted)
        else:
            render = render_filter if only_filter else render_explanation
            text += render(found.explained, wanted)
    emit(text)
    say_status(int(found.status), found.why)
    return int(found.status)


def _tell(settings: Any, number: int, colour: bool, details: bool) -> int:
    from driftgate.report.explain import render_infeasible
    from driftgate.report.findings import render_findings
    from driftgate.report.paint import Paint
    from driftgate.report.story import render_story
    from driftgate.run.story import tell_trial

    found = tell_trial(settings, number)
    lines = render_findings(found.findings, Paint(colour))
    text = "\n".join(lines) + "\n" if lines else ""
    if found.report is not None and found.story is None:
        text += render_infeasible(found.report, colour)
    elif found.report is not None and found.story is not None:
        text += render_story(found.report, found.story, settings.seed, colour, details)
    emit(text)
    say_status(int(found.status), found.why)
    return int(found.status)
