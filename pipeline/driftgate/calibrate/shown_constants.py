r"""What a run shows of the constants of a robot file: the information of its windows, and its standstill.

Of a run with errors *e*, columns *X* and noise *N* nothing more is needed than the information
:math:`X^T N^{-1} X` and the score :math:`X^T N^{-1} e`, whatever is then taken for uncertain of the
constants.
What a gyro shows at a standstill before the robot moves is one observation more of the heading bias.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from driftgate.calibrate.chain import WALKS, LoggedRun, block_of
from driftgate.calibrate.fit import Fit
from driftgate.calibrate.run_bias import BIAS
from driftgate.calibrate.tracks import bias_at_rest
from driftgate.core.pose import FloatArray

# Information that is nothing but rounding, in units of usual sizes.
TINY = 1e-9


@dataclass(frozen=True)
class RestRate:
    """The heading rate of a run at the standstill before it moves, and its standard error. [rad/s]"""

    run: str
    value: float
    error: float


@dataclass(frozen=True)
class Shown:
    """What one run shows of p constants, in units of their usual sizes: information and score."""

    information: FloatArray
    score: FloatArray


def shown_by(runs: Sequence[LoggedRun], keys: Sequence[str], sizes: FloatArray, model: Fit) -> list[Shown]:
    """Return what runs show, their noise as large as the file says, or as they show all together if more."""
    variances = [model.noise.get(walk, 0.0) ** 2 for walk in WALKS]
    if model.slips is not None:
        variances[WALKS.index("distance_walk")] += model.slips.walk**2
    found, square, freedom = [], 0.0, 0
    for run in runs:
        block = block_of(run, model.constants, keys, WALKS)
        noise = block.known + np.tensordot(np.array(variances), block.parts, axes=1)
        columns = block.design * sizes
        weighted = np.linalg.solve(noise, np.column_stack([columns, block.error]))
        information, score = columns.T @ weighted[:, :-1], columns.T @ weighted[:, -1]
        values, vectors = np.linalg.eigh(0.5 * (information + information.T))
        shows = values > TINY * max(float(values[-1]), TINY)
        at = (vectors.T @ score)[shows]
        square += float(block.error @ weighted[:, -1]) - float(np.sum(at**2 / values[shows]))
        freedom += len(block.error) - int(shows.sum())
        found.append(Shown(information, score))
    larger = max(square / freedom, 1.0) if freedom > 0 else 1.0
    return [Shown(one.information / larger, one.score / larger) for one in found]


def rests_of(runs: Sequence[LoggedRun]) -> list[RestRate | None]:
    """Return the standstill of each run before it moves; None where it has none that is long enough."""
    found = [(run, bias_at_rest(run.track)) for run in runs]
    return [None if rest is None else RestRate(run.track.name, *rest) for run, rest in found]


def with_rest(one: Shown, k: int, rest: RestRate, model: Fit, size: float) -> Shown:
    """Return what a run shows together with its standstill."""
    weight = 1.0 / max((rest.error / size) ** 2, TINY)
    information, score = one.information.copy(), one.score.copy()
    information[k, k] += weight
    score[k] += weight * (rest.value - model.constants.get(BIAS, 0.0)) / size
    return Shown(information, score)
