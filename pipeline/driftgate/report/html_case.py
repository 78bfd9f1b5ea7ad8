"""One case on a page: pictures, tables, and the numbers that the page's script reads."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Final

from driftgate.core.findings import Finding
from driftgate.judge.values import MomentVerdict
from driftgate.report.causes import group_words, trials_words, worst_words
from driftgate.report.digits import lost_words, percent
from driftgate.report.html_tables import (
    failed_table,
    inputs_table,
    instant_at,
    sensors_table,
    steps_table,
    verdict_table,
)
from driftgate.report.model import CaseReport
from driftgate.report.page import badge, scrolled, verdict, words_list
from driftgate.report.picture import CasePicture, Leg
from driftgate.report.svg import step_mark
from driftgate.report.svg_budget import budget_svg
from driftgate.report.svg_field import field_svg
from driftgate.report.svg_target import limit_line, target_svg
from driftgate.report.svg_time import time_svg
from driftgate.report.terminal import notes, status_words
from driftgate.report.text import esc

_MOST_GROUPS = 8
_CLOSE_WORDS: Final = (
    "Green: the tolerance. Dots: trials that kept it; crosses: trials that missed it, inside for another "
    "reason (contact, time, an earlier checkpoint). Ellipse: 95 % by the covariance engine."
)
_BUDGET_WORDS: Final = (
    "Shares of the variance along the tightest axis, by the covariance engine: exact for its linear model, "
    "so that the bars add up. A spread is the root of a variance: half the variance gone takes 29 % off it."
)


def case_html(case: CaseReport, picture: CasePicture | None, number: int, seed: int) -> str:
    """Return the section of one case.

    Parameters
    ----------
    case : CaseReport
        The case.
    picture : CasePicture or None
        What its pictures show; None where its files have changed since it was judged.
    number : int
        From 1, by which its places are named.
    seed : int
        Of the run.
    """
    prefix = f"case-{number}"
    status = "infeasible" if case.verdict is None else case.status
    where = case.true_title + (", mirrored" if case.side == "mirrored" else "")
    parts = [
        f'<section class="case" id="{prefix}" aria-labelledby="{prefix}-name">',
        f'<h2 id="{prefix}-name">{badge(status)} {esc(case.title)}'
        f' <span class="soft">on {esc(where)}</span></h2>',
        f'<p class="soft small"><code>{esc(case.path)}</code> on <code>{esc(case.true_map)}</code>, robot '
        f"<code>{esc(case.robot)}</code>, {case.duration_s:.2f} s of {case.time_limit_s:.2f} s. In motion: "
        f"at most {case.energy_j:.1f} J of kinetic energy; keep clear.</p>",
        _findings(case),
        _reasons(case, seed),
    ]
    if picture is None:
        parts.append("<p>The files have changed since this was judged, so there are no pictures.</p>")
        parts.append(verdict_table(case))
    else:
        parts += _pictures(case, picture, prefix, seed)
    parts.append("</section>")
    return "\n".join(part for part in parts if part)


def finding_words(finding: Finding) -> str:
    """Return a finding in a line."""
    place = f"{finding.path}:{finding.line}" if finding.line else finding.path
    return f"{finding.level} {finding.code} at {place}: {finding.message}"


def _findings(case: CaseReport) -> str:
    lines = [finding_words(f) for f in sorted(case.findings)]
    lines += [
        f"accepted until {a.until}: {finding_words(a.finding)} ({a.reason})"
        for a in sorted(case.accepted, key=lambda a: a.finding)
    ]
    return words_list(lines)


def _reasons(case: CaseReport, seed: int) -> str:
    if case.verdict is None:
        return "<p>The plan is infeasible, so nothing is predicted.</p>"
    items = []
    for moment in case.verdict.moments:
        if moment.status != "pass":
            items.append(_reason(moment))
    contact = case.verdict.contact
    if contact.reason:
        items.append(f"<li><b>contact</b> {verdict(contact.status)}: {esc(contact.reason)}</li>")
    if case.verdict.lost:
        items.append(f"<li><b>lost</b>: the robot says that it is, {esc(lost_words(case.verdict))}</li>")
    causes = case.verdict.causes
    if causes is not None:
        inner = "".join(f"<li>{esc(text)}</li>" for text in group_words(causes, _MOST_GROUPS))
        items.append(f"<li>Of {esc(trials_words(causes))}:<ul>{inner}</ul></li>")
    worst = worst_words(case, seed)
    if worst:
        items.append(f"<li>{esc(worst)}</li>")
    items += [f"<li>DG405: {esc(note)}</li>" for note in notes(case.verdict)]
    return f"<ul>{''.join(items)}</ul>" if items else ""


def _reason(moment: MomentVerdict) -> str:
    words = " ".join(text for text in (moment.note, moment.reason) if text) or "no single reason stands out"
    state = verdict(moment.status, " ".join(status_words(moment).split()[1:]))
    return f"<li><b>{esc(moment.name)}</b> {state}: {esc(words)}</li>"


def _narrow(case: CaseReport) -> str:
    """Return why passes are narrow: what fails has its reason at the top."""
    moments = () if case.verdict is None else case.verdict.moments
    found = [_reason(moment) for moment in moments if moment.status == "pass" and moment.reason]
    return f"<p>What makes passes narrow:</p><ul>{''.join(found)}</ul>" if found else ""


def _pictures(case: CaseReport, picture: CasePicture, prefix: str, seed: int) -> list[str]:
    parts = [
        _controls(picture, prefix),
        "<h3>The field</h3>",
        _figure(field_svg(case, picture), "The field", _field_caption(picture)),
    ]
    if picture.instants:
        closer = [_target(case, picture, i) for i in range(len(picture.targets))]
        parts += [
            "<h3>Along the plan</h3>",
            _figure(time_svg(case, picture), "Along the plan", _time_caption(picture)),
            "<h3>Checkpoints from close by</h3>",
            f'<p class="soft small">{_CLOSE_WORDS}</p>',
            f'<div class="targets">{"".join(closer)}</div>',
        ]
    if case.verdict is not None:
        parts += [
            "<h3>Verdicts</h3>",
            verdict_table(case),
            _narrow(case),
            failed_table(case, picture, seed),
            "<h3>Where the error comes from</h3>",
            f'<p class="soft small">{_BUDGET_WORDS}</p>',
            _budgets(case),
        ]
    parts += ["<h3>Steps</h3>", steps_table(picture, prefix)]
    if case.readings:
        parts += ["<h3>Sensors</h3>", sensors_table(case.readings)]
    return [*parts, "<h3>Inputs</h3>", inputs_table(picture), _data(picture)]


def _figure(svg: str, name: str, caption: str) -> str:
    return f"<figure>{scrolled(svg, name, 'picture')}<figcaption>{caption}</figcaption></figure>"


def _field_caption(picture: CasePicture) -> str:
    if not picture.instants:
        return "To scale; metres."
    failing = f"{picture.failing} of the {picture.sampled} fail somewhere"
    named = (
        " Single ones that the verdicts name are shown too."
        if any(t.number >= picture.sampled for t in picture.failed)
        else ""
    )
    return (
        f"To scale; metres. Faint lines: the first {len(picture.paths)} of the sample, trials 0 to "
        f"{picture.sampled - 1}, not picked by what became of them; {failing}.{named} Hit rates: all trials."
    )


def _time_caption(picture: CasePicture) -> str:
    return (
        "The plan's own clock. Solid: 95 % error by the covariance engine; dashed: the same over "
        f"{picture.sampled} trials, with the noise of so few. Of each sensor: what its beam meets on the "
        "plan, and under it what share of its readings was accepted, and what share was tried in vain (gate, "
        "no echo, held back), in these trials; the counts are of all trials."
    )


def _target(case: CaseReport, picture: CasePicture, index: int) -> str:
    target = picture.targets[index]
    words = ", ".join(limit_line(limit) for limit in target.limits) or "anything"
    relative = f", measured from {target.relative_to}" if target.relative_to else ""
    rate = ""
    if case.verdict is not None:
        moment = case.verdict.moments[index]
        hits = percent(moment.estimate.probability)
        rate = f" {verdict(moment.status)} {hits} of {moment.estimate.trials} trials."
    caption = f"<b>{esc(target.name)}</b>{rate} Allowed: {esc(words)}{esc(relative)}."
    svg = target_svg(case, picture, index)
    return f"<figure{step_mark(target.step)}>{svg}<figcaption>{caption}</figcaption></figure>"


def _budgets(case: CaseReport) -> str:
    assert case.verdict is not None
    found = [
        _figure(svg, f"Error budget at {moment.name}", "")
        for moment in case.verdict.moments
        if (svg := budget_svg(case, None, moment.name))
    ]
    return f'<div class="budgets">{"".join(found)}</div>'


def _controls(picture: CasePicture, prefix: str) -> str:
    options = "".join(f'<option value="{leg.number}">{esc(_short(leg))}</option>' for leg in picture.legs)
    slider = ""
    if picture.instants:
        slider = (
            f'<label>Time <input type="range" min="0" max="{len(picture.instants) - 1}" step="1" value="0" '
            'aria-valuetext="0.00 s"></label>'
        )
    return (
        f'<div class="controls" role="group" aria-label="Choose a step or an instant" hidden>'
        '<button type="button" data-go="-1" aria-label="previous step">\u25c2</button>'
        f'<label>Step <select><option value="">none</option>{options}</select></label>'
        '<button type="button" data-go="1" aria-label="next step">\u25b8</button>'
        f'{slider}<output aria-live="polite"></output></div>'
    )


def _short(leg: Leg) -> str:
    words = f"{leg.number}: {leg.label}"
    return words if len(words) <= 60 else words[:59] + "\u2026"


def _step_words(leg: Leg, picture: CasePicture) -> str:
    words = f"Step {leg.number}, {leg.begin_s:.2f} to {leg.end_s:.2f} s: {leg.label}."
    instant = instant_at(picture, leg.end_s)
    if instant is None:
        return words
    return (
        f"{words} 95 % error at its end {1000 * instant.linear[0]:.1f} mm and "
        f"{math.degrees(instant.linear[1]):.2f} deg by covariance, {1000 * instant.sampled[0]:.1f} mm and "
        f"{math.degrees(instant.sampled[1]):.2f} deg in trials. Fixes: {leg.fixes}."
    )


def _data(picture: CasePicture) -> str:
    """Return the numbers that the script reads, as text that cannot end its element."""
    data = {
        "steps": [_step_words(leg, picture) for leg in picture.legs],
        "hull": _rounded(picture.hull, 4),
        "time": [round(i.time_s, 3) for i in picture.instants],
        "step": [i.step for i in picture.instants],
        "pose": [
            [round(i.pose[0], 4), round(i.pose[1], 4), round(math.degrees(i.pose[2]), 2)]
            for i in picture.instants
        ],
        "linear": [_error(i.linear) for i in picture.instants],
        "sampled": [_error(i.sampled) for i in picture.instants],
        "ellipse": [
            [*(round(v, 5) for v in (*i.mean, *i.semi_m)), round(math.degrees(i.angle_rad), 1)]
            for i in picture.instants
        ],
    }
    text = json.dumps(data, ensure_ascii=True, separators=(",", ":"))
    safe = text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
    return f'<script type="application/json">{safe}</script>'


def _error(pair: Sequence[float]) -> list[float]:
    return [round(1000.0 * pair[0], 2), round(math.degrees(pair[1]), 3)]


def _rounded(points: Sequence[Sequence[float]], digits: int) -> list[list[float]]:
    return [[round(v, digits) for v in point] for point in points]
