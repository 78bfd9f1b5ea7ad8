"""What went wrong with the readings of a trial, on a few readings written by hand."""

from types import SimpleNamespace

import numpy as np

from driftgate.judge.mishaps import Mishaps
from driftgate.predict.recorder import FALSE_RETURN, NO_ECHO
from driftgate.predict.values import Outcome

ACCEPTED, GATE, SILENT, HELD = Outcome.ACCEPTED, Outcome.GATE, Outcome.NO_ECHO, Outcome.HELD_BACK
NORTH, EAST = 0, 1  # walls; behind them, in the true world, a pot's place among the elements
POT = 2


def made(rows, planned=(), strayed=False):
    """Return the mishaps of one trial.

    Each row is a reading: sensor, step, knot, outcome, what was expected, what it came from, its move.
    """
    sensor, step, knot, outcome, expected, origin, move = zip(*rows, strict=True)
    edges = [SimpleNamespace(owner="north wall"), SimpleNamespace(owner="east wall")]
    pose = np.array([(0.0, 0.0, 0.0), (0.3, 0.4, 0.0), (1.0, 1.0, 0.0), (1.0, 1.0, 0.0), (1.0, 1.0, 0.0)])
    readings = SimpleNamespace(sensor=np.array(sensor), step=np.array(step), knot=np.array(knot))
    prepared = SimpleNamespace(
        case=SimpleNamespace(
            robot=SimpleNamespace(sensors=[SimpleNamespace(id="left"), SimpleNamespace(id="right")])
        ),
        believed=SimpleNamespace(edges=edges),
        true=SimpleNamespace(edges=edges, elements=[SimpleNamespace(id="pot-a")]),
        plan=SimpleNamespace(
            timeline=SimpleNamespace(readings=readings, pose=pose, time_s=np.array([0.0, 0.5, 1.0, 1.5, 2.0]))
        ),
    )
    expected, origin = np.array(expected), np.array(origin)
    record = SimpleNamespace(
        outcome=np.array(outcome)[:, None],
        expected=expected[:, None],
        origin=origin[:, None],
        move=np.array(move, float)[:, :, None],
        strayed=(("pot-a", np.array([strayed]), None, None),),
    )
    replay = SimpleNamespace(record=record, right=lambda: ((expected >= 0) & (expected == origin))[:, None])
    accepted = np.zeros(len(rows), bool)
    accepted[list(planned)] = True
    covariance = SimpleNamespace(accepted=accepted)
    return Mishaps(prepared, covariance, replay, lambda i: f"step {i + 1}")


NONE = (0.0, 0.0, 0.0)


def at(knot):
    """Return the end, seen up to a knot."""
    return SimpleNamespace(knot=knot, pose=(1.0, 1.0, 0.0))


def test_law_names_of_what_was_expected_and_what_answered():
    """Walls and elements by name, a strayed element as such, false returns and silence as they are."""
    rows = [
        (0, 0, 1, ACCEPTED, NORTH, EAST, NONE),
        (0, 0, 1, ACCEPTED, -1, POT, NONE),
        (0, 0, 1, ACCEPTED, EAST, FALSE_RETURN, NONE),
        (0, 0, 1, ACCEPTED, EAST, NO_ECHO, NONE),
    ]
    found = made(rows)
    assert [found.expected_name(r, 0) for r in range(3)] == ["north wall", "no surface", "east wall"]
    assert [found.origin_name(r, 0) for r in range(4)] == ["east wall", "pot-a", "a false return", "nothing"]
    assert made(rows, strayed=True).origin_name(1, 0) == "strayed pot-a"


