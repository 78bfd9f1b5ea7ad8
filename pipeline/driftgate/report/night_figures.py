"""How the reports of a night say a margin, and what is known of a probability."""

from __future__ import annotations

from driftgate.judge.night import CONTACT, Cell, Counted, NightCase
from driftgate.report.digits import allowed_words, exact, percent


def left_words(used: float | None) -> str:
    """Return the margin that a share of a tolerance leaves, rounded down; "-" where it is unknown."""
    if used is None:
        return "-"
    # The difference is rounded off first, or 80 % used would leave 19 %.
    return percent(round(1.0 - used, 12), 0.0, digits=0, direction="down")


def margin_words(one: Counted) -> str:
    """Return what is left of the tolerance at the required probability."""
    return left_words(one.used)


def cell_margin(cell: Cell) -> str:
    """Return what is left of the tightest tolerance of a cell."""
    return left_words(cell.used)


def tolerance_words(case: NightCase, one: Counted) -> str:
    """Return what is known of the probability of success of a case as it is, against what is required."""
    cell = case.as_it_is
    return bound_words(one, cell is not None and one.name in cell.by_weights)


def bound_words(one: Counted, weighted: bool = False) -> str:
    """Return what is known of the probability of success against what is required.

    Of contact it is the other way round, as people speak of it.

    Parameters
    ----------
    one : Counted
        The tolerance.
    weighted : bool
        Whether weighted trials have decided it: how many plain ones touch is then no share of theirs.
    """
    if one.name == CONTACT:
        return _contact_words(one, weighted)
    need = f"need {exact(one.required, 100)} %"
    low = percent(one.lower, one.required, direction="down")
    high = percent(one.upper, one.required, direction="up")
    if one.status == "pass":
        return f"p >= {low} ({need})"
    if one.status == "fail":
        return f"p <= {high} ({need})"
    return f"p from {low} to {high} ({need})"


def _contact_words(one: Counted, weighted: bool) -> str:
    touched, allowed = one.trials - one.successes, round(1.0 - one.required, 12)
    seen, digits = f"in {touched} of {one.trials} trials", 2
    if weighted and allowed > 0.0:
        seen, digits = "by weighted trials", 4
    elif weighted and one.status == "fail" and not touched:
        seen = f"in none of {one.trials} trials, but in weighted ones"
    # The differences are rounded off first, or a bound that is just what is allowed would lie beyond it.
    low = percent(round(1.0 - one.upper, 12), allowed, digits=digits, direction="down")
    high = percent(round(1.0 - one.lower, 12), allowed, digits=digits, direction="up")
    if allowed <= 0.0 or one.status == "pass":
        return f"{seen}, p <= {high} ({allowed_words(allowed)})"
    if one.status == "fail":
        return f"{seen}, p >= {low} ({allowed_words(allowed)})"
    return f"{seen}, p from {low} to {high} ({allowed_words(allowed)})"
