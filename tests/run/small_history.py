"""A small project in a git repository of its own, for comparisons with earlier versions."""

from __future__ import annotations

import os
import subprocess

from small_project import write_project

_WHO = {
    "GIT_AUTHOR_NAME": "Test",
    "GIT_AUTHOR_EMAIL": "test@example.org",
    "GIT_COMMITTER_NAME": "Test",
    "GIT_COMMITTER_EMAIL": "test@example.org",
    "GIT_CONFIG_GLOBAL": os.devnull,
    "GIT_CONFIG_SYSTEM": os.devnull,
}


def git(folder, *words, **more):
    """Run git in a folder and return what it says."""
    done = subprocess.run(
        ["git", "-C", str(folder), *words],
        env={**os.environ, **_WHO},
        capture_output=True,
        check=True,
        timeout=60,
        **more,
    )
    return done.stdout.decode()


def commit(folder, tag=""):
    """Commit everything, and tag it."""
    git(folder, "add", "-A")
    git(folder, "commit", "-q", "--allow-empty", "-m", "state")
    if tag:
        git(folder, "tag", tag)


def write_history(folder):
    """Write the small project, commit it and tag it `pin`; return the folder."""
    write_project(folder)
    git(folder, "init", "-q", "-b", "main")
    commit(folder, "pin")
    return folder


def edit(path, *swaps):
    """Replace texts in a file; each must be there."""
    text = path.read_text()
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new)
    path.write_text(text)
