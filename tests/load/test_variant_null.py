"""A variant's `null` takes a key away, whatever it held."""

from __future__ import annotations

from pathlib import Path

import pytest

from driftgate.load.single import Setting, changed_robot, load_single

ROBOT = Path(__file__).parents[2] / "routines" / "robots" / "wren.yaml"


@pytest.mark.parametrize("key", ["pairs", "gate", "order"])
def test_law_null_takes_a_key_away(key: str) -> None:
    """A list, a mapping and a list with a default go alike; a key that must be there is missing."""
    base = load_single(ROBOT, "robot")
    keys = (("correction", 1), (key, 12))
    changed = changed_robot(base, [Setting(keys, "null", 20)], "--variant", f"correction.{key}=null")
    assert changed.findings == ()
    assert key not in changed.composed.data["correction"]
    needed = [Setting((("correction", 1), ("update", 12)), "null", 20)]
    (missing,) = changed_robot(base, needed, "--variant", "correction.update=null").findings
    assert missing.code == "DG109"
