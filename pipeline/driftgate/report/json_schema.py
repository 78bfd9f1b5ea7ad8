"""JSON Schema of the report, draft 2020-12. Kept beside the writer; a test holds them together."""

from __future__ import annotations

from typing import Any

Schema = dict[str, Any]


def object_of(about: str, **members: Schema) -> Schema:
    """Return the schema of an object that has all these members, and perhaps more."""
    return {
        "type": "object",
        "description": about,
        "properties": members,
        "required": list(members),
        "additionalProperties": True,
    }


def list_of(of: Schema, about: str = "") -> Schema:
    """Return the schema of a list."""
    return {"type": "array", "items": of, **({"description": about} if about else {})}


def _ref(name: str) -> Schema:
    return {"$ref": f"#/$defs/{name}"}


def text(about: str = "") -> Schema:
    """Return the schema of a text."""
    return {"type": "string", **({"description": about} if about else {})}


def count(about: str = "") -> Schema:
    """Return the schema of a count."""
    return {"type": "integer", "minimum": 0, **({"description": about} if about else {})}


def number(about: str = "") -> Schema:
    """Return the schema of a number, null where it is not known."""
    return {"type": ["number", "null"], **({"description": about} if about else {})}


def share(about: str = "") -> Schema:
    """Return the schema of a fraction from 0 to 1."""
    return {"type": "number", "minimum": 0, "maximum": 1, **({"description": about} if about else {})}


VERDICT: Schema = {"enum": ["pass", "fail", "undecided"]}
USED_STATE: Schema = {
    "enum": ["known", "unknown", "exceeded"],
    "description": "unknown: too few trials to say; exceeded: infinite, too many trials fail outright",
}
AXIS: Schema = {"enum": ["x", "y", "along", "across", "radial", "heading"]}
UNIT: Schema = {"enum": ["m", "rad"]}

# What stands beside a verdict that weighted trials reached is no count of them.
_OF_PLAIN = ", of the plain trials, as many as the prediction has"
_TILTED: dict[str, Schema] = {
    "trials": count(),
    "failed": count("that fail, or touch, tilted as they are"),
    "failing": share("weighted estimate"),
}


def _weighted(**more: Schema) -> Schema:
    about = (
        "Tilted trials, which verdict, estimate, bounds and used rest on; the estimate's successes "
        "then count trials that are tilted towards failing, and are no share."
    )
    return {"anyOf": [object_of(about, **_TILTED, **more), {"type": "null"}]}


_FINDING: Schema = {
    "path": text("relative to the repository root"),
    "line": count("from 1; 0: the whole file"),
    "column": count("from 1"),
    "code": text("stable code; see the command 'codes'"),
    "level": {"enum": ["error", "warning", "note"]},
    "message": text(),
    "suggestion": text(),
}

