"""The command group, and the one place where errors become an exit status."""

from __future__ import annotations

import atexit
import contextlib
import difflib
import errno
import io
import os
import shlex
import signal
import sys
import threading
from importlib import import_module
from types import FrameType
from typing import Final, NoReturn

import click
from click.shell_completion import CompletionItem

from driftgate import __version__
from driftgate.cli.out import OutputError, flush_stdout, say_status
from driftgate.core.errors import DriftgateError
from driftgate.core.threads import ONE_THREAD

# Command to module; a module is imported when its command is asked for.
COMMANDS: Final = {
    "new": "driftgate.cli.new",
    "check": "driftgate.cli.check",
    "explain": "driftgate.cli.explain",
    "budget": "driftgate.cli.budget",
    "compare": "driftgate.cli.compare",
    "freeze": "driftgate.cli.freeze",
    "verify": "driftgate.cli.verify",
    "calibrate": "driftgate.cli.calibrate",
    "sample-logs": "driftgate.cli.sample_logs",
    "backtest": "driftgate.cli.backtest",
    "export": "driftgate.cli.export",
    "nightly": "driftgate.cli.nightly",
    "validate": "driftgate.cli.validate",
    "settings": "driftgate.cli.settings",
    "schema": "driftgate.cli.schema",
    "codes": "driftgate.cli.codes",
    "completion": "driftgate.cli.completion",
}

_SHORT: Final = {
    "new": "Begin a project: a robot, a field and a first routine that passes.",
    "check": "Predict every routine and judge its tolerances.",
    "explain": "Everything about one routine: timeline, sight lines, errors, readings.",
    "budget": "Which error source makes how much of one routine's error.",
    "compare": "Variants of one routine side by side, with the same luck.",
    "freeze": "Write down what passes: the manifest of a code freeze.",
    "verify": "Hold everything against a code freeze, and against the field of the day.",
    "calibrate": "Fit the error sources of a robot from measured drives.",
    "sample-logs": "Drive a routine in simulation and write what the robot would log.",
    "backtest": "Hold predicted errors against logged runs; replay the correction on them.",
    "export": "Hand routines over to the robot's own code: C, JSON and test vectors.",
    "nightly": "Every routine on every field and side, as it is and under faults, night after night.",
    "validate": "Read the files and report what is wrong with them; predict nothing.",
    "settings": "Every setting in force for one routine, and the file and line it comes from.",
    "schema": "Write a JSON Schema, for completion and checks in an editor.",
    "codes": "List the codes of findings, or explain one.",
    "completion": "Let the TAB key complete commands, files and codes.",
}

# In the order in which people meet them.
_SECTIONS: Final = (
    ("Begin", ("new", "validate")),
    ("Judge", ("check", "explain", "budget", "compare", "nightly")),
    ("Measure", ("calibrate", "sample-logs", "backtest")),
    ("Compete", ("freeze", "verify", "export")),
    ("Look up", ("settings", "codes", "schema", "completion")),
)
# What people type who have used other tools.
_OTHER_WORDS: Final = {
    **dict.fromkeys(("run", "test", "judge", "gate", "simulate", "predict"), "check"),
    **dict.fromkeys(("init", "create", "start", "begin", "setup"), "new"),
    **dict.fromkeys(("lint", "valid"), "validate"),
    **dict.fromkeys(("why", "show", "plan", "trace"), "explain"),
    **dict.fromkeys(("diff", "versus"), "compare"),
    **dict.fromkeys(("code", "rule", "rules", "finding"), "codes"),
    **dict.fromkeys(("lock", "manifest"), "freeze"),
    "fit": "calibrate",
}
_FIRST_STEPS: Final = """\
driftgate predicts whether an autonomous routine still ends, and acts, within tolerance.

{steps}

driftgate --help lists all commands, driftgate COMMAND --help has examples of each.
"""
_NOTHING_YET: Final = """\
Nothing to judge here yet. To begin:
  driftgate new my-robot    a robot, a field and a first routine, from a few sizes
  cd my-robot
  driftgate check           will it hold its tolerances?"""
