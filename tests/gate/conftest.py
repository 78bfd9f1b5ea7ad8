"""Every test here works on a copy of the shipped scenario of its own."""

from __future__ import annotations

from pathlib import Path

import pytest
from glasshouse import Glasshouse, copy_glasshouse


@pytest.fixture
def house(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Glasshouse:
    """Return a fresh copy of Glasshouse, as the current folder."""
    monkeypatch.chdir(tmp_path)
    return copy_glasshouse(tmp_path)