def test_law_wrong_readings_are_those_taken_from_elsewhere_by_then():
    """Refused ones, right ones and later ones do not count."""
    found = made(
        [
            (0, 0, 1, ACCEPTED, NORTH, POT, NONE),
            (0, 0, 1, ACCEPTED, NORTH, NORTH, NONE),
            (0, 0, 2, GATE, NORTH, POT, NONE),
            (0, 0, 3, ACCEPTED, NORTH, EAST, NONE),
            (0, 0, 4, ACCEPTED, NORTH, POT, NONE),
        ]
    )
    assert found.wrong(at(3), 0).tolist() == [0, 3]
    assert found.wrong(at(2), 0).tolist() == [0]


def test_law_wrong_readings_matter_from_three_tenths_of_the_error_on():
    """Moves of 3 and 4 mm are 5 mm; a turn of 10 mrad at half the way back, 0.92 m off, is 9.2 mm more."""
    straight = made([(1, 1, 1, ACCEPTED, NORTH, POT, (3e-3, 4e-3, 0.0))], strayed=True)
    found = straight.wrong_surface(at(3), "x", 16e-3, 0)
    assert (found.kind, found.words) == ("wrong surface", "right took strayed pot-a for north wall in step 2")
    assert straight.wrong_surface(at(3), "x", -16e-3, 0) == found
    assert straight.wrong_surface(at(3), "x", 17e-3, 0) is None
    assert straight.wrong_surface(at(3), "heading", 1e-3, 0) is None
    # From (0.3, 0.4) to (1, 1): the root of 0.49 + 0.36 is 0.921954 m.
    turned = made([(0, 0, 1, ACCEPTED, NORTH, EAST, (3e-3, 4e-3, -10e-3))])
    effect = 5e-3 + 10e-3 * 0.9219544457
    assert turned.wrong_surface(at(3), "y", effect / 0.3 * 0.999, 0).words == (
        "left took east wall for north wall in step 1"
    )
    assert turned.wrong_surface(at(3), "y", effect / 0.3 * 1.001, 0) is None
    assert turned.wrong_surface(at(3), "heading", 33e-3, 0) is not None
    assert turned.wrong_surface(at(3), "heading", 34e-3, 0) is None


def test_law_the_wrong_surface_that_moved_most_is_named():
    """Moves of one sensor, step, origin and surface add up; of equals the earlier step is named."""
    rows = [
        (0, 0, 1, ACCEPTED, NORTH, EAST, (5e-3, 0, 0)),
        (1, 1, 2, ACCEPTED, NORTH, POT, (3e-3, 0, 0)),
        (1, 1, 2, ACCEPTED, NORTH, POT, (0, 3e-3, 0)),
    ]
    assert made(rows).wrong_surface(at(3), "x", 1e-2, 0).words == "right took pot-a for north wall in step 2"
    assert made([*rows[:2], (1, 1, 2, ACCEPTED, NORTH, POT, (0, 0.002, 0))]).wrong_surface(
        at(3), "x", 1e-2, 0
    ).words == ("left took east wall for north wall in step 1")


def refusals(*origins, sensor=0, step=0, outcome=GATE):
    """Return refusals of the north wall, from these origins."""
    return [(sensor, step, 1, outcome, NORTH, origin, NONE) for origin in origins]


def test_law_five_refusals_without_a_fix_after_them_lock_out():
    """Four are too few, a fix in between begins anew, and most of them have to be right readings."""
    assert made(refusals(*[NORTH] * 4)).locked_out(at(3), 0) is None
    found = made(refusals(*[NORTH] * 5, step=1)).locked_out(at(3), 0)
    assert (found.kind, found.words) == ("gate", "the gate refused right readings of left from step 2 on")
    fix = [(0, 0, 1, ACCEPTED, NORTH, NORTH, NONE)]
    assert made(refusals(*[NORTH] * 4) + fix + refusals(*[NORTH] * 4)).locked_out(at(3), 0) is None
    later = made(refusals(*[NORTH] * 5) + fix + refusals(*[NORTH] * 5, step=3)).locked_out(at(3), 0)
    assert later.words == "the gate refused right readings of left from step 4 on"
    assert made(refusals(*[NORTH] * 3, *[POT] * 3)).locked_out(at(3), 0) is None
    assert made(refusals(*[NORTH] * 3, *[POT] * 2)).locked_out(at(3), 0) is not None
    # What was not at the gate neither counts nor begins anew; what comes after the moment neither.
    quiet = refusals(NORTH, outcome=SILENT)
    assert made(refusals(*[NORTH] * 2) + quiet + refusals(*[NORTH] * 3)).locked_out(at(3), 0) is not None
    assert made(refusals(*[NORTH] * 5)).locked_out(at(0), 0) is None


