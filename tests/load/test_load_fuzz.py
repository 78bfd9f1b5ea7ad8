"""Hostile routines, field maps and robots: findings at most, whatever is changed in a good file."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from driftgate.core.render import render_finding
from driftgate.core.rules import RULES
from driftgate.load import Project, load_project
from driftgate.load.compose import compose
from driftgate.load.text import split_lines

GOOD = Path(__file__).parents[1] / "cases" / "good"
FILES = ("routines/benches.yaml", "fieldmaps/hall.yaml", "routines/robots/sprout.yaml")
TEXTS = {name: (GOOD / name).read_text(encoding="utf-8") for name in FILES}
TREES: dict[str, Any] = {name: compose(text, name, split_lines(text)).data for name, text in TEXTS.items()}

relaxed = settings(
    max_examples=60,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@pytest.fixture(scope="module")
def repository(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a copy of the good files that the tests may overwrite."""
    root = tmp_path_factory.mktemp("fuzz")
    for file in GOOD.rglob("*.yaml"):
        copied = root / file.relative_to(GOOD)
        copied.parent.mkdir(parents=True, exist_ok=True)
        copied.write_bytes(file.read_bytes())
    return root


def load_with(root: Path, name: str, content: bytes) -> Project:
    """Load the routine with one file overwritten, and check what holds for every outcome."""
    before = (root / name).read_bytes()
    try:
        (root / name).write_bytes(content)
        project = load_project([root], root)
    finally:
        (root / name).write_bytes(before)
    for finding in project.findings:
        assert finding.code in RULES
        assert "\n" not in finding.message
        assert all(c.isprintable() or c == "\n" for c in render_finding(finding, False))
    assert project.findings or len(project.routines) == 1
    return project


@relaxed
@given(st.sampled_from(FILES), st.binary(max_size=200))
def test_err_any_bytes(repository: Path, name: str, content: bytes) -> None:
    """No file of arbitrary bytes makes loading fail."""
    assert load_with(repository, name, content).findings


@relaxed
@given(st.sampled_from(FILES), st.data())
def test_err_text_mutated(repository: Path, name: str, data: st.DataObject) -> None:
    """Cutting out and inserting text anywhere in a good file gives findings at most."""
    text = TEXTS[name]
    begin = data.draw(st.integers(0, len(text)))
    end = begin + data.draw(st.integers(0, 12))
    inserted = data.draw(
        st.text(max_size=6) | st.sampled_from(["{}", "[]", ": ", "- ", "\n", "*a", "&a ", "!!int ", '"'])
    )
    mutated = text[:begin] + inserted + text[end:]
    load_with(repository, name, mutated.encode("utf-8", "surrogatepass"))


ODD: list[Any] = [
    None,
    True,
    0,
    -1,
    1.5,
    10**30,
    "",
    "x",
    "0 m",
    "-1 m",
    "5 deg",
    "99999999 m",
    "1e300 m",
    "north",
    "pot-1",
]
ODD += [
    [],
    {},
    ["1 m"],
    ["1 m", "2 m"],
    [["0 m", "0 m"]] * 4,
    {"low": "1 m"},
    {"x": 1},
    "../..",
    "drive",
    "repeat",
    "2 s",
]


def _places(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    items = enumerate(tree) if isinstance(tree, list) else tree.items() if isinstance(tree, dict) else ()
    return [path, *(place for key, value in items for place in _places(value, (*path, key)))]


def _changed(tree: Any, data: st.DataObject) -> Any:
    tree = copy.deepcopy(tree)
    path = data.draw(st.sampled_from(_places(tree)[1:]))
    parent = tree
    for part in path[:-1]:
        parent = parent[part]
    what = data.draw(st.sampled_from(["replace", "delete", "rename", "move"]))
    if what == "delete":
        del parent[path[-1]]
    elif what == "rename" and isinstance(parent, dict):
        parent[f"{path[-1]}s"] = parent.pop(path[-1])
    elif what == "move":
        other = data.draw(st.sampled_from(_places(tree)))
        value = tree
        for part in other:
            value = value[part]
        parent[path[-1]] = copy.deepcopy(value)
    else:
        parent[path[-1]] = data.draw(st.sampled_from(ODD))
    return tree


class _Plain(yaml.SafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        return True


@settings(relaxed, max_examples=200)
@given(st.sampled_from(FILES), st.integers(1, 3), st.data())
def test_err_structure_mutated(repository: Path, name: str, times: int, data: st.DataObject) -> None:
    """Replacing, deleting, renaming and moving values in a good file gives findings at most."""
    tree = TREES[name]
    for _ in range(times):
        tree = _changed(tree, data)
        if not isinstance(tree, dict) or len(_places(tree)) < 2:
            break
    load_with(repository, name, yaml.dump(tree, Dumper=_Plain, allow_unicode=True).encode())


@pytest.mark.parametrize("name", FILES)
def test_err_every_key_deleted_in_turn(repository: Path, name: str) -> None:
    """Whichever single key or item is deleted, loading ends; a required one is named as missing."""
    for path in _places(TREES[name])[1:]:
        tree = copy.deepcopy(TREES[name])
        parent = tree
        for part in path[:-1]:
            parent = parent[part]
        del parent[path[-1]]
        project = load_with(repository, name, yaml.dump(tree, Dumper=_Plain).encode())
        for finding in project.findings:
            if finding.code == "DG109":
                assert f"'{path[-1]}'" in finding.message


@pytest.mark.parametrize("name", FILES)
def test_law_a_fault_does_not_hide_or_breed_others(repository: Path, name: str) -> None:
    """A misspelt key anywhere gives its own finding, one for what it leaves missing, and no third."""
    for path in _places(TREES[name])[1:]:
        if (
            not isinstance(path[-1], str)
            or path[-2:-1] == ("pairs",)
            or path == ("kind",)
            or path[-1] == "do"
        ):
            continue
        tree = copy.deepcopy(TREES[name])
        parent = tree
        for part in path[:-1]:
            parent = parent[part]
        parent[f"{path[-1]}q"] = parent.pop(path[-1])
        project = load_with(repository, name, yaml.dump(tree, Dumper=_Plain).encode())
        bred = [f.message for f in project.findings if f.code not in ("DG108", "DG109")]
        assert not bred, (path, bred)
        assert sum(f.code == "DG108" for f in project.findings) == 1, path
        assert len(project.findings) <= 2, path
