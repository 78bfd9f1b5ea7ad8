"""A baseline kept in a file: the inputs themselves, and what each trial came to.

The inputs are kept, so that the present tool can judge them again; the outcomes, so that it shows when
the tool itself has come to judge otherwise. A kept baseline needs no history.
"""

from __future__ import annotations

import base64
import binascii
import hashlib
import json
import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from driftgate.load.text import TextError, is_plain_path, read_named
from driftgate.report.json_text import as_text
from driftgate.run.snapshot import Snapshot
from driftgate.run.status import InputError

if TYPE_CHECKING:
    from driftgate.predict.values import BoolArray

SCHEMA = "driftgate-baseline/1"
_LARGEST_BYTES = 32 * 1024 * 1024
_MOST_TRIALS = 10_000_000
_MOST_FILES = 5000


@dataclass(frozen=True)
class CaseKey:
    """Which case: routine, believed map, true map, side."""

    path: str
    believed: str
    true: str
    side: str


@dataclass(frozen=True)
class KeptOutcome:
    """Which trials of one event succeeded; `packed` as `packed_bits` gives it."""

    case: CaseKey
    name: str
    packed: str


@dataclass(frozen=True)
class Kept:
    """A kept baseline.

    Attributes
    ----------
    version : str
        Of the driftgate that kept it.
    seed, trials : int
        Of its outcomes.
    files : dict
        Path to text.
    outcomes : tuple of KeptOutcome
        What each trial came to.
    software : str
        Which software gave them, as `cache_key.software_key` says it; empty: not known.
    """

    version: str
    seed: int
    trials: int
    files: dict[str, str]
    outcomes: tuple[KeptOutcome, ...]
    software: str = ""

    def snapshot(self, label: str) -> Snapshot:
        """Return the inputs as files."""
        return Snapshot(label, {path: text.encode() for path, text in self.files.items()})


def fingerprint(text: str) -> str:
    """Return the SHA-256 digest of a file's text."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def packed_bits(happened: BoolArray) -> str:
    """Return booleans as text: packed eight to a byte, compressed, in base 64."""
    import numpy as np

    return base64.b64encode(zlib.compress(np.packbits(happened).tobytes(), 9)).decode("ascii")


def unpacked_bits(text: str, count: int) -> BoolArray:
    """Return the booleans again; InputError if the text holds anything else or another number."""
    import numpy as np

    try:
        raw = base64.b64decode(text, validate=True)
        reader = zlib.decompressobj()
        # No more than is needed is ever unpacked, whatever the text claims to hold.
        data = reader.decompress(raw, (count + 7) // 8 + 1)
    except (binascii.Error, ValueError, zlib.error) as error:
        raise InputError("the baseline file is damaged: its outcomes cannot be unpacked") from error
    if len(data) != (count + 7) // 8:
        raise InputError("the baseline file is damaged: its outcomes have another number of trials")
    return np.unpackbits(np.frombuffer(data, np.uint8), count=count).astype(bool)


def kept_text(kept: Kept) -> str:
    """Return a baseline as the text of its file: sorted, the same input gives the same bytes."""
    cases: dict[CaseKey, dict[str, str]] = {}
    for outcome in kept.outcomes:
        cases.setdefault(outcome.case, {})[outcome.name] = outcome.packed
    found = {
        "schema": SCHEMA,
        "version": kept.version,
        "software": kept.software,
        "seed": kept.seed,
        "trials": kept.trials,
        "files": [
            {"path": path, "sha256": fingerprint(text), "text": text}
            for path, text in sorted(kept.files.items())
        ],
        "cases": [
            {
                "path": key.path,
                "believed_map": key.believed,
                "true_map": key.true,
                "side": key.side,
                "success": success,
            }
            for key, success in cases.items()
        ],
    }
    return as_text(found)


def read_kept(path: Path) -> Kept:
    """Read a kept baseline.

    Raises
    ------
    InputError
        If the file is none, is too large, or is damaged.
    """
    try:
        raw = read_named(path, _LARGEST_BYTES)
    except TextError as error:
        raise InputError(f"{path}: {error.reason}") from error
    try:
        found = json.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError) as error:
        raise InputError(f"{path}: no baseline: not JSON in UTF-8") from error
    schema = found.get("schema") if isinstance(found, dict) else None
    if isinstance(schema, str) and schema.startswith("driftgate-report/"):
        raise InputError(
            f"{path}: this is a report, and holds no single trials to pair with; "
            "keep a baseline with `driftgate check --keep-baseline FILE`"
        )
    if schema != SCHEMA:
        raise InputError(f"{path}: no baseline of this driftgate ({SCHEMA})")
    try:
        return _kept(found)
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(f"{path}: the baseline is damaged: keep it anew") from error


def _kept(found: dict[str, Any]) -> Kept:
    files = {}
    for entry in _listed(found["files"], _MOST_FILES):
        path, text = _text(entry["path"]), _text(entry["text"])
        if not is_plain_path(path) or path in files or fingerprint(text) != entry["sha256"]:
            raise ValueError(path)
        files[path] = text
    outcomes = []
    for case in _listed(found["cases"], 100_000):
        key = CaseKey(*(_text(case[name]) for name in ("path", "believed_map", "true_map", "side")))
        for name, packed in case["success"].items():
            outcomes.append(KeptOutcome(key, _text(name), _text(packed)))
    trials, seed = _whole(found["trials"]), _whole(found["seed"])
    if not 1 <= trials <= _MOST_TRIALS or seed < 0:
        raise ValueError(trials)
    software = _text(found.get("software", ""))
    return Kept(_text(found["version"])[:40], seed, trials, files, tuple(outcomes), software)


def _listed(value: Any, most: int) -> Iterable[Any]:
    if not isinstance(value, list) or len(value) > most:
        raise TypeError
    return value


def _text(value: Any) -> str:
    if not isinstance(value, str):
        raise TypeError
    value.encode("utf-8")  # half a surrogate pair is a ValueError
    return value


def _whole(value: Any) -> int:
    if type(value) is not int:
        raise TypeError
    return value
