"""Property tests: the same examples on every build server, fresh ones on a contributor's machine.

No test uses the cache of whoever runs it, nor is it kept from interrupting what it starts.
"""

import os
import signal

from hypothesis import settings

# No test fails for how long it takes: on a busy machine an example may wait for the processor.
settings.register_profile("contributor", deadline=None)
settings.register_profile("server", derandomize=True, print_blob=True, deadline=None)
settings.load_profile("server" if os.environ.get("CI") else "contributor")

os.environ["DRIFTGATE_CACHE"] = "off"

# A shell without job control starts what runs in its background with interrupts ignored, and every
# process inherits that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
