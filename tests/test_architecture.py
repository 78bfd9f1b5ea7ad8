"""Imports go one way along the pipeline, late imports inside functions included."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

SOURCE = Path(__file__).resolve().parents[1] / "pipeline" / "driftgate"
# A package may import from itself and from those before it.
LAYERS = (
    "core",
    "schema",
    "load",
    "logs",
    "world",
    "plan",
    "sight",
    "predict",
    "judge",
    "calibrate",
    "report",
    "export",
    "first",
    "run",
    "cli",
)
LONGEST = 420  # lines; a longer module has two jobs


def _modules() -> list[Path]:
    return sorted(path for path in SOURCE.rglob("*.py") if path.parent != SOURCE)


def _imported_packages(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text())):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written out in full"
            names = [node.module or ""]
            if node.module == "driftgate":
                names += [f"driftgate.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "driftgate" and len(parts) > 1 and parts[1] in LAYERS:
                found.add(parts[1])
    return found


def test_law_every_package_has_a_layer():
    """No package stands outside the order."""
    packages = {path.name for path in SOURCE.iterdir() if path.is_dir() and path.name != "__pycache__"}
    assert packages == set(LAYERS)


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(SOURCE)))
def test_law_imports_go_down_only(path: Path):
    """A module imports from its own package and from those below it, nowhere else."""
    own = path.relative_to(SOURCE).parts[0]
    allowed = set(LAYERS[: LAYERS.index(own) + 1])
    assert _imported_packages(path) <= allowed


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(SOURCE)))
def test_law_modules_stay_small(path: Path):
    """No module grows beyond what one can read in one go."""
    assert len(path.read_text().splitlines()) <= LONGEST


def _loaded_after(code: str) -> set[str]:
    script = f"import sys\n{code}\nprint(' '.join(sorted(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_law_command_line_starts_lean():
    """Asking for help loads neither numpy nor pydantic."""
    loaded = _loaded_after("import driftgate.cli.main")
    assert not loaded & {"numpy", "scipy", "shapely", "pydantic"}


def test_law_gate_path_has_no_heavy_imports():
    """Predicting loads no statistics or optimisation package."""
    loaded = _loaded_after("from driftgate.predict import covariance, run_trials, prepare")
    assert not loaded & {"scipy.stats", "scipy.optimize", "scipy.interpolate", "matplotlib", "jinja2"}
