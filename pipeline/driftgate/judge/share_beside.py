"""A share in per cent that rounding never puts on the other side of what it is held against."""

from __future__ import annotations

_MOST_DECIMALS = 9


def share_beside(share: float, *limits: float) -> str:
    """Return a share in per cent, with as many decimals as it takes.

    Parameters
    ----------
    share : float
        The share, 0 to 1.
    *limits : float
        What it is held against. What is shown is below, equal to or above each of them just as the share is.

    Examples
    --------
    >>> share_beside(0.9175, 0.92), share_beside(0.9175)
    ('91.8 %', '92 %')
    """
    for decimals in range(_MOST_DECIMALS):
        text = f"{100.0 * share:.{decimals}f}"
        if all(_side(float(text), 100.0 * limit) == _side(100.0 * share, 100.0 * limit) for limit in limits):
            break
    return f"{text} %"


def _side(value: float, limit: float) -> int:
    # A per cent that is written down is the same as the share that it was made of.
    off = value - limit
    return 0 if abs(off) < 1e-9 else (1 if off > 0.0 else -1)
