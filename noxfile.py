"""The list of checks. `nox -l` names them; `nox` alone runs what a merge needs."""

from __future__ import annotations

import nox

nox.options.sessions = ["tests", "lint", "types", "gate"]
nox.options.default_venv_backend = "venv"
nox.options.error_on_missing_interpreters = True

PROJECT = nox.project.load_toml("pyproject.toml")
# The tests of an extra are not to be skipped; and each process has one thread, as the command line has it.
TESTED = {"DRIFTGATE_CLUSTER": "required", "OPENBLAS_NUM_THREADS": "1"}


def _group(name: str) -> list[str]:
    return nox.project.dependency_groups(PROJECT, name)


def _quiet_install(session: nox.Session, *what: str) -> None:
    session.install("--quiet", "--disable-pip-version-check", *what)


def _install_evidence(session: nox.Session) -> dict[str, str]:
    """Install the public log that tests/evidence reads; return what makes its absence an error."""
    # Without dependencies: only one data file of the wheel is read, and no version of numpy is to give way.
    _quiet_install(session, "--no-deps", "--only-binary", ":all:", *_group("evidence"))
    return {"DRIFTGATE_EVIDENCE": "required"}


@nox.session
def tests(session: nox.Session) -> None:
    """Run the tests on the interpreter that runs nox; arguments go to pytest."""
    _quiet_install(session, ".[cluster]", *_group("test"))
    session.run("pytest", *(session.posargs or ["-n", "auto"]), env={**_install_evidence(session), **TESTED})


@nox.session
def browser(session: nox.Session) -> None:
    """Open the pages in a Chromium without a window; skipped where there is none. Arguments go to pytest."""
    _quiet_install(session, ".", *_group("test"), *_group("browser"))
    _quiet_install(session, "--no-deps", *_group("accessibility"))
    session.run("pytest", *(session.posargs or ["tests/browser"]))


@nox.session(python=["3.11", "3.12", "3.13"])
def matrix(session: nox.Session) -> None:
    """Run the tests on every supported Python that is installed."""
    _quiet_install(session, ".[cluster]", *_group("test"))
    session.run("pytest", *(session.posargs or ["-n", "auto"]), env={**_install_evidence(session), **TESTED})


@nox.session
def lint(session: nox.Session) -> None:
    """Check style and format."""
    _quiet_install(session, *_group("lint"))
    session.run("ruff", "check", ".")
    session.run("ruff", "format", "--check", ".")


@nox.session
def types(session: nox.Session) -> None:
    """Check types, strictly."""
    _quiet_install(session, ".", *_group("lint"))
    session.run("mypy")


@nox.session
def gate(session: nox.Session) -> None:
    """Run the gate on the shipped routines; arguments go to `driftgate check`."""
    _quiet_install(session, ".")
    session.run("driftgate", "check", "--no-cache", *session.posargs)


@nox.session
def nightly(session: nox.Session) -> None:
    """Run the shipped routines as they are and under every fault; arguments go to `driftgate nightly`."""
    _quiet_install(session, ".")
    session.run("driftgate", "nightly", *session.posargs)


@nox.session
def bench(session: nox.Session) -> None:
    """Time the trials engine as ratios against named peers, and a cold start; `-- --quick` for a minute."""
    _quiet_install(session, ".")
    # Compiled ray casters to compare with; the benchmark does without those that do not install.
    for peer in ("embreex", "mujoco"):
        session.install("--quiet", "--disable-pip-version-check", peer, success_codes=[0, 1])
    session.run("python", "tests/bench/bench.py", *session.posargs)


@nox.session
def fuzz(session: nox.Session) -> None:
    """Fuzz every reader of files, by coverage where that installs; `-- --seconds 600` for longer."""
    _quiet_install(session, ".", *_group("test"))
    session.install("--quiet", "--disable-pip-version-check", "--no-deps", "atheris", success_codes=[0, 1])
    session.run("python", "tests/fuzz/long.py", *session.posargs)


@nox.session
def rates(session: nox.Session) -> None:
    """Measure how often verdicts are false and what they cost, some minutes; arguments go to the script."""
    _quiet_install(session, ".", *_group("test"))
    session.run("python", "tests/bench/verdict_rates.py", *session.posargs)


@nox.session
def calibration(session: nox.Session) -> None:
    """Show how often a calibration's intervals hold what was put in; `-- --seeds 100` for more."""
    _quiet_install(session, ".")
    session.run("python", "tests/bench/calibration_coverage.py", *session.posargs)


@nox.session
def mutation(session: nox.Session) -> None:
    """Change the core in a sample of places, count what tests notice, an hour; `-- --sample 60 --seed 2`."""
    _quiet_install(session, "-e", ".", *_group("test"), *_group("mutation"))
    session.run("python", "tests/mutation/mutate.py", *session.posargs)


@nox.session
def docs(session: nox.Session) -> None:
    """Remake the output shown in README.md and DEVELOPERS.md, and the table of evidence by its tests."""
    _quiet_install(session, ".", *_group("test"))
    installed = _install_evidence(session)
    session.run("python", "tests/docs/remake.py", *(session.posargs or ["--evidence"]), env=installed)
