"""What a fit of dead reckoning has found, number by number."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from driftgate.calibrate.chain_slips import FoundSlips
from driftgate.calibrate.component import Component
from driftgate.calibrate.estimate import Estimate
from driftgate.calibrate.mixed import Block, Mixed
from driftgate.calibrate.usual import UsualConstant, UsualNoise
from driftgate.core.pose import FloatArray


@dataclass(frozen=True)
class FoundConstant:
    """A constant as found.

    Attributes
    ----------
    usual : UsualConstant
        What was asked for.
    over : {"run", "robot"}
        Over what it is constant.
    mean : Estimate
        Its mean.
    spread : Component or None
        Its spread between runs; None where it has none, or the runs are too few.
    assumed : float or None
        The spread between runs that is taken for granted, where the runs are too few to show one.
    known : bool
        Whether the mean is known well enough to be of use: as well as is usual, or as well as so many runs
        can tell of what is seen to differ between them (`differs_much`).
    wide : bool
        Whether it is known by the latter alone.
    together : tuple of str
        Keys of the constants, itself among them, that are known together where none is by itself.
    """

    usual: UsualConstant
    over: Literal["run", "robot"]
    mean: Estimate
    spread: Component | None
    assumed: float | None
    known: bool
    wide: bool = False
    together: tuple[str, ...] = ()

    @property
    def spread_known(self) -> bool:
        """Whether nothing is missing of what differs between runs."""
        return self.over == "robot" or self.spread is not None


def differs_much(spread: Component | None, error: float, runs: int) -> bool:
    """Return whether a mean is unknown for nothing but that runs differ, which they are seen to do.

    Then it is no worse known than a further run's constant is in any case. Left out, with its spread, that
    would be in no prediction.

    Parameters
    ----------
    spread : Component or None
        Between runs.
    error : float
        Standard error of the mean.
    runs : int
        How many there are.
    """
    return spread is not None and spread.low > 0.0 and spread.sd**2 / runs > 0.5 * error**2


@dataclass(frozen=True)
class FoundNoise:
    """A noise as found."""

    usual: UsualNoise
    size: Component
    known: bool


@dataclass(frozen=True)
class Fitted:
    """Everything fitted.

    Attributes
    ----------
    at : dict
        The constants' means by key.
    mixed : Mixed
        Of the last round.
    noises : tuple of FoundNoise
        The noises.
    spreads : dict
        Spreads between runs by key.
    slips : FoundSlips or None
        Rare slips.
    blocks, taken
        What it was fitted on, and the constants that the errors of those were taken at.
    """

    at: dict[str, float]
    mixed: Mixed
    noises: tuple[FoundNoise, ...]
    spreads: dict[str, Component]
    slips: FoundSlips | None
    blocks: tuple[Block, ...]
    taken: FloatArray
