"""Where things of the field are in its picture, and how large."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from driftgate.report.picture import CasePicture
from driftgate.report.svg import WIDTH, Point

LEFT, RIGHT, TOP, BOTTOM = 30.0, 10.0, 10.0, 22.0
_TALLEST: Final = 620.0
# Ellipses are drawn so many times larger, the largest factor that keeps every half axis below this. [m]
_FACTORS: Final = (20, 10, 5, 2, 1)
_LARGEST_M: Final = 0.25


@dataclass(frozen=True)
class FieldScale:
    """From metres on the field to the picture."""

    x_m: float
    y_m: float
    per_m: float
    height: float

    def at(self, point: Sequence[float]) -> Point:
        """Return where a point of the field is."""
        return (
            LEFT + (point[0] - self.x_m) * self.per_m,
            self.height - BOTTOM - (point[1] - self.y_m) * self.per_m,
        )

    def all(self, points: Sequence[Point]) -> list[Point]:
        """Return where points are."""
        return [self.at(point) for point in points]


def field_scale(picture: CasePicture) -> FieldScale:
    """Return the scale at which the whole field fits."""
    xs, ys = zip(*picture.field.outline, strict=True)
    wide, high = max(xs) - min(xs), max(ys) - min(ys)
    # Walls have a width, and a robot may stand in front of one.
    edge = 0.02 * max(wide, high)
    wide, high = wide + 2.0 * edge, high + 2.0 * edge
    per_m = min((WIDTH - LEFT - RIGHT) / wide, (_TALLEST - TOP - BOTTOM) / high)
    return FieldScale(min(xs) - edge, min(ys) - edge, per_m, high * per_m + TOP + BOTTOM)


def magnified(picture: CasePicture) -> int:
    """Return how many times larger the ellipses are drawn."""
    largest = max((i.semi_m[0] for i in picture.instants), default=0.0)
    return next((f for f in _FACTORS if largest * f <= _LARGEST_M), 1)
