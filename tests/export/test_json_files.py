"""The JSON of the hand-over keeps to its schema and says what the C says."""

from __future__ import annotations

import json
import math
import re

import jsonschema
import pytest
from compiled import ORIGIN, scene_files
from made_scenes import SCENES

from driftgate.export.c_types import OTHER_STRUCTS, PREFIXES, ROUTINE_STRUCTS, fields_of, struct_name
from driftgate.export.gather import hand_over
from driftgate.export.json_schema import schema_of
from driftgate.export.vectors import vectors_of

NAMES = ["kalman, pairs", "contact with a slanted wall", "disabled"]


def both(name):
    """Return both JSON files of a scene, read."""
    files = scene_files(name).files
    return json.loads(files["made_up.json"]), json.loads(files["made_up.vectors.json"])


@pytest.mark.parametrize("name", NAMES)
def test_law_files_keep_to_their_schemas(name):
    """Both files are valid by their schemas, which are schemas themselves."""
    for document in both(name):
        schema = schema_of(document["kind"])
        jsonschema.Draft202012Validator.check_schema(schema)
        jsonschema.Draft202012Validator(schema).validate(document)


def test_err_schemas_refuse_what_is_wrong():
    """A missing number, an unknown step and a key too many are refused."""
    document, vectors = both("kalman, pairs")
    validator = jsonschema.Draft202012Validator(schema_of("hand-over"))
    del document["routine"]["correction"]["gate_sigmas"]
    document["routine"]["steps"][0]["kind"] = "hop"
    document["more"] = 1
    assert len(list(validator.iter_errors(document))) == 3
    vectors["vectors"][0]["before"]["pose"]["x_m"] = None
    assert not jsonschema.Draft202012Validator(schema_of("test-vectors")).is_valid(vectors)


def test_law_json_says_what_the_model_says():
    """Numbers are exact, no limit is null, the title and the fingerprint are whole."""
    prepared = SCENES["no tests"]()
    routine = hand_over(prepared, ORIGIN)
    document = json.loads(scene_files("no tests").files["made_up.json"])
    read = document["routine"]
    assert read["fingerprint"] == document["fingerprint"] == ORIGIN.fingerprint
    assert document["display"] == ORIGIN.fingerprint[:8]
    assert read["correction"]["speed_m_s"] is None
    assert math.isinf(routine.correction.speed_m_s)
    assert [step["end"]["x_m"] for step in read["steps"]] == [step.end.x_m for step in routine.steps]
    assert read["correction"]["wall_m"] == routine.correction.wall_m == 0.005
    assert [surface["id"] for surface in read["surfaces"]] == [e.id for e in prepared.believed.edges]


def test_law_vectors_count_their_outcomes():
    """The counts at the head are those of the vectors."""
    _, document = both("kalman, pairs")
    results = [r["outcome"] for vector in document["vectors"] for r in vector["results"]]
    assert {name: n for name, n in document["outcomes"].items() if n} == {
        name: results.count(name) for name in set(results)
    }
    assert len(document["vectors"]) == len(vectors_of(SCENES["kalman, pairs"]()))


def test_law_structs_are_the_values():
    """Every field has a text, every enumerator a prefix, and the C struct the fields of the class."""
    header = scene_files("disabled").files["made_up.h"]
    for struct in (*ROUTINE_STRUCTS, *OTHER_STRUCTS):
        for field in fields_of(struct):
            assert field.about or field.name == "normal_y"
            if struct not in OTHER_STRUCTS:
                body = re.search(rf"typedef struct {{([^}}]*)}} {struct_name(struct)};", header)
                assert body is not None
                assert re.search(rf"[ *]{field.name}(\[\w+\])?;", body[1])
    assert all(prefix.startswith("DG_") for prefix in PREFIXES.values())
