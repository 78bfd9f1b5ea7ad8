"""Every key of a kind of document, one to a line, for people: what it takes and what it means."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from driftgate.load.document import Kind
from driftgate.load.json_schema import json_schema

Schema = dict[str, Any]
# Longer ones push what follows to the right, in their own line only.
_TAKES = 36


@dataclass(frozen=True)
class KeyLine:
    """One key.

    Attributes
    ----------
    depth : int
        How far inside the document it stands; 0 at the top.
    key : str
        The key, or the branch of a choice.
    takes : str
        What stands behind it; empty where keys of its own follow.
    required : bool
        Whether it may not be left out.
    meaning : str
        In a few words, and what it is if it is left out; may be empty.
    """

    depth: int
    key: str
    takes: str
    required: bool
    meaning: str


def key_list(kind: Kind) -> list[KeyLine]:
    """Return every key of a kind of document, in the order of its models.

    Parameters
    ----------
    kind : {"routine", "field map", "robot", "tape sheet", "waivers"}
        Which.

    Raises
    ------
    KeyError
        If there is no such kind.
    """
    schema = json_schema(kind)
    return list(_object(schema, schema["$defs"], 0, ()))


def key_text(kind: Kind) -> str:
    """Return every key of a kind of document as a table, keys inside others indented."""
    lines = key_list(kind)
    rows = [
        ("  " * one.depth + one.key + ("*" if one.required else ""), one.takes, one.meaning) for one in lines
    ]
    wide = max(len(row[0]) for row in rows)
    takes = min(max(len(row[1]) for row in rows), _TAKES)
    text = [f"{key:<{wide}}  {what:<{takes}}  {meaning}".rstrip() for key, what, meaning in rows]
    return "\n".join([f"Keys of a {kind} file; those with * may not be left out.", "", *text, ""])


def _object(node: Schema, shared: Schema, depth: int, within: tuple[str, ...]) -> Iterator[KeyLine]:
    required = node.get("required", [])
    for key, value in node.get("properties", {}).items():
        yield from _member(key, value, key in required, shared, depth, within)


def _member(
    key: str, value: Schema, required: bool, shared: Schema, depth: int, within: tuple[str, ...]
) -> Iterator[KeyLine]:
    meaning = value.get("description", "")
    default = "" if required else _default(value)
    many = ""
    if value.get("type") == "array" and _is_nested(value.get("items", {})):
        value, many = value["items"], "list"
    elif isinstance(value.get("additionalProperties"), dict) and _is_nested(value["additionalProperties"]):
        value, many = value["additionalProperties"], "names to"
    branches = _branches(value)
    nested = [one for one in branches if "$ref" in one]
    plain = [_takes(one) for one in branches if "$ref" not in one]
    if not nested:
        said = "" if _said(value) else meaning
        about = "; ".join(filter(None, (said, default)))
        yield KeyLine(depth, key, " or ".join(dict.fromkeys(plain)), required, about)
        return
    names = [one["$ref"].rpartition("/")[2] for one in nested]
    found = [shared[name] for name in names]
    if all("enum" in one for one in found):
        yield KeyLine(depth, key, " or ".join(_takes(one) for one in found), required, meaning)
        return
    takes = " or ".join(filter(None, [many, *dict.fromkeys(plain)]))
    about = meaning or (_first_sentence(found[0]) if len(found) == 1 else "")
    again = set(names) & set(within)
    yield KeyLine(depth, key, f"{many} as above" if again else takes, required, about)
    if again:
        return
    for name, one in zip(names, found, strict=True):
        inside = depth + 1
        if len(found) > 1:
            yield KeyLine(inside, f"({_branch_name(one)})", "", False, _first_sentence(one))
            inside += 1
        # A list of steps holds steps that hold such a list again.
        yield from _object(one, shared, inside, (*within, *names) if len(names) > 1 else (*within, name))


def _default(value: Schema) -> str:
    """Return what a key that is left out is, in words; empty where it is nothing."""
    if "default" not in value or isinstance(value["default"], dict | list) or value["default"] is None:
        return ""
    found = value["default"]
    return f"left out: {str(found).lower() if isinstance(found, bool) else found}"


def _branches(value: Schema) -> list[Schema]:
    for word in ("anyOf", "oneOf"):
        if word in value:
            return [inner for one in value[word] if one.get("type") != "null" for inner in _branches(one)]
    return [value]


def _is_nested(value: Schema) -> bool:
    return any("$ref" in one for one in _branches(value))


def _branch_name(node: Schema) -> str:
    do = node.get("properties", {}).get("do", {}).get("const")
    return f"do: {do}" if do else " or ".join(node.get("required", []) or list(node["properties"]))


def _first_sentence(node: Schema) -> str:
    return str(node.get("description", "")).split("\n\n")[0].replace("\n", " ")


def _said(value: Schema) -> bool:
    return str(value.get("description", "")).endswith("with its unit")


def _takes(value: Schema) -> str:
    """Return what a plain value looks like."""
    if "const" in value:
        return str(value["const"])
    if "enum" in value:
        return " | ".join(str(one) for one in value["enum"])
    if "examples" in value:
        what = str(value.get("description", "")).removesuffix(" with its unit")
        example = str(value["examples"][0])
        return f"{what}, like {example}" if _said(value) else f"like {example}"
    kind = value.get("type", "")
    if kind == "array":
        few = value.get("prefixItems") or [value.get("items", {})]
        inside = ", ".join(_takes(one) for one in few)
        return f"[{inside}]" if "prefixItems" in value else f"list: {inside}"
    words = {
        "string": "text",
        "boolean": "true | false",
        "integer": "whole number",
        "object": "names to texts",
    }
    return words.get(kind, str(kind))
