"""The tables of a case on a page."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from driftgate.judge.values import AxisVerdict, MomentVerdict
from driftgate.report.causes import tell_command
from driftgate.report.digits import (
    Direction,
    amount_words,
    exact,
    limit_words,
    otherwise_words,
    percent,
    together_words,
)
from driftgate.report.model import CaseReport, ReadingRow
from driftgate.report.page import Row, captioned, header_cell, labelled, scrolled, table, verdict
from driftgate.report.picture import CasePicture, FailedTrial, Instant, Leg, Strip
from driftgate.report.svg import step_mark
from driftgate.report.svg_marks import letter
from driftgate.report.terminal import contact_words, guess_words, status_words
from driftgate.report.text import esc

_VERDICT_HEADER: Final = (
    *("tolerance", "verdict", "#probability", "axis", "#allowed"),
    *("#50 %", "#95 %", "#99 %", "#used", "#margin"),
)
_STEP_HEADER: Final = (
    *("step", "what it does", "#line", "#from", "#to"),
    *("#95 % position", "#95 % heading", "#fixes", "sees a reference surface"),
)


def verdict_table(case: CaseReport) -> str:
    """Return every tolerance, axis by axis, contact, and everything together."""
    if case.verdict is None:
        return ""
    cells = "".join(header_cell(name) for name in _VERDICT_HEADER)
    bodies = [_moment(case, i, moment) for i, moment in enumerate(case.verdict.moments)]
    bodies.append(_contact(case))
    caption = (
        "Verdicts: the probability of success, its interval and what is needed; errors that 50, 95 and 99 "
        "of 100 runs stay within; the share of the tolerance used, and the margin, at the needed probability"
    )
    inner = f"{captioned(caption)}<thead><tr>{cells}</tr></thead>{''.join(bodies)}"
    return scrolled(f"<table>{inner}</table>", "Verdicts", "scroll stack") + (
        f"<p>Everything together: {esc(together_words(case.verdict))}.</p>"
    )


def _moment(case: CaseReport, index: int, moment: MomentVerdict) -> str:
    line = case.places[index][0]
    place = f'<br><span class="soft small">line {line}</span>' if line else ""
    span = max(1, len(moment.axes))
    first = (
        f'<th scope="rowgroup" rowspan="{span}">{esc(moment.name)}{place}</th>'
        + labelled(
            f'<td rowspan="{span}">{verdict(moment.status, " ".join(status_words(moment).split()[1:]))}'
            f'<br><span class="soft small">{esc(guess_words(moment))}</span></td>',
            _VERDICT_HEADER[1],
        )
        + labelled(
            f'<td class="n" rowspan="{span}">{percent(moment.estimate.probability, moment.required)}'
            f"{_below(_interval(moment.estimate.low, moment.estimate.high))}"
            f"{_below(f'need {exact(moment.required, 100)} %')}</td>",
            _VERDICT_HEADER[2],
        )
    )
    rows = []
    for k, axis in enumerate(moment.axes or (None,)):
        rows.append(f"<tr{step_mark(moment.step + 1)}>{first if k == 0 else ''}{_axis(moment, axis)}</tr>")
    return f"<tbody>{''.join(rows)}</tbody>"


def _below(words: str) -> str:
    # One under the other: three columns of their own would not fit beside the axes.
    return f'<br><span class="soft small">{esc(words)}</span>'


def _interval(low: float, high: float, digits: int = 1) -> str:
    return (
        f"{percent(low, digits=digits, direction='down')} to {percent(high, digits=digits, direction='up')}"
    )


def _axis(moment: MomentVerdict, axis: AxisVerdict | None) -> str:
    if axis is None:
        return "<td></td>" * 7
    binds = axis.axis == moment.binding
    name = f"<b>{axis.axis}</b> (tightest)" if binds else axis.axis
    used, margin = _share(axis.used), ""
    if binds:
        # Of the pose's own error, as everywhere; what else fails trials stands beside it.
        left = None if moment.error_used is None else 1.0 - moment.error_used
        margin = _share(left, "down")
        if other := otherwise_words(moment):
            margin += f'<br><span class="soft small">{esc(other)}</span>'
    sizes = (amount_words(size, axis.axis) for size in (axis.abs_50, axis.abs_95, axis.abs_99))
    cells = [f'<td class="n">{cell}</td>' for cell in (esc(limit_words(axis)), *sizes, used, margin)]
    titles = _VERDICT_HEADER[3:]
    return "".join(map(labelled, (f"<td>{name}</td>", *cells), titles))


def _share(value: float | None, direction: Direction = "up") -> str:
    if value is None:
        return "unknown"
    if math.isinf(value):
        return "exceeded" if value > 0.0 else "none left"
    limit = 1.0 if direction == "up" else 0.0
    return percent(value, limit, digits=0, direction=direction)


def _contact(case: CaseReport) -> str:
    assert case.verdict is not None
    contact = case.verdict.contact
    seen = contact.estimate
    allowed = f"{exact(contact.allowed, 100)} % allowed" if contact.allowed > 0.0 else "none allowed"
    line = case.contact_place[0]
    place = f'<br><span class="soft small">line {line}</span>' if line else ""
    return (
        f'<tbody><tr><th scope="row">contact{place}</th>'
        + labelled(
            f"<td>{verdict(contact.status, ' '.join(status_words(contact).split()[1:]))}</td>",
            _VERDICT_HEADER[1],
        )
        + labelled(
            f'<td class="n">{percent(seen.probability, digits=2)}{_below(_interval(seen.low, seen.high, 2))}'
            f"{_below(allowed)}</td>",
            _VERDICT_HEADER[2],
        )
        + f'<td colspan="7">{esc(contact_words(contact))}</td></tr></tbody>'
    )


def failed_table(case: CaseReport, picture: CasePicture, seed: int) -> str:
    """Return the failing trials that the picture of the field shows."""
    if not picture.failed:
        return ""
    rows = [_failed(case, k, trial, seed) for k, trial in enumerate(picture.failed)]
    header = ("letter", "#trial", "#time", "fails at", "main cause", "shown as", "have it told")
    return table(header, rows, "Failing trials that are shown, by the letter in the picture")


def _failed(case: CaseReport, k: int, trial: FailedTrial, seed: int) -> Row:
    cells = (
        f"#{trial.number}",
        f"#{trial.time_s:.2f} s",
        esc(trial.at),
        f'{esc(trial.cause)} <span class="soft">({esc(trial.kind)})</span>',
        esc(trial.why_shown),
        f"<code>{esc(tell_command(case, trial.number, seed))}</code>",
    )
    return Row(letter(k), cells, step_mark(trial.step))


def steps_table(picture: CasePicture, prefix: str) -> str:
    """Return the planned steps with the error at their ends, and who sees a reference surface in them."""
    rows = [_step(leg, picture, prefix) for leg in picture.legs]
    header = _STEP_HEADER if picture.instants else _STEP_HEADER[:5]
    return table(header, rows, "Steps of the plan; errors at their ends, by the covariance engine")


def _step(leg: Leg, picture: CasePicture, prefix: str) -> Row:
    cells = [
        esc(leg.label),
        f"#{leg.line or ''}",
        f"#{leg.begin_s:.2f} s",
        f"#{leg.end_s:.2f} s",
    ]
    instant = instant_at(picture, leg.end_s)
    if instant is not None:
        position, heading = instant.linear
        sees = [strip.sensor for strip in picture.strips if _usable(strip, leg.number)]
        cells += [
            f"#{amount_words(position, 'x')}",
            f"#{amount_words(heading, 'heading')}",
            f"#{leg.fixes}",
            esc(", ".join(sees) or "none"),
        ]
    head = f'<a href="#{prefix}-step-{leg.number}" data-choose="{leg.number}">{leg.number}</a>'
    return Row(head, cells, f' id="{prefix}-step-{leg.number}"{step_mark(leg.number)}')


def instant_at(picture: CasePicture, time_s: float) -> Instant | None:
    """Return the instant shown that is nearest to a time."""
    return min(picture.instants, key=lambda i: abs(i.time_s - time_s), default=None)


def _usable(strip: Strip, number: int) -> bool:
    return any(view.step == number and view.reason == "usable" for view in strip.views)


def sensors_table(rows: Sequence[ReadingRow]) -> str:
    """Return what became of each sensor's readings over all trials."""
    if not rows:
        return ""
    # Sensors are few and outcomes many: one to a line, the table fits a phone.
    names = list(dict.fromkeys(name for one in rows for name, _ in one.outcomes))
    found = [Row(esc(name), [f"#{dict(one.outcomes).get(name, 0):,}" for one in rows]) for name in names]
    found += [
        Row("wrongly accepted", [f"#{one.wrongly_accepted:,}" for one in rows]),
        Row("wrongly refused", [f"#{one.wrongly_refused:,}" for one in rows]),
        Row("mean move", [f"#{amount_words(one.mean_move_m, 'x')}" for one in rows]),
    ]
    header = ("readings", *(f"#{one.sensor}" for one in rows))
    return table(header, found, "What became of the readings, over all trials", stacked=False)


def inputs_table(picture: CasePicture) -> str:
    """Return the files of a case with the fingerprints of what they mean."""
    rows = [
        Row(
            esc(one.role),
            (
                f"<code>{esc(one.path)}</code>",
                esc(one.title) + (f'<br><span class="soft small">{esc(one.note)}</span>' if one.note else ""),
                f"<code>{one.fingerprint[:16]}</code>",
            ),
        )
        for one in picture.inputs
    ]
    return table(("input", "file", "title and note", "fingerprint"), rows, "Inputs")
