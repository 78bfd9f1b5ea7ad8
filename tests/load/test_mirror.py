"""A mirrored routine refers to things that have their mirror image on the field."""

from __future__ import annotations

from pathlib import Path

import pytest

from driftgate.load import load_project

GOOD = Path(__file__).resolve().parents[1] / "cases" / "good"


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """Return a copy of the good project."""
    for source in sorted(GOOD.rglob("*.yaml")):
        target = tmp_path / source.relative_to(GOOD)
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_text(source.read_text())
    (tmp_path / ".git").mkdir()
    return tmp_path


def pairs(project: Path, text: str) -> None:
    """Write other pairs into both field maps."""
    for name in ("hall", "practice"):
        field = project / "fieldmaps" / f"{name}.yaml"
        before = field.read_text()
        after = before.replace("pairs: {east: west, bench-b: bench-c, pot-1: pot-3}", f"pairs: {text}")
        assert after != before
        field.write_text(after)


def found(project: Path) -> list[tuple[int, str]]:
    """Return line and message of every DG140."""
    findings = load_project([project / "routines"], project).findings
    return [(f.line, f.message) for f in findings if f.code == "DG140"]


def test_law_mirrored_field_is_sound(project):
    """With all pairs named there is nothing to find."""
    assert found(project) == []


def test_err_wall_without_its_counterpart(project):
    """A wall that the start leans on must have its counterpart on the other side."""
    pairs(project, "{bench-b: bench-c, pot-1: pot-3}")
    assert found(project) == [
        (
            12,
            "mirrored, 'west' should be at (4.20 m, 1.50 m), "
            "but its counterpart 'west' is at (0.00 m, 1.50 m)",
        )
    ]


def test_err_element_without_its_counterpart(project):
    """What a tolerance is relative to must be where the mirror puts it."""
    routine = project / "routines" / "benches.yaml"
    routine.write_text(routine.read_text().replace("relative_to: bench-a", "relative_to: bench-b"))
    pairs(project, "{east: west, pot-1: pot-3}")
    lines = found(project)
    assert [line for line, _ in lines] == [27]
    assert "'bench-b' should be at (0.45 m" in lines[0][1]


def test_err_taken_element_without_its_counterpart(project):
    """What a checkpoint takes must have its counterpart where the mirror puts it."""
    routine = project / "routines" / "benches.yaml"
    text = routine.read_text()
    routine.write_text(text.replace("    points: 5\n", "    points: 5\n    takes: [pot-1]\n"))
    assert found(project) == []
    pairs(project, "{east: west, bench-b: bench-c}")
    lines = found(project)
    assert [line for line, _ in lines] == [30]
    assert "'pot-1' should be at" in lines[0][1]
