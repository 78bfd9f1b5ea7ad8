"""A made picture of a made case: small numbers that a test can count, hostile names."""

from __future__ import annotations

import math
from dataclasses import replace

from made_reports import HOSTILE, case, moment

from driftgate.judge.values import SourceShare, VarianceShares
from driftgate.report.model import StepPlace
from driftgate.report.picture import (
    Bin,
    CasePicture,
    FailedTrial,
    Field,
    InputFile,
    Instant,
    Leg,
    Limit,
    Strip,
    Structure,
    Surface,
    Target,
    Thing,
    TrialPath,
    View,
    Zone,
)

CORNERS = ((0.0, 0.0), (4.0, 0.0), (4.0, 3.0), (0.0, 3.0))
START = (0.5, 1.0)
SHARES = (0.5, 0.3, 0.1953, 0.0032, 0.0015)


def field(name="bench"):
    """Return a room of 4 m by 3 m with a bench, a pot, a crate and a rough patch."""
    walls = tuple(
        Surface(f"wall-{i}", "wall", CORNERS[i], CORNERS[(i + 1) % 4], reference=i != 2) for i in range(4)
    )
    bench = ((1.0, 2.5), (2.0, 2.5), (2.0, 3.0), (1.0, 3.0))
    crate = ((3.0, 1.0), (3.2, 1.0), (3.2, 1.2), (3.0, 1.2))
    return Field(
        outline=CORNERS,
        surfaces=walls,
        structures=(Structure(name, bench),),
        things=(
            Thing("pot-a", (), (2.0, 1.5), 0.08, (0.01, 0.02), 0.01, ((2.5, 2.0),), "can be pushed"),
            Thing("crate", crate, (3.1, 1.1), 0.0, (0.0, 0.0), 0.0, (), ""),
        ),
        zones=(Zone("mat", ((0.5, 0.2), (1.0, 0.2), (1.0, 0.6)), 3.0),),
        believed=(((0.0, 0.0), (4.0, 0.05)),),
    )


def instants():
    """Return eleven instants of a straight drive along y = 1 m, the error growing evenly."""
    return tuple(
        Instant(
            time_s=0.2 * k,
            pose=(0.5 + 0.3 * k, 1.0, 0.0),
            step=1 if k < 10 else 2,
            mean=(0.001, 0.0),
            semi_m=(0.002 + 0.002 * k, 0.001 + 0.001 * k),
            angle_rad=math.pi / 6,
            linear=(0.004 * k, math.radians(0.2 * k)),
            sampled=(0.0041 * k, math.radians(0.21 * k)),
        )
        for k in range(11)
    )


def picture(name="bench", cause="the gate refused right readings"):
    """Return everything that the pictures of a two-step case show."""
    legs = (
        Leg(1, name, "", 12, 0.0, 2.0, ((0.5, 1.0), (3.5, 1.0)), True, False, (3.5, 1.0, 0.0), 5),
        Leg(2, "look", "", 14, 2.0, 2.5, ((3.5, 1.0),), False, False, (3.5, 1.0, 0.0), 0),
    )
    last = replace(instants()[-1], time_s=2.5)
    errors = tuple((0.002 * k - 0.01, 0.001 * k - 0.005, 0.001 * k, k != 3) for k in range(10))
    limits = (Limit("along", -0.02, 0.02), Limit("across", None, 0.03), Limit("heading", -0.05, 0.05))
    ellipse = ((0.0, 0.0), (0.01, 0.005), 0.3)
    pose = (3.5, 1.0, 0.0)
    target = Target("pot-a", 2, 2.5, pose, limits, "pot-a", True, ellipse, errors)
    views = (
        View(0.0, 1.0, "usable", "wall-1", "", 1, (1.0, 2.0), 10),
        View(1.0, 2.0, "corridor", "wall-1", name, 1, (0.5, 1.0), 10),
        View(2.0, 2.5, "too fast", "", "", 2, (math.nan, math.nan), 5),
    )
    bins = (Bin(0.0, 1.0, 80, 10, 10), Bin(1.0, 2.0, 0, 0, 100))
    return CasePicture(
        field=field(name),
        hull=((-0.17, -0.15), (0.17, -0.15), (0.17, 0.15), (-0.17, 0.15)),
        legs=legs,
        inputs=(InputFile("routine", "routines/dash.yaml", name, name, "0123456789abcdef" * 4),),
        instants=(*instants(), last),
        sampled=400,
        paths=(TrialPath(0, ((0.5, 1.0), (3.5, 1.02))), TrialPath(1, ((0.5, 1.0), (3.5, 0.98)))),
        failed=(
            FailedTrial(7, "in the sample", "end", "gate", cause, (3.5, 1.05), 2.5, 2, (START, (3.5, 1.05))),
            FailedTrial(9, "the worst", "contact", "contact", cause, (2.0, 1.4), 1.0, 1, (START, (2.0, 1.4))),
        ),
        failing=9,
        targets=(target, replace(target, name="end", relative_to="")),
        strips=(Strip("front", views, ((0.2, 1), (0.4, 1)), bins),),
    )  # fmt: skip


def budget():
    """Return the shares of five sources, two of which are shown together."""
    bases = ("measured", "guess", "data sheet", "measured", "guess")
    sources = tuple(
        SourceShare(f"source-{i}", f"source {i}", basis, "run", share)
        for i, (basis, share) in enumerate(zip(bases, SHARES, strict=True))
    )
    return VarianceShares(0.01, 0.3, 0.0, sources)


def pictured(title="Corner dash", **more):
    """Return a case whose tolerances have budgets, which `picture` is of."""
    moments = (moment(variance=budget(), error_used=0.43), moment("end", used=0.2, variance=budget()))
    steps = (StepPlace(1, title, 12), StepPlace(2, "look", 14))
    return case(title=title, moments=moments, steps=steps, **more)


HOSTILE_PICTURE = picture(HOSTILE, HOSTILE)
