"""Public names of the stages: each is where its package says that it is."""

from importlib import import_module

import pytest

from driftgate.core.lazy import lazy_names

STAGES = ("world", "plan", "sight", "predict", "judge")


@pytest.mark.parametrize("stage", STAGES)
def test_law_every_name_given_out_is_there(stage):
    """Each comes by its own name, from a module of its package; another is refused as of any module."""
    package = import_module(f"driftgate.{stage}")
    for name in package.__all__:
        found = package.__getattr__(name)
        assert getattr(found, "__name__", name) == name
        assert getattr(found, "__module__", package.__name__).startswith(f"{package.__name__}.")
    with pytest.raises(AttributeError, match=f"module 'driftgate.{stage}' has no attribute 'nothing'"):
        package.nothing  # noqa: B018 - the look itself is the test


def test_law_a_name_is_fetched_from_its_home():
    """From the module given, when it is asked for."""
    fetch = lazy_names("driftgate.core", {"ModelError": "errors"})
    assert fetch("ModelError").__module__ == "driftgate.core.errors"
