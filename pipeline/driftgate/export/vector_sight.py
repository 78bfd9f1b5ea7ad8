"""What is remarkable about a candidate's sight line, so that test vectors hold some of everything."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np

from driftgate.predict.prepared import Prepared
from driftgate.predict.trial_expect import Expected
from driftgate.predict.values import BoolArray
from driftgate.sight.corridor import obstacles_at_height
from driftgate.sight.validity import reading_limits
from driftgate.world.cone import segment_in_cone

_TIE: Final = 1e-6  # of a range [m], of a cosine
_ACROSS: Final = 1e-6


class Remarks(NamedTuple):
    """Where something holds of a sight line, by candidate.

    Attributes
    ----------
    at_end : ndarray of bool
        An end of the surface answers instead of its face.
    absent : ndarray of bool
        It passes what at another time would stand in it.
    beside : ndarray of bool
        A nearer surface is met too obliquely to answer.
    tied : ndarray of bool
        Two surfaces are met as near and as squarely, as behind a bench whose back lies in its wall: which of
        them it is is for rounding to say.
    """

    at_end: BoolArray
    absent: BoolArray
    beside: BoolArray
    tied: BoolArray

    def __or__(self, other: object) -> Remarks:
        """Return where something holds of either."""
        assert isinstance(other, Remarks)
        return Remarks(*(a | b for a, b in zip(self, other, strict=True)))


def remarks_of(prepared: Prepared, sensor: int, time_s: float, expected: Expected) -> Remarks:
    """Return what is remarkable about the sight lines of a sensor.

    Parameters
    ----------
    prepared : Prepared
        The case.
    sensor : int
        Index of the sensor.
    time_s : float
        The instant, on the routine's clock. [s]
    expected : Expected
        What each candidate expects.
    """
    beside, tied = _others(prepared, sensor, expected)
    return Remarks(_at_end(prepared, expected), _absent(prepared, sensor, time_s, expected), beside, tied)


def _at_end(prepared: Prepared, expected: Expected) -> BoolArray:
    """Say where the range changes along the sight line, instead of along the surface's normal."""
    normal = np.array([edge.normal for edge in prepared.believed.edges])[expected.surface]
    across = expected.model.d_x * normal[:, 1] - expected.model.d_y * normal[:, 0]
    return np.asarray(np.abs(across) > _ACROSS)


def _absent(prepared: Prepared, sensor: int, time_s: float, expected: Expected) -> BoolArray:
    mounted = prepared.case.robot.sensors[sensor]
    margin = reading_limits(mounted, prepared.case.robot.correction.validity).corridor_m
    line = *expected.beam, np.where(expected.surface >= 0, expected.model.range_m, 0.0)
    found = np.zeros(len(expected.surface), dtype=bool)
    for obstacle in obstacles_at_height(prepared.believed, mounted.mount.height):
        if margin >= 0.0 and not bool(obstacle.is_there(time_s)):
            found |= obstacle.blocks(*line, margin)
    return found


def _others(prepared: Prepared, sensor: int, expected: Expected) -> tuple[BoolArray, BoolArray]:
    """Say where a nearer surface is mute, and where two are met alike."""
    height, edges = prepared.case.robot.sensors[sensor].mount.height, prepared.believed.edges
    tall = [i for i, edge in enumerate(edges) if edge.low_m <= height <= edge.high_m]
    if not tall:
        none = np.zeros(len(expected.surface), dtype=bool)
        return none, none
    met = [segment_in_cone(expected.cone, *edges[i].a, *edges[i].b) for i in tall]
    nearest = np.min([range_m for range_m, _ in met], axis=0)
    near = np.array([range_m <= nearest + _TIE for range_m, _ in met])
    square = np.where(near, [cosine for _, cosine in met], -1.0)
    alike = np.abs(square - square.max(axis=0)) <= _TIE
    chosen = np.array([expected.surface == i for i in tall])
    seen = np.isfinite(nearest)
    return seen & ~np.any(near & chosen, axis=0), seen & (alike.sum(axis=0) > 1)
