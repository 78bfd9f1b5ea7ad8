"""What a shell completes: documents of the kind that belongs there, codes, reports.

Called at every press of a key: nothing here imports more than it needs, reads more of a file than its head,
or fails. Names that a shell would take apart are left to the shell's own completion of files.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import click
from click.shell_completion import CompletionItem

from driftgate.load.head import HEAD_BYTES, says_kind

# Where documents of a kind usually lie.
_FOLDERS: Final = {"routine": ("routines",), "robot": ("routines/robots",), "field map": ("fieldmaps",)}
_SUFFIXES: Final = (".yaml", ".yml")
_PLAIN: Final = re.compile(r"[\w./+@%-]+")
_SHOWN: Final = 5
_MOST: Final = 300  # files that are looked into


class Documents(click.Path):
    """A path whose completion offers documents of some kinds first.

    Parameters
    ----------
    *kinds : str
        As in the documents.
    file_only : bool
        A folder is refused.
    """

    def __init__(self, *kinds: str, file_only: bool = False) -> None:
        super().__init__(path_type=Path, dir_okay=not file_only)
        self._kinds = kinds

    def get_missing_message(self, param: click.Parameter, ctx: click.Context | None) -> str | None:
        """Return which documents there are to name."""
        found = _documents(self._kinds, "")
        more = ", ..." if len(found) > _SHOWN else ""
        return f"Here there are {', '.join(found[:_SHOWN])}{more}" if found else None

    def shell_complete(
        self, ctx: click.Context, param: click.Parameter, incomplete: str
    ) -> list[CompletionItem]:
        """Return the documents that begin like this; if there are none, leave it to the shell."""
        given = {str(value) for value in _values(ctx.params.get(param.name or ""))}
        found = [path for path in _documents(self._kinds, incomplete) if path not in given]
        if found:
            return [CompletionItem(path) for path in found]
        return [CompletionItem(incomplete, type="file")]


def _values(value: object) -> tuple[object, ...]:
    return tuple(value) if isinstance(value, tuple | list) else (value,)


def _documents(kinds: tuple[str, ...], incomplete: str) -> list[str]:
    """Return paths of documents of these kinds that begin like this, as somebody types them."""
    # Below the usual folders, unless another one has been typed.
    base = os.path.dirname(incomplete)
    usual = [folder for kind in kinds for folder in _FOLDERS[kind] if folder.startswith(incomplete)]
    paths = dict.fromkeys(_candidates([*usual, base] if base else usual))
    plain = (path for path in paths if path.startswith(incomplete) and _PLAIN.fullmatch(path))
    return sorted(path for path in plain if says_kind(path, kinds))


def _candidates(folders: list[str]) -> Iterator[str]:
    seen = 0
    for folder in folders:
        for parent, below, names in os.walk(folder):
            below[:] = sorted(name for name in below if not name.startswith("."))
            for name in sorted(names):
                if not name.endswith(_SUFFIXES) or name.startswith("."):
                    continue
                seen += 1
                if seen > _MOST:
                    return
                yield f"{parent.rstrip('/')}/{name}"


_GROUPS: Final = ("files", "robot", "filter", "map", "routine", "checkpoint", "step", "run")
_BEGINNINGS: Final = ("drive", "controller", "errors", "sensors", "correction", "walls", "elements", "start")


def complete_keys(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Return groups of settings, and the names of steps and checkpoints of the routine that was named."""
    names: list[str] = []
    routine = ctx.params.get("routine")
    if isinstance(routine, Path) and routine.is_file():
        with contextlib.suppress(OSError):
            with routine.open("rb") as file:
                head = file.read(8 * HEAD_BYTES)
            names = [name.decode() for name in re.findall(rb"\bname:[ \t]*([a-z][a-z0-9-]*)", head)]
    return [
        CompletionItem(word)
        for word in dict.fromkeys([*_GROUPS, *_BEGINNINGS, *names])
        if word.startswith(incomplete)
    ]


def complete_codes(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """Return the codes of findings that begin like this, with their titles."""
    from driftgate.core.rules import RULES

    wanted = incomplete.upper()
    rules = (rule for rule in RULES.values() if rule.code.startswith(wanted))
    return [CompletionItem(rule.code, help=rule.title) for rule in rules]
