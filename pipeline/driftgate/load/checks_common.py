"""Small checks that several documents share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from driftgate.core.findings import Finding
from driftgate.core.units import article
from driftgate.load.document import DocPath, Document
from driftgate.load.text import shorten
from driftgate.load.wording import did_you_mean, one_of


def unique_names(document: Document, named: Iterable[tuple[str, DocPath]]) -> list[Finding]:
    """Return a finding for every name that an earlier thing has already."""
    first: dict[str, int] = {}
    findings = []
    for name, path in named:
        if name in first:
            message = f"the name '{name}' is used twice, first on line {first[name]}"
            findings.append(document.finding("DG130", path, message, "give each a name of its own"))
        else:
            first[name] = document.where(path)[0]
    return findings


def known_name(
    document: Document, path: DocPath, name: str | None, known: Mapping[str, str], kinds: tuple[str, ...]
) -> list[Finding]:
    """Return a finding if a name refers to nothing of these kinds.

    Parameters
    ----------
    document, path
        Where the name stands.
    name : str or None
        The name; None is no reference.
    known : mapping
        From every name of the field map to its kind: wall, structure or element.
    kinds : tuple of str
        Kinds that are meant.
    """
    if name is None or known.get(name) in kinds:
        return []
    wanted = " or ".join([", ".join(kinds[:-1]), kinds[-1]] if len(kinds) > 1 else kinds)
    if name in known:
        message = f"'{name}' is {article(known[name])}; {article(wanted)} is needed here"
    else:
        message = f"there is no {wanted} called '{shorten(name)}'"
    fitting = [other for other, kind in known.items() if kind in kinds]
    return [document.finding("DG131", path, message, did_you_mean(name, fitting))]


def rising(
    document: Document,
    path: DocPath,
    low: float | None,
    high: float | None,
    keys: tuple[str, str] = ("low", "high"),
) -> list[Finding]:
    """Return a finding if the lower end of a range is not below the upper one."""
    if low is None or high is None or low < high:
        return []
    return [
        document.finding("DG134", path, f"'{keys[0]}' must be less than '{keys[1]}'", "swap or correct them")
    ]


def exactly_one(document: Document, path: DocPath, given: Mapping[str, bool], what: str) -> list[Finding]:
    """Return a finding unless exactly one of some keys is given."""
    count = sum(given.values())
    if count == 1:
        return []
    said = (
        "none is given"
        if count == 0
        else f"{one_of(k for k, is_given in given.items() if is_given)} are given"
    )
    said = said.replace("one of ", "").replace(" or ", " and ")
    return [document.finding("DG133", path, f"{what} needs exactly one of {', '.join(given)}; {said}")]
