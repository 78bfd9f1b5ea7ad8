"""The schemas for editors: valid themselves, and they accept and refuse what loading does."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from jsonschema import Draft202012Validator
from pydantic import BaseModel

from driftgate.load.compose import compose
from driftgate.load.document import Kind
from driftgate.load.fields import options_at
from driftgate.load.json_schema import json_schema
from driftgate.load.text import split_lines
from driftgate.schema.base import Model

CASES = Path(__file__).parents[1] / "cases"
KINDS: tuple[Kind, ...] = get_args(Kind)

# Faults of spelling and shape, which a schema can say. The others need the whole project.
SHAPE_FAULTS = (
    "key-",
    "do-",
    "step-not",
    "type-",
    "unit-",
    "list-",
    "point-",
    "name-",
    "basis-",
    "robot-friction",
)


def data_of(file: Path) -> Any:
    """Return the plain data of a file."""
    text = file.read_text(encoding="utf-8")
    return compose(text, file.name, split_lines(text)).data


@pytest.mark.evidence(
    source="JSON Schema 2020-12, metaschema", compares="the schemas are valid", tolerance="exact"
)
@pytest.mark.parametrize("kind", KINDS)
def test_ref_schema_is_draft_2020_12(kind: Kind) -> None:
    """The schema is valid by the metaschema of draft 2020-12."""
    Draft202012Validator.check_schema(json_schema(kind))


@pytest.mark.parametrize("file", sorted((CASES / "good").rglob("*.yaml")), ids=lambda file: file.name)
def test_law_good_files_are_accepted(file: Path) -> None:
    """Every good file is valid by the schema of its kind, and by no other."""
    data = data_of(file)
    for kind in KINDS:
        assert Draft202012Validator(json_schema(kind)).is_valid(data) == (data["kind"] == kind)


@pytest.mark.parametrize(
    "file",
    [f for f in sorted((CASES / "bad").glob("*.yaml")) if f.name.startswith(SHAPE_FAULTS)],
    ids=lambda file: file.stem,
)
def test_err_faults_of_shape_are_refused(file: Path) -> None:
    """What is misspelt or of the wrong shape is underlined in an editor as well."""
    data = data_of(file)
    assert not Draft202012Validator(json_schema(data["kind"])).is_valid(data)


@pytest.mark.parametrize("kind", KINDS)
def test_law_every_object_is_closed(kind: Kind) -> None:
    """No object takes unknown keys, and kind and step are constants."""
    schema = json_schema(kind)
    assert schema["properties"]["kind"]["const"] == kind
    objects = [schema, *schema["$defs"].values()]
    assert all(node["additionalProperties"] is False for node in objects if "properties" in node)
    for node in objects:
        if "do" in node.get("properties", {}):
            assert "const" in node["properties"]["do"]


def _models(base: type[BaseModel]) -> Iterator[type[BaseModel]]:
    for model in base.__subclasses__():
        yield model
        yield from _models(model)


@pytest.mark.parametrize("kind", KINDS)
def test_law_a_default_may_be_typed_and_means_the_default(kind: Kind) -> None:
    """What an editor inserts is allowed there, with its unit, and is what the model takes without it."""
    models = {model.__name__: model for model in _models(Model)}
    seen = 0
    for name, node in json_schema(kind)["$defs"].items():
        for key, value in node.get("properties", {}).items():
            assert "x-dimension" not in json.dumps(value)
            if "default" not in value or "$ref" in json.dumps(value):
                continue
            assert Draft202012Validator(value).is_valid(value["default"]), (name, key)
            wanted = models[name].model_fields[key].default
            if isinstance(wanted, float) and isinstance(value["default"], str):
                (found,) = options_at(models[name], {}, (key,))
                assert found.quantity is not None
                assert found.quantity.parse(value["default"]) == pytest.approx(wanted, rel=1e-5)
                seen += 1
            else:
                assert value["default"] == wanted
    assert seen > 3 or kind not in ("robot", "routine", "field map")
