"""What earlier runs have found out about the cases of this one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from driftgate.run.cache import Cache
from driftgate.run.cache_codec import decode, encode
from driftgate.run.cache_key import judged_key, plan_key
from driftgate.run.cases import NamedCase
from driftgate.run.facts import JudgedFacts, PlanFacts


class Known:
    """Facts about cases, looked up in a cache and put there; without one nothing is known.

    Parameters
    ----------
    cache : Cache or None
        Where answers are kept.
    cases : sequence of NamedCase
        The cases; each is named by its position here.
    settings : mapping
        What a verdict depends on besides its case, apart from the number of tolerances of the run.
    """

    def __init__(self, cache: Cache | None, cases: Sequence[NamedCase], settings: Mapping[str, Any]) -> None:
        self._settings = dict(settings)
        self._cache = cache
        self._keys: list[str] = []
        if cache is not None and not cache.trouble:
            self._keys = self._plan_keys(cache, cases)

    def _plan_keys(self, cache: Cache, cases: Sequence[NamedCase]) -> list[str]:
        try:
            judged_key("", self._settings)
            return [plan_key(named.case, named.written) for named in cases]
        except (OSError, TypeError) as error:
            cache.trouble = f"what answers depend on cannot be told ({error})"
            return []

    def plan(self, index: int) -> PlanFacts | None:
        """Return what is known of a case's plan."""
        return self._get(PlanFacts, self._keys[index]) if self._keys else None

    def keep_plan(self, index: int, facts: PlanFacts) -> None:
        """Keep what was found out about a case's plan."""
        if self._keys:
            self._put(self._keys[index], facts)

    def judged(self, index: int, tolerances: int) -> JudgedFacts | None:
        """Return the known verdict on a case in a run that judges so many tolerances."""
        return self._get(JudgedFacts, self._judged_key(index, tolerances)) if self._keys else None

    def keep_judged(self, index: int, tolerances: int, facts: JudgedFacts) -> None:
        """Keep the verdict on a case in a run that judges so many tolerances."""
        if self._keys:
            self._put(self._judged_key(index, tolerances), facts)

    def prune(self) -> None:
        """Keep the cache in its bounds."""
        if self._cache is not None:
            self._cache.prune()

    def _judged_key(self, index: int, tolerances: int) -> str:
        return judged_key(self._keys[index], {**self._settings, "tolerances": tolerances})

    def _get(self, kind: type[Any], key: str) -> Any:
        assert self._cache is not None
        data = self._cache.get(key)
        return None if data is None else decode(kind, data)

    def _put(self, key: str, facts: PlanFacts | JudgedFacts) -> None:
        assert self._cache is not None
        self._cache.put(key, encode(facts))
