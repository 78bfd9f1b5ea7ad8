"""The report as SARIF 2.1.0, which code hosts show beside the lines of a change.

Source: Static Analysis Results Interchange Format (SARIF) Version 2.1.0, OASIS Standard, 2020; section
numbers in the comments are its own, from memory.

Addresses are relative to the repository root and stand by themselves, since readers do not resolve base
addresses. Columns count Unicode characters, as everywhere in driftgate, and the file says so. Every result
has a place: readers refuse a whole file for one that has none. What has no place is told as a notification.
"""

from __future__ import annotations

import hashlib
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import quote

from driftgate.core.rule import Rule
from driftgate.core.rules import RULES
from driftgate.report.caution import FULL
from driftgate.report.compare_model import Comparison
from driftgate.report.json_text import as_text
from driftgate.report.located import Located, located
from driftgate.report.model import RunReport
from driftgate.report.text import plain

VERSION: Final = "2.1.0"
# Some readers refuse a file that does not name it. It is never fetched.
SCHEMA: Final = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
# Readers keep the worst 5000 results of a run and refuse files of more than 25 000.
MOST_RESULTS: Final = 5000
_MOST_RELATED: Final = 20
_PROBLEM: Final = {"error": "error", "warning": "warning", "note": "recommendation"}
# In a message "[text](target)" is a link (3.11.6) and "{0}" stands for an argument (3.11.5).
_LINK: Final = re.compile(r"\](?=\()")
_PLACEHOLDER: Final = re.compile(r"\{(?=\d+\})")

Json = dict[str, Any]


def render_sarif(report: RunReport, found: Comparison | None = None) -> str:
    """Return the report as SARIF text: the same report gives the same bytes.

    Parameters
    ----------
    report : RunReport
        The run. Tolerances that break or are undecided, contact and findings become results; accepted
        findings become results that are suppressed.
    found : Comparison, optional
        What has become of it since a baseline; what was lost becomes results too.
    """
    return as_text(sarif_object(report, found))


def sarif_object(report: RunReport, found: Comparison | None = None) -> Json:
    """Return the report as plain dictionaries, lists, texts and numbers."""
    head = SarifHead(
        name="driftgate/",
        version=report.version,
        command=report.command,
        status=report.status,
        why=report.why,
        # A run that found fault with routines has done its work; one that could not read them has not.
        done=report.status in (0, 1),
        properties={
            "verdict": report.verdict or "none",
            "seed": report.seed,
            "trials": report.trials,
            "sample": report.sample,
            "confidence": report.confidence,
        },
    )
    return _whole(located(report, found), head)


@dataclass(frozen=True)
class SarifHead:
    """What a run is, apart from its results.

    Attributes
    ----------
    name : str
        Of the kind of run, ending in "/": readers keep the results of each kind apart (3.17.3).
    version, command, status, why
        As in any report.
    done : bool
        Whether the run has done what it was to do, whatever it found.
    properties : dict
        More about it.
    """

    name: str
    version: str
    command: str
    status: int
    why: str
    done: bool
    properties: Json


def sarif_text(items: Sequence[Located], head: SarifHead) -> str:
    """Return located matters, worst first, as SARIF text."""
    return as_text(_whole(items, head))


def _whole(items: Sequence[Located], head: SarifHead) -> Json:
    placed = [item for item in items if item.path]
    told = [_notification(item.level, item.message) for item in items if not item.path]
    if len(placed) > MOST_RESULTS:
        text = f"{len(placed) - MOST_RESULTS} more results are left out; the other reports have them all"
        told.append(_notification("warning", text))
    return {
        "$schema": SCHEMA,
        "version": VERSION,
        "runs": [
            {
                "tool": {"driver": _driver(head.version)},
                "automationDetails": {"id": head.name},
                "columnKind": "unicodeCodePoints",
                "defaultEncoding": "utf-8",
                "invocations": [_invocation(head, told)],
                "results": _results(placed[:MOST_RESULTS]),
                "properties": {**head.properties, "cautions": list(FULL)},
            }
        ],
    }


def _driver(version: str) -> Json:
    return {
        "name": "driftgate",
        "semanticVersion": version,
        "fullDescription": {"text": " ".join(FULL)},
        "rules": [_rule(rule) for rule in RULES.values()],
    }


def _rule(rule: Rule) -> Json:
    return {
        "id": rule.code,
        "name": "".join(word.capitalize() for word in re.findall(r"[A-Za-z0-9]+", rule.title)),
        "shortDescription": {"text": rule.title[0].upper() + rule.title[1:]},
        "fullDescription": {"text": rule.explanation},
        "help": {"text": f"{rule.explanation} In a terminal: driftgate codes {rule.code}"},
        "defaultConfiguration": {"level": rule.usual},
        "properties": {"problem.severity": _PROBLEM[rule.usual], "precision": "high"},
    }


def _invocation(head: SarifHead, told: list[Json]) -> Json:
    made: Json = {
        "commandLine": head.command,
        "exitCode": head.status,
        "exitCodeDescription": plain(head.why),
        "executionSuccessful": head.done,
    }
    if told:
        made["toolExecutionNotifications"] = told
    return made


def _notification(level: str, text: str) -> Json:
    return {"level": level, "message": _message(text)}


def _results(items: Sequence[Located]) -> list[Json]:
    index = {code: number for number, code in enumerate(RULES)}
    seen: Counter[str] = Counter()
    results = []
    for item in items:
        key = hashlib.sha256("\0".join(item.identity).encode("utf-8", "surrogatepass")).hexdigest()[:16]
        seen[key] += 1
        made: Json = {
            "ruleId": item.code,
            "ruleIndex": index[item.code],
            "level": item.level,
            "message": _message("\n".join((item.message, *item.more))),
            "locations": [_location(item.path, item.line, item.column)],
            # Readers match results of two runs by this key alone; the number tells apart what is alike.
            "partialFingerprints": {"primaryLocationLineHash": f"{key}:{seen[key]}"},
            # All results say whether they are suppressed, or none does (3.27.23).
            "suppressions": [_suppression(item)] if item.accepted else [],
        }
        if item.related:
            made["relatedLocations"] = [
                {**_location(item.path, place.line, 0), "id": number, "message": _message(place.words)}
                for number, place in enumerate(item.related[:_MOST_RELATED], start=1)
            ]
        results.append(made)
    return results


def _suppression(item: Located) -> Json:
    kind = "external" if item.elsewhere else "inSource"
    return {"kind": kind, "status": "accepted", "justification": item.accepted}


def _message(text: str) -> Json:
    return {"text": _PLACEHOLDER.sub("{ ", _LINK.sub("] ", text))}


def _location(path: str, line: int, column: int) -> Json:
    # A result about the whole file stands at its first line: readers want a line.
    region = {"startLine": max(line, 1)}
    if line and column:
        region["startColumn"] = column
    # File names that are not UTF-8 are kept as the bytes that they are.
    uri = quote(path, errors="surrogateescape")
    if path.startswith("/"):
        # Outside of the repository: "/x" alone would be taken for a place inside it.
        uri = f"file://{uri}"
    return {"physicalLocation": {"artifactLocation": {"uri": uri}, "region": region}}
