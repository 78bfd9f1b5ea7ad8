"""Sensors that give no fix, from counts written by hand."""

import numpy as np
import pytest

from driftgate.judge.share_beside import share_beside
from driftgate.judge.silent import silent_sensors
from driftgate.predict.values import Outcome
from driftgate.schema.robot import Robot

TRIALS = 100
ROBOT = {
    "kind": "robot",
    "format": 1,
    "title": "Invented",
    "footprint": {"length": "300 mm", "width": "260 mm"},
    "height": "250 mm",
    "mass": "5 kg",
    "drive": {
        "type": "differential",
        "motor": {"free_speed": "300 rpm", "wheel_diameter": "82 mm", "usable": "90 %"},
        "track_width": "240 mm",
        "limits": {
            "speed": "0.8 m/s",
            "acceleration": "1 m/s^2",
            "turn_rate": "90 deg/s",
            "turn_acceleration": "300 deg/s^2",
            "centripetal": "1 m/s^2",
        },
    },
    "odometry": {"distance_from": "tracking wheel"},
    "errors": {},
}


def robot(*ids, enabled=True, **correction):
    """Return a robot with these sensors."""
    sensors = [
        {
            "id": name,
            "mount": {"x": "0 mm", "y": "0 mm", "heading": "0 deg", "height": "100 mm"},
            "reach": {"low": "30 mm", "high": "2 m"},
            "rate": "10 Hz",
            "errors": {},
        }
        for name in ids
    ]
    own = {"enabled": enabled, "update": {"law": "kalman"}, **correction}
    return Robot.model_validate({**ROBOT, "sensors": sensors, "correction": own})


def counts(*sensors):
    """Return counts in two steps, each sensor by the names of outcomes."""
    found = np.zeros((len(sensors), 2, len(Outcome)), np.int64)
    for i, named in enumerate(sensors):
        for name, many in named.items():
            found[i, :, Outcome[name]] = many // 2, many - many // 2
    return found


GOOD = {"ACCEPTED": 5000, "OUT_OF_RANGE": 5000}


@pytest.mark.parametrize(
    ("outcomes", "path", "words"),
    [
        ({"NO_SURFACE": 900, "TURNING": 100}, ("sensors", 1, "mount"), "90 % meet no wall or structure"),
        ({"NOT_REFERENCE": 1000}, ("correction", "validity", "reference"), "no reference surface"),
        ({"OUT_OF_RANGE": 990, "GATE": 10}, ("correction", "validity", "range"), "99 % are out of range"),
        ({"INCIDENCE": 1000}, ("correction", "validity", "incidence"), "too obliquely"),
        ({"CORRIDOR": 1000}, ("correction", "validity", "corridor"), "no free corridor"),
        ({"TOO_FAST": 1000}, ("correction", "validity", "speed"), "drives too fast"),
        ({"TURNING": 1000}, ("correction", "validity", "turn_rate"), "turns too fast"),
        ({"NO_ECHO": 1000}, ("sensors", 1), "have no echo"),
        # The last test is to blame, where it has much to refuse, whatever the commonest reason is.
        ({"OUT_OF_RANGE": 800, "GATE": 200}, ("correction", "gate"), "20 % are refused by the gate"),
        ({"GATE": 800, "HELD_BACK": 200}, ("correction", "persistence"), "20 % are held back"),
        # Hardly any is as good as none; nothing but the gate makes them few.
        ({"OUT_OF_RANGE": 1000, "ACCEPTED": 4}, ("correction", "validity", "range"), "only 0.4 %"),
        ({"CORRIDOR": 500, "GATE": 490, "ACCEPTED": 20}, ("correction", "gate"), "only 2 %"),
    ],
)
def test_law_a_silent_sensor_and_what_silences_it(outcomes, path, words):
    """The sensor is named, the reason, and the setting that it goes back to; the other one is left alone."""
    machine = robot(
        "front",
        "left",
        validity={
            "range": {"low": "60 mm", "high": "1 m"},
            "incidence": "20 deg",
            "corridor": "50 mm",
            "speed": "0.5 m/s",
            "turn_rate": "60 deg/s",
        },
        gate={"sigmas": 3.0},
        persistence={"readings": 2},
    )
    (found,) = silent_sensors(machine, counts(GOOD, outcomes), TRIALS)
    assert found.sensor == "left"
    assert "'left'" in found.message
    assert words in found.message
    assert found.doc_path == path


