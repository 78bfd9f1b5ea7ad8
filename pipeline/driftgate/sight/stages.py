"""The stages that a reading goes through, in the robot's own order, and the steps in which it does.

One description for the nominal sight lines and for both engines. The association comes first, since
everything rests on it, and the update last.
"""

from __future__ import annotations

from enum import Enum

from driftgate.plan.values import PlannedStep
from driftgate.schema.correction import Correction


class Stage(Enum):
    """A test between association and update. Each reading is counted at the stage that refused it."""

    VALIDITY = "validity"
    ECHO = "echo"  # did anything come back?
    GATE = "gate"
    PERSISTENCE = "persistence"


def stages(correction: Correction) -> tuple[Stage, ...]:
    """Return the tests in the order they are made.

    Whether anything came back is asked just before the first test that needs a reading: the gate
    compares one, and persistence counts them. A stage that is switched off stays in the list and
    refuses nothing.
    """
    found: list[Stage] = []
    for name in correction.order:
        stage = Stage(name)
        if stage is not Stage.VALIDITY and Stage.ECHO not in found:
            found.append(Stage.ECHO)
        found.append(stage)
    return tuple(found)


def persists_before_validity(correction: Correction) -> bool:
    """Return whether persistence counts readings whose validity has not been looked at yet."""
    return correction.order.index("persistence") < correction.order.index("validity")


def persists_before_gate(correction: Correction) -> bool:
    """Return whether persistence counts readings that the gate has not looked at yet."""
    return correction.order.index("persistence") < correction.order.index("gate")


def may_fix(correction: Correction, step: PlannedStep, sensor_id: str) -> bool:
    """Return whether readings of a sensor that arrive in a step are put to the tests at all.

    A step's own `fixes` overrules the robot's `when`; a robot whose correction is disabled takes no
    fix anywhere.
    """
    fixes = step.source.fixes
    if not correction.enabled or fixes == "none":
        return False
    if fixes is None:
        return correction.when == "always" or step.looking
    return fixes == "all" or sensor_id in fixes
