"""Where the robot's correction keeps what it knows of constants: four of every sensor, then of surfaces."""

from __future__ import annotations

from driftgate.predict.consider import OF_SENSORS, Key
from driftgate.predict.contact_reset import wall_reset
from driftgate.predict.prepared import Prepared


class Numbering:
    """The index of each constant of a case in the robot's tables; those that no test asks for have none.

    Attributes
    ----------
    count : int
        How many there are; 0 where the filter considers none.
    surfaces : list of int
        The surfaces that have constants.
    """

    def __init__(self, prepared: Prepared) -> None:
        sensors, correction = prepared.case.robot.sensors, prepared.case.robot.correction
        self._movers = prepared.filter.movers
        self._place: dict[Key, int] = {}
        self.surfaces: list[int] = []
        self.count = 0
        if not prepared.filter.considers:
            return
        keys: list[Key] = [(kind, i) for i in range(len(sensors)) for kind in OF_SENSORS]
        keys += [part.key for part in prepared.filter.start_carry]
        touched = {
            prepared.plan.contacts[s.index].wall for s in prepared.plan.steps if wall_reset(prepared, s)
        }
        # What is no reference goes into a gate's limit wherever the gate comes before that test.
        order = list(correction.order)
        gated = correction.gate is not None and order.index("gate") < order.index("validity")
        every = gated or not correction.validity.reference
        for i, edge in enumerate(prepared.believed.edges):
            if self._movers and self._movers[i] and (every or edge.reference or edge.id in touched):
                self.surfaces.append(i)
                keys += [mover.key for mover in self._movers[i]]
        self._place = {key: place for place, key in enumerate(dict.fromkeys(keys))}
        self.count = len(self._place)

    def at(self, key: Key) -> int:
        """Return the index of a constant, -1 for none."""
        return self._place.get(key, -1)

    def keys_of(self, sensors: list[int], surfaces: list[int]) -> list[Key]:
        """Return the constants of some sensors and surfaces that have an index."""
        keys: list[Key] = [(kind, sensor) for sensor in sensors for kind in OF_SENSORS]
        keys += [mover.key for surface in surfaces for mover in self._movers[surface]]
        return [key for key in dict.fromkeys(keys) if self.at(key) >= 0]
