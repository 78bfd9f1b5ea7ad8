"""Loosenings are read off the documents, with their line and both values."""

from __future__ import annotations

import pytest

from driftgate.judge.loosening import loosenings
from driftgate.load.compose import compose
from driftgate.load.document import Document
from driftgate.load.text import split_lines
from driftgate.load.validate import validated_data

ROUTINE = """\
kind: routine
format: 1
title: Out
robot: r.yaml
field: f.yaml
also_on: [g.yaml]
mirror: true
time_limit: 10 s
start:
  pose: {x: 400 mm, y: 1 m}
  spread: {x: 2 mm, y: 2 mm, heading: 0.2 deg, basis: guess, constant_over: run}
steps:
  - {name: out, do: drive, to: [1.4 m, 1 m]}
  - name: half-way
    do: checkpoint
    within: {x: 50 mm, along: {low: -10 mm}, heading: 3 deg}
    required: 90 %
    points: 5
  - {name: later, do: checkpoint, within: {radial: 20 mm}, required: 80 %, after: [half-way]}
final:
  within: {along: 60 mm, heading: {low: -1 deg, high: 2 deg}}
  required: 90 %
"""

ROBOT = """\
kind: robot
format: 1
title: Small
footprint: {length: 200 mm, width: 200 mm}
mass: 2 kg
drive:
  type: differential
  motor: {free_speed: 600 rpm, wheel_diameter: 60 mm}
  track_width: 160 mm
  limits:
    {speed: 1 m/s, acceleration: 2 m/s^2, turn_rate: 180 deg/s, turn_acceleration: 700 deg/s^2,
     centripetal: 2 m/s^2}
odometry: {distance_from: tracking wheel}
errors:
  distance_scale:
    {mean: 1 %, spread: 0.5 %, basis: measured, constant_over: run,
     fitted: {runs: 6, mean_error: 0.2 %, freedom: 5}}
  heading_bias: {spread: 0.1 deg/s, basis: guess, constant_over: run}
sensors:
  - id: front
    mount: {x: 100 mm, y: 0 mm, heading: 0 deg, height: 100 mm}
    reach: {low: 20 mm, high: 2 m}
    rate: 10 Hz
    latency: 20 ms
    errors:
      noise: {at_zero: 4 mm, basis: data sheet, constant_over: reading}
      short_return: {probability: 2 %, distance: 100 mm, basis: guess, constant_over: reading}
correction:
  update: {law: kalman}
"""

FIELD = """\
kind: field map
format: 1
title: Box
walls:
  - {id: south, corner: [0 m, 0 m]}
  - id: east
    corner: [3 m, 0 m]
    build: {offset: 4 mm, tilt: 0.2 deg, basis: measured, constant_over: field}
  - {id: north, corner: [3 m, 2 m]}
  - {id: west, corner: [0 m, 2 m]}
build: {offset: 2 mm, tilt: 0.1 deg, basis: guess, constant_over: field}
elements:
  - id: pot
    shape: {circle: {radius: 40 mm}}
    at: {x: 1 m, y: 0.3 m}
    scatter: {x: 5 mm, y: 5 mm, heading: 0 deg, basis: guess, constant_over: run}
    stray: {probability: 2 %, basis: guess, constant_over: run}
    present: {end: 8 s}
rough_zones:
  - {id: mat, area: [[1 m, 1 m], [2 m, 1 m], [2 m, 2 m]], bumps: 0.5 1/m}
"""


def document(text):
    """Return the document of a text."""
    composed = compose(text, "a.yaml", split_lines(text))
    kind = composed.data["kind"]
    found = validated_data(composed.data, kind)
    assert found.model is not None, found.errors
    source = composed.source
    return Document(source.path, source.lines, source.positions, kind, found.model)


def changed(text, *swaps):
    """Return what loosened when each first text is replaced by the second."""
    after = text
    for old, new in swaps:
        assert old in after
        after = after.replace(old, new)
    return loosenings(document(text), document(after))


@pytest.mark.parametrize("text", [ROUTINE, ROBOT, FIELD])
def test_law_the_same_document_loosens_nothing(text):
    """A document against itself, or with other comments, has no loosening."""
    assert changed(text) == []
    assert changed(text, ("format: 1\n", "format: 1   # one\n\n")) == []