_SOMETHING: Final = """\
Here are routines. To begin:
  driftgate validate        are the files sound?
  driftgate check           will every routine hold its tolerances?
  driftgate explain FILE    one routine in depth: what makes its error, and where"""

TRACEBACK_VARIABLE: Final = "DRIFTGATE_TRACEBACK"
# What a write answers with where there is no room: about the machine, not about driftgate.
_NO_ROOM: Final = frozenset(getattr(errno, name, -1) for name in ("ENOSPC", "EDQUOT", "EFBIG"))
# How long an interrupted process may take to end by itself. [s]
_PATIENCE_S = 2.0


class LazyGroup(click.Group):
    """A group whose commands are imported one by one, so that `--help` stays quick."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order in which people meet them."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import a command."""
        if cmd_name not in COMMANDS:
            return None
        command = import_module(COMMANDS[cmd_name]).command
        assert isinstance(command, click.Command)
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Suggest the command that was probably meant."""
        name = args[0]
        if name not in COMMANDS and not name.startswith("-") and not ctx.resilient_parsing:
            ctx.fail(f"There is no command '{name}'{_meant(name)}")
        return super().resolve_command(ctx, args)

    def shell_complete(self, ctx: click.Context, incomplete: str) -> list[CompletionItem]:
        """Complete commands without importing them, and the options of the group."""
        found = [CompletionItem(name, help=_SHORT[name]) for name in COMMANDS if name.startswith(incomplete)]
        return [*found, *click.Command.shell_complete(self, ctx, incomplete)]

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without importing them."""
        for title, names in _SECTIONS:
            with formatter.section(title):
                formatter.write_dl([(name, _SHORT[name]) for name in names], col_max=12)


def _meant(name: str) -> str:
    """Return the end of a sentence about a command that does not exist."""
    if name.endswith((".yaml", ".yml")) or os.path.exists(name):
        return f"; to judge a file: driftgate check {shlex.quote(name)}"
    close = difflib.get_close_matches(name.lower(), COMMANDS, n=1)
    meant = _OTHER_WORDS.get(name.lower(), close[0] if close else "")
    return f". Did you mean '{meant}'?" if meant else "; driftgate --help lists them"


def _first_steps() -> str:
    """Return what to do first, in the folder that somebody is in."""
    return _FIRST_STEPS.format(steps=_SOMETHING if os.path.isdir("routines") else _NOTHING_YET)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    epilog="""
    \b
    Examples:
      driftgate new my-robot                a project of your own
      driftgate validate                    are the files sound?
      driftgate check                       will all hold their tolerances?
      driftgate check routines/dash.yaml    only this one
      driftgate explain routines/dash.yaml  why, in depth
      driftgate check --report junit=out.xml --report markdown=summary.md

    \b
    Exit statuses:
      0    every tolerance holds (or: every file is sound)
      1    a tolerance breaks or is undecided, or a plan is infeasible
      2    bad input files or bad usage
      3    a fault in driftgate
      5    nothing matched
      130  interrupted
    The last line on stderr names the status and why.
    """,
)
@click.version_option(__version__, prog_name="driftgate", message="%(prog)s %(version)s")
def cli() -> None:
    """Predict whether autonomous routines still end, and act, within tolerance.

    driftgate reads routines, robots and field maps, predicts the true pose error of every routine by
    two engines, and passes, fails or leaves undecided each tolerance at a stated confidence. A
    prediction is no safety assessment.
    """


def _terminated(number: int, frame: FrameType | None) -> NoReturn:
    # A build server that gives up sends this, or the terminal goes; the workers must end too.
    raise KeyboardInterrupt(signal.Signals(number).name)


