"""Settings in force are all there: every key of the documents' models, and what one left out stands for."""

from __future__ import annotations

import types
import typing
from pathlib import Path

import pytest
from pydantic import BaseModel
from small_project import write_project

from driftgate.load import load_routine
from driftgate.report.settings import render_settings
from driftgate.run.left_out_keys import STAND_INS
from driftgate.run.settings import effective_settings
from driftgate.schema.correction import FilterNumbers
from driftgate.schema.drift import ErrorSources
from driftgate.schema.fieldmap import FieldMap, Wall
from driftgate.schema.fitted import GoesWith
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Checkpoint, Repeat, Routine, Step
from driftgate.schema.sensor import RangeErrors

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = sorted((ROOT / "routines").glob("*.yaml"))
# What says no number, or is told in another group: files and accepted exceptions.
NOT_TOLD = {"title", "note", "kind", "format", "accepted", "robot", "field", "also_on"}

# Keys that may be left out and then are nothing: no error acts, no test is made, no limit holds, no part is
# there. Whoever adds a key that may be left out says here that it is one of these, or in run/left_out_keys.py
# what acts in its place.
NOTHING = {
    "AngleBand": {"high", "low"},
    "Actuate": {"time", "travel"},  # a time, or a travel with its speed
    "Band": {"high", "low"},
    "Beside": {"speed", "time", "travel"},
    "Correction": {"gate", "persistence", "way_back"},
    "Curve": {"end_heading"},
    "Element": {"placed_against", "stray"},
    "FieldMap": {"mirror"},
    "Accepted": {"step"},
    "Fitted": {"freedom", "goes_with"},
    "Provenance": {"files", "first_day", "last_day"},
    "FilterNumbers": {"constants_hold"},
    "FittedSlips": {"slips"},
    "Footprint": {"corners", "length", "width"},  # a rectangle, or corners
    "MirrorLine": {"x", "y"},  # one of the two
    "MotionStep": {"beside"},
    "Shape": {"circle", "polygon", "rectangle"},  # one of the three
    "SquareUp": {"reset"},
    "Start": {"off"},
    "Structure": {"build", "fixed_to"},
    "Tolerance": {"across", "along", "heading", "radial", "relative_to", "x", "y"},
    "Update": {"largest_move"},
    "Validity": {
        "corridor",
        "incidence",
        "range",
        "speed",
        "turn_rate",
    },  # reach and echo_limit bound the rest
}
# In any section: a remark, and how well a number is known.
ANYWHERE = {"fitted", "note"}
# Told in another group or on another line: the limits and fixes of each step, the map's build for a wall, and
# the filter's numbers as they are derived.
TOLD_OTHERWISE = {
    "Step": {"acceleration", "fixes", "name", "speed", "turn_rate"},
    "Wall": {"build"},
    "FilterNumbers": set(FilterNumbers.model_fields) - {"constants_hold"},
}


def keys_of(value, words=""):
    """Yield the path of every value in what pydantic makes of a document, items of a list by their names."""
    if isinstance(value, dict):
        for key, inside in value.items():
            if not (words == "" and key in NOT_TOLD) and key not in ("title", "note"):
                yield from keys_of(inside, f"{words}.{key}" if words else key)
    elif isinstance(value, list) and value and all(isinstance(item, dict) for item in value):
        for number, item in enumerate(value, 1):
            yield from keys_of(item, f"{words}.{item.get('id') or item.get('name') or number}")
    else:
        yield words


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_law_every_key_of_the_models_is_told(path, monkeypatch):
    """Each value that pydantic finds in robot, maps and routine, defaults too, has its line."""
    monkeypatch.chdir(ROOT)
    told = {}
    for setting in effective_settings(path).settings:
        told.setdefault(setting.group, set()).add(setting.key)
    loaded = load_routine(str(path.relative_to(ROOT)))
    routine, robot, field = (d.model for d in (loaded.document, loaded.robot, loaded.field))
    dump = routine.model_dump()
    steps = dump.pop("steps")
    wanted = {"robot": set(keys_of(robot.model_dump())), "routine": set(keys_of(dump))}
    wanted["map"] = set(keys_of(field.model_dump(exclude={"mirror": {"pairs"}})))
    # What the filter derives stands in a group of its own, by sensor where it differs from one to the next.
    told["robot"] |= {key.partition(" ")[0] for key in told["filter"]}
    for group, keys in wanted.items():
        assert len(keys) > 10
        # The pairs of names that swap are told as one value.
        assert keys - told[group] == set(), group
    number = 0
    groups = [g for g in told if g.startswith(("step ", "checkpoint "))]
    for step, model in zip(steps, routine.steps, strict=True):
        number += 1
        if isinstance(model, Repeat):
            continue
        (group,) = [
            g
            for g in groups
            if f"step {number}" in (g, g.partition(" '")[0], g.partition(" (")[0])
            or g.endswith(f", step {number}")
        ]
        left = {"do", "name"} if not isinstance(model, Checkpoint) else {"do", "name", "fixes"}
        own = {k for k in keys_of(step) if k not in left}
        missing = {k for k in own - told[group] if getattr(model, k, 0) is not None}
        assert missing == set(), group


def reachable(annotation, seen):
    """Collect every model that an annotation can hold."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        if annotation not in seen:
            seen.add(annotation)
            for field in annotation.model_fields.values():
                reachable(field.annotation, seen)
        return
    if isinstance(annotation, types.GenericAlias) or typing.get_origin(annotation) is not None:
        for part in typing.get_args(annotation):
            if not isinstance(part, str):
                reachable(part, seen)


def test_law_each_key_that_may_be_left_out_is_settled():
    """It is nothing, or stands for something that is shown: no key is forgotten when one is added."""
    models = set()
    for kind in (Routine, Robot, FieldMap):
        reachable(kind, models)
    assert {"Controller", "ShortReturn", "Stray", "Beside", "SquareUp"} <= {m.__name__ for m in models}
    open_keys = []
    for model in models:
        for name, field in model.model_fields.items():
            if field.is_required() or field.get_default(call_default_factory=True) is not None:
                continue
            bases = [base.__name__ for base in model.__mro__]
            nothing = any(name in NOTHING.get(base, ()) for base in bases) or name in ANYWHERE
            # An error source that is left out does not act; a correlation that is not there is none.
            nothing |= model in (ErrorSources, RangeErrors, GoesWith)
            elsewhere = name in TOLD_OTHERWISE.get(
                model.__name__, TOLD_OTHERWISE["Step"] & {*model.model_fields}
            )
            elsewhere &= issubclass(model, Step | Wall | FilterNumbers)
            acts = (model, name) in STAND_INS
            if acts + elsewhere + (nothing and not acts) != 1:
                open_keys.append(f"{model.__name__}.{name}")
    assert open_keys == []


def test_law_a_key_that_another_stands_in_for_is_shown_with_its_value(tmp_path, monkeypatch):
    """The distance is closed with the heading's time constant, and says so; what is empty waits for --all."""
    monkeypatch.chdir(write_project(tmp_path))
    found = effective_settings(Path("routines/out.yaml"))
    (row,) = [s for s in found.settings if s.key == "controller.distance_time_constant"]
    assert (row.value, row.where()) == ("0.2 s", "derived, from time_constant")
    text = render_settings(found)
    assert "controller.distance_time_constant" in text
    assert "may_touch" not in text
    assert "may_touch" in render_settings(found, everything=True)
