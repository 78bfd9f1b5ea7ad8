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
      driftgate codes DG4        what is said of verdicts
    """
)
@click.argument("code", required=False, shell_complete=complete_codes)
def command(code: str | None) -> int:
    """List the codes of findings, or explain one CODE.

    The beginning of a code, such as DG4, lists those that begin like it.
    """
    from driftgate.core.rules import RULES

    listed = [rule for rule in RULES.values() if code is None or rule.code.startswith(code.upper())]
    if code is None or (code.upper() not in RULES and listed):
        for rule in listed:
            emit(f"{rule.code}  {rule.title}\n")
        return 0
    wanted = RULES.get(code.upper())
    if wanted is None:
        close = difflib.get_close_matches(code.upper(), RULES, n=1)
        hint = f"; did you mean {close[0]}?" if close else "; 'driftgate codes' lists them"
        raise click.UsageError(f"there is no code '{code}'{hint}")
    emit(f"{wanted.code}  {wanted.title}\n\n{_filled(wanted.explanation)}\n")
    if wanted.acceptable:
        emit("\n" + _filled(_ACCEPTABLE) + "\n")
    return 0


def _filled(text: str) -> str:
    """Return a text for a terminal; a key such as square-up stays in one piece."""
    return textwrap.fill(text, width=79, break_on_hyphens=False)
