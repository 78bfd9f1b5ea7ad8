"""Everything that both engines need of a case, worked out once."""

from __future__ import annotations

from dataclasses import dataclass

from driftgate.plan.build import plan_case
from driftgate.plan.taken import as_planned
from driftgate.plan.values import Plan
from driftgate.predict.filter_model import FilterModel, filter_model
from driftgate.predict.moments import moments_of
from driftgate.predict.values import Moment
from driftgate.schema.case import Case
from driftgate.sight.expect import look_along
from driftgate.sight.values import Sight
from driftgate.world.build import build_world
from driftgate.world.values import World


@dataclass(frozen=True)
class Prepared:
    """A case with its plan, its geometry and its sight lines.

    Attributes
    ----------
    case : Case
        What is judged.
    plan : Plan
        The nominal timeline.
    believed, true : World
        Geometry of the map that the robot carries, on which what it takes is gone when the plan takes it,
        and of the field that it drives on.
    sight : Sight
        What each reading should see.
    moments : tuple of Moment
        The checkpoints and the end.
    filter : FilterModel
        The filter's own numbers.
    """

    case: Case
    plan: Plan
    believed: World
    true: World
    sight: Sight
    moments: tuple[Moment, ...]
    filter: FilterModel


def prepare(
    case: Case, plan: Plan | None = None, sight: Sight | None = None, own: FilterModel | None = None
) -> Prepared:
    """Return the case with its plan, geometry and sight lines; what is given is not made again.

    With the filter's `own` numbers given, the robot keeps these whatever its error sources are.
    """
    plan = plan if plan is not None else plan_case(case)
    drawn = build_world(case.believed)
    true = drawn if case.true is case.believed else build_world(case.true)
    believed = as_planned(drawn, plan.steps)
    sight = sight if sight is not None else look_along(case, plan, believed)
    own = own if own is not None else filter_model(case)
    return Prepared(case, plan, believed, true, sight, moments_of(case.routine, plan, case.true), own)
