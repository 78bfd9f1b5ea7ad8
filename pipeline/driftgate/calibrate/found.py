"""An error source as found from measured drives: what stands for it in the robot file."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class FoundNumber:
    """One number of a source.

    Attributes
    ----------
    key : str
        Its key in the robot file.
    value : float
        In SI.
    dimension : str
        A key of `driftgate.core.units.DIMENSIONS`.
    interval : tuple of float, optional
        Where it may really lie, in SI.
    digits : float, optional
        It is written as if it were known so well, in SI; None: by its interval.
    """

    key: str
    value: float
    dimension: str
    interval: tuple[float, float] | None = None
    digits: float | None = None


@dataclass(frozen=True)
class FoundSource:
    """One error source, as found.

    Attributes
    ----------
    path : tuple of str
        Where it stands: ("errors", "heading_bias"), or ("sensors", "front", "errors", "bias").
    numbers : tuple of FoundNumber
        What it is.
    fit : tuple of FoundNumber
        How well that is known: the keys of `fitted` that are quantities.
    freedom : float or None
        Degrees of freedom behind its spread or intensity; None if that is not uncertain.
    runs : int
        How many drives it comes from.
    constant_over : str
        "run", "robot", "tick", "step" or "reading".
    note : str
        In a few words, how it was found.
    goes_with : tuple of (str, float)
        Other constants of the odometry, and the correlation of the errors of the two means.
    instead_of : tuple of str
        Sources beside it in the file whose place it takes.
    """

    path: tuple[str, ...]
    numbers: tuple[FoundNumber, ...]
    fit: tuple[FoundNumber, ...]
    freedom: float | None
    runs: int
    constant_over: Literal["run", "robot", "tick", "step", "reading"]
    note: str = ""
    goes_with: tuple[tuple[str, float], ...] = ()
    instead_of: tuple[str, ...] = ()
