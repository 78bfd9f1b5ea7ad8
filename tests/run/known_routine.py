"""A routine of known success probability: only the start placement errs, and one axis is judged."""

from __future__ import annotations

import math
from statistics import NormalDist

from small_project import FIELD, ROBOT

# Half a tolerance's width, in standard deviations of the start placement, for each probability.
HALF_WIDTH_SD = {p: NormalDist().inv_cdf(0.5 + 0.5 * p) for p in (0.5, 0.9, 0.95, 0.99, 0.999)}
SPREAD_MM = 10.0

_ROUTINE = """\
kind: routine
format: 1
title: Stand still
robot: robots/still.yaml
field: ../fieldmaps/box.yaml
time_limit: 10 s
start:
  pose: {{x: 1 m, y: 1 m}}
  spread: {{x: {spread} mm, y: 0 mm, heading: 0 deg, basis: guess, constant_over: run}}
steps:
{steps}
final:
  within: {{x: {half_width!r} mm}}
  required: {required} %
  contact_allowed: {contact_allowed}
"""


def write_known(folder, required, half_width_sd=None, name="still", pieces=1, contact_allowed="100 %"):
    """Write a routine that ends inside its tolerance with probability erf(k / sqrt 2); return that.

    k is `half_width_sd`; by default the one at which the probability is exactly what is required.
    Nothing moves, nothing is near, so nothing else can fail; by default contact is allowed, so that it
    asks for no trials.
    """
    for part in ("routines/robots", "fieldmaps"):
        (folder / part).mkdir(parents=True, exist_ok=True)
    (folder / "pyproject.toml").write_text("")
    (folder / "fieldmaps/box.yaml").write_text(FIELD)
    head, errors = ROBOT.split("errors:\n")[0], "errors: {}\n"
    (folder / "routines/robots/still.yaml").write_text(
        head + errors + "correction: {enabled: false, update: {law: kalman}}\n"
    )
    k = HALF_WIDTH_SD[required] if half_width_sd is None else half_width_sd
    text = _ROUTINE.format(
        spread=SPREAD_MM,
        steps="\n".join("  - {do: pause, time: 100 ms}" for _ in range(pieces)),
        half_width=k * SPREAD_MM,
        required=repr(100.0 * required),
        contact_allowed=contact_allowed,
    )
    (folder / f"routines/{name}.yaml").write_text(text)
    return math.erf(k / math.sqrt(2.0))
