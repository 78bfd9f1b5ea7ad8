"""What tilted trials say of unintended contact.

They see touches that plain trials hardly ever see: strayed elements above all. Where none is allowed, a
touch among them shows as well as any other that contact is possible; where so little is allowed that
plain trials would be wanted by the hundred thousand, they decide.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

from driftgate.judge.rare import RareSample, rare_status
from driftgate.judge.reason import DescribeStep, contact_reason
from driftgate.judge.sampling import Sampling
from driftgate.judge.values import ContactVerdict, Estimate, RareTrials, Status, TouchPlace
from driftgate.judge.weighted import weighted_lower_bound, weighted_upper_bound


def contact_status(sample: RareSample, allowed: float, largest: float, rule: Sampling) -> Status:
    """Return what a look at tilted trials says of contact by itself."""
    if allowed > 0.0:
        return rare_status(sample, 1.0 - allowed, largest, rule)
    return "fail" if len(sample.failing()) else "pass"


def join_places(parts: Iterable[tuple[TouchPlace, ...]]) -> tuple[TouchPlace, ...]:
    """Return places of several ranges of trials as one, most frequent first."""
    counts: Counter[tuple[int, str]] = Counter()
    for places in parts:
        for place in places:
            counts[place.step, place.obstacle] += place.trials
    found = [TouchPlace(obstacle, step, count) for (step, obstacle), count in counts.items()]
    return tuple(sorted(found, key=lambda place: (-place.trials, place.step, place.obstacle)))


def rare_contact_verdict(
    plain: ContactVerdict,
    sample: RareSample,
    places: tuple[TouchPlace, ...],
    largest: float,
    rule: Sampling,
    describe: DescribeStep,
) -> ContactVerdict:
    """Return the verdict on contact with what tilted trials say in place of what plain ones say.

    Parameters
    ----------
    plain : ContactVerdict
        From plain trials. Where they touch and none may, it stays as it is.
    sample : RareSample
        All tilted trials up to the look that decided, or up to the last one; those that touch fail.
    places : tuple of TouchPlace
        Where they touch.
    largest : float
        Largest weight that a trial can have.
    rule : Sampling
        Confidence, and over how many tolerances the chance of calling a failure is shared out.
    describe : callable
        Words for a planned step's index.
    """
    allowed = plain.allowed
    if allowed <= 0.0 and plain.status == "fail":
        return plain
    status = contact_status(sample, allowed, largest, rule)
    weights, n = sample.failing(), len(sample.share)
    share, two_sided = min(float(weights.sum()) / n, 1.0), 0.5 * (1.0 + rule.confidence)
    low = weighted_lower_bound(weights, n, largest, two_sided)
    high = min(weighted_upper_bound(weights, n, largest, two_sided), 1.0)
    lower = weighted_lower_bound(weights, n, largest, rule.fail_confidence)
    upper = min(weighted_upper_bound(weights, n, largest, rule.confidence), 1.0)
    if allowed > 0.0:
        # A bound is found to the last bit only: the test itself says on which side it lies.
        above = math.nextafter(allowed, 1.0)
        upper = min(upper, allowed) if status == "pass" else max(upper, above)
        lower = max(lower, above) if status == "fail" else min(lower, allowed)
    found = replace(
        plain,
        status=status,
        estimate=Estimate(len(weights), n, share, min(low, share), max(high, share)),
        lower=lower,
        upper=upper,
        places=places,
        reason="",
        tilted=RareTrials(n, len(weights), share),
    )
    return replace(found, reason=contact_reason(found, describe))
