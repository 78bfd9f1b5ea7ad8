"""Where the robot's correction keeps what it knows of constants: three of every sensor and surface."""

from __future__ import annotations

from driftgate.predict.consider import OF_SENSORS, OF_SURFACES, Key
from driftgate.predict.contact_reset import wall_reset
from driftgate.predict.prepared import Prepared


class Numbering:
    """The index of each constant of a case in the robot's tables; those that no test asks for have none.

    Attributes
    ----------
    count : int
        How many there are; 0 where the filter considers none.
    """

    def __init__(self, prepared: Prepared) -> None:
        sensors, correction = prepared.case.robot.sensors, prepared.case.robot.correction
        self._first_of_surface: dict[int, int] = {}
        self.count = 0
        if not prepared.filter.considers:
            return
        self.count = len(OF_SENSORS) * len(sensors)
        placed = {part.key[1] for part in prepared.filter.start_carry}
        touched = {
            prepared.plan.contacts[s.index].wall for s in prepared.plan.steps if wall_reset(prepared, s)
        }
        # What is no reference goes into a gate's limit wherever the gate comes before that test.
        order = list(correction.order)
        gated = correction.gate is not None and order.index("gate") < order.index("validity")
        every = gated or not correction.validity.reference
        for i, edge in enumerate(prepared.believed.edges):
            met = every or edge.reference
            if met or i in placed or edge.id in touched:
                self._first_of_surface[i] = self.count
                self.count += len(OF_SURFACES)

    def of_surface(self, surface: int) -> int:
        """Return the index of the first constant of a surface, -1 for none."""
        return self._first_of_surface.get(surface, -1)

    def at(self, key: Key) -> int:
        """Return the index of a constant, -1 for none."""
        kind, place = key
        if kind in OF_SENSORS:
            return len(OF_SENSORS) * place + OF_SENSORS.index(kind) if self.count else -1
        first = self.of_surface(place)
        return first if first < 0 else first + OF_SURFACES.index(kind)

    def keys_of(self, sensors: list[int], surfaces: list[int]) -> list[Key]:
        """Return the constants of some sensors and surfaces that have an index."""
        keys = [(kind, sensor) for sensor in sensors for kind in OF_SENSORS]
        keys += [(kind, surface) for surface in surfaces for kind in OF_SURFACES]
        return [key for key in keys if self.at(key) >= 0]

    @property
    def surfaces(self) -> list[int]:
        """The surfaces that have constants."""
        return list(self._first_of_surface)
