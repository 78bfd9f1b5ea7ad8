"""What a backtest gives, for the reports."""

from __future__ import annotations

from dataclasses import dataclass

from driftgate.calibrate.backtest import ReckoningScore
from driftgate.calibrate.beacons import BeaconModel
from driftgate.calibrate.correction_score import CorrectionScore
from driftgate.calibrate.file_constants import FileConstants
from driftgate.calibrate.filter_claim import FilterClaim
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.run_bias import RunBias
from driftgate.calibrate.score import Score, Word
from driftgate.core.findings import Finding
from driftgate.schema.correction import WayBack


@dataclass(frozen=True)
class CorrectionRow:
    """One run under one setting of the correction.

    Attributes
    ----------
    run : str
        The run.
    gate, way_back
        The setting.
    judged : bool
        Whether the verdict is about it.
    score : CorrectionScore
        How it did.
    same : float or None
        Share of the readings with which the robot did the same, where its log says what it did.
    """

    run: str
    gate: float | None
    way_back: WayBack | None
    judged: bool
    score: CorrectionScore
    same: float | None = None


@dataclass(frozen=True)
class TrialsBelieved:
    """Why a checkpoint is scored against trials, not against the covariance engine's normal distribution.

    Attributes
    ----------
    trials, seed : int
        How many, and their seed.
    why : str
        In words.
    code : str
        The finding that `check` has of it; empty where it has none.
    """

    trials: int
    seed: int
    why: str
    code: str


@dataclass(frozen=True)
class CheckpointRow:
    """A checkpoint of a routine, or its end, over all runs of it: predicted from the files, and measured.

    `believed` says why the trials are the prediction; None where it is the covariance engine's.
    """

    routine: str
    name: str
    score: Score
    believed: TrialsBelieved | None = None


@dataclass(frozen=True)
class RunFacts:
    """What a run is: name, rows, duration, distance, and what of it is judged."""

    name: str
    rows: int
    duration_s: float
    distance_m: float
    judged_m: float
    jumps: int
    readings: int


@dataclass(frozen=True)
class ReckoningRow:
    """Dead reckoning of one seed.

    Attributes
    ----------
    seed : int
        The seed.
    model : Fit
        The model, as for a further run.
    models : tuple of Fit
        That of each run judged.
    biases : tuple of RunBias
        What is taken for the heading bias of each.
    scores, with_jumps : tuple of ReckoningScore
        By length, with leaps of the reference left out and with them.
    left_out : int
        How many windows have leaps.
    worsened : tuple of two floats or None
        RMS of the position errors of the fitted runs with the fitted constants, and with those that these
        replace, where the fit has made them worse. [m]
    constants : FileConstants or None
        What the runs show of each constant of the robot file judged.
    """

    seed: int
    model: Fit
    models: tuple[Fit, ...]
    biases: tuple[RunBias, ...]
    scores: tuple[ReckoningScore, ...]
    with_jumps: tuple[ReckoningScore, ...]
    left_out: int
    worsened: tuple[float, float] | None = None
    constants: FileConstants | None = None


@dataclass(frozen=True)
class Backtest:
    """What came of it.

    Attributes
    ----------
    findings : tuple of Finding
        What is wrong with the files.
    runs : tuple of RunFacts
        The runs judged.
    fitted : str
        What the model comes from, in words.
    reckoning : tuple of ReckoningRow
        Dead reckoning, by seed.
    beacons : BeaconModel or None
        The ranges' model.
    correction : tuple of CorrectionRow
        The replays, by setting.
    checkpoints : tuple of CheckpointRow
        Checkpoints of the runs' routines.
    warnings : tuple of str
        What to know about it.
    word : str
        The verdict of all.
    status, why
        Exit status and why.
    claim : FilterClaim or None
        What all replays under the first setting say of the robot's filter; None where nothing is replayed
        as it was logged.
    means : bool
        The robot file has means of the range sensors in it, which the robot does not correct.
    """

    findings: tuple[Finding, ...]
    runs: tuple[RunFacts, ...]
    fitted: str
    reckoning: tuple[ReckoningRow, ...]
    beacons: BeaconModel | None
    correction: tuple[CorrectionRow, ...]
    checkpoints: tuple[CheckpointRow, ...]
    warnings: tuple[str, ...]
    word: Word
    status: int
    why: str
    claim: FilterClaim | None = None
    means: bool = False
