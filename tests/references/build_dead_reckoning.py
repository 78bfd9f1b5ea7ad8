"""Remake the dead-reckoning growth numbers by quadrature and direct integration.

The product carries matrices from tick to tick. Here the general linear solution of A. Kelly,
"Linearized error propagation in odometry", Int. J. Robot. Res. 23(2) (2004) 179-218 (transition matrix
from memory), is integrated along the arc length, the moments of a wandering line (O. Kratky and
G. Porod, Rec. Trav. Chim. 68 (1949) 1106, from memory) are double integrals of expected cosines, and the
residual of a figure of eight is a non-linear integration. Run it to write dead_reckoning.json.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
from scipy.integrate import dblquad, quad_vec, solve_ivp


def arc(radius_m: float, turned_rad: float) -> dict[str, list[float]]:
    """Return what each error source does on a left arc from (0, 0, 0): reported minus true."""

    def place(s: float) -> tuple[float, float, float]:
        a = s / radius_m
        return radius_m * math.sin(a), radius_m * (1.0 - math.cos(a)), a

    length = radius_m * turned_rad
    end = place(length)

    def turning(s: float) -> np.ndarray:
        x, y, _ = place(s)
        return np.array([-(end[1] - y), end[0] - x, 1.0])

    def ahead(s: float) -> np.ndarray:
        heading = place(s)[2]
        return np.array([math.cos(heading), math.sin(heading), 0.0])

    def integrate(f: object) -> list[float]:
        value = quad_vec(f, 0.0, length, epsabs=1e-13, epsrel=1e-13)[0]
        return np.ravel(value).tolist()

    return {
        "start_heading": [-end[1], end[0], 1.0],
        "scale": integrate(ahead),
        "bias_per_metre": integrate(turning),
        "heading_walk": integrate(lambda s: np.outer(turning(s), turning(s))),
        "distance_walk": integrate(lambda s: np.outer(ahead(s), ahead(s))),
    }


def wandering_line(q: float, length_m: float) -> dict[str, float]:
    """Return mean x, mean r^2 and mean y^2 of a straight line with a heading random walk q [rad^2/m]."""
    mean_x = quad_vec(lambda s: math.exp(-q * s / 2.0), 0.0, length_m)[0]

    def cosine(a: float, b: float) -> float:
        return math.exp(-q * abs(a - b) / 2.0)

    def sines(a: float, b: float) -> float:
        # E sin A sin B = (E cos(A - B) - E cos(A + B)) / 2; var(A + B) = q (a + b + 2 min(a, b)).
        return 0.5 * (cosine(a, b) - math.exp(-q * (a + b + 2.0 * min(a, b)) / 2.0))

    def twice_half(f: object) -> float:
        return 2.0 * dblquad(f, 0.0, length_m, 0.0, lambda a: a, epsabs=1e-11)[0]

    return {"mean_x": float(mean_x), "mean_r2": twice_half(cosine), "mean_y2": twice_half(sines)}


def figure_of_eight(radius_m: float, bias_per_m: float) -> list[float]:
    """Return where a figure of eight, left circle then right, ends under a heading bias: reported."""
    circle = 2.0 * math.pi * radius_m

    def motion(curvature: float) -> object:
        return lambda s, z: [math.cos(z[2]), math.sin(z[2]), curvature + bias_per_m]

    pose = np.zeros(3)
    for curvature in (1.0 / radius_m, -1.0 / radius_m):
        pose = solve_ivp(motion(curvature), (0.0, circle), pose, rtol=1e-12, atol=1e-14).y[:, -1]
    return pose.tolist()


def main() -> None:
    """Write the numbers beside this script."""
    numbers = {
        "arcs": [
            {"radius_m": radius, "turned_rad": turned, **arc(radius, turned)}
            for radius, turned in ((0.8, math.pi / 2), (0.8, math.pi), (0.8, 2 * math.pi), (1.5, 1.1))
        ],
        "wandering_line": {"q": 0.2, "length_m": 5.0, **wandering_line(0.2, 5.0)},
        "figure_of_eight": {"radius_m": 1.3, "bias_per_m": 1e-3, "end": figure_of_eight(1.3, 1e-3)},
    }
    path = Path(__file__).with_name("dead_reckoning.json")
    path.write_text(json.dumps(numbers, indent=1) + "\n")


if __name__ == "__main__":
    main()
