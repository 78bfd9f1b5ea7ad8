"""What a repository's history holds, read from its objects: nothing is checked out, nothing is run.

The `git` program is called without a shell, with limits on time and output, and with everything switched
off that a repository's own settings could make it do (watchers, external diffs, filters, fetching on demand,
prompts).
"""

from __future__ import annotations

import os
import subprocess
import tempfile
import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from driftgate.run.status import InputError

_TIME_LIMIT_S = 60.0
_MOST_BYTES = 64 * 1024 * 1024
_MOST_SAID = 64 * 1024
_CLOSED = {
    "GIT_TERMINAL_PROMPT": "0",
    "GIT_OPTIONAL_LOCKS": "0",
    "GIT_NO_LAZY_FETCH": "1",
    "GIT_NO_REPLACE_OBJECTS": "1",
    "GIT_PAGER": "",
    "LC_ALL": "C",
}
_SETTINGS = ("core.fsmonitor=false", "core.quotePath=false", "protocol.allow=never")
REGULAR = ("100644", "100755", "100664")


@dataclass(frozen=True)
class TreeFile:
    """One entry of a revision's tree: its path, mode, object and size (0 for what is no file)."""

    path: str
    mode: str
    object: str
    size: int


@dataclass(frozen=True)
class Repository:
    """A git repository.

    Attributes
    ----------
    top : Path
        Its top folder.
    """

    top: Path

    def commit(self, revision: str) -> str:
        """Return the commit that a revision names.

        Raises
        ------
        InputError
            If there is none; a shallow clone is told apart.
        """
        if not revision or revision.startswith("-") or "\0" in revision or "\n" in revision:
            raise InputError(f"'{revision}' is no revision")
        words = ("rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}")
        done = _git(self.top, words)
        if done.returncode == 0:
            return done.stdout.decode("ascii", "replace").strip()
        shallow = _git(self.top, ("rev-parse", "--is-shallow-repository"))
        if shallow.stdout.strip() == b"true":
            raise InputError(
                f"the revision '{revision}' is not in this clone, which is shallow: fetch more of the "
                "history (git fetch --unshallow; on a build server, a checkout with fetch-depth: 0)"
            )
        raise InputError(
            f"there is no revision '{revision}' in this repository: give a branch, tag or commit that "
            "it has (git fetch may bring it)"
        )

    def has(self, revision: str) -> bool:
        """Say whether a text names a commit."""
        try:
            self.commit(revision)
        except InputError:
            return False
        return True

    def files_at(self, commit: str) -> list[TreeFile]:
        """Return every entry of a commit's tree, links and submodules with their own modes."""
        found = []
        for line in self._ok(("ls-tree", "-r", "-z", "-l", "--full-tree", commit)).split(b"\0"):
            head, tab, path = line.partition(b"\t")
            parts = head.decode("ascii", "replace").split()
            if tab and len(parts) == 4:
                size = int(parts[3]) if parts[3].isdigit() else 0
                found.append(TreeFile(os.fsdecode(path), parts[0], parts[2], size))
        return found

    def contents(self, objects: Sequence[str]) -> list[bytes]:
        """Return the contents of objects, in order.

        Raises
        ------
        InputError
            If one is missing, as in a clone that left contents out.
        """
        if not objects:
            return []
        data = self._ok(("cat-file", "--batch"), "".join(f"{name}\n" for name in objects).encode("ascii"))
        found, at = [], 0
        for name in objects:
            end = data.index(b"\n", at)
            head = data[at:end].split()
            if len(head) != 3 or head[1] != b"blob":
                raise InputError(f"the contents of {name[:12]} are not in this clone: fetch them first")
            size = int(head[2])
            found.append(data[end + 1 : end + 1 + size])
            at = end + 2 + size
        return found

    def changed_since(self, commit: str) -> set[str]:
        """Return every path that differs between a commit and the working tree, new files included."""
        diff = ("diff", "--name-only", "-z", "--no-renames", "--no-ext-diff", "--no-textconv")
        words = (*diff, "--no-relative", "--ignore-submodules=dirty", commit, "--")
        changed = self._ok(words, more=self._no_filters())
        new = self._ok(("ls-files", "--others", "--exclude-standard", "-z", "--full-name", "--", ":/"))
        return {os.fsdecode(path) for path in (changed + new).split(b"\0") if path}

    def holds_any(self, folder: Path) -> bool:
        """Say whether any file below a folder, without symbolic links, is committed or about to be."""
        own = folder.relative_to(os.path.realpath(self.top)).as_posix()
        words = ("--literal-pathspecs", "-C", os.fspath(self.top), "ls-files", "-z", "--", own)
        return bool(self._ok(words))

    def _no_filters(self) -> dict[str, str]:
        """Return an environment in which no filter runs that the repository's settings define.

        To compare a file with what is committed, git puts it through the filter that the attributes name: a
        program of the repository's choice.
        """
        asked = ("config", "-z", "--name-only", "--get-regexp", r"^filter\..*\.(clean|process|required)$")
        named = sorted({name.decode("utf-8", "surrogateescape") for name in self._settings(asked)})
        off = {f"GIT_CONFIG_KEY_{i}": name for i, name in enumerate(named)}
        off |= {
            f"GIT_CONFIG_VALUE_{i}": "false" if name.endswith(".required") else ""
            for i, name in enumerate(named)
        }
        # What the caller's environment sets this way gives way to it.
        return {"GIT_CONFIG_COUNT": str(len(named)), **off}

    def _settings(self, words: Sequence[str]) -> list[bytes]:
        done = _git(self.top, words)
        if done.returncode not in (0, 1):  # 1: there is none
            raise InputError(f"git config failed: {_first_line(done.stderr)}")
        return [name for name in done.stdout.split(b"\0") if name]

    def _ok(self, words: Sequence[str], given: bytes = b"", more: Mapping[str, str] | None = None) -> bytes:
        done = _git(self.top, words, given, more or {})
        if done.returncode != 0:
            raise InputError(f"git {words[0]} failed: {_first_line(done.stderr)}")
        return done.stdout


