"""The error budget as tables that add up, for a person."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from driftgate.judge.budget import AxisBudget, MomentBudget, SourceRow
from driftgate.judge.pickfreeze import Share
from driftgate.judge.sampling import beyond_plain
from driftgate.judge.values import AxisVerdict
from driftgate.report.budget_gist import gist_words
from driftgate.report.budget_model import BudgetReport
from driftgate.report.budget_more import (
    GROWTH_HEADER,
    GROWTH_TITLE,
    IMPROVE_TITLE,
    growth_notes,
    growth_rows,
    improvement_lines,
    improvement_notes,
)
from driftgate.report.caution import FULL
from driftgate.report.compare_text import strict_words
from driftgate.report.digits import amount_words, exact, limit_words, percent
from driftgate.report.findings import render_findings
from driftgate.report.model import CaseReport
from driftgate.report.paint import Paint
from driftgate.report.terminal import moment_cells
from driftgate.report.text import plain, table

# Rows whose every share is smaller are gathered into one.
_SMALL = 0.005
# What the most extreme thousandth of a normal variable makes of its variance.
_NORMAL = "1.3 %"
FEW = "(few)"
# A share that may be off by more says nothing; so far is what redraws are named for. (Our choice.)
_MOST_HALF, _AIM_HALF = 0.5, 0.1
UNRESOLVED = "not resolved"
# A source that had an effect in fewer trials is hardly met: the sampled error is as rough as the share, and
# most often too small. Of intervals of 95 % for half of all, made by one trial in a hundred, 24 % held in 50
# redraws, 63 % in 200; with at least ten 92 %. (Our choice.)
_LEAST_MET = 10.0
# As the option takes.
MOST_REDRAWS = 1_000_000
# Two-sided 95 % of a normal variable.
_SIGMAS_95 = 1.959964
# Parts of one thousand that a column of shares is shown in.
_PARTS = 1000

HEADER = (
    "source",
    "cov. spread",
    "cov. share",
    "trials, alone",
    "trials, with others",
    "what if off: spread",
    "success",
)
NOTES = (
    "Shares are of the variance about the mean, the square of the spread; radial: of both axes' variances.",
    "cov.: covariance engine, exact for its readings and fixed gains; the spreads' squares add up.",
    "trials, alone: variance that would go if this source were known (Jansen 1999); with what sources make "
    "only together it adds up to 100 %.",
    "trials, with others: variance that the source has a part in; what several make together counts for "
    "each, so this column adds up to more.",
    "Plus or minus: 95 % intervals of sampling.",
    "what if off: a run with the source switched off, its mean too, and the filter as it is; no share.",
)


_CHECK_DIFFERS = "'driftgate check' ends a case once all is certain, and its figures differ a little"


@dataclass(frozen=True)
class TableRow:
    """One line of a budget's table, as texts."""

    source: str
    covariance_sd: str
    covariance_share: str
    first: str
    total: str
    off_sd: str
    off_success: str

    @property
    def cells(self) -> tuple[str, ...]:
        """The texts in the order of the columns."""
        return (
            self.source,
            self.covariance_sd,
            self.covariance_share,
            self.first,
            self.total,
            self.off_sd,
            self.off_success,
        )


def render_budget(report: BudgetReport, colour: bool = False, everything: bool = False) -> str:
    """Return the budget of one case as lines of text.

    Parameters
    ----------
    report : BudgetReport
        What to tell.
    colour : bool
        Whether to colour.
    everything : bool
        Show every source, however small its share.
    """
    paint = Paint(colour)
    lines = render_findings(report.findings, paint)
    case = report.case
    if case is None:
        return "\n".join(lines) + "\n" if lines else ""
    lines += [paint(f"{plain(case.path)}  {plain(case.title)}", "bold"), f"  on {plain(case.label)}"]
    lines += ["  " + line for line in render_findings(case.findings, paint)]
    if case.verdict is None:
        return "\n".join([*lines, "", "The plan is infeasible, so there is no budget."]) + "\n"
    gist = gist_words(report)
    lines += [f"  {plain(gist)}"] if gist else []
    for moment in report.moments:
        for axis in moment.axes:
            lines += ["", paint(axis_title(case, moment, axis), "bold"), f"  {axis_words(moment, axis)}"]
            lines += table(HEADER, [row.cells for row in table_rows(moment, axis, everything)])
            lines += [f"  {text}" for text in axis_notes(axis, report.redraws)]
    if report.growths is not None:
        lines += ["", paint(GROWTH_TITLE, "bold"), *table(GROWTH_HEADER, growth_rows(report.growths))]
        lines += [f"  {note}" for note in growth_notes(report)]
    if report.improvements is not None:
        lines += ["", paint(IMPROVE_TITLE, "bold")]
        lines += [f"  {i}. {text}" for i, text in enumerate(improvement_lines(report.improvements), 1)]
        lines += [f"  {note}" for note in improvement_notes(report)]
    rows = [moment_cells(moment) for moment in case.verdict.moments]
    head = f"Verdicts, by all {report.trials} trials"
    lines += [
        "",
        f"{paint(head, 'bold')}; {_CHECK_DIFFERS}",
        *table(("at", "axis", "tolerance", "verdict", ""), rows),
    ]
    lines += ["", *(f"- {note}" for note in NOTES), "", *closing(report), *FULL]
    return "\n".join(lines) + "\n"


