"""A project small enough to be predicted in a blink: one box, one robot, short routines. Invented."""

from __future__ import annotations

FIELD = """\
kind: field map
format: 1
title: Box
walls:
  - {id: south, corner: [0 m, 0 m]}
  - {id: east, corner: [3 m, 0 m]}
  - {id: north, corner: [3 m, 2 m]}
  - {id: west, corner: [0 m, 2 m]}
build: {offset: 2 mm, tilt: 0.1 deg, basis: guess, constant_over: field}
mirror: {x: 1.5 m, pairs: {east: west, west: east}}
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
    speed: 1 m/s
    acceleration: 2 m/s^2
    turn_rate: 180 deg/s
    turn_acceleration: 700 deg/s^2
    centripetal: 2 m/s^2
odometry: {distance_from: tracking wheel, longest_tick: 100 ms}
errors:
  distance_scale: {spread: 0.5 %, basis: measured, constant_over: run}
  heading_bias: {spread: 0.1 deg/s, basis: guess, constant_over: run}
  heading_walk: {per_root_metre: 0.2 deg/sqrt(m), basis: measured, constant_over: tick}
sensors:
  - id: front
    mount: {x: 100 mm, y: 0 mm, heading: 0 deg, height: 100 mm}
    reach: {low: 20 mm, high: 2 m}
    rate: 10 Hz
    errors:
      noise: {at_zero: 4 mm, basis: data sheet, constant_over: reading}
      dropout: {probability: 2 %, basis: guess, constant_over: reading}
correction:
  validity: {incidence: 20 deg}
  gate: {sigmas: 3.0}
  update: {law: kalman}
"""

ROUTINE = """\
kind: routine
format: 1
title: Out and stop
robot: robots/small.yaml
field: ../fieldmaps/box.yaml
time_limit: 10 s
start:
  pose: {x: 400 mm, y: 1 m}
  spread: {x: 2 mm, y: 2 mm, heading: 0.2 deg, basis: guess, constant_over: run}
steps:
  - {name: out, do: drive, to: [1.4 m, 1 m]}
  - {name: half-way, do: checkpoint, within: {x: TOLERANCE}, required: 90 %, points: 5}
  - {do: drive, to: [2.2 m, 1 m]}
final:
  within: {along: 60 mm, across: 60 mm, heading: 10 deg}
  required: 90 %
"""


def write_project(folder, tolerance="50 mm", title="Out and stop"):
    """Write the project into a folder, as the root of a repository; return the folder."""
    for name in ("routines/robots", "fieldmaps"):
        (folder / name).mkdir(parents=True, exist_ok=True)
    (folder / "pyproject.toml").write_text("")
    (folder / "fieldmaps/box.yaml").write_text(FIELD)
    (folder / "routines/robots/small.yaml").write_text(ROBOT)
    routine = ROUTINE.replace("TOLERANCE", tolerance).replace("Out and stop", title)
    (folder / "routines/out.yaml").write_text(routine)
    return folder
