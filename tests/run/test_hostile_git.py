"""A repository whose settings, attributes, links and trees are a stranger's."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from small_history import commit, git, write_history

from driftgate.run.affected import affected_since
from driftgate.run.git import repository_of
from driftgate.run.inputs import load_inputs
from driftgate.run.kept import read_kept
from driftgate.run.status import InputError

ROUTINE = Path("routines/out.yaml")
ROBOT = Path("routines/robots/small.yaml")


@pytest.fixture
def project(tmp_path, monkeypatch):
    """Return the small project with a history, as the current folder."""
    monkeypatch.chdir(write_history(tmp_path))
    return tmp_path


def trap_in(project, name="trap.sh", script="touch {project}/trapped; cat"):
    """Write a program that leaves a trace."""
    trap = project / name
    trap.write_text("#!/bin/sh\n" + script.format(project=project) + "\n")
    trap.chmod(0o755)
    return trap


@pytest.mark.parametrize("kind", ["clean", "process", "smudge"])
@pytest.mark.parametrize("name", ["x", "a.b c=d"])
def test_err_filters_run_nothing(project, kind, name):
    """A filter that settings define and attributes name is not run on changed files, which still count."""
    trap = trap_in(project)
    git(project, "config", f"filter.{name}.{kind}", str(trap))
    git(project, "config", f"filter.{name}.required", "true")
    attribute = name if " " not in name else name.split()[0]
    (project / ".gitattributes").write_text(f"*.yaml filter={attribute}\n")
    (project / ".git/info").mkdir(exist_ok=True)
    (project / ".git/info/attributes").write_text(f"*.yaml filter={attribute}\n")
    ROUTINE.write_text(ROUTINE.read_text() + "# changed\n")
    repository = repository_of(project)
    assert ROUTINE.as_posix() in repository.changed_since(repository.commit("pin"))
    assert not (project / "trapped").exists()
    if kind == "clean" and name == "x":
        # The trap is one: without the guard, git springs it.
        git(project, "diff", "--name-only", "pin")
        assert (project / "trapped").exists()


def test_err_hooks_and_programs_run_nothing(project):
    """Hooks, and every setting that names a program, leave no trace."""
    trap = trap_in(project)
    hooks = project / ".git/hooks"
    hooks.mkdir(exist_ok=True)
    for name in ("post-index-change", "fsmonitor-watchman", "reference-transaction", "post-checkout"):
        (hooks / name).write_bytes(trap.read_bytes())
        (hooks / name).chmod(0o755)
    keys = "core.fsmonitor core.sshCommand core.editor core.pager diff.external core.gitProxy core.askPass"
    for key in f"{keys} credential.helper gpg.program uploadpack.packObjectsHook core.hooksPathX".split():
        git(project, "config", key, str(trap))
    git(project, "config", "alias.diff", f"!{trap}")
    repository = repository_of(project)
    commit_name = repository.commit("pin")
    repository.changed_since(commit_name)
    repository.contents([entry.object for entry in repository.files_at(commit_name)])
    assert not (project / "trapped").exists()


def test_err_a_work_tree_elsewhere(project, tmp_path_factory):
    """A repository that says its files are elsewhere is not believed."""
    git(project, "config", "core.worktree", str(tmp_path_factory.mktemp("elsewhere")))
    with pytest.raises(InputError, match="work tree"):
        repository_of(project)


def test_err_replaced_objects_are_not_followed(project):
    """The baseline is the commit that was made, not another that the repository puts in its place."""
    first = git(project, "rev-parse", "pin").strip()
    ROUTINE.write_text("kind: routine\n")
    commit(project, "looser")
    git(project, "replace", first, "looser")
    repository = repository_of(project)
    (entry,) = [e for e in repository.files_at(repository.commit("pin")) if e.path == ROUTINE.as_posix()]
    assert repository.contents([entry.object])[0] != b"kind: routine\n"


def test_err_a_tree_of_a_billion_files(project, monkeypatch):
    """A few small trees that list ten to the ninth files cost the limit on output, and no more."""
    monkeypatch.setattr("driftgate.run.git._MOST_BYTES", 1024 * 1024)
    blob = git(project, "hash-object", "-w", "pyproject.toml").strip()
    rows = "".join(f"100644 blob {blob}\t{name}.yaml\n" for name in "abcdefghij")
    for _ in range(8):
        tree = git_input(project, rows, "mktree").strip()
        rows = "".join(f"040000 tree {tree}\t{name}\n" for name in "abcdefghij")
    bomb = git(project, "commit-tree", "-m", "bomb", tree).strip()
    with pytest.raises(InputError, match="more than 1 MiB"):
        repository_of(project).files_at(bomb)


def git_input(project, text, *words):
    """Run git on some input."""
    import subprocess

    done = subprocess.run(
        ["git", *words], cwd=project, input=text, capture_output=True, text=True, check=True
    )
    return done.stdout


def test_err_git_that_never_ends(project, monkeypatch):
    """A git that hangs is ended after its time."""
    folder = project / "bin"
    folder.mkdir()
    trap_in(folder, "git", "exec sleep 60")
    monkeypatch.setenv("PATH", f"{folder}:{os.environ['PATH']}")
    monkeypatch.setattr("driftgate.run.git._TIME_LIMIT_S", 0.2)
    with pytest.raises(InputError, match="took more than"):
        repository_of(project)


def test_err_a_link_that_now_leads_elsewhere_counts_as_a_change(project):
    """A routine whose robot is a link that was turned round is run, though no file that it reads changed."""
    soft = ROBOT.with_name("soft.yaml")
    soft.write_text(ROBOT.read_text())
    strict = ROBOT.with_name("strict.yaml")
    ROBOT.rename(strict)
    ROBOT.symlink_to("strict.yaml")
    commit(project, "linked")
    assert affected_since("linked", (), load_inputs((), None), None).routines == set()
    ROBOT.unlink()
    ROBOT.symlink_to("soft.yaml")
    found = affected_since("linked", (), load_inputs((), None), None)
    assert found.routines == {ROUTINE.as_posix()}
    assert ROBOT.as_posix() in found.words


def test_err_special_files_for_a_baseline(tmp_path):
    """Pipes, devices, folders and links to themselves are no baseline, and nothing waits for them."""
    os.mkfifo(tmp_path / "pipe")
    os.symlink("loop", tmp_path / "loop")
    os.symlink("/dev/zero", tmp_path / "zero")
    for name in ("pipe", "loop", "zero", "."):
        with pytest.raises(InputError):
            read_kept(tmp_path / name)