def closing(report: BudgetReport) -> list[str]:
    """Return what it rests on, and what to type to get it again."""
    moments = () if report.case is None or report.case.verdict is None else report.case.verdict.moments
    return [
        *strict_words(beyond_plain(moment.required for moment in moments)),
        f"{report.redraws} trials a run of the budget, {report.trials} for the verdicts, seed {report.seed}, "
        f"confidence {exact(report.confidence, 100)} % (covers sampling, not the model)",
        f"again: {plain(report.command)}",
    ]


def axis_title(case: CaseReport, moment: MomentBudget, axis: AxisBudget) -> str:
    """Return "end (line 34), along: within 25 mm"."""
    limit = axis.limit
    words = limit_words(AxisVerdict(limit.axis, limit.low, limit.high, 0.0, 0.0, 0.0, 0.0, 0.0, None, 0))
    line = next((p[0] for name, p in zip(_moments(case), case.places, strict=True) if name == moment.name), 0)
    where = f" (line {line})" if line else ""
    return f"{plain(moment.name)}{where}, {limit.axis}: within {words}"


def axis_words(moment: MomentBudget, axis: AxisBudget) -> str:
    """Return spread and mean by both engines, and how many trials succeed."""
    name = axis.limit.axis
    spreads = amount_words(axis.covariance_sd, name), amount_words(axis.trials_sd, name)
    means = amount_words(axis.covariance_mean, name), amount_words(axis.trials_mean, name)
    return (
        f"spread {spreads[0]} by covariance, {spreads[1]} by trials; mean {means[0]} and {means[1]}; "
        f"{percent(moment.success)} of the trials succeed"
    )


def _moments(case: CaseReport) -> list[str]:
    return [] if case.verdict is None else [moment.name for moment in case.verdict.moments]


def table_rows(moment: MomentBudget, axis: AxisBudget, everything: bool = False) -> list[TableRow]:
    """Return the lines of a budget's table: sources, the small ones gathered, what is left over, the sum.

    The shown shares of both columns that add up are rounded so that the shown figures add up too.
    """
    told = [row for row in axis.rows if everything or row.size >= _SMALL]
    small = [row for row in axis.rows if row not in told]
    if len(small) == 1:
        told, small = list(axis.rows), []
    gathered = [_gathered(small)] if small else []
    covariance = adding_up([*(r.covariance_share for r in told), *(g[0] for g in gathered)])
    by_trials = axis.interactions is not None
    parts = [*(_first(row) for row in told), *(g[1] for g in gathered)]
    if axis.interactions is not None:
        parts.append(axis.interactions.value)
    first = adding_up(parts)
    name = axis.limit.axis
    rows = [
        TableRow(
            source=row.source.title,
            covariance_sd=amount_words(row.covariance_sd, name) if row.covariance_sd else "-",
            covariance_share=covariance[i] if row.covariance_share else "-",
            first=_with_error(first[i], row.trials.first, _met(row)) if row.trials is not None else "-",
            total=_total_words(row),
            off_sd=change_words(row.off_sd, axis.trials_sd, name),
            off_success=success_change(row.off_success, moment.success),
        )
        for i, row in enumerate(told)
    ]
    if small:
        i = len(told)
        sd = math.sqrt(sum(row.covariance_sd**2 for row in small))
        rows.append(
            TableRow(
                f"{len(small)} smaller ones",
                amount_words(sd, name),
                covariance[i],
                first[i] if by_trials else "-",
                "",
                "",
                "",
            )
        )
    if axis.interactions is not None:
        left = _with_error(first[-1], axis.interactions, all(_met(r) for r in axis.rows if r.size >= _SMALL))
        rows.append(TableRow("only together", "", "", left, "", "", ""))
    whole = "100.0 %"
    rows.append(
        TableRow(
            "all",
            amount_words(axis.covariance_sd, name),
            whole if axis.covariance_sd else "-",
            whole if by_trials else "-",
            "",
            "",
            "",
        )
    )
    return rows


def _gathered(rows: Sequence[SourceRow]) -> tuple[float, float]:
    return sum(row.covariance_share for row in rows), sum(_first(row) for row in rows)


def _first(row: SourceRow) -> float:
    return row.trials.first.value if row.trials is not None else 0.0


