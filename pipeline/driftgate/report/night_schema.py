"""JSON Schema of a night's report, draft 2020-12. Kept beside its writer; a test holds them together."""

from __future__ import annotations

from driftgate.report.json_schema import VERDICT, Schema, count, list_of, number, object_of, share, text
from driftgate.report.night_export import PLAIN, SCHEMA_NAME, WEIGHTED

_EFFECT: Schema = {
    "enum": ["", "breaks", "open", "survives", "already fails"],
    "description": "what the fault does; empty as it is",
}
_TOLERANCE = object_of(
    "one tolerance over the trials of a cell",
    name=text('the checkpoint, "end" or "contact"'),
    required=share("probability required; for contact one minus what is allowed"),
    trials=count("plain trials, whatever 'decided_by' says: nights are compared by them"),
    successes=count(
        "how many of these succeed; over 'trials' a share of plain trials, no estimate of weighted ones"
    ),
    half=count("how many succeed and use at most half of the tolerance"),
    decided_by={
        "enum": [PLAIN, WEIGHTED],
        "description": "which trials 'status', 'lower', 'upper' and 'used' are from: weighted ones where a "
        "requirement is beyond plain ones. Contact where none is allowed is decided by both, its bounds are "
        "of plain ones.",
    },
    status=VERDICT,
    lower=share("one-sided bound of the probability of success"),
    upper=share("one-sided bound of the probability of success"),
    used=number("share of the tolerance used at the required probability, an upper bound; null: unknown"),
    axis=text("which axis uses the most; empty for contact"),
)
_CELL = object_of(
    "a routine at a place, as it is or under one fault",
    fault=text('key of the fault, such as "dead:front"; empty as it is'),
    title=text("the fault in words"),
    effect=_EFFECT,
    breaks_first=text(
        "the first tolerance that it breaks or leaves open, of those that do not fail as it is"
    ),
    way=text("which of its ways was the worst; empty where there is only one"),
    tried=count("how many ways or places were tried"),
    trials=count("plain trials"),
    together=count("how many of them succeed in everything"),
    points={"type": "number", "description": "expected points, of the plain trials"},
    tolerances=list_of(_TOLERANCE, "in order of time, contact last"),
)
_INPUTS: Schema = {
    "type": "object",
    "additionalProperties": {"type": "string"},
    "description": "what the result hangs on, and a fingerprint of its content",
}
_CASE = object_of(
    "a routine on one true field and one side",
    routine=text("file"),
    title=text(),
    robot=text("file"),
    carried=text("the map that the robot carries"),
    field=text("the true field"),
    side={"enum": ["as written", "mirrored"]},
    inputs=_INPUTS,
    cells=list_of(_CELL, "as it is, then each fault; none where the plan is infeasible"),
)
_NIGHT = object_of(
    "the night",
    night=text("its day"),
    seed={"type": "integer", "minimum": 0, "description": "may be larger than a double holds exactly"},
    version=text("of driftgate"),
    software=text("fingerprint of driftgate and what it computes with"),
    run=text("fingerprint of everything that the night depends on"),
    trials=count("of each case as it is"),
    fault_trials=count("of each case under each fault; 0: no faults were run"),
    scout_trials=count("of each place or way that a search tries"),
    confidence=share(),
    cases=list_of(_CASE),
)
_KEY: dict[str, Schema] = {
    "routine": text(),
    "carried": text(),
    "field": text(),
    "side": text(),
    "tolerance": text(),
}
_SERIES = object_of(
    "one tolerance of a case as it is, over the nights; lists of one length",
    **_KEY,
    nights=list_of(text(), "days, rising"),
    required=list_of(share()),
    trials=list_of(count(), "plain trials, also where weighted ones have decided"),
    successes=list_of(count(), "how many of them succeed"),
    half=list_of(count(), "how many succeed and use at most half of the tolerance"),
    used=list_of(number(), "share of the tolerance used; of weighted trials where they have decided"),
    inputs=list_of(_INPUTS),
)
_CHANGE = object_of(
    "since when a tolerance holds more or less often",
    **_KEY,
    word={"enum": ["worse", "better"]},
    of={"enum": ["success", "within half of the tolerance"]},
    since=text("the first night after the change"),
    before=share("share of the trials before"),
    after=share("share of the trials since"),
    p_value=share("if nothing had changed"),
    inputs_changed=list_of(text(), "which inputs differ from those of the night before"),
)
_FINDING = object_of(
    "a finding of the files or of the history",
    path=text(),
    line=count("0: the whole file"),
    column=count("in characters, from 1"),
    code=text(),
    message=text(),
    level={"enum": ["error", "warning", "note"]},
    suggestion=text(),
    excerpt=text(),
)

SCHEMA: Schema = {
    "$schema": "https://json-schema.org/draft/2020-12/schema",
    "title": "driftgate night, format 1",
    **object_of(
        "the JSON report of driftgate nightly",
        schema={"const": SCHEMA_NAME},
        version=text("of the driftgate that wrote the report"),
        status={"type": "integer", "description": "exit status: that of the routines as they are"},
        why=text(),
        command=text("gives the same numbers again"),
        findings=list_of(_FINDING),
        night={"anyOf": [_NIGHT, {"type": "null"}], "description": "null: nothing was run"},
        before={"type": ["string", "null"], "description": "the latest night before it"},
        kept={"type": "boolean", "description": "whether it is in a history"},
        series=list_of(_SERIES),
        changes=list_of(_CHANGE, "the largest losses first"),
        cautions=list_of(text()),
    ),
}
