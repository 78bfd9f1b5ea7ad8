"""Files to checked documents; every fault a finding at its place in the file.

Names are fetched when first used: reading a routine costs no import of numpy, scipy or shapely
before its schema holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from driftgate.core.lazy import lazy_names

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

__getattr__ = lazy_names(
    __name__,
    {
        "Document": "document",
        "Kind": "document",
        "LoadError": "project",
        "LoadedRoutine": "project",
        "Project": "project",
        "find_root": "project",
        "load_project": "project",
        "load_routine": "project",
    },
)
