"""Property tests: the same examples on every build server, fresh ones on a contributor's machine.

No test uses the cache of whoever runs it.
"""

import os

from hypothesis import settings

settings.register_profile("server", derandomize=True, print_blob=True)
if os.environ.get("CI"):
    settings.load_profile("server")

os.environ["DRIFTGATE_CACHE"] = "off"
