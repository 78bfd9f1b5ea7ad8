"""The table of keys holds every key that the models have, and says which must be there."""

from __future__ import annotations

from typing import Any, get_args

import pytest
import yaml
from pydantic import TypeAdapter

from driftgate.load.document import Kind
from driftgate.load.key_list import key_list, key_text
from driftgate.load.validate import MODELS

KINDS: tuple[Kind, ...] = get_args(Kind)


def keys_of(schema: dict[str, Any]) -> set[str]:
    """Return every name of a property anywhere in a schema."""
    return {name for node in (schema, *schema["$defs"].values()) for name in node.get("properties", {})}


@pytest.mark.parametrize("kind", KINDS)
def test_law_every_key_is_listed(kind: Kind) -> None:
    """Every key of every model that a document reaches has a line."""
    listed = {line.key for line in key_list(kind)}
    assert keys_of(TypeAdapter(MODELS[kind]).json_schema()) <= listed


def test_law_required_keys_are_marked() -> None:
    """What may not be left out has a star, in its own depth."""
    lines = key_text("robot").splitlines()
    assert any(line.startswith("mass*  ") for line in lines)
    assert any(line.startswith("height  ") for line in lines)
    assert any(line.startswith("  reach*  ") for line in lines)
    assert any(line.startswith("  beam_width  ") for line in lines)


def test_law_steps_within_steps_end() -> None:
    """A repetition holds steps, which are listed once."""
    lines = key_list("routine")
    assert [line.takes for line in lines if line.key == "steps"] == ["list", "list as above"]
    assert sum(line.key == "(do: repeat)" for line in lines) == 1


@pytest.mark.parametrize("kind", KINDS)
def test_law_examples_are_of_the_unit(kind: Kind) -> None:
    """What a line gives as an example is one text in YAML, not a number without a unit."""
    for line in key_list(kind):
        for part in line.takes.split(" or "):
            if ", like " in part and not part.startswith(("[", "list")):
                assert isinstance(yaml.safe_load(part.split(", like ")[1]), str)
