"""How many threads linear algebra may take, which its libraries read from the environment."""

from __future__ import annotations

from types import MappingProxyType

# One each: matrices here are small, and threads that wait for each other take twice as long as one. A library
# reads one of these when it is loaded, whichever it was built with.
ONE_THREAD = MappingProxyType(
    dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
)