ACCEPTED = "{code: DG208, step: out, level: error, reason: known, until: 2026-12-01}"
CHECK, SENSOR, BIAS = "steps.half-way.", "sensors.front.errors.", "errors.heading_bias.spread"
FITTED = "errors.distance_scale.fitted."
LOOSER = [
    (ROUTINE, "x: 50 mm", "x: 51 mm", CHECK + "within.x", "50 mm", "51 mm", 16),
    (ROUTINE, "x: 50 mm", "x: {low: -50 mm, high: 2 in}", CHECK + "within.x", "50 mm", "-50 to 50.8 mm", 16),
    (ROUTINE, "x: 50 mm, ", "", CHECK + "within.x", "50 mm", "no limit", 16),
    (ROUTINE, "low: -10 mm", "low: -20 mm", CHECK + "within.along", "at least -10 mm", "at least -20 mm", 16),
    (ROUTINE, "heading: 3 deg", "heading: 4 deg", CHECK + "within.heading", "3 deg", "4 deg", 16),
    (ROUTINE, "radial: 20 mm", "radial: 3 cm", "steps.later.within.radial", "20 mm", "30 mm", 19),
    (ROUTINE, "high: 2 deg", "high: 3 deg", "final.within.heading", "-1 to 2 deg", "-1 to 3 deg", 21),
    (ROUTINE, "required: 80 %", "required: 79 %", "steps.later.required", "80 %", "79 %", 19),
    (ROUTINE, "points: 5", "points: 6", CHECK + "points", "5", "6", 18),
    (ROUTINE, ", after: [half-way]", "", "steps.later.after", "half-way", "gone", 19),
    (ROUTINE, "time_limit: 10 s", "time_limit: 11 s", "time_limit", "10 s", "11 s", 8),
    (ROUTINE, "mirror: true\n", "", "mirror", "true", "false", 1),
    (ROUTINE, "also_on: [g.yaml]\n", "", "also_on", "g.yaml", "gone", 1),
    (ROUTINE, "spread: {x: 2 mm", "spread: {x: 1 mm", "start.spread.x", "2 mm", "1 mm", 11),
    (ROUTINE, "final:\n", "final:\n  contact_allowed: 1 %\n", "final.contact_allowed", "0 %", "1 %", 21),
    (ROUTINE, "do: drive,", "do: drive, may_touch: [south],", "steps.out.may_touch", "none", "south", 13),
    (ROUTINE, "final:\n", "accepted: [" + ACCEPTED + "]\nfinal:\n", "accepted.1", "none", "DG208", 20),
    (ROBOT, "spread: 0.5 %", "spread: 0.4 %", "errors.distance_scale.spread", "0.5 %", "0.4 %", 16),
    (ROBOT, "mean: 1 %", "mean: -0.5 %", "errors.distance_scale.mean", "1 %", "-0.5 %", 16),
    (ROBOT, "mean_error: 0.2 %", "mean_error: 0.1 %", FITTED + "mean_error", "0.2 %", "0.1 %", 17),
    (ROBOT, "freedom: 5", "freedom: 9", FITTED + "freedom", "5", "9", 17),
    (ROBOT, ", freedom: 5", "", FITTED + "freedom", "5", "none", 17),
    (ROBOT, "spread: 0.1 deg/s", "spread: 0.05 deg/s", BIAS, "0.1 deg/s", "0.05 deg/s", 18),
    (ROBOT, "at_zero: 4 mm", "at_zero: 3 mm", SENSOR + "noise.at_zero", "4 mm", "3 mm", 26),
    (ROBOT, "probability: 2 %", "probability: 1 %", SENSOR + "short_return.probability", "2 %", "1 %", 27),
    (ROBOT, "distance: 100 mm, ", "", SENSOR + "short_return.distance", "100 mm", "none", 27),
    (ROBOT, "latency: 20 ms", "latency: 10 ms", "sensors.front.latency", "0.02 s", "0.01 s", 24),
    (FIELD, "build: {offset: 2 mm", "build: {offset: 1 mm", "build.offset", "2 mm", "1 mm", 11),
    (FIELD, "offset: 4 mm", "offset: 3 mm", "walls.east.build.offset", "4 mm", "3 mm", 8),
    (FIELD, "scatter: {x: 5 mm", "scatter: {x: 4 mm", "elements.pot.scatter.x", "5 mm", "4 mm", 16),
    (FIELD, "probability: 2 %", "probability: 1 %", "elements.pot.stray.probability", "2 %", "1 %", 17),
    (FIELD, "end: 8 s", "end: 7 s", "elements.pot.present.end", "8 s", "7 s", 18),
    (FIELD, "bumps: 0.5 1/m", "bumps: 0.4 1/m", "rough_zones.mat.bumps", "0.5 1/m", "0.4 1/m", 20),
]  # fmt: skip


@pytest.mark.parametrize(("text", "old", "new", "where", "before", "now", "line"), LOOSER)
def test_law_looser(text, old, new, where, before, now, line):
    """Each loosening is found once, at its place, with both values and their units."""
    found = changed(text, (old, new))
    assert [(f.where, f.before, f.now, f.line) for f in found] == [(where, before, now, line)]


@pytest.mark.parametrize(
    ("text", "old", "new"),
    [(text, old, new) for text, old, new, *_ in LOOSER if "points" not in old and "mean" not in old],
)
def test_law_the_way_back_is_no_loosening(text, old, new):
    """The same change the other way round tightens, and is not listed."""
    after = text.replace(old, new)
    found = loosenings(document(after), document(text))
    # Taking leave to touch away, or a dependency back in, tightens as well.
    assert found == []


@pytest.mark.parametrize(
    ("text", "start", "end", "where"),
    [
        (ROBOT, "  heading_bias:", "sensors:", "errors.heading_bias"),
        (FIELD, "    stray:", "    present:", "elements.pot.stray"),
        (FIELD, "elements:", "rough_zones:", "elements.pot"),
        (FIELD, "rough_zones:", "", "rough_zones.mat"),
        (FIELD, "    build: {offset: 4", "  - {id: north", "walls.east.build.offset"),
    ],
)
def test_law_gone(text, start, end, where):
    """An error source, an element, a zone that is gone is a loosening; so is a wall's own, larger spread."""
    i = text.index(start)
    j = text.index(end, i) if end else len(text)
    found = loosenings(document(text), document(text[:i] + text[j:]))
    assert where in [f.where for f in found]


def test_law_checkpoint_gone_and_renamed():
    """A checkpoint that is gone is a loosening; one that has another name is the same checkpoint."""
    i, j = ROUTINE.index("  - {name: later"), ROUTINE.index("final:")
    assert [f.where for f in loosenings(document(ROUTINE), document(ROUTINE[:i] + ROUTINE[j:]))] == [
        "steps.later"
    ]
    renamed = changed(ROUTINE, ("name: later", "name: much-later"), ("radial: 20 mm", "radial: 25 mm"))
    assert [(f.where, f.now) for f in renamed] == [("steps.much-later.within.radial", "25 mm")]
