"""`driftgate codes`."""

from __future__ import annotations

import difflib
import textwrap
from typing import Final

import click

from driftgate.cli.complete import complete_codes
from driftgate.cli.out import emit

_ACCEPTABLE: Final = (
    "A routine may accept a known one under 'accepted', with a reason and a last day; it is then listed "
    "apart and has no effect on the status."
)


@click.command(
    epilog="""
    \b
    Examples:
      driftgate codes
      driftgate codes DG103
    """
)
@click.argument("code", required=False, shell_complete=complete_codes)
def command(code: str | None) -> int:
    """List the codes of findings, or explain one CODE."""
    from driftgate.core.rules import RULES

    if code is None:
        for rule in RULES.values():
            emit(f"{rule.code}  {rule.title}\n")
        return 0
    wanted = RULES.get(code.upper())
    if wanted is None:
        close = difflib.get_close_matches(code.upper(), RULES, n=1)
        hint = f"; did you mean {close[0]}?" if close else "; 'driftgate codes' lists them"
        raise click.UsageError(f"there is no code '{code}'{hint}")
    emit(f"{wanted.code}  {wanted.title}\n\n{textwrap.fill(wanted.explanation, width=88)}\n")
    if wanted.acceptable:
        emit("\n" + textwrap.fill(_ACCEPTABLE, width=88) + "\n")
    return 0
