"""What is built or placed moves with what it stands against: first order against the exact carry rule.

The exact rule (a rigid body carried by its wall) is `driftgate.world.carry`, held to shapely elsewhere;
here its differences for small build errors are compared with the columns that both engines use.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from driftgate.core.pose import FloatArray
from driftgate.predict.attach import Attachments, Displacement
from driftgate.predict.sources import source_table
from driftgate.world.carry import carry_pose, edge_middle
from driftgate.world.rays import Values
from driftgate.world.values import Edge

from .scenes import GUESS, field_map, prepared, range_sensor, robot

ON_PAPER = pytest.mark.evidence(
    source="worked on paper", compares="what moves with a wall or structure", tolerance="5 µm, or exact"
)

SMALL = 1e-6
BUILD = {"offset": "5 mm", "tilt": "0.2 deg", "constant_over": "field", **GUESS}
OWN = {"x": "3 mm", "y": "2 mm", "heading": "0.1 deg", "constant_over": "field", **GUESS}
BENCH = {
    "id": "bench",
    "shape": {"rectangle": {"length": "600 mm", "width": "300 mm"}},
    "at": {"x": "3.2 m", "y": "2.4 m", "heading": "20 deg"},
    "fixed_to": "north",
    "reference": True,
    "build": OWN,
}


def pot(against: str) -> dict[str, Any]:
    """Return an element placed against something."""
    return {
        "id": f"pot-{against}",
        "shape": {"circle": {"radius": "50 mm"}},
        "at": {"x": "0.9 m", "y": "2.1 m", "heading": "30 deg"},
        "placed_against": against,
        "scatter": {**OWN, "constant_over": "run"},
    }


FIELD = field_map(
    x=(0.0, 4.2),
    y=(0.0, 3.0),
    build=BUILD,
    structures=[BENCH],
    elements=[pot("west"), pot("north"), pot("bench")],
)


def attachments(start: tuple[float, float, float] = (0.5, 0.7, 0.0), against: tuple[str, ...] = ()) -> Any:
    """Return the attachments, the names of the constants, and the edges by id."""
    case = prepared(
        [{"do": "advance", "distance": "10 mm"}],
        robot(sensors=[range_sensor("ahead", 0.0, 0.0, 0.0)]),
        believed=FIELD,
        start=start,
        placed_against=list(against),
    )
    table = source_table(case.case)
    edges = {edge.id: edge for edge in case.true.edges}
    return Attachments(case.case, case.believed, case.true, table), table.index(), edges


def carried(pose: FloatArray, wall: Edge, offset_m: Values, tilt_rad: Values) -> FloatArray:
    """Return by how much the exact rule moves a pose with its wall."""
    return carry_pose(pose, edge_middle(wall), wall.normal, offset_m, tilt_rad) - pose


def assert_carried(found: Displacement, index: dict[str, int], pose: FloatArray, wall: Edge) -> None:
    """Assert that the columns of a wall's build error are the differences of the exact rule."""
    for axis, error in (("offset", (SMALL, 0.0)), ("tilt", (0.0, SMALL))):
        column = found.columns[:, index[f"wall_build:{wall.id}:{axis}"]]
        assert column == pytest.approx(carried(pose, wall, *error) / SMALL, abs=5e-6)


@ON_PAPER
@pytest.mark.parametrize("wall", ["west", "north"])
def test_ref_element_moves_with_its_wall(wall: str) -> None:
    """An element placed against a wall is carried by its offset and tilt, and scatters in field axes."""
    attach, index, edges = attachments()
    found = attach.thing(f"pot-{wall}")
    assert_carried(found, index, np.array([0.9, 2.1, np.radians(30.0)]), edges[wall])
    own = [found.columns[:, index[f"element_placement:pot-{wall}:{axis}"]] for axis in ("x", "y", "heading")]
    assert np.array(own) == pytest.approx(np.eye(3), abs=0.0)
    # Nothing else moves it.
    assert np.count_nonzero(np.any(found.columns != 0.0, axis=0)) == 5


