"""Field maps for the tests, written as files write them."""

from driftgate.schema.fieldmap import FieldMap

HALL = [("south", (0, 0)), ("east", (4.2, 0)), ("north", (4.2, 3.0)), ("west", (0, 3.0))]


def field_map(walls=HALL, **more):
    """Return a field map; quantities as a file writes them."""
    return FieldMap.model_validate(
        {
            "kind": "field map",
            "format": 1,
            "title": "hall",
            "walls": [{"id": n, "corner": [f"{x} m", f"{y} m"]} for n, (x, y) in walls],
            "build": {"offset": "4 mm", "tilt": "0.1 deg", "basis": "guess", "constant_over": "field"},
            **more,
        }
    )


def structure(name, shape, x=0.0, y=0.0, heading=0.0, **more):
    """Return a structure as a file writes it."""
    return {"id": name, "shape": shape, "at": pose(x, y, heading), **more}


def pose(x, y, heading=0.0):
    """Return a pose as a file writes it."""
    return {"x": f"{x} m", "y": f"{y} m", "heading": f"{heading} deg"}


def rectangle(length, width):
    """Return a rectangle's shape."""
    return {"rectangle": {"length": f"{length} m", "width": f"{width} m"}}


def polygon(corners):
    """Return a polygon's shape."""
    return {"polygon": {"corners": [[f"{x} m", f"{y} m"] for x, y in corners]}}


def element(name, shape, x, y, heading=0.0, **more):
    """Return a loose element as a file writes it."""
    scatter = {"x": "2 cm", "y": "2 cm", "heading": "5 deg", "basis": "guess", "constant_over": "run"}
    return {"id": name, "shape": shape, "at": pose(x, y, heading), "scatter": scatter, **more}
