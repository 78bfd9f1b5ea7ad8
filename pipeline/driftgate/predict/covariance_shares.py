"""Which error source makes how much of a covariance: the shares are exact and add up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from driftgate.core.pose import FloatArray
from driftgate.predict.attach import Attachments
from driftgate.predict.linear import WHITE
from driftgate.predict.sources import SourceTable
from driftgate.predict.values import CovarianceResult, Moment

# White sources that the covariance engine carries, beside those of the ticks.
WHITE_SOURCES = (*WHITE, "settling", "step_timing", "range_noise", "quantisation")
WHITE_ROW = {name: i for i, name in enumerate(WHITE_SOURCES)}


def wanted_rows(attach: Attachments, moment: Moment, count: int) -> FloatArray:
    """Return how the wanted pose moves with what the tolerance is relative to, shape (3, count + 1)."""
    wanted = np.zeros((3, count + 1))
    target = moment.within.relative_to
    if target is None:
        return wanted
    moved, at = attach.thing(target), attach.drawn_place(target)
    both = np.column_stack([moved.columns, moved.mean])
    arm = (moment.pose[0] - at.x, moment.pose[1] - at.y)
    wanted[0] = both[0] - arm[1] * both[2]
    wanted[1] = both[1] + arm[0] * both[2]
    wanted[2] = both[2]
    return wanted


def shares_by_source(error: FloatArray, white: FloatArray, table: SourceTable) -> dict[str, FloatArray]:
    """Return the covariance that each source makes.

    Parameters
    ----------
    error : ndarray, shape (3, m + 1)
        Sensitivity of the error to each constant of the run; the last column is not looked at.
    white : ndarray, shape (sources, 3, 3)
        Covariance made by each of `WHITE_SOURCES`.
    table : SourceTable
        The constants.

    Returns
    -------
    dict
        Source name to a (3, 3) covariance; sources that make none are left out.
    """
    shares: dict[str, FloatArray] = {}
    for i, constant in enumerate(table.constants):
        column = error[:, i] * constant.spread
        shares[constant.source] = shares.get(constant.source, np.zeros((3, 3))) + np.outer(column, column)
    for name, row in WHITE_ROW.items():
        shares[name] = shares.get(name, np.zeros((3, 3))) + white[row]
    acting = {name: cov for name, cov in shares.items() if np.any(cov)}
    return acting or {"start_placement": np.zeros((3, 3))}


def means_by_source(error: FloatArray, table: SourceTable) -> dict[str, FloatArray]:
    """Return the part of the mean error that each source with a mean makes, to first order.

    Arguments as in `shares_by_source`; "known" holds what is left over.
    """
    parts: dict[str, FloatArray] = {}
    for i, constant in enumerate(table.constants):
        if constant.mean != 0.0:
            parts[constant.source] = parts.get(constant.source, np.zeros(3)) + error[:, i] * constant.mean
    parts["known"] = error[:, -1] - np.sum(list(parts.values()), axis=0) if parts else error[:, -1].copy()
    return parts


def with_part_of(source: str, found: CovarianceResult, without: CovarianceResult) -> CovarianceResult:
    """Return a result that names what a source without a draw makes of the mean errors.

    Readings that are old and taken for new shift every fix the same way: they have a mean and no spread.
    """
    moments = []
    for one, other in zip(found.moments, without.moments, strict=True):
        part = one.mean - other.mean
        parts = {**one.mean_by_source, source: part, "known": one.mean_by_source["known"] - part}
        moments.append(replace(one, mean_by_source=parts))
    return replace(found, moments=tuple(moments))


def guessed_part(error: FloatArray, white: FloatArray, table: SourceTable) -> FloatArray:
    """Return the covariance that rests on guessed numbers; arguments as in `shares_by_source`."""
    part = _constants_part(error, [c.spread if c.basis == "guess" else 0.0 for c in table.constants])
    bases = {info.name: info.basis.split(", ") for info in table.info}
    for name, row in WHITE_ROW.items():
        if "guess" in bases.get(name, []):
            part = part + white[row]
    return part


def between_fields_part(error: FloatArray, table: SourceTable) -> FloatArray:
    """Return the covariance made by what is constant over a field."""
    return _constants_part(error, [c.spread if c.constant_over == "field" else 0.0 for c in table.constants])


def _constants_part(error: FloatArray, spreads: list[float]) -> FloatArray:
    columns = error[:, :-1] * np.array(spreads)
    part: FloatArray = columns @ columns.T
    return part
