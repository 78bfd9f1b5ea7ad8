"""The runner of mutants: what it lists and draws, and that it tells what tests notice."""

import ast
import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from covering import Covering
from mutants import code_lines, draw, mutants_of

TOY = '''"""A toy: not changed."""
__all__ = ["largest"]
Alias = dict[str, int | None]


def largest(a: float, b: float = 2.0) -> float:
    """Return the larger."""
    if a != a:
        raise ValueError("no number")
    return max(a, b)


def steps(n):
    while n > 0:
        n -= 1
    return n + n
'''
TESTS = """import toy.small
def test_largest(): assert toy.small.largest(3.0) == 3.0
def test_steps(): assert toy.small.steps(2) == 0
"""
# What nothing above can tell from the original: the default, the order, the size of a step, twice nothing.
ALIVE = {"2.0 -> 1.0", "2.0 -> 3.0", "max(a, b) -> max(b, a)", "n + n -> n - n", "1 -> 2"}
KILLED = {"max(a, b) -> min(a, b)": "test_toy.py::test_largest", "0 -> 1": "test_toy.py::test_steps"}
ENDLESS = "n -= 1 -> pass"
RUN = """import sys, json, pathlib
from mutants import mutants_of
from trial import try_mutant
wanted = json.loads(sys.argv[1])
root = pathlib.Path.cwd()
path = root / "toy" / "small.py"
for mutant in mutants_of("small.py", path.read_text())[0]:
    change = f"{mutant.before} -> {mutant.after}"
    if change not in wanted:
        continue
    code = mutant.code(path.read_text(), str(path))
    tests = ["test_toy.py::test_largest", "test_toy.py::test_steps"]
    print(json.dumps([change, *try_mutant("toy.small", path, code, tests, 0.2, root / "said")]))
"""


def test_law_every_change_of_a_toy_by_hand():
    """Each operator changes what it should, once; docstrings, types, names given out and raised text stay."""
    found, skipped = mutants_of("small.py", TOY)
    changes = Counter(f"{m.before} -> {m.after}" for m in found)
    assert changes == Counter(
        [
            "2.0 -> 3.0",
            "2.0 -> 1.0",
            "a != a -> a == a",
            "return max(a, b) -> return None",
            "max(a, b) -> min(a, b)",
            "max(a, b) -> max(b, a)",
            "n > 0 -> n >= 0",
            "n > 0 -> n <= 0",
            "0 -> 1",
            "0 -> -1",
            "n -= 1 -> n += 1",
            "n -= 1 -> pass",
            "1 -> 2",
            "1 -> 0",
            "return n + n -> return None",
            "n + n -> n - n",
        ]
    )
    # The string in each docstring and its two; the bar of an alias.
    assert +skipped == Counter({"docstring": 2, "names given out": 1, "annotation": 1, "raise": 1})
    for mutant in found:
        assert ast.unparse(mutant.tree(TOY)) != ast.unparse(ast.parse(TOY)), mutant.key


def test_law_a_sample_is_settled_by_its_seed_and_by_lines_of_code():
    """Same seed, same mutants; parts in proportion; a longer sample holds a shorter one."""
    longer = TOY + "\n\ndef more(n):\n" + "    n = n + 1\n" * 30
    modules = {"b.py": TOY, "a.py": longer}
    sample, _, total = draw(modules, 12, 1)
    assert total == len(mutants_of("b.py", TOY)[0]) + len(mutants_of("a.py", longer)[0])
    assert [m.key for m in sample] == [m.key for m in draw(dict(reversed(modules.items())), 12, 1)[0]]
    assert [m.key for m in sample] != [m.key for m in draw(modules, 12, 2)[0]]
    share = 12 * code_lines(longer) / (code_lines(longer) + code_lines(TOY))
    assert sum(m.name == "a.py" for m in sample) == pytest.approx(share, abs=1.0)
    assert {m.key for m in sample} < {m.key for m in draw(modules, 24, 1)[0]}
    # A new line elsewhere leaves the order in the module as it is.
    shifted = {**modules, "b.py": TOY.replace('    """Return', '    # A comment.\n    """Return')}
    assert [m.key for m in draw(shifted, 12, 1)[0]] == [m.key for m in sample]


def test_law_tests_kill_what_they_can_tell(tmp_path):
    """Each change of a toy is killed, stopped at its time limit, or survives, as its two tests can tell."""
    (tmp_path / "toy").mkdir()
    (tmp_path / "toy" / "__init__.py").write_text("")
    (tmp_path / "toy" / "small.py").write_text(TOY)
    (tmp_path / "test_toy.py").write_text(TESTS)
    (tmp_path / "run.py").write_text(RUN)
    path = {"PYTHONPATH": f"{Path(__file__).parent}:{tmp_path}", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
    wanted = json.dumps([*sorted(ALIVE), *KILLED, ENDLESS])
    done = subprocess.run(
        [sys.executable, "run.py", wanted], cwd=tmp_path, env=path, check=True, capture_output=True, text=True
    )
    outcomes = {change: (outcome, by) for change, outcome, by, _ in map(json.loads, done.stdout.splitlines())}
    assert {change: outcome for change, (outcome, _) in outcomes.items()} == {
        **dict.fromkeys(ALIVE, "survived"),
        **dict.fromkeys(KILLED, "killed"),
        ENDLESS: "killed by time limit",
    }
    assert {change: by for change, (_, by) in outcomes.items() if change in KILLED} == KILLED
    assert (tmp_path / "toy" / "small.py").read_text() == TOY


def test_law_the_narrowest_tests_of_the_changed_lines_come_first():
    """Those that run any of the lines, by how many they run, then by time; at import, all of the module."""
    ran = {1: [], 5: ["t::a"], 6: ["t::a", "t::b"], 9: ["t::c"]}
    covering = Covering(
        {"t::a": 0.3, "t::b": 0.1, "t::c": 0.2},
        {"m.py": {line: set(tests) for line, tests in ran.items()}},
    )
    assert covering.tests_of("m.py", 5, 6) == ["t::b", "t::a"]
    wide = Covering({"t::a": 0.1, "t::b": 0.3}, {"m.py": {5: {"t::a", "t::b"}, 6: {"t::a"}}})
    assert wide.tests_of("m.py", 5, 5) == ["t::b", "t::a"]
    assert covering.tests_of("m.py", 1, 1) == []
    assert covering.tests_of("m.py", 1, 1, at_import=True) == ["t::b", "t::c", "t::a"]
    assert covering.tests_of("m.py", 7, 8) == []
    assert covering.tests_of("other.py", 5, 6) == []
    assert covering.tests_of("other.py", 1, 1, at_import=True) == ["t::b", "t::c", "t::a"]
    assert covering.tests_of("far/other.py", 1, 1, at_import=True) == []
