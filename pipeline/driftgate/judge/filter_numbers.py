"""The numbers of the robot's own filter: which there are, what they stand for, and one of them changed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from driftgate.predict.filter_model import FilterModel, filter_model, wall_offset, wall_tilt
from driftgate.predict.prepared import Prepared
from driftgate.schema.case import Case

# What is nothing starts from a third of a typical size, as if it had been changed by this.
FIRST = 3.0


@dataclass(frozen=True)
class Number:
    """One of the filter's own numbers: its key in the robot file, its unit, what a small one is."""

    key: str
    unit: str
    per_unit: float
    typical: float


NUMBERS = (
    Number("start_x", "mm", 1e3, 0.005),
    Number("start_y", "mm", 1e3, 0.005),
    Number("start_heading", "deg", math.degrees(1.0), math.radians(0.5)),
    Number("along", "mm/sqrt(m)", 1e3, 0.005),
    Number("across", "mm/sqrt(m)", 1e3, 0.005),
    Number("heading_per_root_metre", "deg/sqrt(m)", math.degrees(1.0), math.radians(0.1)),
    Number("heading_per_root_second", "deg/sqrt(s)", math.degrees(1.0), math.radians(0.05)),
    Number("heading_per_root_radian", "deg/sqrt(rad)", math.degrees(1.0), math.radians(0.1)),
    Number("range_at_zero", "mm", 1e3, 0.005),
    Number("range_per_range", "%", 1e2, 0.005),
    Number("range_bias", "mm", 1e3, 0.003),
    Number("range_scale", "%", 1e2, 0.003),
    Number("mount_angle", "deg", math.degrees(1.0), math.radians(0.5)),
    Number("mount_aside", "mm", 1e3, 0.003),
    Number("wall", "mm", 1e3, 0.005),
    Number("wall_tilt", "deg", math.degrees(1.0), math.radians(0.3)),
    Number("constants_hold", "m", 1.0, 2.0),
)
# One that may be left out: then it is without end.
ENDLESS = "constants_hold"


# Which number stands for an error source.
OF_SOURCE = {
    "start_placement": ("start_x", "start_y", "start_heading"),
    "distance_scale": ("along",),
    "distance_walk": ("along",),
    "sideways_scale": ("along",),
    "rare_slip": ("along",),
    "wheel_offset": ("along",),
    "crab_angle": ("across",),
    "lateral_walk": ("across",),
    "heading_latency": ("across",),
    "lateral_slip": ("across",),
    "heading_bias": ("heading_per_root_second",),
    "heading_scale": ("heading_per_root_radian",),
    "heading_walk": ("heading_per_root_metre", "heading_per_root_second", "heading_per_root_radian"),
    "wall_build": ("wall", "wall_tilt", "constants_hold"),
    "structure_build": ("wall", "wall_tilt", "constants_hold"),
    "range_noise": ("range_at_zero", "range_per_range"),
    "range_bias": ("range_bias", "range_at_zero"),
    "range_scale": ("range_scale", "range_per_range"),
    "mount_position": ("range_bias", "mount_aside", "range_at_zero"),
    "mount_angle": ("mount_angle",),
    "quantisation": ("range_at_zero",),
}
READINGS = ("range_at_zero", "range_per_range", "wall", "wall_tilt")
# Those that mean something only where constants are considered; then the walls' are constants, too.
CONSTANTS = ("range_bias", "range_scale", "mount_angle", "mount_aside", ENDLESS)
SWITCH = Number("consider", "", 1.0, 1.0)


def value_of(model: FilterModel, number: Number) -> float:
    """Return a number of the filter; of one that sensors have apart, the largest."""
    match number.key:
        case "start_x" | "start_y" | "start_heading":
            return model.start_sd[("start_x", "start_y", "start_heading").index(number.key)]
        case "along" | "across":
            return float(getattr(model, f"{number.key}_per_root_m"))
        case "heading_per_root_metre" | "heading_per_root_second" | "heading_per_root_radian":
            return float(getattr(model, _HEADING[number.key]))
        case "wall":
            return model.wall_m
        case "wall_tilt":
            return model.wall_tilt_rad
        case "constants_hold":
            return model.constants_hold_m
        case "range_bias" | "range_scale" | "mount_angle" | "mount_aside":
            return max((float(getattr(c, _OF_SENSOR[number.key])) for c in model.constants), default=0.0)
        case "range_at_zero":
            return max(model.range_at_zero_m, default=0.0)
        case _:
            return max(model.range_per_range, default=0.0)


_OF_SENSOR = {
    "range_bias": "bias_m",
    "range_scale": "scale",
    "mount_angle": "angle_rad",
    "mount_aside": "aside_m",
}
_HEADING = {
    "heading_per_root_metre": "heading_per_root_m",
    "heading_per_root_second": "heading_per_root_s",
    "heading_per_root_radian": "heading_per_root_rad",
}


def with_numbers(prepared: Prepared, changes: Sequence[tuple[Number, float]]) -> Prepared:
    """Return the case with numbers of the filter changed by factors; what is 0 starts from a typical size."""
    found: dict[str, float | None] = {}
    for number, factor in changes:
        value = (value_of(prepared.filter, number) or _typical(prepared.case, number) / FIRST) * factor
        found[number.key] = _rounded(number, value) if math.isfinite(value) else None
    return _with_own(prepared, found)


def considering(prepared: Prepared) -> Prepared | None:
    """Return the case with constants considered; None if they are already, or nothing is constant."""
    changed = None if prepared.filter.considers else _with_own(prepared, {"consider": True})
    return changed if changed is not None and changed.filter.considers else None


def _with_own(prepared: Prepared, update: dict[str, float | None]) -> Prepared:
    case, correction = prepared.case, prepared.case.robot.correction
    own = correction.filter.model_copy(update=update)
    robot = case.robot.model_copy(update={"correction": correction.model_copy(update={"filter": own})})
    return replace(prepared, filter=filter_model(replace(case, robot=robot)))


def _typical(case: Case, number: Number) -> float:
    """Return what to try first of a number that is nothing: of walls, how well they are built by the map."""
    built = {"wall": wall_offset, "wall_tilt": wall_tilt}.get(number.key)
    return (built(case.believed) if built else 0.0) or number.typical


def _rounded(number: Number, value: float) -> float:
    """Return a value to two figures in its unit, as one would write it down; it is tried as written."""
    return float(f"{value * number.per_unit:.2g}") / number.per_unit


def words(number: Number, value: float) -> str:
    """Return a value with its unit, as one writes it."""
    return f"{value * number.per_unit:.3g} {number.unit}" if math.isfinite(value) else "none"
