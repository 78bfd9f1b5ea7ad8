"""Damage to files that are sound: of bytes, of cells, and of values in the tree that a text stands for."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Callable, Sequence
from typing import Any

import yaml

# What has broken readers before: ends of ranges, words with two meanings, markup, paths, depth.
ODD: list[Any] = [
    None, True, False, 0, -1, 1.5, -0.0, 1e308, -1e308, 5e-324, 10**30, 2**63, float("nan"), float("inf"), "",
    "x", " ", "0 m", "-0 m", "1e308 m", "1e-308 m", "1e999 m", "-1 m", "100 m", "1e-300 m", "3600 s",
    "1e-9 s",
    "0 s", "0 deg", "-90 deg", "63 rad", "500 Hz", "1e-9 Hz", "100 %", "0 %", "20 m/s", "9" * 400, "1_0 m",
    "north", "pot-1", "end", "field", "all", "none", "kalman", "drive", "repeat", "checkpoint", "square-up",
    "routine", "robot", "field map", "../..", "../../etc/passwd", "/dev/zero", "robots", "a" * 5000,
    "<b>x</b>", "=1+1", "@SUM(1)", "::error::x", "[a](http://x)", "\\x1b[2J", "\u202ex", "\u200bx", "\ud800",
    "2026-01-01", "2026-13-45", "yes", "1:30", "0o7", [], {}, [[]], ["1 m"], ["1 m", "2 m"],
    ["1e-12 m", "1e-12 m"], [["0 m", "0 m"]] * 4, {"low": "1 m"}, {"x": 1}, {"": ""}, {"<<": {"a": 1}},
]  # fmt: skip
TOKENS = [
    b": ", b"- ", b"\n", b"\r", b"\r\n", b"\t", b"#", b"&a ", b"*a", b"!!python/object ", b"!!int ", b"<<: ",
    b"---\n",
    b"...\n", b"%YAML 1.1\n", b"? ", b"{", b"}", b"[", b"]", b'"', b"'", b"|\n", b">\n", b",", b"\x00",
    b"\x1b[31m",
    b"\xff", b"\xc2\x85", b"\xe2\x80\xa8", b"\xe2\x80\xae", b"\xef\xbb\xbf", b"\xed\xa0\x80", b"NaN",
    b"Infinity",
    b"1e999", b"-", b"0" * 400, b"9" * 400, b"\\u0000", b"\\ud800", b"[" * 200, b'{"a":' * 200,
    b"%0A::error::",
]  # fmt: skip


def of_bytes(data: bytes, luck: random.Random, other: bytes = b"") -> bytes:
    """Return the bytes with one damage: some gone, doubled, flipped, put in, or from another file."""
    at = luck.randrange(len(data) + 1)
    end = min(len(data), at + luck.choice((1, 2, 5, 20, 200)))
    what = luck.randrange(8)
    if what == 0:
        return data[:at] + data[end:]
    if what == 1:
        return data[:at] + data[at:end] * luck.choice((2, 3, 100)) + data[end:]
    if what == 2 and at < len(data):
        return data[:at] + bytes([data[at] ^ 1 << luck.randrange(8)]) + data[at + 1 :]
    if what == 3:
        return data[:at] + luck.choice(TOKENS) + data[at:]
    if what == 4:
        return data[:at] + luck.choice(TOKENS) + data[end:]
    if what == 5:
        return data[:at]
    if what == 6 and other:
        begin = luck.randrange(len(other))
        return data[:at] + other[begin : begin + luck.choice((5, 50, 500))] + data[end:]
    return data[:at] + luck.randbytes(luck.randrange(1, 9)) + data[end:]


def of_tree(tree: Any, luck: random.Random) -> Any:
    """Return a copy of lists and mappings with one value replaced, moved, doubled, renamed, or gone."""
    tree = copy.deepcopy(tree)
    holders = [(holder, key) for holder in _holders(tree) for key in _keys(holder)]
    if not holders:
        return luck.choice(ODD)
    holder, key = luck.choice(holders)
    what = luck.randrange(7)
    if what == 0:
        del holder[key]
    elif what == 1 and isinstance(holder, dict):
        holder[luck.choice([f"{key}s", "", "kind", "x", "do", "name", str(luck.choice(ODD))[:50]])] = (
            holder.pop(key)
        )
    elif what == 2:
        other, its = luck.choice(holders)
        holder[key] = copy.deepcopy(other[its])
    elif what == 3 and isinstance(holder, list):
        holder[key:key] = [copy.deepcopy(holder[key])] * luck.choice((1, 2, 30))
    elif what == 4:
        holder[key] = [holder[key]] if luck.random() < 0.5 else {str(key): holder[key]}
    elif what == 5 and isinstance(holder[key], str):
        holder[key] = _of_quantity(holder[key], luck)
    elif what == 5 and isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
        holder[key] = luck.choice((-holder[key], holder[key] + 1, holder[key] * 1e6, holder[key] * 10**20))
    else:
        holder[key] = luck.choice(ODD)
    return tree


def _of_quantity(text: str, luck: random.Random) -> str:
    number, blank, unit = text.partition(" ")
    if not blank:
        return text + luck.choice(("x", "-", " ", "é", "\n"))
    return luck.choice(
        (f"-{text}", f"{number}0 {unit}", f"0.000{number} {unit}", f"{number}e30 {unit}", f"0 {unit}", number)
    )


def _holders(tree: Any) -> list[Any]:
    found, left = [], [tree]
    while left:
        node = left.pop()
        if isinstance(node, dict | list):
            found.append(node)
            left += list(node.values()) if isinstance(node, dict) else node
    return found


def _keys(holder: Any) -> Sequence[Any]:
    return list(holder) if isinstance(holder, dict) else range(len(holder))


class _Plain(yaml.SafeDumper):
    def ignore_aliases(self, data: Any) -> bool:
        return True


def as_yaml(tree: Any) -> bytes:
    """Return a tree as YAML without aliases."""
    return yaml.dump(tree, Dumper=_Plain, allow_unicode=True, width=1000).encode("utf-8", "surrogatepass")


def as_json(tree: Any) -> bytes:
    """Return a tree as JSON."""
    return json.dumps(tree).encode()


def of_cells(data: bytes, luck: random.Random) -> bytes:
    """Return a table with one cell, row or column damaged."""
    rows = [row.split(b",") for row in data.split(b"\n")]
    row = luck.randrange(len(rows))
    cell = luck.randrange(len(rows[row]))
    what = luck.randrange(7)
    if what == 0:
        rows[row][cell] = str(luck.choice(ODD)).encode("utf-8", "surrogatepass")
    elif what == 1:
        rows[row].insert(cell, luck.choice(TOKENS))
    elif what == 2:
        del rows[row][cell]
    elif what == 3:
        rows[row:row] = [rows[row]] * luck.choice((1, 3))
    elif what == 4:
        del rows[row]
    elif what == 5:
        for each in rows:
            if cell < len(each):
                each[cell] = luck.choice((b"", b"none", b"0", b"1e308", b"-1", each[cell]))
    else:
        other = luck.randrange(len(rows))
        rows[row], rows[other] = rows[other], rows[row]
    return b"\n".join(b",".join(each) for each in rows)


Mutator = Callable[[bytes, random.Random], bytes]


def of_yaml(data: bytes, luck: random.Random) -> bytes:
    """Return a YAML text with one value of its tree damaged; of what is no YAML, some bytes."""
    try:
        tree = yaml.load(data, Loader=getattr(yaml, "CBaseLoader", yaml.BaseLoader))
        return as_yaml(of_tree(tree, luck))
    except Exception:  # whatever it is, it is no tree
        return of_bytes(data, luck)


def of_json(data: bytes, luck: random.Random) -> bytes:
    """Return a JSON text with one value of its tree damaged; of what is no JSON, some bytes."""
    try:
        return as_json(of_tree(json.loads(data), luck))
    except (ValueError, RecursionError):
        return of_bytes(data, luck)
