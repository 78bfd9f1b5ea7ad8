"""Build errors and strays of a field map that no field has."""

from __future__ import annotations

import math
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.document import DocPath, Document
from driftgate.load.mend import MendedDocument
from driftgate.schema.fieldmap import FieldMap

# Our choices, no source: a hall built worse than that is another hall.
STEEPEST_TILT_RAD: Final = math.radians(15.0)
LARGEST_OFFSET: Final = 0.25


def check_sizes(document: Document, field_map: FieldMap) -> list[Finding]:
    """Return a warning for build errors too large for the hall, and for strays that end outside of it."""
    if isinstance(document, MendedDocument):
        # Its walls may be none of the file's.
        return []
    xs, ys = [wall.corner[0] for wall in field_map.walls], [wall.corner[1] for wall in field_map.walls]
    across_m = min(max(xs) - min(xs), max(ys) - min(ys))
    builds: list[tuple[DocPath, object]] = [(("build",), field_map.build)]
    builds += [(("walls", i, "build"), wall.build) for i, wall in enumerate(field_map.walls)]
    findings: list[Finding] = []
    for path, build in builds:
        offset, tilt = getattr(build, "offset", 0.0), getattr(build, "tilt", 0.0)
        if tilt > STEEPEST_TILT_RAD * (1.0 + 1e-9):
            message = f"a wall that is turned by {math.degrees(tilt):.3g} deg, usually, is none of this hall"
            findings.append(_odd(document, (*path, "tilt"), message))
        if offset > LARGEST_OFFSET * across_m > 0.0:
            message = f"an offset of {offset:.3g} m, usually, in a hall {across_m:.3g} m across"
            findings.append(_odd(document, (*path, "offset"), message))
    for i, element in enumerate(field_map.elements):
        region = None if element.stray is None else element.stray.region
        if region and _outside(region, xs, ys):
            message = f"'{element.id}' strays only to where no hall is: the region lies outside the walls"
            findings.append(_odd(document, ("elements", i, "stray", "region"), message))
    for i, zone in enumerate(field_map.rough_zones):
        if _outside(zone.area, xs, ys):
            message = f"no robot gets to the rough zone '{zone.id}': it lies outside the walls"
            findings.append(_odd(document, ("rough_zones", i, "area"), message))
    return findings


def _outside(region: list[tuple[float, float]], xs: list[float], ys: list[float]) -> bool:
    """Return whether a region lies wholly beyond the box round the walls."""
    across, up = [x for x, _ in region], [y for _, y in region]
    return min(across) >= max(xs) or max(across) <= min(xs) or min(up) >= max(ys) or max(up) <= min(ys)


def _odd(document: Document, path: DocPath, message: str) -> Finding:
    return document.finding("DG152", path, message, "check its unit", level="warning")
