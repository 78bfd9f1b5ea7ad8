"""What the judge reads of a prepared case."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

# For the type checker alone: reading a verdict costs no import of an array library.
if TYPE_CHECKING:
    from driftgate.plan.values import Plan
    from driftgate.predict.values import Moment
    from driftgate.schema.case import Case
    from driftgate.sight.values import Sight
    from driftgate.world.values import World


class PreparedCase(Protocol):
    """What the judge reads of a prepared case."""

    @property
    def case(self) -> Case:
        """What is judged."""

    @property
    def plan(self) -> Plan:
        """The nominal timeline."""

    @property
    def sight(self) -> Sight:
        """What each reading should see."""

    @property
    def believed(self) -> World:
        """The map that the robot carries."""

    @property
    def true(self) -> World:
        """The field."""

    @property
    def moments(self) -> tuple[Moment, ...]:
        """Checkpoints in order of time, then the end."""
