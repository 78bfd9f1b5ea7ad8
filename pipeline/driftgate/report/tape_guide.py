"""What to drive and measure with a tape, and a sheet to fill in."""

from __future__ import annotations

from driftgate.calibrate.usual import DRIVE_OF, SIDEWAYS
from driftgate.report.robot_section import yaml_text
from driftgate.schema.robot import Robot

_CAUTION = """\
Before anything moves
  Clear the floor of people and of what could be driven over. One person holds the stop and does nothing
  else; nobody kneels, reaches in or measures before the robot stands and is powered down or disabled.
  Wear eye protection. Begin at a slow speed. The event's and the school's rules and your supervisor come
  first.
"""

_STRAIGHT = """\
1. Straights, ten minutes: the distance scale, which no closed path shows
  Stick a tape measure of 2 m or more to the floor. Line the robot up along it, mark the point under one
  fixed place of the robot (the same on every drive), zero the robot's distance, drive straight ahead for
  about 2 m, let it come to rest, disable it. Write down the distance along the tape and the distance that
  the robot counted. Five times, at the speed of your routines.
"""

_SIDEWAYS = """\
  Sideways the distance has a scale of its own, for which a sheet has no place. Logged runs show it, with
  {drive}: driftgate calibrate LOG...
"""

_SQUARE = """\
2. Squares, forty minutes: heading scale and heading drift
  Mark a spot and a line through it on the floor. Put the robot's reference point (the one its code calls
  its position) on the spot, its heading along the line, zero its pose. Let it drive {side} straight
  ahead, stop, turn 90 deg on the spot, and so on: four sides and four turns, back to the spot and heading
  by its own reckoning, without range sensors correcting it. Disable it, and measure where the
  reference point stands from the spot: x along the line ahead, y to the left of it, minus for behind and
  right. Write down the robot's own x and y too. Five times turning right, five times turning left,
  alternating, {speed}.
  Take the time of a whole drive{gyro}.
  Why both ways: a turn that comes out short and a side that bends look the same when you only ever turn
  left; correct one for the other and the robot is right on squares to the left and nowhere else.
"""

_AFTER = """\
3. Work it out
  driftgate calibrate --tape FIRST
  with the sheet below, filled in: keep no line of it that you have not measured. Enter the corrections
  in the robot's code, drive straights and squares a second time, fill in a second sheet, and
  driftgate calibrate --tape SECOND --after FIRST --corrected --robot ROBOT --out NEW-ROBOT
  says whether the corrections did what they should, and writes the robot file. Name it in the routines:
  robot: robots/NEW-ROBOT.
"""

_SHEET = """\
kind: tape sheet
format: 1
title: {title}
day: "2026-11-03"
heading_from: gyro          # or wheels, then with track_width: {track}
straights:
  - {{tape: 2.004 m, robot: 2.011 m}}
  - {{tape: 1.998 m, robot: 2.006 m}}
square:
  side: {side}
  lap_time: 16.0 s           # of one whole drive
  right:                     # [ahead, to the left] of the spot, by tape and by the robot
    - {{tape: [14 mm, 9 mm], robot: [1 mm, -2 mm]}}
    - {{tape: [18 mm, 12 mm], robot: [0 mm, 1 mm]}}
  left:
    - {{tape: [-11 mm, 16 mm], robot: [2 mm, 0 mm]}}
    - {{tape: [-15 mm, 13 mm], robot: [-1 mm, 1 mm]}}
"""

# Of the routines' own speed, so that wheels do not slip where the method looks for systematic errors.
_SLOW_SHARE = 0.5


def render_guide(robot: Robot | None) -> str:
    """Return the guide, for a robot if one is given."""
    sideways = ""
    track = "270 mm"
    side, speed, title = "1.5 m", "at half of the speed of your routines or slower", "Our robot"
    if robot is not None:
        slow = _SLOW_SHARE * robot.drive.limits.speed
        side = f"{_side(robot):g} m"
        speed = f"at {slow:.2g} m/s or slower"
        title = robot.title
        track = f"{1e3 * robot.drive.track_width:.6g} mm"
        if robot.drive.type == "holonomic":
            sideways = _SIDEWAYS.format(drive=DRIVE_OF[SIDEWAYS])
    parts = (
        _CAUTION,
        _STRAIGHT + sideways,
        _SQUARE.format(side=side, speed=speed, gyro=": a gyro drifts with time"),
        _AFTER,
        "A sheet to fill in (its numbers are invented: replace them all)\n\n"
        + _SHEET.format(side=side, title=yaml_text(title), track=track),
    )
    return "\n".join(parts)


def _side(robot: Robot) -> float:
    """Return a side that leaves the robot some lengths of room, in steps of half a metre."""
    outline = robot.footprint
    size = max(outline.length or 0.0, outline.width or 0.0)
    return 1.0 if size <= 0.25 else 1.5 if size <= 0.45 else 2.0
