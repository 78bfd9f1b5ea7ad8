"""JSON Schema of the error budget, draft 2020-12. Kept beside the writer; a test holds them together."""

from __future__ import annotations

from driftgate.report.budget_json import SCHEMA_NAME
from driftgate.report.json_schema import (
    AXIS,
    UNIT,
    VERDICT,
    Schema,
    count,
    list_of,
    number,
    object_of,
    share,
    text,
)

_SHARE: Schema = {
    "anyOf": [
        {"type": "null"},
        object_of(
            "A share of the variance with its standard error, as fractions; by chance it may be negative.",
            value=number(),
            standard_error=number(),
        ),
    ]
}
_DIFFERENCE: Schema = {
    "anyOf": [
        {"type": "null"},
        object_of("A paired difference with its interval.", value=number(), low=number(), high=number()),
    ]
}
_SOURCE = object_of(
    "One error source along one axis.",
    name=text(),
    title=text(),
    basis=text("where its numbers come from"),
    constant_over=text(),
    covariance_sd=number("standard deviation that it makes, by the covariance engine"),
    covariance_share=number("of the variance; the shares of an axis add up to 1"),
    first=_SHARE,
    total=_SHARE,
    few_trials={"type": "boolean", "description": "a few trials decide the shares"},
    off_sd=number("what-if: standard deviation with the source switched off"),
    off_success=number("what-if: share of trials that succeed with the source switched off"),
)
_SHIFT = object_of(
    "A source whose mean is among the largest contributions.",
    name=text(),
    title=text(),
    mean=number("what it makes of the mean error, by the covariance engine"),
)
_AXIS = object_of(
    "One axis of a tolerance, in its unit.",
    axis=AXIS,
    unit=UNIT,
    low=number("null: free on this side"),
    high=number("null: free on this side"),
    covariance_mean=number(),
    covariance_sd=number(),
    trials_mean=number(),
    trials_sd=number(),
    shift={"anyOf": [_SHIFT, {"type": "null"}]},
    by_extremes=number("share of the trials' variance that the most extreme trials make"),
    few_trials={"type": "boolean"},
    sources=list_of(_SOURCE),
    interactions=_SHARE,
)

SCHEMA: Schema = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "driftgate budget, format 1",
    **object_of(
        "Which error source makes how much of the error of one routine. Quantities in SI.",
        schema={"const": SCHEMA_NAME},
        version=text(),
        status={"type": "integer", "description": "exit status"},
        why=text("why that status, in one line"),
        seed=count(),
        trials=count("of the case as it is"),
        redraws=count("of each run with a source redrawn, switched off or grown"),
        confidence=share(),
        command=text("what gives the same numbers again"),
        cautions=list_of(text()),
        findings=count("how many; they are told on the terminal"),
        case={
            "anyOf": [
                {"type": "null"},
                object_of(
                    "The case.",
                    path=text(),
                    title=text(),
                    robot=text(),
                    believed_map=text(),
                    true_map=text(),
                    side=text(),
                    verdict={"enum": [*VERDICT["enum"], "infeasible"]},
                ),
            ]
        },
        moments=list_of(
            object_of(
                "A checkpoint or the end.",
                name=text(),
                step=count("from 1"),
                required=share(),
                success=share(),
                axes=list_of(_AXIS),
            )
        ),
        growth={
            "anyOf": [
                {"type": "null"},
                list_of(
                    object_of(
                        "How much one source may grow, alone, before a tolerance breaks.",
                        source=text(),
                        predicted_factor=number("by covariance"),
                        holds_at=number("greatest factor at which all held in trials"),
                        breaks_at=number("null: nothing broke at ten times"),
                        tolerance={"type": ["string", "null"], "description": "which one breaks"},
                        share_of_trials=number("that succeed where it breaks"),
                        required=number(),
                    )
                ),
            ],
            "description": "null: not asked for",
        },
        broken_as_it_is=list_of(text(), "tolerances that break before anything has grown"),
        improvements={
            "anyOf": [
                {"type": "null"},
                list_of(
                    object_of(
                        "One change, planned and run, and what it buys at the tightest tolerance.",
                        change=text(),
                        tolerance=text(),
                        margin_before=number(),
                        margin_now=number(),
                        gain=_DIFFERENCE,
                        success_before=number(),
                        success_now=number(),
                        success_gain=_DIFFERENCE,
                        tightest_now=text(),
                        tightest_margin=number(),
                    )
                ),
            ],
            "description": "null: not asked for",
        },
    ),
}
