"""Made reports: every verdict, hostile texts, numbers that are no numbers."""

from __future__ import annotations

import math

from driftgate.core.findings import Finding
from driftgate.judge.cause_values import FailureCauses, FailureGroup
from driftgate.judge.sampling import Sampling, Seen, decide
from driftgate.judge.values import (
    AxisVerdict,
    CaseVerdict,
    ContactVerdict,
    Disagreement,
    Estimate,
    MomentVerdict,
    SourceShare,
    TouchPlace,
    VarianceShares,
)
from driftgate.report.model import AcceptedFinding, CaseReport, DarkTime, ReadingRow, RunReport, StepPlace

HOSTILE = "</td>|\x1b[31m@team `x` <script>alert(1)</script>\n::error::‮ [a](http://b) www.c.d $x$ ]]> & \x00"

GROUPS = tuple(FailureGroup("drift", f"source {i} on x", 10, 40 + i) for i in range(5))


def axis(name="x", high=0.025, used=0.43):
    """Return a symmetric axis verdict."""
    return AxisVerdict(name, -high, high, 0.001, 0.004, 0.003, 0.009, 0.012, used, 3)


def moment(name="pot-a", successes=3990, trials=4000, required=0.99, used=0.43, **more):
    """Return a moment's verdict whose status follows from its counts."""
    found = decide([Seen(successes, trials)], required, Sampling(0.95, 5))
    status, lower, upper = found.status, found.lower, found.upper
    sources = (SourceShare("heading_bias", "heading bias", "guess", "run", 0.61),)
    values = {
        "name": name,
        "final": name == "end",
        "step": 1,
        "doc_path": ("steps", 1),
        "required": required,
        "status": status,
        "estimate": Estimate(successes, trials, successes / trials, max(0.0, lower), min(1.0, upper)),
        "lower": lower,
        "upper": upper,
        "axes": (axis(used=used),),
        "binding": "x",
        "used": used,
        "used_50": 0.1,
        "used_95": 0.3,
        "used_99": 0.4,
        "margin": None if used is None else 1.0 - used,
        "error_used": used,
        "outside": trials - successes,
        "touched": 0,
        "late": 0,
        "missed_before": 0,
        "points": 10,
        "variance": VarianceShares(0.004, 0.61, 0.2, sources),
        "reason": "" if status == "pass" else "The error on x is mostly spread.",
        "decided_at": found.at,
    }
    return MomentVerdict(**{**values, **more})


def contact(status="pass", touched=0, allowed=0.0):
    """Return a contact verdict."""
    places = (TouchPlace("pot-b", 2, touched),) if touched else ()
    estimate = Estimate(touched, 4000, touched / 4000, 0.0, 0.01)
    return ContactVerdict(
        status, allowed, estimate, 0.0002, 0.0011, places, "Every contact." if touched else ""
    )


def case(path="routines/dash.yaml", title="Corner dash", moments=None, verdict=True, **more):
    """Return a case."""
    moments = moments if moments is not None else (moment(), moment("end", used=0.2))
    found = CaseVerdict(
        moments=tuple(moments),
        contact=more.pop("contact", contact()),
        success=Estimate(3980, 4000, 0.995, 0.992, 0.997),
        expected_points=19.9,
        full_points=20,
        lost=0,
        disagreements=more.pop("disagreements", ()),
        causes=more.pop("causes", None),
    )
    values = {
        "path": path,
        "title": title,
        "robot": "routines/robots/light.yaml",
        "believed_map": "fieldmaps/hall.yaml",
        "true_map": "fieldmaps/hall.yaml",
        "true_title": "Hall",
        "side": "as written",
        "duration_s": 12.5,
        "energy_j": 8.4,
        "time_limit_s": 15.0,
        "steps": (StepPlace(1, "advance 0.30 m", 12), StepPlace(2, "look", 14)),
        "findings": (),
        "verdict": found if verdict else None,
        "places": tuple((20 + i, 5) for i in range(len(moments))),
        "dark": (DarkTime("x", 1.0, 3.5, 0, 1),),
        "readings": (ReadingRow("front", (("accepted", 900), ("gate", 20)), 3, 2, 0.004),),
    }
    return CaseReport(**{**values, **more})


def report(*cases, findings=(), status=0, why="all 6 tolerances hold"):
    """Return a run's report."""
    return RunReport(
        "0.1.0", 1, 4000, 0.95, 6, cases or (case(),), findings, status, why, "driftgate check --seed 1"
    )


def everything():
    """Return a report that has every kind of thing in it, hostile texts included."""
    failing = case(
        path="routines/a|b.yaml",
        title=HOSTILE,
        moments=(
            moment("pot-a", successes=3000, used=1.43, reason=HOSTILE, worst=(17, 3, 2041)),
            moment("pot-b", successes=3960, used=None, note=HOSTILE),
            moment("pot-c", successes=2000, used=math.inf, variance=None),
            moment("end"),
        ),
        contact=contact("fail", 5),
        causes=FailureCauses(2001, 200, (FailureGroup("contact", HOSTILE, 150, 2), *GROUPS)),
        tell=f"driftgate explain '{HOSTILE}' --mirrored",
        disagreements=(Disagreement("pot-a", "x", "mean", 0.004, math.nan, 0.02, 1e-9, HOSTILE),),
        side="mirrored",
        findings=(Finding("routines/a|b.yaml", 3, 7, "DG205", HOSTILE, "warning", HOSTILE, HOSTILE),),
        accepted=(
            AcceptedFinding(
                Finding("routines/a|b.yaml", 4, 7, "DG204", HOSTILE, "error", HOSTILE, HOSTILE),
                HOSTILE,
                "2026-12-01",
                0,
            ),
        ),
    )
    infeasible = case(
        path="routines/fast.yaml",
        verdict=False,
        findings=(
            Finding("routines/fast.yaml", 9, 3, "DG201", "too fast", "error", "slower", "  speed: 9 m/s"),
        ),
    )
    broken = Finding("fieldmaps/x.yaml", 2, 1, "DG102", HOSTILE, "error", "", HOSTILE)
    return report(case(), failing, infeasible, findings=(broken,), status=2, why=HOSTILE)
