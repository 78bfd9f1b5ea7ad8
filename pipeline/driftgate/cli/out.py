"""Printing to people and pipes."""

from __future__ import annotations

import contextlib
import os
import sys

import click

from driftgate.core.errors import DriftgateError


class OutputError(DriftgateError):
    """What was asked for was not shown; status 2."""


def emit(text: str) -> None:
    """Print a text as it is.

    A reader that has gone away, as `| head` does, changes no verdict: the rest is dropped.

    Raises
    ------
    OutputError
        If it cannot be printed for another reason: a full disk behind a redirection, say.
    """
    try:
        # Whether to colour is settled by now; left to itself, click takes colour out in every pipe.
        click.echo(text, nl=False, color=True)
    except BrokenPipeError:
        drop_stdout()
    except OSError as error:
        drop_stdout()
        raise OutputError(f"the output cannot be written: {error.strerror or error}") from error


def flush_stdout() -> None:
    """Write what is still held back; raises like `emit`."""
    if sys.stdout is None:
        return
    try:
        sys.stdout.flush()
    except BrokenPipeError:
        drop_stdout()
    except OSError as error:
        drop_stdout()
        raise OutputError(f"the output cannot be written: {error.strerror or error}") from error


def drop_stdout() -> None:
    """Let further output go nowhere: the interpreter flushes once more at its end."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say_status(status: int, why: str) -> None:
    """Write the last line on stderr: the status and why."""
    from driftgate.report.text import plain

    # Where not even this can be written, the exit status alone has to do.
    with contextlib.suppress(OSError, ValueError):
        click.echo(f"driftgate: status {status}: {plain(why)}", err=True)
