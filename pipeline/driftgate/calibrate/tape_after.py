"""A second pass held against the first: did the corrections do what they should?

It shows what a single sheet cannot: a correction that was entered with its sign reversed, or never reached
the robot, and columns or axes that are exchanged everywhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from driftgate.calibrate.doubts import SURE, SUSPECTED, About, Doubt, each_of
from driftgate.calibrate.estimate import Estimate, combined, t_factor
from driftgate.calibrate.tape import TapeResult
from driftgate.core.findings import DocPath

# A pass takes out at least nine tenths, as published.
_LEFT_BY_METHOD: Final = 0.1
# Less than this of what was there before is no slip worth a word, however well it is known.
_LEFT_OVER: Final = 0.5
# How many numbers two passes show: the distance scale, and the two errors of heading.
_NUMBERS: Final = 3
# Around 1 nothing was corrected, around 2 the wrong way.
_AS_BEFORE: Final = (0.7, 1.4)


@dataclass(frozen=True)
class _Pair:
    """One number before and after."""

    name: str
    about: About
    place: DocPath
    before: Estimate
    after: Estimate

    def left_over(self, confidence: float) -> bool:
        """Return whether more is left than the method leaves of a correction that was entered as found.

        The correction takes out what the first pass *found*, so that what is then really there is the first
        pass's own error, the other way: the errors of both passes are in what the second finds.
        """
        k = _LEFT_BY_METHOD
        both = combined([(1.0, self.after), (1.0 + k, self.before)])
        factor = t_factor(each_of(_NUMBERS, confidence), both.freedom)
        return abs(self.after.value) - k * abs(self.before.value) > factor * both.error


def after_doubts(before: TapeResult, after: TapeResult, confidence: float) -> tuple[Doubt, ...]:
    """Return what speaks against the corrections between two passes.

    Parameters
    ----------
    before, after
        What the first pass shows, and the second, driven with the corrections in the robot's code.
    confidence : float
        At which a number of the first pass counts as other than zero, so that it was corrected.

    Notes
    -----
    Of corrections entered as found, at most one pair of passes in a thousand is refused, and one in a hundred
    suspected.
    """
    found = []
    for pair in _pairs(before, after):
        # What was not clear was left as it is.
        if not (pair.before.clear(confidence) and pair.left_over(SUSPECTED)):
            continue
        ratio = pair.after.value / pair.before.value
        if abs(ratio) <= _LEFT_OVER:
            continue
        low, high = _AS_BEFORE
        if low <= ratio <= high:
            short, advice = (
                "as before the correction",
                "did the correction get into the code that the robot ran? Drive the second pass with it",
            )
        elif ratio > high:
            short, advice = (
                "larger than before the correction",
                "was the correction entered with its sign, or factor, the wrong way round? Or are tape and "
                "robot "
                "exchanged in both sheets",
            )
        elif ratio < 0.0:
            short, advice = (
                "corrected too far",
                "was the correction entered twice, or in another unit (deg/s, rad/s)?",
            )
        else:
            short, advice = (
                "not half of it taken out",
                "is every correction in the robot's code?",
            )
        if pair.about == "square":
            advice += "; or are ahead and left exchanged in both sheets? Then the two errors change places"
        message = (
            f"{pair.name} is {100.0 * ratio:.0f} % of what it was in the first pass, and should be near zero"
        )
        short = f"{pair.name} {short}"
        found.append(Doubt(pair.place, pair.about, message, advice, short, pair.left_over(SURE)))
    return tuple(found)


def _pairs(before: TapeResult, after: TapeResult) -> list[_Pair]:
    pairs = []
    if before.distance is not None and after.distance is not None:
        pairs.append(
            _Pair("distance scale", "straights", ("straights",), before.distance.scale, after.distance.scale)
        )
    if before.square is not None and after.square is not None:
        names = ("heading scale", "heading bias")
        if before.gyro is None:
            names = ("what the turns miss", "what the sides bend")
        for name, old, new in (
            (names[0], before.square.alpha_rad, after.square.alpha_rad),
            (names[1], before.square.beta_rad, after.square.beta_rad),
        ):
            pairs.append(_Pair(name, "square", ("square",), old, new))
    return pairs