@ON_PAPER
def test_ref_structure_moves_with_its_wall() -> None:
    """A structure fixed to a wall is carried by it, beside its own build error."""
    attach, index, edges = attachments()
    found = attach.thing("bench")
    assert_carried(found, index, np.array([3.2, 2.4, np.radians(20.0)]), edges["north"])
    assert found.columns[:, index["structure_build:bench:heading"]] == pytest.approx([0.0, 0.0, 1.0])


@ON_PAPER
def test_ref_element_moves_with_its_structure() -> None:
    """An element against a structure swings about the structure's place and goes with its wall."""
    attach, index, edges = attachments()
    found = attach.thing("pot-bench")
    assert_carried(found, index, np.array([0.9, 2.1, np.radians(30.0)]), edges["north"])
    # A turn about (3.2, 2.4) moves (0.9, 2.1) by (-(2.1 - 2.4), 0.9 - 3.2).
    assert found.columns[:, index["structure_build:bench:heading"]] == pytest.approx([0.3, -2.3, 1.0])
    assert found.columns[:, index["structure_build:bench:x"]] == pytest.approx([1.0, 0.0, 0.0])


@pytest.mark.parametrize("wall", ["south", "east", "north", "west"])
def test_law_a_wall_is_its_own_line(wall: str) -> None:
    """The line of a wall has its offset and its tilt, and nothing from any other."""
    attach, index, _ = attachments()
    line = attach.line(wall)
    expected = np.zeros(len(index))
    expected[index[f"wall_build:{wall}:offset"]] = 1.0
    assert line.offset == pytest.approx(expected, abs=1e-12)
    expected = np.zeros(len(index))
    expected[index[f"wall_build:{wall}:tilt"]] = 1.0
    assert line.tilt == pytest.approx(expected, abs=1e-12)
    assert (line.offset_mean, line.tilt_mean) == pytest.approx((0.0, 0.0), abs=1e-12)


@ON_PAPER
def test_ref_a_wall_that_is_shorter_than_drawn_tilts_about_its_own_middle() -> None:
    """Where the true wall's middle is not the drawn one, its tilt is an offset at the drawn middle too."""
    case = prepared(
        [{"do": "advance", "distance": "10 mm"}],
        robot(),
        believed=field_map(x=(0.0, 4.2), y=(0.0, 3.0), build=BUILD),
        true=field_map(x=(0.0, 4.2), y=(0.4, 3.0), build=BUILD),
        start=(0.5, 0.7, 0.0),
    )
    table = source_table(case.case)
    line = Attachments(case.case, case.believed, case.true, table).line("west")
    # Built from y = 0.4 to 3.0, middle 1.7; drawn middle 1.5. A counter-clockwise tilt moves what is
    # 0.2 m below the middle by 0.2 m along +x, the wall's inward normal.
    assert line.offset[table.index()["wall_build:west:tilt"]] == pytest.approx(0.2, abs=1e-12)
    assert line.offset[table.index()["wall_build:west:offset"]] == pytest.approx(1.0, abs=1e-12)


@ON_PAPER
@pytest.mark.parametrize("face", range(4))
def test_ref_a_face_moves_with_its_structure_and_wall(face: int) -> None:
    """A face's offset is its middle's motion along its normal, its tilt the turn of what carries it."""
    attach, index, edges = attachments()
    edge = edges[f"bench/{face}"]
    line = attach.line(edge.id)
    middle = np.array([*edge_middle(edge), 0.0])
    normal = np.array([*edge.normal, 0.0])
    for axis, error in (("offset", (SMALL, 0.0)), ("tilt", (0.0, SMALL))):
        moved = carried(middle, edges["north"], *error) / SMALL
        column = index[f"wall_build:north:{axis}"]
        assert line.offset[column] == pytest.approx(float(normal @ moved), abs=5e-6)
        assert line.tilt[column] == pytest.approx(moved[2], abs=5e-6)
    arm = middle[:2] - np.array([3.2, 2.4])
    swing = float(normal[:2] @ np.array([-arm[1], arm[0]]))
    assert line.offset[index["structure_build:bench:heading"]] == pytest.approx(swing, abs=1e-12)


@ON_PAPER
@pytest.mark.parametrize("wall", ["south", "west"])
def test_ref_start_is_carried_by_one_wall(wall: str) -> None:
    """A start placed against one wall is carried rigidly by it."""
    attach, index, edges = attachments(against=(wall,))
    assert_carried(attach.start(), index, np.array([0.5, 0.7, 0.0]), edges[wall])


