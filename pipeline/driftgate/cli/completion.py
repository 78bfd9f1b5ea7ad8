"""`driftgate completion`."""

from __future__ import annotations

import click

from driftgate.cli.out import emit

SHELLS = ("bash", "zsh", "fish")
# What click looks for in the environment when the shell asks.
VARIABLE = "_DRIFTGATE_COMPLETE"


@click.command(
    epilog="""
    \b
    Examples:
      source <(driftgate completion bash)  bash; for good, in ~/.bashrc
      source <(driftgate completion zsh)   zsh, after compinit; in ~/.zshrc
      driftgate completion fish | source   fish; for good, into a file:
      driftgate completion fish > ~/.config/fish/completions/driftgate.fish

    What the TAB key then completes: commands, options and their choices; routines, robots and field
    maps where one is expected; the codes of findings, the kinds of schema, and reports.
    """
)
@click.argument("shell", type=click.Choice(SHELLS))
def command(shell: str) -> int:
    """Print what makes the TAB key complete driftgate's words in SHELL."""
    from click.shell_completion import get_completion_class

    from driftgate.cli.main import cli

    made = get_completion_class(shell)
    assert made is not None
    emit(made(cli, {}, "driftgate", VARIABLE).source())
    return 0
