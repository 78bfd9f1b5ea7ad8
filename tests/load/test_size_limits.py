"""What a document may be at most; beyond it there is one finding, quickly."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "run"))
from small_project import FIELD, write_project

from driftgate.load.project import MOST_FILES, load_project

ROUTINE = Path("routines/out.yaml")
CHECKPOINT = "  - {do: checkpoint, name: c-NUMBER, within: {x: 50 mm}, required: 90 %}\n"


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project, as the current folder."""
    monkeypatch.chdir(write_project(tmp_path))
    return tmp_path


def codes(project):
    """Return the codes of all findings."""
    return [f.code for f in load_project([project / "routines"], project).findings]


@pytest.mark.parametrize(("count", "expected"), [(199, []), (200, ["DG147"])])
def test_err_too_many_checkpoints(project, count, expected):
    """Two hundred are read, with the one that is there already, and no more."""
    more = "".join(CHECKPOINT.replace("NUMBER", str(i)) for i in range(count))
    ROUTINE.write_text(ROUTINE.read_text().replace("final:\n", more + "final:\n"))
    assert codes(project) == expected


def test_err_repetitions_multiply(project):
    """Repetitions within repetitions are counted, not written out."""
    deep = "{do: checkpoint, name: deep, within: {x: 50 mm}, required: 90 %}"
    for _ in range(16):
        deep = f"{{do: repeat, times: 1000, steps: [{deep}]}}"
    ROUTINE.write_text(ROUTINE.read_text().replace("final:\n", f"  - {deep}\nfinal:\n"))
    found = load_project([project / "routines"], project).findings
    assert {f.code for f in found} == {"DG139", "DG147"}
    assert all("more than 10^9" in f.message for f in found)


def test_err_a_map_of_too_many_corners(project):
    """A map beyond its limit gives that finding alone: nothing else of it is looked at."""
    corners = ", ".join(f"[{i} mm, {i * i % 7} mm]" for i in range(90))
    elements = "".join(
        f"  - {{id: e{n}, shape: {{polygon: {{corners: [\n      {corners}]}}}}, at: {{x: 9 m, y: 9 m}}, "
        "scatter: {x: 1 mm, y: 1 mm, heading: 1 deg, basis: guess, constant_over: run}}\n"
        for n in range(23)
    )
    Path("fieldmaps/box.yaml").write_text(FIELD + "elements:\n" + elements)
    found = load_project([project / "fieldmaps"], project).findings
    assert [(f.code, f.line) for f in found] == [("DG148", 1)]
    assert f"{23 * 90 + 4} walls, sides and discs" in found[0].message


def test_err_too_many_files(project, monkeypatch):
    """A folder of more files than are read is one finding, and none of them is read."""
    monkeypatch.setattr("driftgate.load.project.MOST_FILES", 20)
    for i in range(21):
        (project / f"routines/{i}.yaml").write_text("}{")
    found = load_project([project / "routines"], project).findings
    assert [f.code for f in found] == ["DG149"]
    assert MOST_FILES == 5000