@ON_PAPER
def test_ref_start_in_a_corner() -> None:
    """Against two walls each sets the coordinate along its own normal, and the first the heading."""
    attach, index, edges = attachments(against=("west", "south"))
    found = attach.start()
    pose = np.array([0.5, 0.7, 0.0])
    for wall, heads in (("west", 1.0), ("south", 0.0)):
        normal = np.array([*edges[wall].normal, 0.0])
        for axis, error in (("offset", (SMALL, 0.0)), ("tilt", (0.0, SMALL))):
            along = float(normal @ carried(pose, edges[wall], *error)) / SMALL
            column = found.columns[:, index[f"wall_build:{wall}:{axis}"]]
            expected = along * normal + np.array([0.0, 0.0, heads if axis == "tilt" else 0.0])
            assert column == pytest.approx(expected, abs=5e-6)


def test_law_a_start_on_nothing_is_not_carried() -> None:
    """A start placed against nothing moves with nothing."""
    attach, _, _ = attachments()
    assert not np.any(attach.start().columns)


FACE = {**BENCH, "at": {"x": "1.0 m", "y": "0.7 m", "heading": "0 deg"}}
IN_FRONT = field_map(x=(0.0, 4.2), y=(0.0, 3.0), build=BUILD, structures=[FACE], elements=[pot("west")])


def started(against: str, true_pot: dict[str, float] | None = None) -> tuple[Displacement, dict[str, int]]:
    """Return how a start at (0.5, 0.7) moves with one thing; the pot may be elsewhere than drawn."""
    true = IN_FRONT
    if true_pot is not None:
        (element,) = IN_FRONT.elements
        moved = element.model_copy(update={"at": element.at.model_copy(update=true_pot)})
        true = IN_FRONT.model_copy(update={"elements": (moved,)})
    case = prepared(
        [{"do": "advance", "distance": "10 mm"}],
        robot(sensors=[range_sensor("ahead", 0.0, 0.0, 0.0)]),
        believed=IN_FRONT,
        true=true,
        start=(0.5, 0.7, 0.0),
        placed_against=[against],
    )
    table = source_table(case.case)
    return Attachments(case.case, case.believed, case.true, table).start(), table.index()


def test_law_a_start_against_an_element_turns_with_it() -> None:
    """The pot is at (0.9, 2.1): a turn of it swings the start, 0.4 m left and 1.4 m below, about it."""
    found, index = started("pot-west")
    own = [found.columns[:, index[f"element_placement:pot-west:{axis}"]] for axis in ("x", "y", "heading")]
    assert np.array(own) == pytest.approx(np.array([(1, 0, 0), (0, 1, 0), (1.4, -0.4, 1)]), abs=1e-12)
    # Its wall, x = 0, with its middle at y = 1.5, carries the start as if it stood there itself.
    assert found.columns[:, index["wall_build:west:offset"]] == pytest.approx([1, 0, 0], abs=1e-12)
    assert found.columns[:, index["wall_build:west:tilt"]] == pytest.approx([0.8, 0.5, 1], abs=1e-12)
    # Built 10 mm right of and 5 mm below where it is drawn, and turned by 20 mrad.
    places = {"x": 0.91, "y": 2.095, "heading": np.radians(30.0) + 0.02}
    moved, _ = started("pot-west", places)
    assert moved.mean == pytest.approx([0.01 + 0.02 * 1.4, -0.005 - 0.02 * 0.4, 0.02], abs=1e-12)


def test_law_a_start_against_a_structure_is_carried_by_the_nearest_face() -> None:
    """The bench's face at x = 0.7, 0.2 m ahead, sets x and the heading and leaves y alone."""
    found, index = started("bench")
    for axis, expected in (("x", [1, 0, 0]), ("y", [0, 0, 0]), ("heading", [0, -0.5, 1])):
        column = found.columns[:, index[f"structure_build:bench:{axis}"]]
        assert column[0] == pytest.approx(expected[0], abs=1e-12), axis
        assert column[2] == pytest.approx(expected[2], abs=1e-12), axis
