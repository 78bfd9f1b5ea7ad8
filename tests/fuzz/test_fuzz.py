"""A short fuzz of everything that is read from files: the same examples every time on a build server.

`nox -s fuzz` does the same at length, guided by coverage where that is to be had.
"""

from __future__ import annotations

import random
import sys
import warnings
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

sys.path.insert(0, str(Path(__file__).parent))
from targets import TARGETS

# The dear ones less often.
EXAMPLES = {"prediction": 8, "database": 25, "night": 40, "routine": 30, "field map": 30, "robot": 30}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Return a folder that all examples share."""
    return tmp_path_factory.mktemp("fuzz")


@pytest.mark.parametrize("name", TARGETS)
def test_law_sound_files_are_sound(folder, name):
    """What the fuzzing starts from is read without an error where it is in its own place."""
    found = [TARGETS[name].read(data, folder) for data in TARGETS[name].examples()]
    assert found[0].startswith(("sound", "Log", "predicted"))


@pytest.mark.parametrize("name", TARGETS)
def test_err_damaged_files_give_findings_or_nothing(folder, name):
    """Whatever is changed in a sound file, the outcome is success or an error with a place."""
    target = TARGETS[name]

    @settings(
        max_examples=EXAMPLES.get(name, 60),
        deadline=None,
        suppress_health_check=list(HealthCheck),
        database=None,
    )
    @given(st.integers(0, 2**32 - 1))
    def one(seed):
        luck = random.Random(seed)
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            target.read(target.damaged(luck.choice(target.examples()), luck), folder)

    one()
