"""Plans that would fill memory or take for ever are refused, with a code, before they are worked out."""

from __future__ import annotations

import math

import pytest
from plan_cases import case, codes, field_map, robot, sensor

from driftgate.load.project import load_project
from driftgate.plan import plan_case, size
from driftgate.plan.curve import CurveMotion
from driftgate.plan.values import PlanFinding
from driftgate.schema.fieldmap import surfaces_of


def corners(count, radius_m=0.02):
    """Return the corners of a fine polygon."""
    turns = [math.tau * i / count for i in range(count)]
    return [[f"{radius_m * math.cos(t):.6f} m", f"{radius_m * math.sin(t):.6f} m"] for t in turns]


def pot(name, x="0.3 m", y="0.3 m", shape=None, **more):
    """Return a loose element."""
    spread = {"x": "1 mm", "y": "1 mm", "heading": "1 deg", "basis": "guess", "constant_over": "run"}
    shape = shape or {"circle": {"radius": "50 mm"}}
    return {"id": name, "shape": shape, "at": {"x": x, "y": y}, "scatter": spread, **more}


def found(plan, code):
    """Return the messages of a code."""
    return [f.message for f in plan.findings if f.code == code]


def test_err_curves_without_end(monkeypatch):
    """Curves are not tabled beyond the limit, and the step is named."""
    monkeypatch.setattr("driftgate.plan.build.MOST_NODES", 3000)
    zigzag = {"do": "curve", "through": [[f"{1 + i % 2} m", "1.5 m"] for i in range(8)]}
    plan = plan_case(case(*[zigzag] * 50, time_limit="3600 s"))
    assert any("nodes in all" in message for message in found(plan, "DG209"))
    nodes = sum(s.motion.u.size for s in plan.steps if isinstance(s.motion, CurveMotion))
    assert nodes < 3000 + 1700
    assert len(plan.steps) < 50


def test_err_too_many_instants():
    """A sensor may be as fast, and a wait as long, as they like, but not both."""
    fast = robot(sensors=[sensor(rate="500 Hz")])
    assert "DG209" not in codes(plan_case(case({"do": "pause", "time": "60 s"}, drives=fast)))
    plan = plan_case(case({"do": "pause", "time": "3600 s"}, drives=fast, time_limit="3600 s"))
    assert "more than 100000" in found(plan, "DG209")[0]
    assert plan.timeline.readings.knot.size == 0
    assert plan.timeline.time_s.size < 2000


def test_err_readings_times_surfaces(monkeypatch):
    """As many readings as are fine on a plain map are too many on one of a thousand corners."""
    drives = robot(sensors=[sensor(rate="20 Hz")])
    steps = {"do": "pause", "time": "10 s"}
    assert "DG210" not in codes(plan_case(case(steps, drives=drives)))
    shape = {"polygon": {"corners": corners(100)}}
    plain = field_map(elements=[pot(f"p{i}", shape=shape) for i in range(5)])
    monkeypatch.setattr(size, "MOST_PAIRS", 100_000)
    plan = plan_case(case(steps, drives=drives, on=plain))
    (message,) = found(plan, "DG210")
    assert f"a map of {surfaces_of(plain)} surfaces" in message
    assert str(200 * surfaces_of(plain))[:3] in message
    assert plan.clearances == ()


def test_err_looked_at_too_often():
    """A robot that turns on the spot for an hour is not followed every centimetre past a thousand corners."""
    shape = {"polygon": {"corners": corners(150)}}
    fine = field_map(elements=[pot(f"p{i}", shape=shape) for i in range(12)])
    spin = {"do": "repeat", "times": 150, "steps": [{"do": "rotate", "angle": "3600 deg"}]}
    plan = plan_case(case(spin, drives=robot(), on=fine, time_limit="3600 s"))
    (message,) = found(plan, "DG210")
    assert "poses on the way" in message or "ticks of motion" in message


def test_err_pushed_on_and_on(monkeypatch):
    """What is pushed for too long is named, and the rest of the plan is left."""
    monkeypatch.setattr("driftgate.plan.pushed.MOST_PUSHES", 20)
    tray = field_map(elements=[pot("tray", x="1.4 m", y="1 m", pushable=True)])
    plan = plan_case(case({"do": "advance", "distance": "1 m", "may_touch": ["tray"]}, on=tray))
    (message,) = found(plan, "DG210")
    assert "'tray'" in message
    assert "places in all" in message


@pytest.mark.parametrize("name", ["MOST_STEPS", "MOST_NODES", "MOST_INSTANTS", "MOST_PAIRS", "MOST_PUSHES"])
def test_law_shipped_routines_are_far_below(name):
    """The limits leave a field of this size five times what its longest routine needs."""
    from pathlib import Path

    from driftgate.run.cases import cases_of

    root = Path(__file__).parents[2]
    (loaded,) = load_project([root / "routines/long-round.yaml"], root).routines
    named = cases_of(loaded)[0]
    plan = plan_case(named.case)
    readings, ticks = plan.timeline.readings.knot.size, int(plan.timeline.moving.sum())
    there = {
        "MOST_STEPS": len(plan.steps),
        "MOST_NODES": size.nodes_of(plan.steps),
        "MOST_INSTANTS": plan.timeline.time_s.size,
        "MOST_PAIRS": (readings + ticks) * surfaces_of(named.case.true),
        "MOST_PUSHES": len(plan.things or ()),
    }
    assert there[name] * 5 < getattr(size, name)


def test_law_a_small_plan_is_not_too_large():
    """Nothing is found of it."""
    one = case({"do": "pause", "time": "1 s"})
    assert size.size_findings(one, plan_case(one).timeline, 10) == []


def test_law_a_finding_of_a_plan_at_its_place():
    """An error without advice unless it says otherwise; place, code, words and advice where they belong."""
    plain = PlanFinding("DG209", ("steps",), "much").at("a.yaml", 3, 4)
    assert (plain.path, plain.line, plain.column, plain.code) == ("a.yaml", 3, 4, "DG209")
    assert (plain.message, plain.level, plain.suggestion, plain.excerpt) == ("much", "error", "", "")
    told = PlanFinding("DG210", ("steps",), "more", "warning", "less").at("a.yaml", 3, 4, "x: 1")
    assert (told.code, told.message, told.level, told.suggestion) == ("DG210", "more", "warning", "less")
    assert told.excerpt == "x: 1"
