"""JSON Schema of what is written from frozen records, member by member as the records are declared."""

from __future__ import annotations

from typing import Any

from pydantic import TypeAdapter

from driftgate.report.compare_json import SIDE_BY_SIDE_SCHEMA
from driftgate.report.compare_model import Comparison, SideBySide
from driftgate.report.erosion import COMPARISON_SCHEMA
from driftgate.report.json_schema import SCHEMA, Schema
from driftgate.report.settings import SETTINGS_SCHEMA
from driftgate.report.settings_model import SettingsReport
from driftgate.report.verify_formats import VERIFICATION_SCHEMA
from driftgate.report.verify_model import Verification

_DIALECT = "https://json-schema.org/draft/2020-12/schema"


def side_by_side_schema() -> Schema:
    """Return the schema of the JSON report of `driftgate compare`."""
    found = _record(SideBySide)
    _member(found, "schema", {"const": SIDE_BY_SIDE_SCHEMA})
    _member(found, "cautions", {"type": "array", "items": {"type": "string"}})
    return {"$schema": _DIALECT, **found, "title": "driftgate side by side, format 1"}


def report_schema() -> Schema:
    """Return the schema of the JSON report of `driftgate check`, with what `--baseline` adds."""
    return {**SCHEMA, "properties": {**SCHEMA["properties"], "comparison": comparison_schema()}}


def verification_schema() -> Schema:
    """Return the schema of the JSON report of `driftgate verify`."""
    found = _record(Verification)
    _member(found, "schema", {"const": VERIFICATION_SCHEMA})
    _member(found, "cautions", {"type": "array", "items": {"type": "string"}})
    return {"$schema": _DIALECT, **found, "title": "driftgate verification, format 1"}


def settings_schema() -> Schema:
    """Return the schema of the JSON report of `driftgate settings`."""
    found = _record(SettingsReport)
    _member(found, "schema", {"const": SETTINGS_SCHEMA})
    found["properties"]["findings"] = {"type": "integer", "minimum": 0}
    return {"$schema": _DIALECT, **found, "title": "driftgate settings, format 1"}


def comparison_schema() -> Schema:
    """Return the schema of the member `comparison` of a report: what became of it since a baseline."""
    found = _record(Comparison)
    _member(found, "schema", {"const": COMPARISON_SCHEMA})
    _member(found, "eroded", {"type": "array", "items": {"type": "string"}, "description": "empty: nothing"})
    return {**found, "title": "against a baseline, format 1"}


def _record(kind: type) -> Schema:
    # References name their place in a whole document; a schema within another one has none of them.
    found: Schema = _open(TypeAdapter(kind).json_schema(mode="serialization"))
    shared = found.pop("$defs", {})
    return dict(_inlined(found, shared))


def _inlined(node: Any, shared: Schema) -> Any:
    if isinstance(node, list):
        return [_inlined(item, shared) for item in node]
    if not isinstance(node, dict):
        return node
    if "$ref" in node:
        return _inlined(shared[node["$ref"].rpartition("/")[2]], shared)
    return {key: _inlined(value, shared) for key, value in node.items()}


def _open(node: Any) -> Any:
    """Return a schema without titles and defaults: every member is written, and no finite number is null."""
    if isinstance(node, list):
        return [_open(item) for item in node]
    if not isinstance(node, dict):
        return node
    found = {key: _open(value) for key, value in node.items() if key not in {"title", "default"}}
    if "properties" in node:
        # A member may be called title or default.
        found["properties"] = {name: _open(member) for name, member in node["properties"].items()}
        found["required"] = list(node["properties"])
        found["additionalProperties"] = True
    if found.get("type") == "number":
        found["type"] = ["number", "null"]
    return found


def _member(schema: Schema, name: str, what: Schema) -> None:
    schema["properties"][name] = what
    schema["required"] = [*schema["required"], name]
