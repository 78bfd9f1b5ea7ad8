"""What a field map's models cannot say alone: names, ranges, outlines, what is inside the walls."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from driftgate.core.findings import Finding
from driftgate.load.checks_common import exactly_one, known_name, rising, unique_names
from driftgate.load.checks_size import check_sizes
from driftgate.load.document import DocPath, Document
from driftgate.schema.base import HeightRange, Shape
from driftgate.schema.fieldmap import Element, FieldMap, Structure, surfaces_of

# The work of every later stage grows with them; a hall of twenty benches and fifty pots has 150.
MOST_SURFACES: Final = 2000


def field_names(field_map: FieldMap) -> dict[str, str]:
    """Return the kind (wall, structure, element) of every name that may be referred to."""
    names = {wall.id: "wall" for wall in field_map.walls}
    names.update((structure.id, "structure") for structure in field_map.structures)
    names.update((element.id, "element") for element in field_map.elements)
    return names


def check_field_map(document: Document) -> list[Finding]:
    """Return every fault of a field map that its models let through."""
    field_map = document.field_map
    surfaces = surfaces_of(field_map)
    if surfaces > MOST_SURFACES:
        # Nothing else is looked at: that would take long, too.
        message = f"the map has {surfaces} walls, sides and discs in all; at most {MOST_SURFACES}"
        return [
            document.finding("DG148", (), message, "draw round things as circles, others with fewer corners")
        ]
    findings = unique_names(document, _named(field_map))
    findings += _check_references(document, field_map)
    findings += _check_ranges(document, field_map)
    findings += _check_shapes(document, field_map)
    findings += _check_mirror(document, field_map)
    findings += check_sizes(document, field_map)
    return findings + _check_geometry(document, field_map)


def _named(field_map: FieldMap) -> Iterator[tuple[str, DocPath]]:
    for key in ("walls", "structures", "elements", "rough_zones"):
        for index, thing in enumerate(getattr(field_map, key)):
            yield thing.id, (key, index, "id")


def _check_references(document: Document, field_map: FieldMap) -> list[Finding]:
    names = field_names(field_map)
    findings = []
    for i, structure in enumerate(field_map.structures):
        path: DocPath = ("structures", i, "fixed_to")
        findings += known_name(document, path, structure.fixed_to, names, ("wall",))
    for i, element in enumerate(field_map.elements):
        path = ("elements", i, "placed_against")
        findings += known_name(document, path, element.placed_against, names, ("wall", "structure"))
    return findings


def _check_ranges(document: Document, field_map: FieldMap) -> list[Finding]:
    findings = _heights(document, ("wall_height",), field_map.wall_height)
    for i, structure in enumerate(field_map.structures):
        findings += _heights(document, ("structures", i, "height"), structure.height)
    for i, element in enumerate(field_map.elements):
        findings += _heights(document, ("elements", i, "height"), element.height)
        present = element.present
        findings += rising(document, ("elements", i, "present"), present.begin, present.end, ("begin", "end"))
    return findings


def _heights(document: Document, path: DocPath, height: HeightRange) -> list[Finding]:
    return rising(document, path, height.low, height.high)


def _check_shapes(document: Document, field_map: FieldMap) -> list[Finding]:
    findings = []
    for i, structure in enumerate(field_map.structures):
        path: DocPath = ("structures", i, "shape")
        findings += _one_shape(document, path, structure.shape)
        if structure.shape.circle is not None:
            message = "a structure cannot be a circle: readings are expected from flat faces"
            advice = "write a polygon, or make it an element if it is loose"
            findings.append(document.finding("DG133", (*path, "circle"), message, advice))
    for i, element in enumerate(field_map.elements):
        findings += _one_shape(document, ("elements", i, "shape"), element.shape)
    return findings


def _one_shape(document: Document, path: DocPath, shape: Shape) -> list[Finding]:
    given = {
        "circle": shape.circle is not None,
        "rectangle": shape.rectangle is not None,
        "polygon": shape.polygon is not None,
    }
    return exactly_one(document, path, given, "a shape")


def _check_mirror(document: Document, field_map: FieldMap) -> list[Finding]:
    mirror = field_map.mirror
    if mirror is None:
        return []
    given = {"x": mirror.x is not None, "y": mirror.y is not None}
    findings = exactly_one(document, ("mirror",), given, "a mirror")
    names = field_names(field_map)
    partner: dict[str, str] = {}
    for left, right in mirror.pairs.items():
        path: DocPath = ("mirror", "pairs", left)
        wrong = known_name(document, (*path, "\0key"), left, names, ("wall", "structure", "element"))
        if not wrong:
            wrong = known_name(document, path, right, names, (names[left],))
        for one, other in ((left, right), (right, left)):
            if not wrong and partner.setdefault(one, other) != other:
                message = f"'{one}' is paired with '{partner[one]}' already"
                wrong = [document.finding("DG130", path, message, "each thing has one counterpart")]
        findings += wrong
    return findings


def _check_geometry(document: Document, field_map: FieldMap) -> list[Finding]:
    import shapely

    from driftgate.load import outlines

    findings: list[Finding] = []
    things: list[tuple[str, int, Structure | Element]] = [
        *(("structures", i, s) for i, s in enumerate(field_map.structures)),
        *(("elements", i, e) for i, e in enumerate(field_map.elements)),
    ]
    bad: set[DocPath] = set()
    for key, i, thing in things:
        if thing.shape.polygon is not None:
            path: DocPath = (key, i, "shape", "polygon", "corners")
            found = _simple(document, path, list(thing.shape.polygon.corners))
            bad |= {(key, i)} if found else set()
            findings += found
    for i, zone in enumerate(field_map.rough_zones):
        findings += _simple(document, ("rough_zones", i, "area"), list(zone.area))
    for i, element in enumerate(field_map.elements):
        if element.stray is not None and element.stray.region is not None:
            findings += _simple(document, ("elements", i, "stray", "region"), list(element.stray.region))
    wall_fault = _simple_walls(document, field_map)
    if wall_fault:
        return findings + wall_fault
    walls = shapely.Polygon([wall.corner for wall in field_map.walls])
    for key, i, thing in things:
        if (
            _shape_count(thing.shape) == 1
            and (key, i) not in bad
            and not outlines.is_within(outlines.placed(thing.shape, thing.at), walls)
        ):
            message = f"'{thing.id}' reaches beyond the walls"
            findings.append(
                document.finding("DG135", (key, i, "at"), message, "check its place and its size")
            )
    return findings


def _shape_count(shape: Shape) -> int:
    return sum(one is not None for one in (shape.circle, shape.rectangle, shape.polygon))


def _simple(document: Document, path: DocPath, corners: list[tuple[float, float]]) -> list[Finding]:
    from driftgate.load import outlines

    fault = outlines.outline_fault(corners)
    if fault is None:
        return []
    message = f"corner {fault.corner + 1} {fault.reason}"
    advice = "list the corners in order, once around"
    return [document.finding("DG132", (*path, fault.corner), message, advice)]


def _simple_walls(document: Document, field_map: FieldMap) -> list[Finding]:
    from driftgate.load import outlines

    fault = outlines.outline_fault([wall.corner for wall in field_map.walls])
    if fault is None:
        return []
    wall = field_map.walls[fault.corner]
    message = f"walls: the corner of '{wall.id}' (corner {fault.corner + 1}) {fault.reason}"
    advice = "list the walls in order, once around the field"
    return [document.finding("DG132", ("walls", fault.corner, "corner"), message, advice)]
