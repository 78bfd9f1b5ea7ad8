"""JSON Schema of the report, draft 2020-12. Kept beside the writer; a test holds them together."""

from __future__ import annotations

from typing import Any

Schema = dict[str, Any]


def _object(about: str, **members: Schema) -> Schema:
    return {
        "type": "object",
        "description": about,
        "properties": members,
        "required": list(members),
        "additionalProperties": True,
    }


def _list(of: Schema, about: str = "") -> Schema:
    return {"type": "array", "items": of, **({"description": about} if about else {})}


def _ref(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


def _text(about: str = "") -> Schema:
    return {"type": "string", **({"description": about} if about else {})}


def _count(about: str = "") -> Schema:
    return {"type": "integer", "minimum": 0, **({"description": about} if about else {})}


def _number(about: str = "") -> Schema:
    return {"type": ["number", "null"], **({"description": about} if about else {})}


def _share(about: str = "") -> Schema:
    return {"type": "number", "minimum": 0, "maximum": 1, **({"description": about} if about else {})}


VERDICT: Schema = {"enum": ["pass", "fail", "undecided"]}
USED_STATE: Schema = {
    "enum": ["known", "unknown", "exceeded"],
    "description": "unknown: too few trials to say; exceeded: infinite, too many trials fail outright",
}
_AXIS: Schema = {"enum": ["x", "y", "along", "across", "radial", "heading"]}
_UNIT: Schema = {"enum": ["m", "rad"]}

_WEIGHTED: Schema = {
    "anyOf": [
        _object(
            "Tilted trials, which verdict, estimate, bounds and used rest on; the estimate's successes "
            "then count trials that are tilted towards failing, and are no share.",
            trials=_count(),
            failed=_count("that fail, or touch, tilted as they are"),
            failing=_share("weighted estimate"),
        ),
        {"type": "null"},
    ]
}

_FINDING: Schema = {
    "path": _text("relative to the repository root"),
    "line": _count("from 1; 0: the whole file"),
    "column": _count("from 1"),
    "code": _text("stable code; see the command 'codes'"),
    "level": {"enum": ["error", "warning", "note"]},
    "message": _text(),
    "suggestion": _text(),
}

_DEFS: Schema = {
    "finding": _object("A statement about one place in one file.", **_FINDING),
    "accepted": _object(
        "A finding that the routine accepts.",
        **_FINDING,
        reason=_text(),
        until=_text("the last day on which it is accepted, as 2026-12-01"),
        entry=_count("which of the routine's exceptions, from 1"),
    ),
    "estimate": _object(
        "A probability from trials, with a two-sided interval at the run's confidence: exact after a fixed "
        "number of trials, valid at all looks together after a sequential sample.",
        successes=_count(),
        trials=_count(),
        probability=_share(),
        low=_share(),
        high=_share(),
    ),
    "quantiles": {
        "type": "object",
        "properties": {"50": _number(), "95": _number(), "99": _number()},
        "required": ["50", "95", "99"],
    },
    "axis": _object(
        "One axis of a tolerance.",
        axis=_AXIS,
        unit=_UNIT,
        low=_number("null: a free side"),
        high=_number("null: a free side"),
        mean=_number(),
        sd=_number(),
        abs_quantiles=_ref("quantiles"),
        used=_number("share of the tolerance used at the required probability"),
        used_state=USED_STATE,
        outside=_count("trials outside the limits"),
    ),
    "variance": _object(
        "Where the variance along the binding axis comes from, by the covariance engine.",
        sd=_number(),
        guessed=_number("share that rests on guessed numbers"),
        between_fields=_number("share that varies from field to field"),
        sources=_list(
            _object(
                "One error source.",
                name=_text(),
                title=_text(),
                basis=_text(),
                constant_over=_text(),
                share=_number(),
            )
        ),
    ),
    "tolerance": _object(
        "The verdict on one checkpoint, or on the end.",
        name=_text(),
        final={"type": "boolean"},
        step=_count("from 1"),
        line=_count(),
        column=_count(),
        verdict=VERDICT,
        codes=_list(_text(), "codes of findings, the verdict's first"),
        required=_share(),
        success=_ref("estimate"),
        lower=_share("one-sided bound; pass when it is at least 'required'"),
        upper=_share("one-sided bound at the shared-out error rate; fail when below 'required'"),
        decided_at={
            "type": ["integer", "null"],
            "description": "trials at the look that reached the verdict; null: undecided",
        },
        weighted_trials=_WEIGHTED,
        binding_axis=_AXIS,
        used=_number("at most 1 exactly when the verdict is pass"),
        used_state=USED_STATE,
        margin=_number("1 - used"),
        used_quantiles=_ref("quantiles"),
        outside=_count(),
        touched=_count(),
        late=_count(),
        missed_before=_count("trials in which an earlier checkpoint that it depends on failed"),
        points=_count(),
        axes=_list(_ref("axis")),
        variance={"anyOf": [_ref("variance"), {"type": "null"}]},
        note=_text("why a verdict is out of reach"),
        reason=_text("the most likely reason of a failure or narrow margin"),
        worst_trials=_list(
            _object("A trial, and what to type to have it told.", trial=_count("from 0"), command=_text()),
            "worst first, where the tolerance fails or is narrowly kept",
        ),
    ),
    "failures": _object(
        "Why trials fail at tolerances that do not pass; each trial has one main cause.",
        failing=_count(),
        looked_at=_count("the first so many of them by number; the groups' trials add up to it"),
        groups=_list(
            _object(
                "Trials of one cause.",
                kind={
                    "enum": [
                        "contact",
                        "late",
                        "missed before",
                        "strayed target",
                        "wrong surface",
                        "gate",
                        "obstructed",
                        "start placement",
                        "drift",
                        "combined",
                    ]
                },
                cause=_text(),
                trials=_count(),
                share=_share("of those looked at"),
                example=_count("a trial"),
            ),
            "largest first",
        ),
    ),
    "contact": _object(
        "The verdict on unintended contact.",
        verdict=VERDICT,
        codes=_list(_text()),
        allowed=_share(),
        contact=_ref("estimate"),
        lower=_share(),
        upper=_share("never zero; pass when at most 'allowed', or when none may touch and none does"),
        weighted_trials=_WEIGHTED,
        places=_list(_object("Where it happens first.", obstacle=_text(), step=_count(), trials=_count())),
        reason=_text(),
    ),
    "disagreement": _object(
        "A significant difference between the engines of more than 3 % of the tolerance.",
        code=_text(),
        tolerance=_text(),
        axis={"enum": ["x", "y", "heading"]},
        what={"enum": ["mean", "spread"]},
        unit=_UNIT,
        trials=_number(),
        covariance=_number(),
        held_against=_number(),
        p_value=_number(),
        why=_text(),
    ),
    "prediction": _object(
        "What the engines predict.",
        success=_ref("estimate"),
        expected_points=_number("mean over the trials"),
        full_points=_count(),
        points_quantiles={
            "type": "object",
            "description": "so many points or fewer come out in 10, 50, 90 % of the trials",
            "properties": {"10": _count(), "50": _count(), "90": _count()},
            "required": ["10", "50", "90"],
        },
        trials=_count("how many this case took"),
        looks=_list(_count(), "trials at each look of a sequential sample; empty: fixed"),
        quantiles={
            "enum": ["estimates", "sample"],
            "description": "of all plain quantiles (50/95/99 %, points); estimates: the trials ended "
            "because of what they showed, so that no confidence attaches to them",
        },
        lost_trials=_count(),
        tolerances=_list(_ref("tolerance")),
        failures={
            "anyOf": [_ref("failures"), {"type": "null"}],
            "description": "null: the case passes, or no plain trial fails",
        },
        contact=_ref("contact"),
        disagreements=_list(_ref("disagreement")),
    ),
    "case": _object(
        "One routine on one pair of maps and one side.",
        path=_text(),
        title=_text(),
        robot=_text(),
        believed_map=_text("the map that the robot carries"),
        true_map=_text("the map of the field that it drives on"),
        side={"enum": ["as written", "mirrored"]},
        verdict=VERDICT,
        duration_s=_number(),
        energy_j=_number("largest kinetic energy on the plan [J]"),
        time_limit_s=_number(),
        findings=_list(_ref("finding")),
        accepted=_list(_ref("accepted"), "findings that the routine accepts; without effect on any status"),
        steps=_list(_object("A planned step.", number=_count(), label=_text(), line=_count())),
        prediction={
            "anyOf": [_ref("prediction"), {"type": "null"}],
            "description": "null: the plan is infeasible",
        },
        dark=_list(
            _object(
                "A time in which no sensor can give a fix on one coordinate.",
                code=_text(),
                axis={"enum": ["x", "y", "heading"]},
                begin_s=_number(),
                end_s=_number(),
                first_step=_count(),
                last_step=_count(),
            )
        ),
        readings=_list(
            _object(
                "What became of one sensor's readings over all trials.",
                sensor=_text(),
                outcomes={"type": "object", "additionalProperties": _count()},
                wrongly_accepted=_count(),
                wrongly_refused=_count(),
                mean_move_m=_number(),
            )
        ),
    ),
}

SCHEMA: Schema = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "driftgate report, format 2",
    **_object(
        "What one run of driftgate says. Quantities in SI. Members may be added, never changed.",
        schema={"const": "driftgate-report/2"},
        version=_text(),
        status={"type": "integer", "description": "exit status"},
        why=_text("why that status, in one line"),
        verdict={"enum": [*VERDICT["enum"], None], "description": "null: nothing was judged"},
        seed=_count(),
        trials=_count("of each case: all, or with a sequential sample the most"),
        sample={"enum": ["sequential", "fixed"]},
        confidence=_share(),
        tolerances=_count("judged in the whole run, contact included"),
        command=_text("what gives the same numbers again"),
        cautions=_list(_text()),
        findings=_list(_ref("finding")),
        cases=_list(_ref("case")),
    ),
    "$defs": _DEFS,
}