_DEFS: Schema = {
    "finding": object_of("A statement about one place in one file.", **_FINDING),
    "accepted": object_of(
        "A finding that the routine accepts.",
        **_FINDING,
        reason=text(),
        until=text("the last day on which it is accepted, as 2026-12-01"),
        entry=count("which of the routine's exceptions, from 1"),
    ),
    "estimate": object_of(
        "A probability from trials, with a two-sided interval at the run's confidence: exact after a fixed "
        "number of trials, valid at all looks together after a sequential sample.",
        successes=count(),
        trials=count(),
        probability=share(),
        low=share(),
        high=share(),
    ),
    "quantiles": {
        "type": "object",
        "properties": {"50": number(), "95": number(), "99": number()},
        "required": ["50", "95", "99"],
    },
    "axis": object_of(
        "One axis of a tolerance.",
        axis=AXIS,
        unit=UNIT,
        low=number("null: a free side"),
        high=number("null: a free side"),
        mean=number(),
        sd=number(),
        abs_quantiles=_ref("quantiles"),
        used=number("share of the tolerance used at the required probability, by the plain trials alone"),
        used_state=USED_STATE,
        outside=count(f"outside of the limits{_OF_PLAIN}"),
    ),
    "variance": object_of(
        "Where the variance along the binding axis comes from, by the covariance engine.",
        sd=number(),
        guessed=number("share that rests on guessed numbers"),
        between_fields=number("share that varies from field to field"),
        sources=list_of(
            object_of(
                "One error source.",
                name=text(),
                title=text(),
                basis=text(),
                constant_over=text(),
                share=number(),
            )
        ),
    ),
    "tolerance": object_of(
        "The verdict on one checkpoint, or on the end.",
        name=text(),
        final={"type": "boolean"},
        step=count("from 1"),
        line=count(),
        column=count(),
        verdict=VERDICT,
        codes=list_of(text(), "codes of findings, the verdict's first"),
        required=share(),
        success=_ref("estimate"),
        lower=share("one-sided bound; pass when it is at least 'required'"),
        upper=share("one-sided bound at the shared-out error rate; fail when below 'required'"),
        decided_at={
            "type": ["integer", "null"],
            "description": "trials at the look that reached the verdict; null: undecided",
        },
        weighted_trials=_weighted(
            outside=share("weighted estimate: outside of the limits"),
            late=share("weighted estimate: past the time limit"),
        ),
        binding_axis=AXIS,
        used=number("at most 1 exactly when the verdict is pass"),
        used_state=USED_STATE,
        margin=number("1 - used"),
        error_used=number("what the error of the pose alone uses, contact and time aside"),
        error_used_state=USED_STATE,
        used_quantiles=_ref("quantiles"),
        outside=count(f"outside of the limits{_OF_PLAIN}"),
        touched=count(f"after unintended contact{_OF_PLAIN}"),
        late=count(f"past the time limit{_OF_PLAIN}"),
        missed_before=count(f"an earlier checkpoint that it depends on failed{_OF_PLAIN}"),
        points=count(),
        axes=list_of(_ref("axis")),
        variance={"anyOf": [_ref("variance"), {"type": "null"}]},
        note=text("why a verdict is out of reach"),
        reason=text("the most likely reason of a failure or narrow margin"),
        worst_trials=list_of(
            object_of("A trial, and what to type to have it told.", trial=count("from 0"), command=text()),
            "worst first, where the tolerance fails or is narrowly kept",
        ),
    ),
    "failures": object_of(
        "Why trials fail at tolerances that do not pass; each trial has one main cause.",
        failing=count(),
        looked_at=count("the first so many of them by number; the groups' trials add up to it"),
        groups=list_of(
            object_of(
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
                cause=text(),
                trials=count(),
                share=share("of those looked at"),
                example=count("a trial"),
            ),
            "largest first",
        ),
    ),
    "contact": object_of(
        "The verdict on unintended contact.",
        line=count("where the routine's file says what is allowed; 0: unknown"),
        column=count(),
        verdict=VERDICT,
        codes=list_of(text()),
        allowed=share(),
        contact=_ref("estimate"),
        lower=share(),
        upper=share("never zero; pass when at most 'allowed', or when none may touch and none does"),
        weighted_trials=_weighted(),
        places=list_of(
            object_of(
                "Where it happens first.",
                obstacle=text(),
                step=count(),
                trials=count("of those that 'contact' counts: with 'weighted_trials' tilted ones, no share"),
            )
        ),
        reason=text(),
    ),
    "disagreement": object_of(
        "A significant difference between the engines of more than 3 % of the tolerance.",
        code=text(),
        tolerance=text(),
        axis={"enum": ["x", "y", "heading"]},
        what={"enum": ["mean", "spread"]},
        unit=UNIT,
        trials=number(),
        covariance=number(),
        held_against=number(),
        p_value=number(),
        why=text(),
    ),
    "prediction": object_of(
        "What the engines predict.",
        success=_ref("estimate"),
        expected_points=number("mean over the trials"),
        full_points=count(),
        points_quantiles={
            "type": "object",
            "description": "so many points or fewer come out in 10, 50, 90 % of the trials",
            "properties": {"10": count(), "50": count(), "90": count()},
            "required": ["10", "50", "90"],
        },
        trials=count("plain trials: how many this case took; weighted ones come on top"),
        looks=list_of(count(), "trials at each look of a sequential sample; empty: fixed"),
        quantiles={
            "enum": ["estimates", "sample"],
            "description": "of all plain quantiles (50/95/99 %, points); estimates: the trials ended "
            "because of what they showed, so that no confidence attaches to them",
        },
        lost_trials=count(),
        tolerances=list_of(_ref("tolerance")),
        failures={
            "anyOf": [_ref("failures"), {"type": "null"}],
            "description": "null: the case passes, or no plain trial fails",
        },
        contact=_ref("contact"),
        disagreements=list_of(_ref("disagreement")),
    ),
    "case": object_of(
        "One routine on one pair of maps and one side.",
        path=text(),
        title=text(),
        robot=text(),
        believed_map=text("the map that the robot carries"),
        true_map=text("the map of the field that it drives on"),
        side={"enum": ["as written", "mirrored"]},
        verdict=VERDICT,
        duration_s=number(),
        energy_j=number("largest kinetic energy on the plan [J]"),
        time_limit_s=number(),
        findings=list_of(_ref("finding")),
        accepted=list_of(_ref("accepted"), "findings that the routine accepts; without effect on any status"),
        steps=list_of(object_of("A planned step.", number=count(), label=text(), line=count())),
        prediction={
            "anyOf": [_ref("prediction"), {"type": "null"}],
            "description": "null: the plan is infeasible",
        },
        dark=list_of(
            object_of(
                "A time in which no sensor can give a fix on one coordinate.",
                code=text(),
                axis={"enum": ["x", "y", "heading"]},
                begin_s=number(),
                end_s=number(),
                first_step=count(),
                last_step=count(),
            )
        ),
        readings=list_of(
            object_of(
                "What became of one sensor's readings over all trials.",
                sensor=text(),
                outcomes={"type": "object", "additionalProperties": count()},
                wrongly_accepted=count(),
                wrongly_refused=count(),
                mean_move_m=number(),
            )
        ),
    ),
}

SCHEMA: Schema = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "driftgate report, format 2",
    **object_of(
        "What one run of driftgate says. Quantities in SI. Members may be added, never changed.",
        schema={"const": "driftgate-report/2"},
        version=text(),
        status={"type": "integer", "description": "exit status"},
        why=text("why that status, in one line"),
        verdict={"enum": [*VERDICT["enum"], None], "description": "null: nothing was judged"},
        seed=count(),
        trials=count("of each case: all, or with a sequential sample the most"),
        sample={"enum": ["sequential", "fixed"]},
        confidence=share(),
        tolerances=count("judged in the whole run, contact included"),
        command=text("what gives the same numbers again"),
        cautions=list_of(text()),
        findings=list_of(_ref("finding")),
        cases=list_of(_ref("case")),
    ),
    "$defs": _DEFS,
}
