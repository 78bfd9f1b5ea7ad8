"""The one way in which commands read the files of a run, and what of a repository is not followed."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from pathlib import Path

from driftgate.core.findings import Finding
from driftgate.load.text import TextError, link_out, shorten
from driftgate.logs import Beacons, Log, read_any, read_log
from driftgate.run.log_files import folder_of


def read_run(paths: Sequence[Path], findings: list[Finding]) -> Log | None:
    """Return the run in some files, wherever whoever typed the command chose them; None with errors."""
    return None if refuse_links(paths, findings) else read_log(paths, findings, folder_of(paths))


def read_any_run(paths: Sequence[Path], findings: list[Finding]) -> Log | Beacons | None:
    """Return a run, or the list of beacons that a file alone may be; None with errors."""
    if len(paths) > 1:
        return read_run(paths, findings)
    return None if refuse_links(paths, findings) else read_any(paths[0], findings, folder_of(paths))


def refuse_links(paths: Iterable[Path], findings: list[Finding]) -> bool:
    """Add DG101 for files to which a symbolic link leads out of a repository; return whether there is one.

    A repository comes from strangers: a link in it, or in a folder of it, does not decide what is read and
    shown. One outside of any repository is the machine's own affair.
    """
    found = False
    for path in paths:
        try:
            link = link_out(path)
        except TextError:
            # (Its reader says what is wrong with it.)
            continue
        if link is not None:
            what = (
                "it" if link == Path(os.path.join(Path.cwd(), path)) else shorten(os.path.relpath(link), 80)
            )
            words = f"{what} is a symbolic link that leads out of the repository, and is not followed"
            findings.append(Finding(path.as_posix(), 0, 0, "DG101", words, "error", "name the file itself"))
            found = True
    return found
