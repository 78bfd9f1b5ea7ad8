"""The main cause of single trials, where the answer is plain from how the trial was written."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from made_cases import covariance_of, moment, moment_trials, prepared_of, trials_of

from driftgate.judge.blame import KNOWN, RANDOM
from driftgate.judge.causes import CauseFinder, failing_at, failing_trials, group_causes, source_title
from driftgate.sight.values import DarkInterval

# Three constants, 1 mm of x a spread each.
SOURCES = ("start_placement", "heading_bias", "wall_build")


def finder(errors, moments=None, dark=(), walk_mm=0.1, known_mm=(0.0, 0.0), strayed=(), **trials_more):
    """Return a finder over trials; a row has x and y of the error [mm] and what each source drew."""
    moments = moments or (moment("end", x="10 mm", y="10 mm"),)
    rows = np.asarray(errors, float)
    found = moment_trials(
        np.stack([rows[:, 0] * 1e-3, rows[:, 1] * 1e-3, np.zeros(len(rows))], axis=1),
        touched=trials_more.pop("touched", None),
        clock_s=trials_more.pop("clock_s", None),
    )
    trials = trials_of([found] * len(moments), **trials_more)
    prepared = prepared_of(moments)
    prepared.case.robot.sensors = []
    prepared.case.true = prepared.case.believed = object()
    at = dataclasses.replace(
        covariance_of(1).moments[0],
        columns=np.array([[1e-3] * 3, [0.0] * 3, [0.0] * 3]),
        cov=np.diag([3e-6 + walk_mm**2 * 1e-6, walk_mm**2 * 1e-6, 0.0]),
        mean_by_source={KNOWN: np.array([known_mm[0] * 1e-3, known_mm[1] * 1e-3, 0.0])},
    )
    covariance = dataclasses.replace(covariance_of(1), moments=(at,) * len(moments))
    replay = SimpleNamespace(
        numbers=np.arange(7, 7 + len(rows)),
        trials=trials,
        record=SimpleNamespace(
            strayed=strayed,
            outcome=np.zeros((2, len(rows)), np.intp) - 1,
            move=np.zeros((2, 3, len(rows))),
            expected=np.full((2, len(rows)), -1),
            origin=np.full((2, len(rows)), -2),
        ),
        table=SimpleNamespace(constants=tuple(SimpleNamespace(source=s) for s in SOURCES)),
        drawn=lambda: rows[:, 2:].T,
        right=lambda: np.zeros((2, len(rows)), bool),
    )
    prepared.plan.timeline.readings = SimpleNamespace(
        knot=np.array([1, 2], np.intp), step=np.array([0, 1]), sensor=np.array([0, 0])
    )
    return CauseFinder(prepared, covariance, replay, lambda i: f"step {i + 1}", dark)


def kinds(found, moment_index=0):
    """Return kind and words of every trial's cause."""
    return [dataclasses.astuple(found.cause(moment_index, t).cause) for t in range(len(found.replay.numbers))]


def test_law_a_source_of_half_the_error_is_the_cause():
    """12 mm of x: 7 of one source are enough, 5 are not; on either side of the plan."""
    found = finder(
        [
            (12, 0, 7, 3, 2),
            (12, 0, 3, 7, 2),
            (-12, 0, -3, 2, -11),
            (12, 0, 5, 4, 3),
            (12, 0, 6, 3, 3),
        ]
    )
    assert kinds(found) == [
        ("start placement", "start placement"),
        ("drift", "heading bias on x"),
        ("drift", "wall build on x"),
        ("combined", "several sources together on x"),
        ("start placement", "start placement"),
    ]
    assert found.cause(0, 0).moment == 0
    assert found.cause(0, 0).blame.parts[RANDOM] == pytest.approx(0.0, abs=1e-15)


def test_law_what_is_in_no_source():
    """Random walk, known offsets, and a field that is not as its map."""
    assert kinds(finder([(12, 0, 1, 0, 0)], walk_mm=6.0)) == [("drift", "random walk and readings on x")]
    found = finder([(12, 0, 1, 0, 0)], known_mm=(11.0, 0.0))
    assert kinds(found) == [("drift", "known offsets on x")]
    found.prepared.case.true = object()
    assert kinds(found) == [("drift", "the field is not as the map says on x")]
    assert source_title(found.prepared, "a_new_source") == "a new source"


def test_law_contact_comes_first_and_then_time():
    """What was touched and where; what touched later than a checkpoint did not fail it; then lateness."""
    moments = (moment("gate", x="10 mm"), moment("end", x="10 mm"))
    found = finder(
        [(12, 0, 12, 0, 0)] * 3,
        moments,
        touched=[True, False, False],
        clock_s=[16.0, 16.0, 5.0],
        touch_step=[2, -1, 0],
        touch_obstacle=[1, -1, 0],
    )
    assert kinds(found, 0) == [
        ("contact", "touched pot-b in step 3"),
        ("late", "the time limit has passed"),
        ("start placement", "start placement"),
    ]
    assert kinds(found, 1)[2] == ("contact", "touched bench-a in step 1")


