"""Workload W as driftgate's own documents, and larger maps of the same kind."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import yaml

from driftgate.load import load_project
from driftgate.predict import Prepared, prepare
from driftgate.schema.case import Case
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot

ROOT = Path(__file__).resolve().parents[2]
FOLDER = Path(__file__).resolve().parent / "w"

DIFFERS = """\
W here: what the belief is pulled to the plan by is the drive's own controller (0.15 a tick), range noise is
8 mm, wrongly accepted and refused readings and unintended contact are counted too, and about 860 of 1600
readings are accepted where W has 652. The truth is cast only for readings that some trial may use. The filter
considers constants, which W's does not. "W's own features" is without that, and refuses readings beyond
1.3 m, which leaves W's number of them."""


def case_of(folder: Path, name: str) -> Case:
    """Return a routine on its own map."""
    project = load_project([folder / name], folder)
    assert not project.findings, project.findings
    loaded = project.routines[0]
    field = loaded.field.model
    return Case(loaded.document.model, loaded.robot.model, field, field)


def workload() -> Prepared:
    """Return W."""
    return prepare(case_of(FOLDER, "routine.yaml"))


def own_features() -> Prepared:
    """Return W with the filter that it has, and with as many readings accepted: those up to 1.3 m."""
    return _with_sensors(own=True)


def own_variants() -> dict[str, Prepared]:
    """Return W's own features, and these with the sensors that the goal is about; contact counts in all."""
    return {
        "W's own features": own_features(),
        "these, cones of 15 deg and latency": _with_sensors(own=True, beam_width="15 deg", latency="25 ms"),
        "these, full sensor model": full_sensors(own=True),
    }


def full_sensors(cones: bool = True, own: bool = False) -> Prepared:
    """Return W with sensors as they really are: every error source, latency, and with or without cones."""
    reading, run = (
        {"basis": "guess", "constant_over": "reading"},
        {"basis": "guess", "constant_over": "robot"},
    )
    errors = {
        "bias": {"spread": "3 mm", **run},
        "scale": {"spread": "0.5 %", **run},
        "mount_position": {"spread": "1 mm", **run},
        "dropout": {"probability": "2 %", **reading},
        "short_return": {"probability": "0.6 %", "run_length": 3, "distance": "300 mm", **reading},
        "long_return": {"probability": "0.4 %", **reading},
    }
    more = {"latency": "25 ms", "resolution": "1 mm", "echo_limit": "60 deg"}
    return _with_sensors(errors, own, **more, **({"beam_width": "15 deg"} if cones else {}))


def _with_sensors(errors: dict[str, Any] | None = None, own: bool = False, **more: Any) -> Prepared:
    """Return W with more in every sensor; `own` is with W's own filter."""
    case = case_of(FOLDER, "routine.yaml")
    document: dict[str, Any] = yaml.safe_load((FOLDER / "robot.yaml").read_text())
    for sensor in document["sensors"]:
        sensor |= more
        sensor["errors"] |= errors or {}
    if "latency" in more:
        document["correction"]["compensate_latency"] = True
    if own:
        document["correction"]["filter"]["consider"] = False
        document["correction"]["validity"]["range"]["high"] = "1.3 m"
    return prepare(Case(case.routine, Robot.model_validate(document), case.believed, case.true))


def variants() -> dict[str, Prepared]:
    """Return W with one thing more at a time."""
    hall = _document()
    for element in hall["elements"]:
        element["pushable"] = True
    return {
        "full sensor model, no cones": full_sensors(cones=False),
        "cones of 15 deg": _with_sensors(beam_width="15 deg"),
        "full sensor model": full_sensors(),
        "phases drawn each run": _with_sensors(random_phase=True),
        "everything loose can be pushed": _prepared(case_of(FOLDER, "routine.yaml"), hall),
    }


def surfaces(prepared: Prepared) -> int:
    """Return the surfaces of the true map: walls, faces and loose elements."""
    return len(prepared.true.edges) + len(prepared.true.elements)


def more_rooms(rooms: int) -> Prepared:
    """Return W in the first of several equal rooms, with a partition between each and the next."""
    case = case_of(FOLDER, "routine.yaml")
    width, height = 4.2, 3.0
    hall = _document()
    structures, elements = [], []
    for room in range(rooms):
        structures += [_moved(s, room, width) for s in hall["structures"]]
        elements += [_moved(e, room, width) for e in hall["elements"]]
    for room in range(1, rooms):
        # Its near face stands where W has its east wall.
        structures.append(
            {
                "id": f"partition-{room}",
                "shape": {"rectangle": {"length": "20 mm", "width": f"{height} m"}},
                "at": {"x": f"{room * width + 0.01} m", "y": f"{0.5 * height} m"},
                "reference": True,
            }
        )
    for wall, corner in zip(
        hall["walls"], ((0, 0), (rooms * width, 0), (rooms * width, height), (0, height)), strict=True
    ):
        wall["corner"] = [f"{corner[0]} m", f"{corner[1]} m"]
    return _prepared(case, {**hall, "structures": structures, "elements": elements})


def rounder_pillars(corners: int) -> Prepared:
    """Return W with pillars of so many corners instead of six."""
    case = case_of(FOLDER, "routine.yaml")
    hall = _document()
    ring = [
        [f"{0.12 * f(2.0 * math.pi * k / corners):.6f} m" for f in (math.cos, math.sin)]
        for k in range(corners)
    ]
    for structure in hall["structures"]:
        structure["shape"] = {"polygon": {"corners": ring}}
    return _prepared(case, hall)


def _prepared(case: Case, document: dict[str, Any]) -> Prepared:
    field = FieldMap.model_validate(document)
    return prepare(Case(case.routine, case.robot, field, field))


def _document() -> dict[str, Any]:
    """Return the hall's document as its file has it."""
    document: dict[str, Any] = yaml.safe_load((FOLDER / "field.yaml").read_text())
    return document


def _moved(thing: dict[str, Any], room: int, width: float) -> dict[str, Any]:
    """Return a thing's counterpart in another room."""
    at = dict(thing["at"])
    metres = float(at["x"].split()[0]) + room * width
    at["x"] = f"{metres} m"
    return {**thing, "id": thing["id"] if room == 0 else f"{thing['id']}-{room}", "at": at}
