"""What a simulated log begins with, and the words that it has for what became of readings."""

from __future__ import annotations

import math

import numpy as np
import pytest

from driftgate.predict import prepare
from driftgate.predict.logged import FIX_WORDS, Jitter, Reference, sample_runs
from driftgate.predict.streams import Streams
from driftgate.predict.values import Outcome
from driftgate.schema.case import Case
from driftgate.schema.routine import PoseOff

from .scenes import field_map, prepared, robot, routine


@pytest.mark.parametrize("drive", ["differential", "holonomic"])
def test_law_a_robot_zeroes_its_counters_where_it_starts(drive: str) -> None:
    """Jitter is in every row but the first; what is logged of the way adds up to the counters' own."""
    case = prepared([{"do": "advance", "distance": "0.4 m"}], robot(drive=drive))
    tape, size = Reference("tape", (0.0, 0.0, 0.0)), Jitter(0.002, math.radians(0.2))
    plain, noisy = (sample_runs(case, 20, 1, tape, jitter) for jitter in (None, size))
    for without, with_it in zip(plain, noisy, strict=True):
        a, b = without.log, with_it.log
        assert (b.forward_m[0], b.sideways_m[0], b.heading_rad[0]) == (0.0, 0.0, 0.0)
        assert np.cumsum(a.forward_m)[-1] == pytest.approx(0.4, abs=1e-12)
        # Beside the way that there was, each row's own: from the first after the start on.
        off = np.cumsum(b.forward_m - a.forward_m)
        assert (off[1:] != 0.0).all()
        assert (b.heading_rad[1:] != a.heading_rad[1:]).all()
        assert (b.sideways_m[1:] != 0.0).all() == (drive == "holonomic")


def test_law_what_is_measured_is_off_by_draws_of_its_own() -> None:
    """The tape by a normal for each row and axis, the gyro by one of the jitter's own, each by its name."""
    case, runs = prepared([{"do": "advance", "distance": "0.4 m"}], robot()), 20
    sizes, jitter = (0.002, 0.003, math.radians(0.4)), Jitter(0.002, math.radians(0.2))
    found = sample_runs(case, runs, 5, Reference("tape", sizes), jitter)
    streams, last = Streams(5, 0, runs), len(case.plan.timeline.time_s) - 1
    for row in (0, last):
        off = np.array([one.log.reference[row] - one.truth[row] for one in found])
        for axis, (name, size) in enumerate(zip(("x", "y", "heading"), sizes, strict=True)):
            drawn = streams.normals(f"reference:{name}", "log", row)
            assert off[:, axis] == pytest.approx(size * drawn, abs=1e-12)
    # Straight on, without errors: what the gyro says is its jitter.
    said = np.array([one.log.heading_rad[last] for one in found])
    drawn = streams.normals("odometry_jitter:heading", "log", last)
    assert said == pytest.approx(jitter.heading_rad * drawn, abs=1e-12)


def test_law_a_square_up_is_logged_as_a_way_and_then_a_turn() -> None:
    """1 m at 0.4 m/s evenly over the planned approach, then 3 degrees evenly over a push of half a second.

    The robot stands turned away by 3 degrees and touches with a corner; it is flush at the end.
    """
    step = {"do": "square-up", "against": "east", "speed": "0.4 m/s", "push": "0.5 s"}
    document = routine([step], start=(0.0, 0.0, 0.0))
    start = document.start.model_copy(update={"off": PoseOff.model_validate({"heading": "3 deg"})})
    field = field_map(x=(-2.0, 1.15), y=(-2.0, 2.0))
    machine = robot(correction={"enabled": False})
    case = prepare(Case(document.model_copy(update={"start": start}), machine, field, field))
    (run,) = sample_runs(case, 1, 1, Reference("tape", (0.0, 0.0, 0.0)))
    time_s = case.plan.timeline.time_s
    assert case.plan.contacts[0].travel_m == pytest.approx(1.0, abs=1e-12)
    driven = np.clip(time_s / 2.5, 0.0, 1.0)
    turned = np.clip((time_s - 2.5) / (time_s[-1] - 2.5), 0.0, 1.0)
    assert 0.4 < time_s[-1] - 2.5 < 0.6
    assert run.truth[:, 2] == pytest.approx(math.radians(3.0) * (1.0 - turned), abs=1e-9)
    whole = run.truth[-1, :2] - run.truth[0, :2]
    assert run.truth[:, :2] - run.truth[0, :2] == pytest.approx(driven[:, None] * whole, abs=1e-9)


def test_law_words_for_what_became_of_a_reading() -> None:
    """One for each outcome of a reading that was tried: its name, but for three."""
    other = {Outcome.ACCEPTED: "used", Outcome.NO_SURFACE: "association", Outcome.HELD_BACK: "persistence"}
    tried = [o for o in Outcome if o not in (Outcome.SWITCHED_OFF, Outcome.IN_CONTACT)]
    case = prepared([{"do": "advance", "distance": "0.1 m"}])
    (run,) = sample_runs(case, 1, 1, Reference("tape", (0.0, 0.0, 0.0)))
    assert dict(run.log.ranges) == {}
    assert {o: other.get(o, o.name.lower().replace("_", "-")) for o in tried} == FIX_WORDS
