"""Files to checked documents; every fault a finding at its place in the file.

Names are fetched when first used: reading a routine costs no import of numpy, scipy or shapely
before its schema holds.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from driftgate.load.document import Document, Kind
    from driftgate.load.project import (
        LoadedRoutine,
        LoadError,
        Project,
        find_root,
        load_project,
        load_routine,
    )

__all__ = [
    "Document",
    "Kind",
    "LoadError",
    "LoadedRoutine",
    "Project",
    "find_root",
    "load_project",
    "load_routine",
]

_HOME: Final = {"Document": "document", "Kind": "document"}


def __getattr__(name: str) -> Any:
    """Fetch a public name from its module."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME.get(name, 'project')}"), name)
