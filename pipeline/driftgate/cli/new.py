"""`driftgate new`."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import click

from driftgate.cli.first_words import AsTyped, Install, Sides
from driftgate.cli.out import emit, say_status

if TYPE_CHECKING:
    from driftgate.run.first import FirstProject


class _Asked(NamedTuple):
    """One thing that is asked for: its option and placeholder, what it is, its default, the question."""

    option: str
    metavar: str
    type: click.ParamType[Any]
    default: str
    help: str
    question: str


_LENGTH: Final = "length"
_ASKED: Final = (
    _Asked(
        "field-length",
        "LENGTH",
        AsTyped(_LENGTH, 0.3, 50.0),
        "3.6 m",
        "The field from wall to wall, along its x axis.",
        "The field, from wall to wall: how long is it?",
    ),
    _Asked(
        "field-width",
        "LENGTH",
        AsTyped(_LENGTH, 0.3, 50.0),
        "2.4 m",
        "The same along its y axis.",
        "And how wide?",
    ),
    _Asked(
        "robot-length",
        "LENGTH",
        AsTyped(_LENGTH, 0.05, 2.0),
        "350 mm",
        "The robot from bumper to bumper.",
        "The robot, from bumper to bumper: how long is it?",
    ),
    _Asked(
        "robot-width",
        "LENGTH",
        AsTyped(_LENGTH, 0.05, 2.0),
        "300 mm",
        "The robot from side to side.",
        "And how wide?",
    ),
    _Asked(
        "robot-mass",
        "MASS",
        AsTyped("mass", 0.05, 150.0),
        "5 kg",
        "The robot's mass, battery included.",
        "Its mass, battery included?",
    ),
    _Asked(
        "wheel-diameter",
        "LENGTH",
        AsTyped(_LENGTH, 0.01, 0.6),
        "80 mm",
        "Diameter of its driven wheels.",
        "Its driven wheels: what diameter?",
    ),
    _Asked(
        "wheel-speed",
        "SPEED",
        AsTyped("turn rate", 0.5, 700.0),
        "300 rpm",
        "How fast such a wheel turns in the air, behind the gears.",
        "And how fast do they turn in the air?",
    ),
    _Asked(
        "sensors",
        "SIDES",
        Sides(),
        "front,left",
        "Where range sensors look: any of front, left, back, right, separated by commas; or none.",
        "Where do range sensors look (front, left, back, right, or none)?",
    ),
)
_DRIVES: Final = ("differential", "holonomic")
_DRIVE: Final = _DRIVES[0]
_WHAT: Final = {
    "routines/first.yaml": "a first routine",
    "routines/robots/robot.yaml": "the robot",
    "fieldmaps/field.yaml": "the field",
    ".github/workflows/routines.yml": "the gate on a build server",
    ".schemas": "for an editor that completes keys and marks slips",
}


def _asked_options(function: Any) -> Any:
    for asked in reversed(_ASKED):
        add = click.option(
            f"--{asked.option}",
            type=asked.type,
            default=None,
            metavar=asked.metavar,
            help=f"{asked.help}  [default: {asked.default}]",
        )
        function = add(function)
    return function


@click.command(
    epilog="""
    \b
    Examples:
      driftgate new greenhouse
      driftgate new greenhouse --field-length 12ft --field-width 12ft --yes
      driftgate new --robot-length "18 in" --robot-width "16 in" -y

    \b
    What it writes:
      routines/first.yaml             a first routine
      routines/robots/robot.yaml      the robot
      fieldmaps/field.yaml            the field: four walls
      .github/workflows/routines.yml  the gate on a build server
      .schemas/                       JSON Schemas, named in each file's head

    It passes `driftgate check` as it is. Comments say what to change, and how each number would be
    measured: to begin with all are guesses. A file that exists is never written over; if one is in the
    way, it is named and nothing is written.

    Exit statuses: 0 written, 2 bad usage, sizes that do not go together, or a file in the way.
    """
)
@click.argument("folder", required=False, default=".", type=click.Path(path_type=Path, file_okay=False))
@_asked_options
@click.option(
    "--drive",
    type=click.Choice(_DRIVES),
    default=None,
    help=f"holonomic: it can drive sideways.  [default: {_DRIVE}]",
)
@click.option(
    "--install",
    type=Install(),
    default=None,
    metavar="WHAT",
    help="What the build server gives to pip: a folder of your repository, or an address.  [default: "
    "where it was installed from here, if others can reach that, or else ./tools/driftgate]",
)
@click.option("--yes", "-y", is_flag=True, help="Ask nothing: what no option says has its default.")
def command(folder: Path, drive: str | None, install: str | None, yes: bool, **given: Any) -> int:
    """Begin a project in FOLDER: a robot, a field and a first routine.

    FOLDER is made if need be; by default it is the folder you are in. On a terminal you are asked what
    no option says, --install apart, and Enter takes what stands in brackets. Every size needs its unit.
    """
    from driftgate.first.values import Wanted
    from driftgate.run.first import begin_project

    asking = not yes and sys.stdin.isatty() and sys.stderr.isatty()
    values = _answers(given, asking)
    if drive is None and asking:
        question = "How is it driven (holonomic: sideways too)?"
        drive = click.prompt(question, default=_DRIVE, type=click.Choice(_DRIVES), err=True)
    wanted = Wanted(drive=drive or _DRIVE, install=install or _origin(), **values)
    made = begin_project(folder, wanted)
    emit(_told(made, wanted.install))
    say_status(0, f"{len(made.names)} files written")
    return 0


def _origin() -> str:
    """Return what this driftgate was installed from, if that may stand in a workflow."""
    from driftgate.first.origin import COPY, installed_from

    try:
        return Install().convert(installed_from(), None, None)
    except click.BadParameter:
        return COPY


def _answers(given: dict[str, Any], asking: bool) -> dict[str, Any]:
    """Return every value: as given, else as answered, else the default."""
    values = {}
    for asked in _ASKED:
        key = asked.option.replace("-", "_")
        value = given[key]
        if value is None and asking:
            value = click.prompt(asked.question, default=asked.default, type=asked.type, err=True)
        values[key] = asked.type(asked.default) if value is None else value
    return values


def _on_the_server(made: FirstProject, install: str) -> list[str]:
    """Return where the build server gets driftgate from, and what is still to be done for that."""
    words = f"The build server installs driftgate from {install}"
    root = made.folder if made.repository is None else made.repository
    if not install.startswith("./") or (root / install).is_dir():
        return [f"{words}: see {list(_WHAT)[3]}."]
    below = install.removeprefix("./").rstrip("/")
    return [
        f"{words}, which is not there yet. Before you push, from your clone of driftgate:",
        f"  git -C path/to/driftgate archive {shlex.quote(f'--prefix={below}/')} HEAD | tar -x",
    ]


def _told(made: FirstProject, install: str) -> str:
    from driftgate.report.text import plain

    place = plain(str(made.folder))
    lines = ["written" if place == "." else f"written in {place}"]
    width = max(len(name) for name in _WHAT)
    lines += [f"  {name:<{width}}  {what}" for name, what in _WHAT.items()]
    lines += ["", "next"]
    if place != ".":
        lines.append(f"  cd {shlex.quote(place)}")
    if not made.marked:
        lines.append("  git init                                or call driftgate in this folder only")
    lines += [
        "  driftgate check                         does it hold? It does, on guesses",
        "  driftgate explain routines/first.yaml   why",
        "Then change what the comments mark with CHANGE, and check again after each change.",
        *_on_the_server(made, install),
    ]
    if made.repository is not None:
        lines.append(
            f"{place} lies inside the repository {made.repository}: move .github to its root, or no server "
            "reads it."
        )
    return "\n".join(lines) + "\n"
