"""Where this driftgate was installed from, as a build server could install it too."""

from __future__ import annotations

import json
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from typing import Any, Final
from urllib.parse import urlsplit

# Where a repository keeps a copy, unless it says otherwise.
COPY: Final = "./tools/driftgate"


def installed_from() -> str:
    """Return what pip can install this very driftgate from elsewhere; `COPY` where that is not known.

    A folder of this machine is known to nobody else, and an address with a password in it goes into no file.

    References
    ----------
    .. [1] Python Packaging User Guide, "Recording the Direct URL Origin of installed distributions"
       (PEP 610): without `direct_url.json` it comes from an index, by name and version.
    """
    try:
        found = distribution("driftgate")
        told = found.read_text("direct_url.json")
    except (PackageNotFoundError, OSError, UnicodeDecodeError):
        return COPY
    if told is None:
        return _by_version(found)
    try:
        origin = json.loads(told)
    except (ValueError, RecursionError):
        return COPY
    return _address(origin) if isinstance(origin, dict) else COPY


def _by_version(found: Distribution) -> str:
    # What an installer made says so; a folder that merely lies on the path was installed from nowhere.
    return f"driftgate=={found.version}" if found.read_text("INSTALLER") else COPY


def _address(origin: dict[str, Any]) -> str:
    url, vcs = origin.get("url"), origin.get("vcs_info")
    if not isinstance(url, str):
        return COPY
    try:
        parts = urlsplit(url)
    except ValueError:
        return COPY
    if parts.scheme != "https" or parts.username or parts.password or not parts.hostname:
        return COPY
    if not isinstance(vcs, dict):
        return url
    commit = vcs.get("commit_id")
    below = origin.get("subdirectory")
    if vcs.get("vcs") != "git" or not isinstance(commit, str):
        return COPY
    return f"git+{url}@{commit}" + (f"#subdirectory={below}" if isinstance(below, str) else "")
