"""What the stage gives out."""

from driftgate import sight
from driftgate.sight.values import Reason


def test_law_the_names_of_the_stage_lead_to_their_modules():
    """Each from the module that has it."""
    found = {name: getattr(sight, name).__module__.rpartition(".")[2] for name in sight.__all__}
    assert found == {
        "DarkInterval": "values",
        "Reason": "values",
        "Sight": "values",
        "dark_intervals": "dark",
        "fix_opportunities": "dark",
        "look_along": "expect",
    }
    assert sight.Reason is Reason
    assert sight.Reason.NO_SURFACE.words == "no surface"
