"""A variant's `null` takes a key away, whatever it held."""

from __future__ import annotations

from pathlib import Path

import pytest

from driftgate.load.single import Setting, changed_robot, load_single
from driftgate.run.variants import read_variant

ROBOT = Path(__file__).parents[2] / "routines" / "robots" / "wren.yaml"


@pytest.mark.parametrize("key", ["pairs", "gate", "order"])
def test_law_null_takes_a_key_away(key: str) -> None:
    """A list, a mapping and a list with a default go alike; a key that must be there is missing."""
    base = load_single(ROBOT, "robot")
    keys = (("correction", 1), (key, 12))
    changed = changed_robot(base, [Setting(keys, "null", 20)], "--variant", f"correction.{key}=null")
    # Without its gate a way back has nothing to come back from.
    assert {f.code for f in changed.findings} == ({"DG153"} if key == "gate" else set())
    assert key not in changed.composed.data["correction"]
    needed = [Setting((("correction", 1), ("update", 12)), "null", 20)]
    (missing,) = changed_robot(base, needed, "--variant", "correction.update=null").findings
    assert missing.code == "DG109"


@pytest.mark.parametrize(
    "path", ["correction", "correction.update", "drive.limits.speed", "sensors.left.rate"]
)
def test_err_a_key_that_must_stay_is_told_at_the_setting(path: str) -> None:
    """The column is that of the key which was taken away, not of the option's first letter."""
    text = f"a: mass=5 kg; {path}=null"
    (setting,) = read_variant(text).settings[1:]
    (missing,) = changed_robot(load_single(ROBOT, "robot"), [setting], "--variant 'a'", text).findings
    key = path.rpartition(".")[2]
    assert (missing.code, missing.line) == ("DG109", 1)
    assert missing.excerpt[missing.column - 1 :] == f"{key}=null"
    assert missing.suggestion == "it must be there, and null takes it away"
