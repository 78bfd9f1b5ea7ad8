"""What the documents show is what the commands print, and what they list is what the code has."""

from __future__ import annotations

import ast
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from pictures import FOLDER, pictures
from remake import DOCUMENTS, blocks, evidence, shown_evidence

from driftgate.core.rules import RULES
from driftgate.schema.routine import Routine

ROOT = Path(__file__).resolve().parents[2]
README = (ROOT / "README.md").read_text()


def _masked(text: str) -> str:
    """Return a text without its numbers: they may differ in the last digit between processors.

    Nor with its hashes: that of driftgate's own source, for one, is another after every change.
    """
    text = re.sub(r"\b[0-9a-f]{12,64}\b", "#", text)
    return re.sub(r"[ ]+", " ", re.sub(r"-?\d+(?:\.\d+)?", "#", text))


@pytest.mark.parametrize("document", DOCUMENTS)
def test_law_shown_output_is_real(document: str):
    """Every marked block has the words of the command's real output; `nox -s docs` remakes them."""
    for block in blocks(document):
        if block.what.startswith("sh -c 'cd build && cc") and shutil.which("cc") is None:
            continue  # shown where there is a C compiler
        assert _masked(block.shown) == _masked(block.real), block.what


def test_law_shown_pictures_are_real():
    """README's pictures are what the code draws, it shows each of them, and nothing else lies beside them."""
    real = pictures()
    assert set(re.findall(r"\]\(\.images/([^)]+)\)", README)) == set(real)
    assert {path.name for path in FOLDER.iterdir()} == set(real)
    for name, text in real.items():
        assert _masked((FOLDER / name).read_text(encoding="utf-8")) == _masked(text), name


def test_law_table_of_evidence_is_up_to_date():
    """The table lists the checks that there are, and all passed; `nox -s docs` remakes it with results."""
    shown = shown_evidence("DEVELOPERS.md")
    results = re.findall(r"\| (\d+) of (\d+) passed \|$", shown, re.MULTILINE)
    assert len(results) == len(shown.splitlines()) - 2, "a check did not pass, or did not run"
    assert all(passed == cases for passed, cases in results)
    # Found, not run: they run where they stand. What can be known without is compared.
    known = re.sub(r"\| \d+ of (\d+) passed \|$", r"| \1 |", shown, flags=re.MULTILINE)
    assert known == re.sub(r"\| (\d+) cases? \|$", r"| \1 |", evidence("--collect"), flags=re.MULTILINE)


def test_law_every_outside_check_is_in_the_table():
    """A test whose name says that it checks against something outside carries the mark that lists it."""
    bare = []
    for path in sorted((ROOT / "tests").rglob("test_*.py")):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        marks = {
            target.id
            for node in tree.body
            if isinstance(node, ast.Assign) and "mark.evidence" in ast.unparse(node.value)
            for target in node.targets
            if isinstance(target, ast.Name)
        }
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_ref_"):
                carried = [ast.unparse(decorator) for decorator in node.decorator_list]
                if not any("mark.evidence" in text or text in marks for text in carried):
                    bare.append(f"{path.relative_to(ROOT)}: {node.name}")
    assert not bare


def test_law_every_step_is_in_the_readme():
    """README's table of steps names every step there is, and no other."""
    steps = Routine.model_json_schema()["$defs"]
    known = {s["properties"]["do"]["const"] for s in steps.values() if "do" in s.get("properties", {})}
    table = README[README.index("| step | what it does") : README.index("A motion may have")]
    named = set(
        re.findall(r"`([a-z-]+)`", "\n".join(row.split("|")[1] for row in table.splitlines() if row.strip()))
    )
    assert named == known


def _slug(heading: str) -> str:
    """Return the anchor that hosts of Markdown give a heading."""
    return re.sub(r"[^a-z0-9 -]", "", heading.lower()).replace(" ", "-")


def test_law_contents_lead_to_every_section():
    """The contents name every section once, and every link within README leads somewhere."""
    headings = re.findall(r"^##+ (.+)$", README, re.MULTILINE)
    anchors = {_slug(heading) for heading in headings}
    contents = README[: README.index("| command | what it is for |")]
    named = re.findall(r"\]\(#([a-z0-9-]+)\)", contents)
    assert len(named) == len(set(named))
    assert {_slug(heading) for heading in re.findall(r"^## (.+)$", README, re.MULTILINE)} <= set(named)
    assert set(re.findall(r"\]\(#([a-z0-9-]+)\)", README)) <= anchors


def test_law_every_command_is_in_the_readme():
    """README's table of commands has all that there are, and no other."""
    from driftgate.cli.main import COMMANDS

    table = README[README.index("| command | what it is for |") : README.index("## Two commands")]
    rows = [row.split("|")[1] for row in table.splitlines()[2:] if row.startswith("|")]
    assert sorted(re.findall(r"`([a-z-]+)`", "\n".join(rows))) == sorted(COMMANDS)


def test_law_exit_statuses_are_in_the_readme():
    """README's table of statuses is the one the command line uses."""
    from driftgate.run.status import Exit

    table = README[README.index("| status | meaning") : README.index("The last line on stderr")]
    assert {int(n) for n in re.findall(r"^\| (\d+) \|", table, re.MULTILINE)} == {int(s) for s in Exit}


def test_law_python_example_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]):
    """The Python example in README works as shown."""
    example = re.search(r"```python\n(.*?)```", README, re.DOTALL)
    assert example is not None
    monkeypatch.chdir(ROOT)
    exec(compile(example[1], "README.md", "exec"), {})
    assert capsys.readouterr().out.startswith("end ")


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler")
def test_law_c_example_compiles(tmp_path: Path):
    """The C example in README goes with the exported files, without a warning."""
    from driftgate.run.export import common_files, export_routines

    (case, _) = export_routines([ROOT / "routines" / "corner-dash.yaml"]).cases
    for name, text in {**common_files(), **case.files}.items():
        (tmp_path / name).write_text(text)
    example = re.search(r"```c\n(.*?)```", README, re.DOTALL)
    assert example is not None
    (tmp_path / "robot.c").write_text(example[1])
    command = [
        "gcc",
        "-std=c11",
        "-Wall",
        "-Wextra",
        "-pedantic",
        "-Werror",
        "-c",
        "robot.c",
        "-o",
        "robot.o",
    ]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_law_every_code_is_explained():
    """Every finding code has a title and an explanation."""
    assert all(rule.title and rule.explanation for rule in RULES.values())