def adding_up(shares: Sequence[float]) -> list[str]:
    """Return shares that add up to 1 as per cents whose shown figures add up to 100.0 %.

    By largest remainders (A. Hamilton 1792, from memory): each is off by less than 0.1 %. Shares that
    do not add up to 1, as where nothing varies, are rounded one by one.
    """
    parts = [_PARTS * share for share in shares]
    whole = [math.floor(part) for part in parts]
    missing = _PARTS - sum(whole)
    if abs(sum(parts) - _PARTS) > 1e-6:
        whole, missing = [round(part) for part in parts], 0
    order = sorted(range(len(parts)), key=lambda i: (whole[i] - parts[i], i))
    for i in order[:missing]:
        whole[i] += 1
    return [f"{count / 10.0:.1f} %" for count in whole]


def _total_words(row: SourceRow) -> str:
    if row.trials is None:
        return "-"
    share = row.trials.total
    return _with_error(percent(share.value), share, _met(row)) + (f" {FEW}" if row.few_trials else "")


def _met(row: SourceRow) -> bool:
    """Return whether a source had an effect in enough trials for its shares' errors to be believed."""
    return row.trials is None or row.trials.met >= _LEAST_MET


def _with_error(shown: str, share: Share, met: bool = True) -> str:
    if not (met and _resolved(share)):
        return UNRESOLVED
    return f"{shown.removesuffix(' %')} ± {percent(_SIGMAS_95 * share.error, direction='up')}"


def _resolved(share: Share) -> bool:
    return _SIGMAS_95 * share.error <= _MOST_HALF


def _unresolved(axis: AxisBudget, redraws: int) -> str:
    """Return how many redraws would resolve the shares that these did not, in words; empty if all are."""
    shares = [
        share for row in axis.rows if row.trials is not None for share in (row.trials.first, row.trials.total)
    ]
    shares += [] if axis.interactions is None else [axis.interactions]
    worst = max((share.error for share in shares if not _resolved(share)), default=0.0)
    if not worst:
        rare = {
            row.source.title: row.trials.met for row in axis.rows if row.trials is not None and not _met(row)
        }
        if not rare:
            return ""
        wanted = _up(redraws * _LEAST_MET / min(rare.values()))
        which = ", ".join(rare)
        words = f"{UNRESOLVED}: {which}, which had an effect in a few of {redraws} redraws only"
        return f"{words}; try --redraws {min(wanted, MOST_REDRAWS):.0f} (and as many --trials)."
    wanted = _up(redraws * (_SIGMAS_95 * worst / _AIM_HALF) ** 2)
    words = f"{UNRESOLVED}: {redraws} redraws leave more than {percent(_MOST_HALF, digits=0)} to either side"
    if wanted > MOST_REDRAWS:
        return f"{words}, and no number that is allowed would leave {percent(_AIM_HALF, digits=0)}."
    enough = f"about --redraws {wanted:.0f} (and as many --trials)"
    return f"{words}; {enough} would leave {percent(_AIM_HALF, digits=0)}."


def _up(wanted: float) -> float:
    """Return a number of redraws, rounded up to one digit."""
    digit = 10.0 ** math.floor(math.log10(wanted))
    return digit * math.ceil(wanted / digit)


def change_words(value: float, before: float, axis: str) -> str:
    """Return a changed amount against the one before: "-1.3 mm"."""
    words = amount_words(value - before, axis)
    return words if words.startswith("-") else f"+{words}"


def success_change(value: float, before: float) -> str:
    """Return a changed probability against the one before: "+1.3 %"."""
    words = percent(value - before)
    return words if words.startswith("-") else f"+{words}"


def axis_notes(axis: AxisBudget, redraws: int) -> list[str]:
    """Return notes on a budget: a mean that is large, shares that are open, few trials that decide it."""
    notes = []
    if axis.shift is not None:
        by = "The age of the readings, which are taken for new," if axis.shift.late else ""
        by = by or f"The mean of the {axis.shift.title}"
        notes.append(f"{by} alone shifts it by {amount_words(axis.shift.mean, axis.limit.axis)}.")
    if axis.interactions is None:
        notes.append("The error does not vary in the trials.")
    elif axis.few_trials:
        notes.append(
            f"Few trials decide this: one in a thousand makes {percent(axis.by_extremes, digits=0)} of the "
            f"trials' variance ({_NORMAL} where errors are normal). The trials' shares are rough; the change "
            "of success tells more."
        )
    open_ = _unresolved(axis, redraws)
    if open_:
        notes.append(open_)
    few = [row.source.title for row in axis.rows if row.few_trials and row.size >= _SMALL]
    if few:
        notes.append(f"{FEW} rests on few trials: {', '.join(few)}.")
    if axis.covariance_sd == 0.0:
        notes.append("The covariance engine sees no variance here.")
    return notes
