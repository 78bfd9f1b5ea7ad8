"""Readings of a tape sheet that are the same: a copied line or column, or only a coarse tape.

Good drives read to a centimetre are often the same to the last digit, of some robots all of them. So a sheet
is refused for it only where readings that vary come again in the same order.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from driftgate.calibrate.doubts import SURE, Doubt
from driftgate.calibrate.resolution import resolution
from driftgate.core.pose import FloatArray
from driftgate.schema.tape import Straight

# Tape and robot of the drives of each way round, shape (n, 2) each. [m]
Drives = dict[str, tuple[FloatArray, FloatArray]]

# So many different ends in the same order, both ways. Of k ends that are equally likely, n drives are all
# different and the same both ways by a chance of k! / (k - n)! / k^(2n): with four at most 0.0004.
_ORDER_SHOWS: Final = 4
# By so much of its resolution a tape has to differ, from drive to drive or from the spot, for it to be
# strange that the robot says the same. (Our choice; there is no telling how good a robot is.)
_SEEN: Final = 2.0


def square_copies(ends: Drives) -> Iterator[Doubt]:
    """Yield what is the same in the square drives."""
    rows = {way: np.hstack(pair) for way, pair in ends.items()}
    tapes = np.vstack([tape for tape, _ in ends.values()])
    alike = all(np.array_equal(tape, robot) for tape, robot in ends.values())
    if alike and math.sqrt(float(np.mean(tapes**2))) > _SEEN * resolution(tapes):
        yield Doubt(
            ("square", "right"),
            "square",
            "tape and robot say the same in every drive, to the last digit: one is a copy of the other",
            "write the ends as the tape has them under 'tape'",
            "tape and robot the same in every drive",
        )
        return
    different = len(np.unique(rows["right"], axis=0))
    if np.array_equal(rows["right"], rows["left"]) and different > 1:
        yield Doubt(
            ("square", "left"),
            "square",
            "the lists 'right' and 'left' are the same: one is a copy of the other",
            "write down the drives that turned left under 'left'",
            "right and left the same",
            different >= _ORDER_SHOWS,
        )
        return
    for way, listed in rows.items():
        times, i = _most_often(listed)
        seldom = _chance(list(rows.values()), times) < 1.0 - SURE
        if times == len(listed) and (times > 2 or seldom):
            yield Doubt(
                ("square", way),
                "square",
                f"all drives to the {way} ended at the same point, to the last digit",
                "was one copied, or measured too coarsely? Without scatter nobody knows how good the means "
                "are",
                f"no scatter in the drives to the {way}",
            )
        elif times > 2 and seldom:
            yield Doubt(
                ("square", way, i),
                "square",
                f"{times} drives to the {way} are the same as drive {i + 1}, to the last digit, by tape and "
                "by robot, and the others are not",
                "was a line copied to be filled in, and left? Write down what was measured, or take it out",
                f"{times} drives to the {way} the same",
            )


def straight_copies(straights: Sequence[Straight]) -> Iterator[Doubt]:
    """Yield what is the same in the straights."""
    rows = np.array([(s.tape, s.robot) for s in straights])
    alike = np.array_equal(rows[:, 0], rows[:, 1])
    if alike and len(rows) > 2 and rows[:, 0].std(ddof=1) > _SEEN * resolution(rows[:, 0]):
        yield Doubt(
            ("straights", 0),
            "straights",
            "tape and robot say the same in every straight, to the last digit: one is a copy of the other",
            "write the length along the tape under 'tape'",
            "tape and robot the same in every straight",
        )
        return
    # Two numbers to a line, one of them often what was commanded: some that are the same say nothing.
    if len(rows) > 2 and np.ptp(rows, axis=0).max() == 0.0:
        yield Doubt(
            ("straights", 0),
            "straights",
            "all straights are the same, to the last digit",
            "was one copied, or read too coarsely? Without scatter nobody knows how good the mean is",
            "no scatter in the straights",
        )


def _most_often(rows: FloatArray) -> tuple[int, int]:
    """Return how often the commonest row comes, and where first."""
    listed = [tuple(row) for row in rows.tolist()]
    row, times = Counter(listed).most_common(1)[0]
    return times, listed.index(row)


def _chance(groups: Sequence[FloatArray], times: int) -> float:
    r"""Return how many sets of so many equal rows rounding would give, at most.

    Two normal numbers of one spread :math:`\sigma`, rounded to *r* that is small against it, are the same
    with the chance :math:`r / (2 \sqrt{\pi} \sigma)`: their difference has the density
    :math:`1 / (2 \sqrt{\pi} \sigma)` at zero.
    """
    freedom = sum(len(rows) - 1 for rows in groups)
    sd = np.sqrt(sum(((rows - rows.mean(axis=0)) ** 2).sum(axis=0) for rows in groups) / freedom)
    half = sd.size // 2
    fine = np.repeat([resolution(np.vstack(groups)[:, k]) for k in (slice(half), slice(half, None))], half)
    alike = float(np.prod(np.minimum(1.0, fine / (2.0 * math.sqrt(math.pi) * np.maximum(sd, 1e-12)))))
    return alike ** (times - 1) * sum(math.comb(len(rows), times) for rows in groups)