def test_law_a_missed_checkpoint_takes_along_what_depends_on_it():
    """The trial that is inside at the end, and not at the gate, failed there; the latest one is named."""
    moments = (
        moment("gate", y="1 mm"),
        moment("gate#2", y="1 mm"),
        moment("end", x="20 mm", after=("gate",)),
    )
    found = finder([(12, 2, 12, 0, 0), (12, 0, 12, 0, 0), (30, 2, 30, 0, 0)], moments)
    assert dataclasses.astuple(found.cause(2, 0).cause) == (
        "missed before",
        "checkpoint gate#2, which it depends on, was missed",
    )
    assert found.cause(2, 1).cause.kind == "start placement"
    assert found.cause(2, 2).cause.kind == "start placement"  # it is outside itself
    assert [found.told_at((0, 2), t) for t in range(3)] == [0, 2, 0]
    assert [found.told_at((2,), t) for t in range(3)] == [2, 2, 2]


def test_law_a_target_that_strayed_is_named():
    """Only the element that the tolerance is relative to counts, in the trials in which it strayed."""
    end = moment("end", x="10 mm", relative_to="pot-a")
    strayed = (("pot-b", np.array([True, True]), None, None), ("pot-a", np.array([True, False]), None, None))
    found = finder([(12, 0, 12, 0, 0)] * 2, (end,), strayed=strayed)
    assert kinds(found) == [
        ("strayed target", "pot-a, which the tolerance is relative to, has strayed"),
        ("start placement", "start placement"),
    ]


def dark(axis, begin_s, end_s=9.0, first=0):
    """Return a time without fixes."""
    return DarkInterval(axis, begin_s, end_s, first, first)


@pytest.mark.parametrize(
    ("intervals", "words"),
    [
        ([dark("x", 1.5)], ", with no fix of x since step 1"),
        ([dark("x", 1.51)], ""),  # less than half a second, at 2 s
        ([dark("y", 0.0)], ""),
        ([dark("x", 0.0, 2.0)], ", with no fix of x since step 1"),
        ([dark("x", 0.0, 1.9)], ""),  # it is over by then
        ([dark("x", 1.0, first=2), dark("x", 0.5, first=1)], ", with no fix of x since step 2"),
    ],
)
def test_law_drift_in_the_dark_is_told(intervals, words):
    """The moment is at 2 s; what has been dark for half a second by then is told, from its beginning."""
    assert kinds(finder([(12, 0, 0, 12, 0)], dark=intervals)) == [("drift", f"heading bias on x{words}")]


def test_law_radially_the_larger_error_says_what_is_dark():
    """An error along y in the dark of x is not told of it, whichever side it lies on."""
    end = moment("end", radial="5 mm")
    both = [dark("x", 0.0), dark("y", 1.0, first=1)]
    words = "random walk and readings in the radial error, with no fix of"
    found = finder([(0, -12, 0, 0, 0), (-12, 0, 0, 0, 0)], (end,), dark=both, walk_mm=6.0)
    assert kinds(found) == [("drift", f"{words} y since step 2"), ("drift", f"{words} x since step 1")]


def test_law_groups_by_cause():
    """The larger group first, with its lowest trial as its example; of equals that with the lower number."""
    found = finder([(12, 0, 0, 12, 0), (12, 0, 12, 0, 0), (-12, 0, -12, 0, 0), (12, 0, 0, 0, 12)])
    causes = group_causes(found, (0,), 9)
    assert (causes.failing, causes.looked_at) == (9, 4)
    assert [(g.kind, g.cause, g.trials, g.example) for g in causes.groups] == [
        ("start placement", "start placement", 2, 8),
        ("drift", "heading bias on x", 1, 7),
        ("drift", "wall build on x", 1, 10),
    ]


def verdict(*statuses, contact="pass"):
    """Return the statuses of a case."""
    moments = tuple(SimpleNamespace(status=s) for s in statuses)
    return SimpleNamespace(moments=moments, contact=SimpleNamespace(status=contact))


def test_law_what_is_asked_about():
    """What does not pass; contact alone asks about no moment; where all pass, about all."""
    assert failing_at(verdict("pass", "undecided", "fail")) == (1, 2)
    assert failing_at(verdict("pass", "pass", contact="fail")) == ()
    assert failing_at(verdict("pass", "pass")) == (0, 1)


def test_law_which_trials_fail_there():
    """At what does not pass; with contact that does not pass those that touch, too."""
    moments = (moment("gate", x="10 mm"), moment("end", y="10 mm"))
    errors = moment_trials([(12e-3, 0, 0), (0, 12e-3, 0), (0, 0, 0), (0, 0, 0)])
    trials = trials_of([errors, errors], touch_step=[-1, -1, -1, 0], touch_obstacle=[-1, -1, -1, 0])
    case = prepared_of(moments)
    assert failing_trials(case, trials, verdict("fail", "pass")).tolist() == [0]
    assert failing_trials(case, trials, verdict("pass", "fail")).tolist() == [1]
    assert failing_trials(case, trials, verdict("pass", "pass")).tolist() == [0, 1]
    assert failing_trials(case, trials, verdict("fail", "pass", contact="fail")).tolist() == [0, 3]
    assert failing_trials(case, trials, verdict("pass", "pass", contact="fail")).tolist() == [3]


def test_law_an_error_that_is_no_number_has_no_parts():
    """It is told as such."""
    assert kinds(finder([(np.inf, 0, 0, 0, 0)])) == [("combined", "the error is no number")]
