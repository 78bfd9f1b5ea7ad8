"""Options that several commands share, and what they parse to."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from driftgate.cli.complete import Documents

if TYPE_CHECKING:
    from driftgate.run.cache import Cache
    from driftgate.run.workers import Crew

F = TypeVar("F", bound=Callable[..., Any])

MOST_EVER = 10_000_000
SAMPLES = ("sequential", "fixed")
CACHE_VARIABLE = "DRIFTGATE_CACHE"
DAY_VARIABLE = "DRIFTGATE_TODAY"
WHEN_CHOICES = ("auto", "always", "never")
FILE = click.Path(path_type=Path, dir_okay=False)
ROBOT_FILE = Documents("robot", file_only=True)
FIELD_FILE = Documents("field map", file_only=True)


class Count(click.ParamType[int]):
    """A whole number from `low` to `high`; help does not show the bounds, a message does."""

    name = "number"

    def __init__(self, low: int, high: int) -> None:
        self.low, self.high = low, high

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        """Return the number."""
        try:
            number = int(str(value).strip())
        except ValueError:
            self.fail(f"'{value}' is no whole number; write digits alone, such as 4000", param, ctx)
        if number < self.low:
            self.fail(f"{value} is too small: at least {self.low}", param, ctx)
        if number > self.high:
            self.fail(f"{value} is too large: at most {self.high}", param, ctx)
        return number


class Share(click.ParamType[float]):
    """A probability strictly between 0 and 1, written 0.95 or 95%."""

    name = "probability"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the probability."""
        if isinstance(value, float):
            return value
        text = str(value).strip()
        try:
            number = float(text.removesuffix("%")) / 100.0 if text.endswith("%") else float(text)
        except ValueError:
            self.fail(f"'{text}' is no probability; write for example 0.95 or 95%", param, ctx)
        if not 0.0 < number < 1.0:
            self.fail(f"{text} is not between 0 and 1 (0 % and 100 %)", param, ctx)
        return number


def trials_option(function: F) -> F:
    """Add --trials, for a command that takes just so many."""
    return click.option(
        "--trials",
        type=Count(1, MOST_EVER),
        default=4000,
        show_default=True,
        help="How many trials. More of them tell smaller differences.",
    )(function)


def trials_options(function: F) -> F:
    """Add --trials and --sample."""
    sampled = click.option(
        "--sample",
        type=click.Choice(SAMPLES),
        default="sequential",
        show_default=True,
        help="sequential: a case ends once every verdict is certain, after 1024, 2048, 4096 ... trials; "
        "its bounds hold at all looks together. fixed: all trials, one look, tighter (exact) bounds.",
    )(function)
    return click.option(
        "--trials",
        type=Count(1, MOST_EVER),
        default=None,
        help="Most trials of each case; with --sample fixed, all of them. More trials decide closer calls; "
        "573 are the fewest that can show 99 % at 95 % confidence (fixed: 299).  [default: 20000, "
        "or 4000 with --sample fixed]",
    )(sampled)


def usable_trials(wanted: int | None, sample: str) -> int:
    """Return how many trials to take, or the most."""
    if wanted is not None:
        return wanted
    from driftgate.run.check import FIXED_TRIALS, MOST_TRIALS

    return FIXED_TRIALS if sample == "fixed" else MOST_TRIALS


def seed_option(function: F) -> F:
    """Add --seed."""
    return click.option(
        "--seed",
        type=Count(0, 2**63 - 1),
        default=1,
        show_default=True,
        help="Seed of the random streams. The same seed gives the same numbers.",
    )(function)


def confidence_option(function: F) -> F:
    """Add --confidence."""
    return click.option(
        "--confidence",
        type=Share(),
        default=0.95,
        show_default=True,
        help="Confidence of every verdict. It covers sampling, not the model.",
    )(function)


def workers_option(function: Callable[..., int]) -> Callable[..., int]:
    """Add --workers and --scheduler, which the command is given as one: its `workers`."""

    @functools.wraps(function)
    def with_crew(*args: Any, workers: int | None, scheduler: str | None, **given: Any) -> int:
        return function(*args, workers=_crew(workers, scheduler), **given)

    cluster = click.option(
        "--scheduler",
        metavar="ADDRESS",
        default=None,
        help="Work on a Dask cluster that is running, by its scheduler's address, such as "
        "tcp://10.0.0.5:8786; needs the extra 'cluster'. Changes no number.",
    )(with_crew)
    return click.option(
        "--workers",
        type=Count(1, 1024),
        default=None,
        help="Worker processes; by default one for each usable core. Changes no number.",
    )(cluster)


def field_options(function: F) -> F:
    """Add --field and --carry-field, for a command that judges on further fields."""
    return _field_options(
        function, "Judge on this field map too, as the true field: for example as measured on the day."
    )