def run(arguments: list[str]) -> int:
    """Run a command line and return its exit status; says the status on stderr unless it printed help."""
    try:
        status = cli.main(args=arguments, prog_name="driftgate", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except (click.Abort, KeyboardInterrupt) as stop:
        if isinstance(stop.__cause__, EOFError):
            # click makes an Abort of that, too; nobody has interrupted anything.
            return _fault(stop.__cause__)
        name = str(stop.__cause__ or stop)
        say_status(130, f"interrupted by {name}" if name else "interrupted")
        return 130
    except click.ClickException as error:
        if isinstance(error, click.exceptions.NoArgsIsHelpError):
            with contextlib.suppress(OSError):
                click.echo(_first_steps(), err=True, nl=False)
            say_status(2, "bad usage: no command was given")
        else:
            with contextlib.suppress(OSError):
                _show_usage(error)
            say_status(2, f"bad usage: {error.format_message()}")
        return 2
    except DriftgateError as error:
        return _deliberate(error)
    except OSError as error:
        if error.errno in _NO_ROOM:
            say_status(2, f"the output cannot be written: {error.strerror}")
            return 2
        return _fault(error)
    except Exception as error:
        return _fault(error)


def _show_usage(error: click.ClickException) -> None:
    """Say how the command is used; what is wrong stands in the last line, and once is enough.

    A value that is no good says nothing about how the command is used.
    """
    value_only = isinstance(error, click.BadParameter) and not isinstance(error, click.MissingParameter)
    context = getattr(error, "ctx", None)
    if context is not None and not value_only:
        click.echo(context.get_usage(), err=True)
        click.echo(f"Try '{context.command_path} --help' for help.", err=True)


def _deliberate(error: DriftgateError) -> int:
    from driftgate.report.write import WriteError
    from driftgate.run.status import InputError

    if isinstance(error, InputError | WriteError | OutputError):
        say_status(2, str(error))
        return 2
    return _fault(error)


def _fault(error: BaseException) -> int:
    if os.environ.get(TRACEBACK_VARIABLE) == "1":
        import traceback

        traceback.print_exception(error)
    text = str(error).strip().splitlines()
    words = f"{type(error).__name__}: {text[0]}" if text else type(error).__name__
    say_status(3, f"a fault in driftgate ({words}); set {TRACEBACK_VARIABLE}=1 for the details")
    return 3


def _leave_nothing() -> None:
    """Remove the folder that worker processes share, if the interpreter could not.

    A worker that ends just then takes its own socket away, and the interpreter gives up at a file that is
    gone.
    """
    process = sys.modules.get("multiprocessing.process")
    current = None if process is None else process.current_process()
    folder = None if current is None else current._config.get("tempdir")
    if folder:
        import shutil

        shutil.rmtree(folder, ignore_errors=True)


def _give_up(status: int) -> NoReturn:
    _leave_nothing()
    os._exit(status)


def entry() -> NoReturn:
    """Run the command line of this process; the one error boundary."""
    for name, value in ONE_THREAD.items():
        # Who has set one has a reason.
        os.environ.setdefault(name, value)
    # What is registered first runs last.
    atexit.register(_leave_nothing)
    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)
        # Under nohup the terminal may go.
        if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, _terminated)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # A terminal that cannot show a character gets its escape instead of a fault.
            stream.reconfigure(errors="backslashreplace")
    status = run(sys.argv[1:])
    if status == 130:
        # A pool whose workers were ended may leave its own thread waiting for ever.
        last_resort = threading.Timer(_PATIENCE_S, _give_up, (status,))
        last_resort.daemon = True
        last_resort.start()
        # The last line has been written: pipes that break from here on are no news.
        if sys.stderr is not None:
            with contextlib.suppress(OSError, ValueError):
                sys.stderr.flush()
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
    try:
        flush_stdout()
    except OutputError as error:
        say_status(2, str(error))
        status = 2
    _drop_stderr_if_full()
    sys.exit(status)


def _drop_stderr_if_full() -> None:
    """See to it that the interpreter's own last flush cannot change the exit status."""
    if sys.stderr is None:
        return
    try:
        sys.stderr.flush()
    except (OSError, ValueError):
        with contextlib.suppress(OSError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