def test_law_what_a_test_that_is_not_made_leaves_to_the_sensor():
    """Without a validity test of range or incidence it is the sensor's reach and echo limit."""
    machine = robot("front", "left")
    (range_,) = silent_sensors(machine, counts(GOOD, {"OUT_OF_RANGE": 1000}), TRIALS)
    assert (range_.doc_path, range_.suggestion) == (
        ("sensors", 1, "reach"),
        "the sensor's 'reach' is 30 mm to 2000 mm",
    )
    (oblique,) = silent_sensors(machine, counts(GOOD, {"INCIDENCE": 1000}), TRIALS)
    assert oblique.doc_path == ("sensors", 1, "echo_limit")
    (edge,) = silent_sensors(machine, counts(GOOD, {"CORRIDOR": 1000}), TRIALS)
    assert edge.doc_path == ("correction", "validity", "edge_margin")


@pytest.mark.parametrize(
    "sensors",
    [
        # Enough fixes; switched off on purpose; hardly asked for.
        [{"ACCEPTED": 10, "OUT_OF_RANGE": 99990}, GOOD],
        [{"SWITCHED_OFF": 5000, "IN_CONTACT": 100}, GOOD],
        [{"SWITCHED_OFF": 5000, "OUT_OF_RANGE": 99}, GOOD],
        # A gate that refuses most of few readings says little.
        [{"ACCEPTED": 11, "GATE": 90, "OUT_OF_RANGE": 904}, GOOD],
        [{"SWITCHED_OFF": 5000}, {"SWITCHED_OFF": 5000}],
        [GOOD, {"GATE": 900, "ACCEPTED": 100}],
    ],
)
def test_law_no_false_alarm(sensors):
    """A sensor that gives some fixes, or that nobody asks, is not silent."""
    assert silent_sensors(robot("front", "left"), counts(*sensors), TRIALS) == ()


def test_law_a_correction_that_is_off_is_not_silent():
    """Nobody expects a fix of it."""
    machine = robot("front", enabled=False)
    assert silent_sensors(machine, counts({"OUT_OF_RANGE": 1000}), TRIALS) == ()


def test_law_a_correction_without_any_fix_is_said_once():
    """Where no sensor gives a fix it is the correction that does nothing, at what most of them fail by."""
    machine = robot("front", "left", "rear", gate={"sigmas": 3.0})
    sensors = ({"OUT_OF_RANGE": 700}, {"INCIDENCE": 400}, {"SWITCHED_OFF": 9000})
    (found,) = silent_sensors(machine, counts(*sensors), TRIALS)
    assert found.sensor == ""
    assert found.message == (
        "the correction does nothing: no reading becomes a fix: 64 % are out of range, "
        "36 % meet the surface too obliquely"
    )
    assert found.doc_path == ("sensors", 0, "reach")
    (only,) = silent_sensors(robot("front"), counts({"GATE": 1000}), TRIALS)
    assert only.sensor == ""
    assert only.message.startswith("the correction does nothing: no reading of 'front' becomes a fix")


def test_law_rounding_keeps_to_its_side():
    """As many decimals as it takes, no more."""
    assert share_beside(0.9175, 0.92) == "91.8 %"
    assert share_beside(0.91996, 0.92) == "91.996 %"
    assert share_beside(0.92, 0.92) == "92 %"
    assert share_beside(0.9225, 0.92) == "92.2 %"
    assert share_beside(0.94, 0.92, 0.98) == "94 %"
    assert share_beside(0.9175) == "92 %"