def repository_of(folder: Path) -> Repository:
    """Return the repository that a folder is in.

    Raises
    ------
    InputError
        If it is in none, or there is no git.
    """
    done = _git(folder, ("rev-parse", "--show-toplevel"))
    if done.returncode != 0:
        raise InputError(
            f"{folder} is in no git repository that can be read ({_first_line(done.stderr)}); "
            "compare with a kept baseline file instead"
        )
    top = Path(os.fsdecode(done.stdout.rstrip(b"\n")))
    real, here = Path(os.path.realpath(top)), Path(os.path.realpath(folder))
    if real != here and real not in here.parents:
        # By `core.worktree`, a setting that the repository itself may hold.
        raise InputError(
            f"{folder} is no part of the work tree of its own repository; compare with a kept baseline"
        )
    return Repository(top)


def _git(
    folder: Path, words: Sequence[str], given: bytes = b"", more: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[bytes]:
    settings = [part for setting in _SETTINGS for part in ("-c", setting)]
    late = threading.Event()

    def stop() -> None:
        late.set()
        process.kill()

    try:
        # Files, so that neither side ever waits for the other to read.
        with tempfile.TemporaryFile() as asked, tempfile.TemporaryFile() as said:
            asked.write(given)
            asked.seek(0)
            process = subprocess.Popen(
                ["git", "-C", os.fspath(folder), *settings, *words],
                stdin=asked,
                stdout=subprocess.PIPE,
                stderr=said,
                env={**os.environ, **_CLOSED, **(more or {})},
            )
            timer = threading.Timer(_TIME_LIMIT_S, stop)
            timer.daemon = True
            timer.start()
            with process:
                try:
                    assert process.stdout is not None
                    # No more than may be kept is ever read: a few small trees can list a billion files.
                    out = process.stdout.read(_MOST_BYTES + 1)
                    if len(out) > _MOST_BYTES:
                        raise InputError(f"git {words[0]} gave more than {_MOST_BYTES // 2**20} MiB")
                    code = process.wait()
                finally:
                    timer.cancel()
                    if process.poll() is None:
                        process.kill()
            if late.is_set():
                raise InputError(f"git {words[0]} took more than {_TIME_LIMIT_S:.0f} s")
            said.seek(0)
            return subprocess.CompletedProcess(process.args, code, out, said.read(_MOST_SAID))
    except FileNotFoundError as error:
        raise InputError("there is no git program here; compare with a kept baseline file") from error
    except OSError as error:
        raise InputError(f"git cannot be run: {error.strerror}") from error


def _first_line(stderr: bytes) -> str:
    lines = stderr.decode("utf-8", "replace").strip().splitlines()
    return lines[0].removeprefix("fatal: ")[:200] if lines else "no reason given"
