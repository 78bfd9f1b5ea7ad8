"""A routine against its robot and its field maps."""

from __future__ import annotations

from driftgate.core.findings import Finding
from driftgate.load.checks_common import known_name
from driftgate.load.checks_field import field_names
from driftgate.load.checks_routine import steps_with_paths, tolerances
from driftgate.load.document import DocPath, Document
from driftgate.load.wording import listed
from driftgate.schema.base import Shape
from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.routine import Checkpoint, Curve, DriveTo, MotionStep, SquareUp


def check_on_field(routine: Document, field: Document) -> list[Finding]:
    """Return the routine's references to things that the field map does not have."""
    model, names = routine.routine, field_names(field.field_map)
    findings = []
    for i, name in enumerate(model.start.placed_against):
        path: DocPath = ("start", "placed_against", i)
        findings += known_name(routine, path, name, names, ("wall", "structure"))
        if name in model.start.placed_against[:i]:
            findings.append(routine.finding("DG130", path, f"'{name}' is named twice", "delete one of them"))
    for step, path in steps_with_paths(model.steps):
        if isinstance(step, SquareUp):
            findings += known_name(routine, (*path, "against"), step.against, names, ("wall", "structure"))
        if isinstance(step, MotionStep):
            for i, name in enumerate(step.may_touch):
                place = (*path, "may_touch", i)
                findings += known_name(routine, place, name, names, ("wall", "structure", "element"))
        if isinstance(step, Checkpoint):
            for i, name in enumerate(step.takes):
                findings += known_name(routine, (*path, "takes", i), name, names, ("element",))
    for tolerance, path in tolerances(routine):
        place = (*path, "relative_to")
        findings += known_name(routine, place, tolerance.relative_to, names, ("structure", "element"))
    if model.mirror and field.field_map.mirror is None:
        message = f"'mirror: true' needs a 'mirror' section in {field.path}"
        findings.append(
            routine.finding("DG140", ("mirror",), message, "add it there, or write 'mirror: false'")
        )
    return findings


def check_start(routine: Document, robot: Document, field: Document) -> list[Finding]:
    """Return a finding if the robot's outline cannot be at the start pose."""
    import shapely

    from driftgate.load import outlines

    pose = routine.routine.start.pose
    outline = outlines.footprint_at(outlines.footprint_corners(robot.robot), pose)
    walls = shapely.Polygon([wall.corner for wall in field.field_map.walls])
    path: DocPath = ("start", "pose")
    findings = []
    if not walls.covers(shapely.Point(pose.x, pose.y)):
        findings.append(
            routine.finding("DG136", path, "the start pose is outside the walls", "check its unit and sign")
        )
    elif not outlines.is_within(outline, walls):
        message = "at the start pose the robot's outline reaches beyond the walls"
        findings.append(routine.finding("DG136", path, message, "touching a wall is fine"))
    for structure in field.field_map.structures:
        # A robot lower than the underside of a structure stands beneath it.
        if structure.height.low >= robot.robot.height:
            continue
        if outlines.overlap(outline, outlines.placed(structure.shape, structure.at)):
            message = f"at the start pose the robot's outline overlaps the structure '{structure.id}'"
            findings.append(routine.finding("DG136", path, message, "touching it is fine"))
    return findings


def check_targets(routine: Document, robot: Document, field: Document) -> list[Finding]:
    """Return the points that steps drive to and no robot can be at: beyond the walls, in a structure."""
    import shapely

    from driftgate.load import outlines

    walls = shapely.Polygon([wall.corner for wall in field.field_map.walls])
    solid = [
        (structure.id, outlines.placed(structure.shape, structure.at))
        for structure in field.field_map.structures
        if structure.height.low < robot.robot.height
    ]
    findings = []
    for step, path in steps_with_paths(routine.routine.steps):
        points: list[tuple[DocPath, tuple[float, float]]] = []
        if isinstance(step, DriveTo):
            points = [((*path, "to"), step.to)]
        elif isinstance(step, Curve):
            points = [((*path, "through", i), point) for i, point in enumerate(step.through)]
        for place, (x, y) in points:
            at = shapely.Point(x, y)
            if not walls.covers(at):
                message = f"the point ({x:.2f} m, {y:.2f} m) is outside the walls"
                findings.append(routine.finding("DG142", place, message, "check its unit and sign"))
            for name, shape in solid:
                if shape.contains(at):
                    message = f"the point ({x:.2f} m, {y:.2f} m) is inside the structure '{name}'"
                    findings.append(routine.finding("DG142", place, message, "drive to a point beside it"))
    return findings


def check_variant(routine: Document, path: DocPath, believed: Document, true: Document) -> list[Finding]:
    """Return how a further field map fails to stand for the same field."""
    here, there = believed.field_map, true.field_map
    findings = []
    mine, its = field_names(here), field_names(there)
    missing = [name for name, kind in mine.items() if its.get(name) != kind]
    extra = [name for name, kind in its.items() if mine.get(name) != kind]
    if missing:
        message = f"{true.path} lacks {_with_kinds(missing, mine)}, which {believed.path} has"
        findings.append(routine.finding("DG141", path, message, "use the same names in both"))
    if extra:
        message = f"{true.path} has {_with_kinds(extra, its)}, which {believed.path} lacks"
        advice = "use the same names in both"
        if all(its[name] == "element" for name in extra):
            advice = "list it in both; where nothing should be in the way, put it in a corner out of sight"
        findings.append(routine.finding("DG141", path, message, advice))
    findings += _check_order(routine, path, believed, true) if not findings else []
    corners = _corner_counts(there)
    for name, count in _corner_counts(here).items():
        if corners.get(name, count) != count:
            message = f"'{name}' has {corners[name]} corners in {true.path} and {count} in {believed.path}"
            findings.append(routine.finding("DG141", path, message, "give it the same corners in both"))
    return findings


def _check_order(routine: Document, path: DocPath, believed: Document, true: Document) -> list[Finding]:
    mine = [wall.id for wall in believed.field_map.walls]
    its = [wall.id for wall in true.field_map.walls]
    if mine == its:
        return []
    message = f"the walls of {true.path} come in another order than those of {believed.path}"
    return [routine.finding("DG141", path, message, f"list them as {listed(mine)}")]


def _with_kinds(names: list[str], kinds: dict[str, str]) -> str:
    return listed([f"the {kinds[name]} '{name}'" for name in names], 10)


def _corner_counts(field_map: FieldMap) -> dict[str, int]:
    return {structure.id: _corners(structure.shape) for structure in field_map.structures}


def _corners(shape: Shape) -> int:
    if shape.polygon is not None:
        return len(shape.polygon.corners)
    return 4 if shape.rectangle is not None else 0
