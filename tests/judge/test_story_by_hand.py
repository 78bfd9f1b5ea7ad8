"""Which readings of one trial are told together, from readings written by hand."""

import dataclasses

from driftgate.judge.story import StoryReading, _events
from driftgate.predict.values import Outcome

TAKEN = StoryReading(
    time_s=1.0,
    sensor="ahead",
    step=0,
    expected="north",
    origin="north",
    right=True,
    outcome=Outcome.ACCEPTED,
    innovation_m=0.0,
    predicted_m=0.01,
    moved_m=0.001,
    turned_rad=0.0,
)
WRONG = {"right": False, "origin": "pot"}
REFUSED = {"outcome": Outcome.GATE}


def told(*rows):
    """Return kind, sensors' readings' times and moves of what is told; a reading a second."""
    readings = [dataclasses.replace(TAKEN, time_s=float(i), **row) for i, row in enumerate(rows)]
    return [(e.kind, [int(r.time_s) for r in e.readings]) for e in _events(tuple(readings))]


def test_law_wrong_readings_of_one_thing_are_one_event():
    """In a row, from one thing, of one surface, in one step; anything else in between begins another."""
    assert told(WRONG, WRONG, WRONG) == [("wrong", [0, 1, 2])]
    assert told({}, {}) == []
    assert told(WRONG, {}, WRONG) == [("wrong", [0]), ("wrong", [2])]
    for other in ({"origin": "tray"}, {"expected": "east"}, {"step": 1}):
        assert told(WRONG, {**WRONG, **other}, WRONG) == [("wrong", [0]), ("wrong", [1]), ("wrong", [2])]
    # A reading of another sensor is no interruption.
    assert told(WRONG, {"sensor": "left"}, WRONG) == [("wrong", [0, 2])]


def test_law_a_run_of_refusals_is_told_from_three_on():
    """Three in a row of one sensor, in whatever steps; the longest first."""
    assert told(REFUSED, REFUSED) == []
    assert told(REFUSED, {**REFUSED, "step": 1}, {**REFUSED, "origin": "pot"}) == [("refused", [0, 1, 2])]
    assert told(REFUSED, REFUSED, {}, REFUSED) == []
    four = [REFUSED] * 3 + [{}] + [REFUSED] * 4
    assert told(*four) == [("refused", [4, 5, 6, 7]), ("refused", [0, 1, 2])]


def test_law_what_moved_the_belief_most_is_told_first():
    """By the sum of a run's moves, the earlier first among equals; refusals after all of them."""
    far = {**WRONG, "moved_m": 0.0025}
    assert told(*[REFUSED] * 3, far, {}, WRONG, WRONG, WRONG) == [
        ("wrong", [5, 6, 7]),
        ("wrong", [3]),
        ("refused", [0, 1, 2]),
    ]
    assert told(WRONG, {}, WRONG) == [("wrong", [0]), ("wrong", [2])]
