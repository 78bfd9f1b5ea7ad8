"""A folder in which a part of README plays, stage by stage.

Each stage changes the folder further; the commands that README shows run in it one after the other, so that
what one writes the next one reads.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from types import TracebackType

Stage = Callable[[Path], Path | None]
"""Changes the folder; returns where in it commands run from then on, or None for where they ran before."""


class Scene:
    """The folder; a context manager that removes it at its end."""

    def __init__(self, name: str, stages: Mapping[str, Stage]) -> None:
        self._holder = tempfile.TemporaryDirectory(prefix=f"driftgate-{name}-")
        self._stages = stages
        self._done: list[str] = []
        self._place = Path(self._holder.name)

    def __enter__(self) -> Scene:
        """Begin."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Remove the folder."""
        self._holder.cleanup()

    def at(self, stage: str) -> Path:
        """Return where commands run once all stages up to this one have changed the folder."""
        names = list(self._stages)
        for name in names[len(self._done) : names.index(stage) + 1]:
            self._place = self._stages[name](self._place) or self._place
            self._done.append(name)
        return self._place


def edit(path: Path, old: str, new: str) -> None:
    """Replace a text that must be there."""
    text = path.read_text()
    assert old in text, f"{path.name}: {old}"
    path.write_text(text.replace(old, new, 1))
