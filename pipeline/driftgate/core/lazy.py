"""Public names of a package, fetched from its modules when first asked for."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def lazy_names(package: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """Return a module's `__getattr__` (PEP 562) that imports public names at their first use.

    Reading one name then does not import the whole stage, which keeps start-up lean.

    Parameters
    ----------
    package : str
        The package, `__name__` in its `__init__`.
    homes : mapping
        Public name to the module of the package that defines it.
    """

    def fetch(name: str) -> Any:
        if name not in homes:
            raise AttributeError(f"module {package!r} has no attribute {name!r}")
        return getattr(import_module(f"{package}.{homes[name]}"), name)

    return fetch
