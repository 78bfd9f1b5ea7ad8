"""`python -m driftgate`."""

import os
import sys


def _leave_current_folder() -> None:
    """Take the current folder off the way on which modules are found.

    `-m` puts it before all others, and a file numpy.py in it before numpy: what is looked at is a stranger's.
    Only where driftgate itself comes from there it stays.
    """
    first = sys.path[0] if sys.path else None
    if first is None or sys.flags.safe_path or os.path.realpath(first or ".") != os.path.realpath("."):
        return
    if not os.path.isdir(os.path.join(first, "driftgate")):
        del sys.path[0]


_leave_current_folder()

from driftgate.cli.main import entry  # noqa: E402

if __name__ == "__main__":
    entry()
