"""What a backtest says of the robot's filter beside its verdict: one sentence, and what to do."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from driftgate.report.digits import percent

if TYPE_CHECKING:
    from driftgate.calibrate.filter_claim import FilterClaim

# Of the verdicts that ask for something to be done.
CLAIMS = {
    "overconfident": "claims to know more than it does",
    "overcautious": "claims to know less than it does",
}
_ANEW = "'driftgate calibrate LOGS --robot FILE --out NEW'"


def claim_sentence(claim: FilterClaim, means: bool, beacons: bool) -> str:
    """Return the sentence.

    Parameters
    ----------
    claim : FilterClaim
        What the replays say.
    means : bool
        The robot file has means of its range sensors, which the robot does not correct.
    beacons : bool
        The filter was fitted here, on ranges to beacons.
    """
    runs = f"{claim.runs} run{'s' if claim.runs > 1 else ''}"
    held = f"its own 95 % regions hold {percent(claim.inside)} of {claim.poses} measured positions in {runs}"
    count = f"which count as {claim.independent:.0f} independent ones"
    if claim.word == "cannot say":
        more = f"about {max(claim.enough_runs, claim.runs + 1)} runs like these would do"
        return f"cannot say whether it is right about itself: {held}, {count}; {more}."
    if claim.word == "calibrated":
        return f"right about itself on this robot and field, or too little off to be seen: {held}, {count}."
    low, high = (math.sqrt(bound) for bound in claim.normalised_bounds)
    many = claim.word == "overconfident"
    if many and claim.holds_too_few:
        held += f" (in the long run no more than {percent(claim.inside_interval[1])})"
    sizes = f"errors are {claim.size:.2f} times as large as it says"
    if not many:
        sizes += f" (by chance no less than {low:.2f})"
    elif claim.size > high:
        sizes += f" (by chance no more than {high:.2f})"
    width = (
        "make all its numbers (correction.filter; 'driftgate settings' shows them) "
        f"{_rounded(claim.size, many)} times as large"
    )
    if beacons:
        do = "fit it on other runs, or on more of these (--fit, --fit-share)"
    elif means and not many:
        do = f"correct in the robot's code what its file has as means of the range sensors, then {_ANEW}"
    else:
        do = f"calibrate with these runs, too ({_ANEW}), or {width}"
    return f"it {CLAIMS[claim.word]}: {held}, and {sizes}; {do}."


def _rounded(size: float, up: bool) -> str:
    """Return a factor in steps of a tenth, no nearer to 1 than found."""
    steps = math.ceil(10.0 * size - 1e-9) if up else math.floor(10.0 * size + 1e-9)
    return f"{max(steps, 1) / 10.0:g}"
