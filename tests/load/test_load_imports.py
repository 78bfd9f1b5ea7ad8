"""What loading costs: nothing heavy before a file's schema holds."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from driftgate import load
from driftgate.core.rules import RULES

CASES = Path(__file__).parents[1] / "cases"

SCRIPT = """
import sys
from driftgate.load import load_project
assert load_project([sys.argv[2]], sys.argv[1]).findings
print([name for name in ("numpy", "scipy", "shapely") if name in sys.modules])
"""


@pytest.mark.parametrize("name", ["yaml-tab", "robot-sensor-on-the-floor", "robot-share-without-blend"])
def test_law_schema_errors_need_no_numpy(name: str) -> None:
    """A file with faults of syntax or of its own keys is reported without numpy, scipy or shapely."""
    file = CASES / "bad" / f"{name}.yaml"
    command = [sys.executable, "-c", SCRIPT, str(CASES), str(file)]
    result = subprocess.run(command, capture_output=True, text=True, check=True)

    assert result.stdout.strip() == "[]"


def test_law_public_names() -> None:
    """Every public name is there, twice the same, and no other."""
    for name in load.__all__:
        assert getattr(load, name) is getattr(load, name)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        load.nothing  # noqa: B018


def test_law_rules_are_complete() -> None:
    """Every rule has a title and a paragraph, and its key is its code."""
    for code, rule in RULES.items():
        assert rule.code == code
        assert code[:2] == "DG"
        assert code[2:].isdigit()
        assert rule.title[0].islower() or rule.title.startswith("YAML")
        assert rule.explanation.endswith(".")
