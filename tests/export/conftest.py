"""Scenes of tests/predict and the small project of tests/run; the shared C code compiled once."""

import sys
from pathlib import Path

import pytest

for folder in ("predict", "run"):
    sys.path.insert(0, str(Path(__file__).parents[1] / folder))

from compiled import Compiler, compiled  # noqa: E402  # beside this file


@pytest.fixture(scope="session", params=["c", "c++"])
def compiler(request, tmp_path_factory) -> Compiler:
    """Return a compiler with the shared files in its folder."""
    return compiled(tmp_path_factory.mktemp("shared"), request.param)


@pytest.fixture(scope="session")
def c_compiler(tmp_path_factory) -> Compiler:
    """Return the C compiler alone."""
    return compiled(tmp_path_factory.mktemp("shared-c"), "c")