def one_field_options(function: F) -> F:
    """Add --field and --carry-field, for a command that shows one case."""
    return _field_options(
        function, "The true field, instead of the routine's own: for example as measured on the day."
    )


def handed_field_options(function: F) -> F:
    """Add --field and --carry-field, for a command that hands the robot its map."""
    return _field_options(function, "With --carry-field: the map that the robot gets, instead of its own.")


def _field_options(function: F, words: str) -> F:
    carried = click.option(
        "--carry-field",
        is_flag=True,
        help="Give the robot the field map of --field too, instead of the one it was written for.",
    )(function)
    return click.option(
        "--field",
        "field",
        type=FIELD_FILE,
        default=None,
        metavar="FILE",
        help=words,
    )(carried)


class Day(click.ParamType[date]):
    """A day such as 2026-12-01."""

    name = "day"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> date:
        """Return the day."""
        if isinstance(value, date):
            return value
        from driftgate.schema.accepted import parse_day

        try:
            return parse_day(value)
        except ValueError as error:
            self.fail(f"{error}, got '{value}'", param, ctx)


def cache_options(function: F) -> F:
    """Add --cache and --no-cache."""
    off = click.option(
        "--no-cache", is_flag=True, help="Work everything out anew, and keep nothing for later runs."
    )(function)
    return click.option(
        "--cache",
        "cache_folder",
        type=click.Path(path_type=Path, file_okay=False),
        envvar=CACHE_VARIABLE,
        default=None,
        metavar="FOLDER",
        help="Where answers are kept for runs whose inputs have not changed (or DRIFTGATE_CACHE, 'off' for "
        "nowhere); by default this user's cache folder, and nowhere where CI is set.",
    )(off)


def opened_cache(folder: Path | None, off: bool) -> Cache | None:
    """Return the cache to use, or None.

    A build server has none unless a folder is named: what is restored there from run to run may have
    been written by a stranger's pull request.
    """
    from driftgate.run.cache import Cache, default_folder

    if off or folder == Path("off"):
        return None
    if folder is None:
        folder = None if os.environ.get("CI") else default_folder()
    return None if folder is None else Cache(folder)


def last_day() -> date:
    """Return the last day that anybody can call today: a day from now, which covers all time zones.

    DRIFTGATE_TODAY stands for the clock where it is given.
    """
    given = os.environ.get(DAY_VARIABLE)
    today = Day().convert(given, None, None) if given else datetime.now(UTC).date()
    return min(today, date.max - timedelta(days=1)) + timedelta(days=1)


def today_option(function: F) -> F:
    """Add --today; the clock is looked at in this module and nowhere else."""
    return click.option(
        "--today",
        type=Day(),
        envvar=DAY_VARIABLE,
        default=date.today,
        help="Day on which accepted exceptions and waivers are looked at (or DRIFTGATE_TODAY).  "
        "[default: the day it is]",
    )(function)


def colour_option(function: F) -> F:
    """Add --color."""
    return click.option(
        "--color",
        "colour",
        type=click.Choice(WHEN_CHOICES),
        default="auto",
        show_default=True,
        help="Colour: auto follows NO_COLOR, FORCE_COLOR and whether this is a terminal.",
    )(function)


def annotate_option(function: F) -> F:
    """Add --annotate."""
    return click.option(
        "--annotate",
        type=click.Choice(WHEN_CHOICES),
        default="auto",
        show_default=True,
        help="Workflow commands on stdout, which show findings beside the lines of a change: auto where "
        "GITHUB_ACTIONS is true.",
    )(function)


def wants_annotations(choice: str) -> bool:
    """Return whether to print workflow commands: the option, else whether the server reads them."""
    return choice == "always" or (choice == "auto" and os.environ.get("GITHUB_ACTIONS") == "true")


def wants_colour(choice: str) -> bool:
    """Return whether to colour: the option, then NO_COLOR, then FORCE_COLOR, then the terminal."""
    if choice != "auto":
        return choice == "always"
    if os.environ.get("NO_COLOR"):
        return False
    if os.environ.get("FORCE_COLOR"):
        return True
    return sys.stdout is not None and sys.stdout.isatty() and os.environ.get("TERM") != "dumb"


def _crew(wanted: int | None, scheduler: str | None) -> Crew:
    """Return who works: a cluster, or so many processes."""
    if scheduler is not None:
        if wanted is not None:
            raise click.UsageError("--workers is for processes here; a cluster has the workers that it has")
        if not scheduler.strip():
            raise click.UsageError("--scheduler wants an address, such as tcp://10.0.0.5:8786")
        from driftgate.run.workers import Scheduler

        return Scheduler(scheduler.strip())
    if wanted is not None:
        return wanted
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
