"""Fuzz at length: `python tests/fuzz/long.py --seconds 900 [--only NAME...] [--seed N]`.

Each target runs in a process of its own for its share of the time, under atheris (guided by the coverage of
the readers) where that is installed, else by what outcomes an input gives. What is found is written to a
folder with its traceback; the exit status is then 1. One process at a time.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import resource
import subprocess
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

HERE = Path(__file__).resolve()
sys.path.insert(0, str(HERE.parent))
sys.path.insert(0, str(HERE.parents[2] / "pipeline"))

# An input that takes longer is a finding. [s, of the processor]
SLOW_S = 10.0
MOST_INPUT = 200_000
MOST_MEMORY = 4 * 2**30


def main() -> int:
    """Fuzz all targets in turn, and say what was found."""
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("--seconds", type=float, default=60.0, help="for all targets together")
    words.add_argument("--only", nargs="*", default=[], help="names of targets")
    words.add_argument("--seed", type=int, default=1)
    words.add_argument("--found", type=Path, help="where to write what is found; else a new folder")
    words.add_argument("--plain", action="store_true", help="without atheris")
    words.add_argument("--one", help=argparse.SUPPRESS)
    asked = words.parse_args()
    if asked.one:
        return fuzz(asked.one, asked.seconds, asked.seed, asked.found, asked.plain)
    from targets import TARGETS

    names = asked.only or list(TARGETS)
    found = asked.found or Path(tempfile.mkdtemp(prefix="fuzz-"))
    found.mkdir(parents=True, exist_ok=True)
    for name in names:
        share = asked.seconds / len(names)
        own = [sys.executable, str(HERE), "--one", name, "--seconds", f"{share:.0f}", "--found", str(found)]
        own += ["--seed", str(asked.seed), *(["--plain"] if asked.plain else [])]
        with tempfile.TemporaryFile() as said:
            # The fuzzer tells what it does at length.
            done = subprocess.run(own, check=False, stderr=said)
            if done.returncode not in (0, 1):
                said.seek(0)
                (found / f"{name}-ended.txt").write_bytes(b"ended with %d\n" % done.returncode + said.read())
    left = sorted(found.iterdir())
    print(f"{len(left)} found, in {found}" if left else "nothing found")
    return 1 if left else 0


class Session:
    """One target: tries inputs, and keeps what is a bug."""

    def __init__(self, name: str, found: Path) -> None:
        from targets import TARGETS

        self.name, self.target, self.found = name, TARGETS[name], found
        self.tried, self.bugs, self.outcomes = 0, set[str](), set[str]()
        self._room = tempfile.TemporaryDirectory(prefix="fuzz-work-")
        self.folder = Path(self._room.name)

    def attempt(self, data: bytes) -> bool:
        """Try an input; say whether its outcome is new."""
        self.tried += 1
        began = time.process_time()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("error")
                outcome = self.target.read(data, self.folder)
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            self._keep(data, error)
            return False
        if time.process_time() - began > SLOW_S:
            self._keep(data, TimeoutError(f"took {time.process_time() - began:.0f} s"))
        new = outcome not in self.outcomes
        self.outcomes.add(outcome)
        return new

    def _keep(self, data: bytes, error: BaseException) -> None:
        frames = traceback.extract_tb(error.__traceback__)
        where = [f"{Path(f.filename).name}:{f.lineno}" for f in frames if "driftgate" in f.filename][-1:]
        key = f"{type(error).__name__} {where} {str(error)[:40] if not where else ''}"
        if key in self.bugs:
            return
        self.bugs.add(key)
        name = self.found / f"{self.name.replace(' ', '-')}-{hashlib.sha256(data).hexdigest()[:12]}"
        name.with_suffix(".input").write_bytes(data)
        text = "".join(traceback.format_exception(error))
        name.with_suffix(".txt").write_text(text, errors="backslashreplace")
        print(f"{self.name}: {key}\n{text[-1500:]}", flush=True)

    def ended(self, how: str) -> None:
        """Say what was done."""
        print(
            f"{self.name}: {self.tried} inputs {how}, {len(self.outcomes)} outcomes, {len(self.bugs)} bugs",
            flush=True,
        )
        self._room.cleanup()


def fuzz(name: str, seconds: float, seed: int, found: Path, plain: bool) -> int:
    """Fuzz one target; return 1 if anything was found."""
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    try:
        import atheris
    except ImportError:
        plain = True
    if plain:
        return by_outcome(Session(name, found), seconds, seed)
    with atheris.instrument_imports(
        include=["driftgate.load", "driftgate.logs", "driftgate.run", "driftgate.schema"]
    ):
        session = Session(name, found)
        for data in session.target.examples():
            session.attempt(data)
    return by_coverage(session, seconds, seed)


def by_outcome(session: Session, seconds: float, seed: int) -> int:
    """Damage sound files, and what gave a new outcome again."""
    luck, until = random.Random(f"{seed} {session.name}"), time.monotonic() + seconds
    pool = list(session.target.examples())
    for data in pool:
        session.attempt(data)
    while time.monotonic() < until:
        data = session.target.damaged(luck.choice(pool), luck)
        if len(data) <= MOST_INPUT and session.attempt(data):
            pool.append(data)
    session.ended("by outcome")
    return bool(session.bugs)


def by_coverage(session: Session, seconds: float, seed: int) -> int:
    """Leave the choice of what to damage to atheris, and the damage to the target."""
    import atheris

    until = time.monotonic() + seconds
    with tempfile.TemporaryDirectory(prefix="fuzz-corpus-") as corpus:
        for i, data in enumerate(session.target.examples()):
            (Path(corpus) / str(i)).write_bytes(data)

        def one(data: bytes) -> None:
            session.attempt(data)
            if time.monotonic() > until:
                session.ended("by coverage")
                # The fuzzer takes any exception, this one too, for a crash.
                os._exit(bool(session.bugs))

        def mutator(data: bytes, most: int, number: int) -> bytes:
            return session.target.damaged(data, random.Random(number))[:most]

        settings = [
            f"-max_len={MOST_INPUT}",
            f"-seed={seed}",
            "-rss_limit_mb=0",
            f"-artifact_prefix={session.found}/",
            "-timeout=100",
            "-verbosity=0",
        ]
        atheris.Setup([sys.argv[0], corpus, *settings], one, custom_mutator=mutator)
        atheris.Fuzz()
    return bool(session.bugs)


if __name__ == "__main__":
    sys.exit(main())
