"""What is judged: one routine on one robot, with a believed and a true field map."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from driftgate.schema.fieldmap import FieldMap
from driftgate.schema.robot import Robot
from driftgate.schema.routine import Routine

Side = Literal["as written", "mirrored"]


@dataclass(frozen=True)
class Case:
    """One routine, ready to be planned and predicted.

    Attributes
    ----------
    routine : Routine
        As written, or already mirrored.
    robot : Robot
        The robot that drives it.
    believed : FieldMap
        The map that the robot carries and that the plan is made on.
    true : FieldMap
        The map of the field that it drives on; the believed map unless a variant is judged.
    side : str
        Which side of the field the routine is for.
    """

    routine: Routine
    robot: Robot
    believed: FieldMap
    true: FieldMap
    side: Side = "as written"