def test_law_the_sensor_shut_out_longest_is_named():
    """Six refusals of one sensor before five of the other; of equals the first sensor."""
    both = refusals(*[NORTH] * 5) + refusals(*[NORTH] * 6, sensor=1, step=1)
    assert made(both).locked_out(at(3), 0).words == "the gate refused right readings of right from step 2 on"
    equal = refusals(*[NORTH] * 5) + refusals(*[NORTH] * 5, sensor=1, step=1)
    assert made(equal).locked_out(at(3), 0).words == "the gate refused right readings of left from step 1 on"


def test_law_a_step_that_lost_most_of_its_fixes_is_blocked():
    """Half of the planned fixes are enough; fewer are not, and what most readings came to is told."""
    fix = (1, 1, 1, ACCEPTED, NORTH, NORTH, NONE)
    lost = (1, 1, 1, GATE, NORTH, POT, NONE)
    quiet = (1, 1, 1, SILENT, NORTH, NO_ECHO, NONE)
    assert made([fix, lost], planned=[0, 1]).blocked(at(3), 0) is None
    assert made([fix, lost], planned=[]).blocked(at(3), 0) is None
    found = made([fix, lost, lost], planned=[0, 1, 2]).blocked(at(3), 0)
    assert (found.kind, found.words) == ("obstructed", "pot-a answered right in step 2")
    assert made([quiet, quiet, lost], planned=[0, 1, 2]).blocked(at(3), 0).words == (
        "nothing came back to right in step 2"
    )
    right = (1, 1, 1, GATE, NORTH, NORTH, NONE)
    found = made([right, right, quiet], planned=[0, 1, 2]).blocked(at(3), 0)
    assert (found.kind, found.words) == ("gate", "the gate refused right readings of right in step 2")
    held = (1, 1, 1, HELD, NORTH, NORTH, NONE)
    assert made([held, held], planned=[0, 1]).blocked(at(3), 0) is None
    far = (1, 1, 1, Outcome.OUT_OF_RANGE, NORTH, NORTH, NONE)
    found = made([far], planned=[0]).blocked(at(3), 0)
    assert (found.kind, found.words) == ("obstructed", "no fix from right in step 2: out of range")
    # Two of three decide, whichever they are.
    behind = (1, 1, 1, GATE, NORTH, EAST, NONE)
    for rows, words in (
        ((right, quiet, quiet), "nothing came back to right in step 2"),
        ((behind, quiet, quiet), "nothing came back to right in step 2"),
        ((quiet, lost, lost), "pot-a answered right in step 2"),
        ((far, lost, lost), "pot-a answered right in step 2"),
    ):
        assert made(rows, planned=[0, 1, 2]).blocked(at(3), 0).words == words
    # Readings after the moment are neither planned for it nor lost to it.
    assert made([(0, 0, 4, GATE, NORTH, POT, NONE)], planned=[0]).blocked(at(3), 0) is None


def test_law_the_step_that_lost_most_is_told():
    """Two fixes lost before one; of equals the later step, which the error is nearer to."""
    lost = [(0, s, 1, GATE, NORTH, POT, NONE) for s in (0, 0, 2)]
    assert made(lost, planned=[0, 1, 2]).blocked(at(3), 0).words == "pot-a answered left in step 1"
    assert made(lost[1:], planned=[0, 1]).blocked(at(3), 0).words == "pot-a answered left in step 3"
