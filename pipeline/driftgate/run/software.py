"""Which software runs, as people name it; `cache_key.software` has it as hashes."""

from __future__ import annotations

import platform
import sys
from importlib.metadata import PackageNotFoundError, version

from driftgate import __version__
from driftgate.report.manifest_text import ToolFacts
from driftgate.run.cache_key import LIBRARIES, source_fingerprint


def tool_facts() -> ToolFacts:
    """Return version and source of this driftgate, and what it runs on."""
    return ToolFacts(
        version=__version__,
        source=source_fingerprint(),
        python=platform.python_version(),
        machine=f"{sys.platform} {platform.machine()}",
        libraries={name: _version(name) for name in LIBRARIES},
    )


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"
