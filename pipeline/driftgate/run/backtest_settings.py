"""What a backtest is asked to do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from driftgate.calibrate.backtest import USUAL_CONSTANTS, USUAL_NOISES
from driftgate.run.corrected import CorrectionPlan


@dataclass(frozen=True)
class BacktestSettings:
    """What is fitted, and what is judged.

    Attributes
    ----------
    runs : tuple of tuple of Path
        The runs to judge, each from its files.
    fit_on : tuple of tuple of Path
        Runs to fit on; none: the first part of each run judged.
    fit_share : float
        Which share of the odometry distance of the runs judged is fitted, if no others are.
    robot : Path or None
        A robot file whose error sources are judged instead of fitted ones.
    lengths_m, every_m, jump_m
        As `driftgate.calibrate.backtest.WindowPlan`.
    constants, noises : tuple of str
        What is fitted.
    slips : bool
        Whether rare slips of the distance are fitted as well.
    added : mapping
        Known errors to put on top of the odometry, see `driftgate.calibrate.perturb`.
    seeds, seed : int
        How many times what is random is drawn, and the first seed.
    beacons : Path or None
        Where beacons stand.
    correction : CorrectionPlan
        How the correction is replayed.
    """

    runs: tuple[tuple[Path, ...], ...]
    fit_on: tuple[tuple[Path, ...], ...] = ()
    fit_share: float = 0.5
    robot: Path | None = None
    lengths_m: tuple[float, ...] = (5.0, 10.0, 20.0, 40.0)
    every_m: float = 2.0
    jump_m: float | None = 0.1
    constants: tuple[str, ...] = USUAL_CONSTANTS
    noises: tuple[str, ...] = USUAL_NOISES
    slips: bool = True
    added: Mapping[str, float] = field(default_factory=dict)
    seeds: int = 1
    seed: int = 1
    beacons: Path | None = None
    correction: CorrectionPlan = field(default_factory=CorrectionPlan)
