"""Printing to people and pipes."""

from __future__ import annotations

import contextlib
import os
import sys

import click


def emit(text: str) -> None:
    """Print a text as it is.

    A reader that has gone away, as `| head` does, changes no verdict: the rest is dropped.
    """
    try:
        # Whether to colour is settled by now; left to itself, click takes colour out in every pipe.
        click.echo(text, nl=False, color=True)
    except BrokenPipeError:
        drop_stdout()


def drop_stdout() -> None:
    """Let further output go nowhere: the interpreter flushes once more at its end."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def say_status(status: int, why: str) -> None:
    """Write the last line on stderr: the status and why."""
    from driftgate.report.text import plain

    click.echo(f"driftgate: status {status}: {plain(why)}", err=True)
