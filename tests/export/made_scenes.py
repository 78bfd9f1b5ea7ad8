"""Made-up cases that together use every feature of the correction. Invented."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from typing import Any

from scenes import GUESS, field_map, prepared, range_sensor, robot, run, tick

from driftgate.predict import Prepared

SCATTER = {"x": "5 mm", "y": "5 mm", "heading": "0 deg", "constant_over": "run", **GUESS}


def hall() -> Any:
    """Return a field with a slanted, a low and a glass wall, benches, a pot, a crate, a cart that leaves."""
    return field_map(
        corners={
            "south": (0.0, 0.0),
            "east": (4.0, 0.0),
            "slant": (4.0, 2.2),
            "north": (3.3, 3.0),
            "west": (0.0, 3.0),
        },
        wall_height={"low": "0 m", "high": "0.3 m"},
        structures=[
            {
                "id": "bench",
                "shape": {"rectangle": {"length": "0.3 m", "width": "0.8 m"}},
                "at": {"x": "3.85 m", "y": "1.1 m"},
                "reference": True,
                "fixed_to": "east",
                "build": {"x": "2 mm", "y": "3 mm", "heading": "0.3 deg", "constant_over": "field", **GUESS},
            },
            {
                "id": "rack",
                "shape": {"polygon": {"corners": [["0 m", "0 m"], ["0.5 m", "0 m"], ["0.4 m", "0.3 m"]]}},
                "at": {"x": "1.6 m", "y": "2.7 m"},
            },
            {
                "id": "shelf",
                "shape": {"rectangle": {"length": "0.4 m", "width": "0.1 m"}},
                "at": {"x": "1 m", "y": "0.05 m"},
                "height": {"low": "0.2 m", "high": "0.4 m"},
                "reference": True,
            },
        ],
        elements=[
            {
                "id": "pot",
                "shape": {"circle": {"radius": "0.08 m"}},
                "at": {"x": "2.2 m", "y": "1.9 m"},
                "scatter": SCATTER,
            },
            {
                "id": "crate",
                "shape": {"rectangle": {"length": "0.2 m", "width": "0.3 m"}},
                "at": {"x": "0.5 m", "y": "2.2 m", "heading": "20 deg"},
                "scatter": SCATTER,
            },
            {
                "id": "cart",
                "shape": {"circle": {"radius": "0.15 m"}},
                "at": {"x": "3.2 m", "y": "0.4 m"},
                "scatter": SCATTER,
                "present": {"begin": "0.5 s", "end": "2 s"},
            },
        ],
    )


DRIVE = [
    {"do": "drive", "to": ["2.4 m", "1 m"]},
    {"do": "turn", "to": "90 deg"},
    {"do": "look", "time": "0.4 s"},
    {"do": "drive", "to": ["2.4 m", "1.3 m"], "speed": "0.5 m/s"},
    {"do": "face", "point": ["0 m", "1 m"]},
    {"do": "advance", "distance": "0.4 m", "fixes": "none"},
]
CONTACT = [
    {"do": "drive", "to": ["2.4 m", "1 m"], "fixes": ["ahead", "left"]},
    {"do": "turn", "to": "-90 deg"},
    {"do": "advance", "distance": "0.6 m"},
    {
        "do": "square-up",
        "against": "south",
        "speed": "0.3 m/s",
        "reset": {"position": "4 mm", "heading": "0.4 deg"},
    },
    {"do": "advance", "distance": "-0.3 m"},
    {"do": "arc", "radius": "0.4 m", "angle": "50 deg", "backwards": True},
]
SLANTED = [
    {"do": "drive", "to": ["2.4 m", "1 m"]},
    {"do": "turn", "to": "90 deg"},
    {"do": "drive", "to": ["2.4 m", "1.3 m"]},
    {"do": "turn", "to": "40 deg"},
    {
        "do": "square-up",
        "against": "slant",
        "speed": "0.6 m/s",
        "reset": {"position": "4 mm", "heading": "0.4 deg"},
    },
]
VALIDITY = {
    "range": {"low": "0.2 m", "high": "2.6 m"},
    "incidence": "35 deg",
    "corridor": "50 mm",
    "edge_margin": "60 mm",
    "speed": "0.7 m/s",
    "turn_rate": "60 deg/s",
}
FILTER = {
    "start_x": "20 mm",
    "start_y": "15 mm",
    "start_heading": "1 deg",
    "along": "8 mm/sqrt(m)",
    "across": "5 mm/sqrt(m)",
    "heading_per_root_metre": "0.1 deg/sqrt(m)",
    "heading_per_root_second": "0.05 deg/sqrt(s)",
    "heading_per_root_radian": "0.2 deg/sqrt(rad)",
    "range_at_zero": "4 mm",
    "range_per_range": "1 %",
    "wall": "5 mm",
    "wall_tilt": "0.4 deg",
    "range_bias": "4 mm",
    "range_scale": "1 %",
    "mount_angle": "1.5 deg",
    "mount_aside": "3 mm",
    "constants_hold": "1.5 m",
}
# Walks that are derived from these, each with a size of its own.
DERIVED = {key: value for key, value in FILTER.items() if key not in ("along", "across")}
ERRORS = {
    "distance_walk": tick(per_root_metre="4 mm/sqrt(m)"),
    "lateral_walk": tick(per_root_metre="7 mm/sqrt(m)"),
    "sideways_scale": run(spread="2 %"),
    "crab_angle": run(spread="0.3 deg"),
    "wheel_offset": run(spread="6 mm"),
    "heading_latency": run(mean="20 ms", spread="5 ms"),
    "lateral_slip": {"per_turn": "9 mm/rad", "basis": "guess", "constant_over": "run"},
}
NOISE_ALONE = {**FILTER, "consider": False}
BACK = {"refusals": 3, "factor": 3.0, "lost_after": 2}


def sensors(width: str = "0 deg", high: str = "3 m", **more: Any) -> list[dict[str, Any]]:
    """Return a pair that looks ahead, one to the left, one high up that looks back and over things."""
    common = {"reach": {"low": "20 mm", "high": high}, "beam_width": width, "latency": "30 ms", **more}
    return [
        range_sensor("port", 0.1, 0.11, 0.0, **common),
        range_sensor("ahead", 0.12, 0.0, 4.0, **common, phase="10 ms"),
        range_sensor("starboard", 0.1, -0.09, 0.0, **common),
        range_sensor("left", 0.0, 0.1, 90.0, **common, phase="20 ms"),
        {
            **range_sensor("back", -0.1, 0.0, 180.0, **common, phase="35 ms"),
            "mount": {"x": "-0.1 m", "y": "0 m", "heading": "180 deg", "height": "0.25 m"},
        },
    ]


PAIR = {"pairs": [{"sensors": ["starboard", "port"]}]}


def correction(law: str = "kalman", **more: Any) -> dict[str, Any]:
    """Return a correction with every stage, and what a case changes of it."""
    update = {"law": law, **({"share": "40 %"} if law == "blend" else {}), **more.pop("update", {})}
    return {
        "when": "always",
        "validity": VALIDITY,
        "gate": {"sigmas": 2.5},
        "persistence": {"readings": 3},
        "way_back": BACK,
        "update": update,
        "filter": FILTER,
        **more,
    }


def scene(
    rule: dict[str, Any],
    steps: list[dict[str, Any]] | None = None,
    width: str = "0 deg",
    drive: str = "differential",
    against: Sequence[str] = (),
    errors: dict[str, Any] | None = None,
    **more: Any,
) -> Prepared:
    """Return a case in the hall."""
    return prepared(
        steps or DRIVE,
        robot(errors, sensors(width, **more), rule, drive=drive),
        believed=hall(),
        start=(0.6, 1.0, 0.0),
        placed_against=list(against),
    )


ORDERS = list(itertools.permutations(("validity", "gate", "persistence")))
LIMIT = {"largest_move": "15 mm"}

SCENES: dict[str, Callable[[], Prepared]] = {
    "kalman": lambda: scene(correction(), against=["slant", "west"]),
    "kalman with latency compensated": lambda: scene(correction(compensate_latency=True)),
    "kalman, pairs": lambda: scene(correction(**PAIR)),
    "kalman, pairs, limit": lambda: scene(correction(update=LIMIT, **PAIR)),
    "kalman, pairs, latency compensated, cones": lambda: scene(
        correction(compensate_latency=True, **PAIR), width="20 deg"
    ),
    "replace": lambda: scene(correction("replace")),
    "replace, limit": lambda: scene(correction("replace", update=LIMIT)),
    "replace, pairs, limit": lambda: scene(correction("replace", update=LIMIT, **PAIR)),
    "replace, pairs, cones": lambda: scene(correction("replace", **PAIR), width="30 deg"),
    "blend, pairs": lambda: scene(correction("blend", **PAIR)),
    "blend, limit, cones": lambda: scene(correction("blend", update=LIMIT), width="25 deg"),
    "cones": lambda: scene(correction(), width="30 deg"),
    "cones without tests": lambda: scene(correction(validity={"reference": False}), width="30 deg"),
    "expected from the plan": lambda: scene(correction(expect_from="plan")),
    "expected from the plan, cones, pairs": lambda: scene(
        correction(expect_from="plan", **PAIR), width="20 deg"
    ),
    "noise alone, pairs": lambda: scene(correction(filter=NOISE_ALONE, **PAIR)),
    "no gate": lambda: scene({k: v for k, v in correction().items() if k != "gate"}, against=["bench"]),
    "no persistence, pairs": lambda: scene(
        {k: v for k, v in correction(**PAIR).items() if k != "persistence"}
    ),
    "no way back": lambda: scene({k: v for k, v in correction().items() if k != "way_back"}),
    "no tests": lambda: scene(
        {"when": "always", "validity": {"reference": False}, "update": {"law": "kalman"}, "filter": FILTER}
    ),
    "looking alone": lambda: scene(correction(when="looking")),
    "disabled": lambda: scene(correction(enabled=False)),
    "wide cones, mute surfaces": lambda: scene(
        correction(validity={"reference": False}), width="55 deg", echo_limit="30 deg"
    ),
    "gate before the test of surfaces": lambda: scene(
        correction(order=["gate", "validity", "persistence"], filter={**FILTER, "wall": "60 mm"}, **PAIR),
        [
            {"do": "drive", "to": ["1.85 m", "1 m"]},
            {"do": "turn", "to": "90 deg"},
            {"do": "look", "time": "0.4 s"},
        ],
    ),
    "contact and fixes by step": lambda: scene(correction(), CONTACT),
    "contact with a slanted wall": lambda: scene(correction("replace"), SLANTED),
    "turns": lambda: scene(
        correction(filter=DERIVED),
        [
            {"do": "arc", "radius": "0.6 m", "angle": "60 deg"},
            {"do": "turn", "to": "0 deg"},
            {"do": "arc", "radius": "0.5 m", "angle": "40 deg", "backwards": True},
        ],
        errors=ERRORS,
    ),
    "holonomic": lambda: scene(
        correction(filter=DERIVED),
        [{"do": "drive", "to": ["1.6 m", "1.5 m"]}, {"do": "sidestep", "distance": "-0.2 m"}],
        drive="holonomic",
        errors=ERRORS,
    ),
    "random phase": lambda: scene(correction(), random_phase=True),
    **{
        f"order {', '.join(order)}{', pairs' if k % 2 else ''}": (
            lambda order=order, k=k: scene(correction(order=list(order), **(PAIR if k % 2 else {})))
        )
        for k, order in enumerate(ORDERS)
    },
}
