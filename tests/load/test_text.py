"""Reading files: what lies outside, is no file, or is no text is refused with a reason."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from driftgate.core.findings import Finding
from driftgate.load import LoadError, find_root, load_project, load_routine
from driftgate.load.text import LARGEST_BYTES, UNWANTED, split_lines

CASES = Path(__file__).parents[1] / "cases"


@pytest.fixture
def repository(tmp_path: Path) -> Path:
    """Return a repository with the good files, in a folder that has secrets beside it."""
    root = tmp_path / "repository"
    for file in (CASES / "good").rglob("*.yaml"):
        copy = root / file.relative_to(CASES / "good")
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(file.read_bytes())
    (tmp_path / "secret.yaml").write_text("secret: value\n", encoding="utf-8")
    (root / ".git").mkdir()
    return root


def findings_of(root: Path, *names: str) -> tuple[Finding, ...]:
    """Return the findings of some files of the repository."""
    return load_project([root / name for name in names], root).findings


def refer_to(root: Path, name: str) -> None:
    """Make the routine name another file as its robot."""
    routine = root / "routines" / "benches.yaml"
    text = routine.read_text(encoding="utf-8")
    routine.write_text(text.replace("robot: robots/sprout.yaml", f"robot: {name}"), encoding="utf-8")


@pytest.mark.parametrize(
    "name",
    [
        "../../secret.yaml",
        "../../repository/routines/robots/sprout.yaml",
        "robots/../../../secret.yaml",
        "/etc/passwd",
        "../../../../../../../../etc/passwd",
        "'C:\\secret.yaml'",
        "C:secret.yaml",
        "//host/share.yaml",
    ],
)
def test_err_reference_out_of_the_repository(repository: Path, name: str) -> None:
    """Absolute paths and ways out are refused where they stand, whether or not there is a file."""
    refer_to(repository, name)
    (finding,) = findings_of(repository, "routines/benches.yaml")

    assert (finding.code, finding.line, finding.column) == ("DG120", 5, 8)
    assert "secret:" not in finding.excerpt


def test_err_symbolic_link_out_of_the_repository(repository: Path) -> None:
    """A link that leads out of the repository is not followed, as a reference or as an argument."""
    link = repository / "routines" / "robots" / "link.yaml"
    link.symlink_to(repository.parent / "secret.yaml")
    refer_to(repository, "robots/link.yaml")
    (finding,) = findings_of(repository, "routines/benches.yaml")
    (direct,) = findings_of(repository, "routines/robots/link.yaml")

    assert finding.code == "DG120"
    assert (direct.code, direct.message) == ("DG101", "the file lies outside the repository")


def test_err_linked_folder_and_link_loop(repository: Path) -> None:
    """A linked folder leading out and a link to itself end in a finding."""
    (repository / "routines" / "out").symlink_to(repository.parent)
    refer_to(repository, "out/secret.yaml")
    (finding,) = findings_of(repository, "routines/benches.yaml")
    assert finding.code == "DG120"

    loop = repository / "routines" / "loop.yaml"
    loop.symlink_to(loop)
    (direct,) = findings_of(repository, "routines/loop.yaml")
    assert direct.code == "DG101"


def test_law_link_inside_the_repository_is_one_file(repository: Path) -> None:
    """A link within the repository is the file that it leads to, read once."""
    (repository / "routines" / "again.yaml").symlink_to("benches.yaml")
    project = load_project([repository], repository)

    assert project.findings == ()
    assert [routine.document.path for routine in project.routines] == ["routines/benches.yaml"]


def test_err_folder_pipe_and_missing_file(repository: Path) -> None:
    """A named pipe does not block; a folder, a device and a missing file are named."""
    os.mkfifo(repository / "pipe.yaml")
    (repository / "folder.yaml").mkdir()
    refer_to(repository, "../folder.yaml")
    messages = {f.path: f.message for f in findings_of(repository, "pipe.yaml", "none.yaml")}
    (reference,) = findings_of(repository, "routines/benches.yaml")
    (device,) = load_project(["/dev/zero"], "/dev").findings

    assert messages == {"pipe.yaml": "not a regular file", "none.yaml": "there is no such file"}
    assert (reference.code, reference.line) == ("DG121", 5)
    assert device.message == "not a regular file"


def test_err_size_and_line_length(repository: Path) -> None:
    """A file over 1 MiB and a line over 2000 characters are refused; just below they are read."""
    good = (repository / "fieldmaps" / "hall.yaml").read_bytes()
    room = LARGEST_BYTES - len(good)
    filler = (b"#" * 99 + b"\n") * (room // 100)
    for name, content in {
        "fits.yaml": good + filler,
        "large.yaml": good + filler + b"#" * 100,
        "wide.yaml": good + b"# " + b"x" * 1998,
        "wider.yaml": good + b"# " + b"x" * 1999,
    }.items():
        (repository / name).write_bytes(content)

    assert findings_of(repository, "fits.yaml", "wide.yaml") == ()
    (large,) = findings_of(repository, "large.yaml")
    (wider,) = findings_of(repository, "wider.yaml")
    assert large.message == "the file is larger than 1024 KiB"
    assert (wider.line, wider.column) == (good.count(b"\n") + 1, 2001)


@pytest.mark.parametrize(
    ("content", "line", "column"),
    [
        (b"kind: robot\ntitle: caf\xe9\n", 2, 11),
        (b"kind: robot\x00\n", 1, 12),
        (b"kind: robot\ntitle: \x1b[31mred\n", 2, 8),
        ("title: a\u202eb\n".encode(), 1, 9),
        ("title: a\u2028b\n".encode(), 1, 9),
        ("title: a\x85b\n".encode(), 1, 9),
        (b"\xff\xfek\x00i\x00", 1, 1),
        ("title: \U0001f331 \x07\n".encode(), 1, 10),
    ],
)
def test_err_characters(repository: Path, content: bytes, line: int, column: int) -> None:
    """Bytes that are not UTF-8 and characters that hide or control are refused at their place."""
    (repository / "odd.yaml").write_bytes(content)
    (finding,) = findings_of(repository, "odd.yaml")

    assert (finding.code, finding.line, finding.column) == ("DG101", line, column)


def test_law_byte_order_mark_and_line_ends_change_nothing(repository: Path) -> None:
    """A byte order mark and Windows line ends leave the places of findings alone."""
    text = (CASES / "bad" / "unit-missing.yaml").read_text(encoding="utf-8").replace("../good/", "../")
    for name, content in {
        "routines/a.yaml": text.encode(),
        "routines/b.yaml": b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode(),
    }.items():
        (repository / name).write_bytes(content.replace(b"../routines/", b""))
    places = [
        {(f.line, f.column, f.code, f.excerpt) for f in findings_of(repository, f"routines/{name}.yaml")}
        for name in "ab"
    ]

    assert places[0] == places[1]
    assert len(places[0]) == 1


@pytest.mark.parametrize("encoding", ["utf-16", "utf-16-le", "utf-16-be"])
def test_err_utf_16_is_called_by_its_name(repository: Path, encoding: str) -> None:
    """A file saved as UTF-16, with its mark or without, is said to be that, and what to do."""
    (repository / "routines" / "a.yaml").write_bytes("kind: routine\n".encode(encoding))
    (finding,) = findings_of(repository, "routines/a.yaml")

    assert (finding.code, finding.line, finding.column) == ("DG101", 1, 1)
    assert finding.message.startswith("the file is UTF-16 text")
    assert finding.message.endswith("save it as UTF-8")


def test_law_unwanted_characters() -> None:
    """Letters of any script are wanted; every control character but tab and line ends is not."""
    assert UNWANTED.search("Grüße, 温室 🌱\t\r\n") is None
    for number in [
        *range(0x20),
        0x7F,
        *range(0x80, 0xA0),
        *range(0xD800, 0xE000),
        *range(0x202A, 0x202F),
        0xFEFF,
    ]:
        assert (UNWANTED.search(chr(number)) is None) == (chr(number) in "\t\r\n"), hex(number)
    assert split_lines("a\r\nb\rc\nd") == ("a", "b", "c", "d")


def test_law_root_is_the_nearest_repository(repository: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The root is the parent with .git, else with pyproject.toml, else the current folder."""
    assert find_root(repository / "routines" / "robots" / "sprout.yaml") == repository.resolve()

    project = repository.parent / "project"
    (project / "deep").mkdir(parents=True)
    monkeypatch.chdir(repository.parent)
    if not any(os.path.lexists(parent / ".git") for parent in project.parents):
        (project / "pyproject.toml").touch()
        assert find_root(project / "deep") == project.resolve()


def test_err_load_routine_raises_all_findings(repository: Path) -> None:
    """The Python interface raises one error that holds every finding, or returns the routine."""
    routine = repository / "routines" / "benches.yaml"
    assert load_routine(routine).robot.path == "routines/robots/sprout.yaml"

    routine.write_text(
        routine.read_text(encoding="utf-8").replace("0.4 s", "0.4").replace("west\n", "wset\n")
    )
    with pytest.raises(LoadError, match=r"benches.yaml:\d+:\d+: DG1") as caught:
        load_routine(routine)
    assert [finding.code for finding in caught.value.findings] == ["DG111", "DG131"]
    with pytest.raises(LoadError, match="no routine"):
        load_routine(repository / "fieldmaps" / "hall.yaml")


def test_law_hidden_folders_are_left_out(repository: Path) -> None:
    """YAML in hidden folders, such as that of a build service, is no concern of ours."""
    (repository / ".ci").mkdir()
    (repository / ".ci" / "build.yaml").write_text("on: push\n", encoding="utf-8")

    assert load_project([repository], repository).findings == ()
