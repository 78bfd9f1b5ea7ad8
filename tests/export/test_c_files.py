"""Generated C stands up to strict compilers and to hostile names."""

from __future__ import annotations

import dataclasses
import math

import pytest
from compiled import ORIGIN, files_of, scene_files
from hypothesis import given
from hypothesis import strategies as st
from made_scenes import SCENES

from driftgate.export.c_text import comment, in_comment, number, plain_ascii, string_literal
from driftgate.export.files import CODE, MARKS, shared_files
from driftgate.export.gather import Origin
from driftgate.export.names import identifier, unique_identifiers
from driftgate.report.caution import FULL

HOSTILE = '*/ int main(void){return 1;} /* ??/\n" \\ ??> // \u202e évil \x00 %s'


def unbroken(text: str) -> str:
    """Return a text without the line breaks of a comment."""
    return " ".join(text.replace("\n * ", " ").split())


@pytest.mark.parametrize("warning", ["-Wconversion", "-Wtrigraphs", "-Wcomment", "-Wshadow"])
def test_law_headers_alone_compile(warning, compiler, tmp_path):
    """Each header compiles alone, with more warnings than are asked for."""
    for name, text in scene_files("kalman, pairs").files.items():
        (tmp_path / name).write_text(text)
    for header in ("made_up.h", "made_up.vectors.h"):
        source = tmp_path / "only.c"
        source.write_text(f'#include "{header}"\nint main(void) {{ return 0; }}\n')
        # A table that nobody uses is no fault of the header's.
        done = compiler.compile(warning, f"-I{compiler.folder}", "-fsyntax-only", "only.c", folder=tmp_path)
        assert done.returncode == 0, done.stderr[:3000]


def test_law_two_routines_go_into_one_program(compiler, tmp_path):
    """Headers of two routines can be read together; their names do not meet."""
    scenes = ["kalman", "disabled"]
    names = unique_identifiers(["a b", "a-b"])
    lines = []
    for scene, name in zip(scenes, names, strict=True):
        origin = Origin(name, f"{name}.yaml", "0" * 64, "1.2.3")
        for file, text in files_of(SCENES[scene](), origin).files.items():
            (tmp_path / file).write_text(text)
        lines += [f'#include "{name}.h"', f'#include "{name}.vectors.h"']
    uses = " + ".join(f"{name}_routine.steps_count" for name in names)
    (tmp_path / "both.c").write_text("\n".join(lines) + f"\nint main(void) {{ return {uses}; }}\n")
    done = compiler.compile(f"-I{compiler.folder}", "-fsyntax-only", "both.c", folder=tmp_path)
    assert done.returncode == 0, done.stderr[:3000]


def test_law_a_robot_without_sensors_compiles(compiler, tmp_path):
    """No sensors, no pairs, no curves: C knows no empty tables."""
    from scenes import field_map, prepared

    bare = prepared([{"do": "pause", "time": "1 s"}], believed=field_map())
    ran = compiler.host(files_of(bare), tmp_path)
    assert ran.status == 0
    assert ran.vectors[0] == ran.vectors[1] > 0


def test_law_a_sensor_above_everything_compiles(c_compiler, tmp_path):
    """A sensor that looks over all walls meets no surface, in the model and in C."""
    from scenes import field_map, prepared, range_sensor, robot

    high = {
        **range_sensor("high", 0.0, 0.0, 0.0),
        "mount": {"x": "0 m", "y": "0 m", "heading": "0 deg", "height": "2 m"},
    }
    case = prepared(
        [{"do": "look", "time": "0.5 s"}], robot(None, [high], {"when": "always"}), believed=field_map()
    )
    made = files_of(case)
    ran = c_compiler.host(made, tmp_path)
    assert ran.status == 0
    assert made.vectors > 12
    assert "DG_NO_SURFACE" in made.files["made_up.vectors.h"]


def test_law_small_robots_leave_the_readings_out(compiler, tmp_path):
    """The one long table goes with a macro."""
    (tmp_path / "made_up.h").write_text(scene_files("kalman").files["made_up.h"])
    (tmp_path / "small.c").write_text(
        '#define DRIFTGATE_WITHOUT_READINGS\n#include "made_up.h"\n'
        "int main(void) { return made_up_routine.readings_count; }\n"
    )
    done = compiler.compile("-fsyntax-only", "small.c", folder=tmp_path)
    assert done.returncode == 0, done.stderr[:3000]


def test_law_hostile_titles_and_paths_stay_text(compiler, tmp_path):
    """A title or path that tries to end a comment or a string changes nothing that is compiled."""
    prepared = SCENES["disabled"]()
    routine = prepared.case.routine.model_copy(update={"title": HOSTILE})
    prepared = dataclasses.replace(prepared, case=dataclasses.replace(prepared.case, routine=routine))
    made = files_of(prepared, ORIGIN._replace(source=f"routines/{HOSTILE}.yaml"))
    ran = compiler.host(made, tmp_path)
    assert ran.status == 0
    assert ran.vectors[0] == ran.vectors[1]


@given(st.text(max_size=60))
def test_law_comments_cannot_be_broken_out_of(text):
    """Of any text nothing is left that ends or begins a comment, splices a line or is a trigraph."""
    inside = in_comment(text)
    assert inside.isascii()
    assert inside.isprintable() or not inside
    assert not any(bad in inside for bad in ("*/", "/*", "//", "??", "\\"))
    assert comment([text]).count("*/") == 1


@given(st.text(max_size=60))
def test_law_strings_cannot_be_broken_out_of(text):
    """A string literal is printable ASCII; its only quotes are the outer ones and escaped ones."""
    literal = string_literal(text)
    assert literal.isascii()
    assert literal.isprintable()
    body = literal[1:-1].replace("\\\\", "").replace('\\"', "").replace("\\?", "")
    assert '"' not in body
    assert "\\" not in body
    assert "?" not in body
    assert len(plain_ascii(text)) <= 20 * max(len(text), 1)


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_law_numbers_read_back_exactly(value):
    """A double in a file is the double that was meant."""
    assert float(number(value)) == value
    assert any(mark in number(value) for mark in ".e")


def test_err_no_number():
    """Infinity is a name, and what is no number is an error."""
    assert (number(math.inf), number(-math.inf)) == ("DG_FAR", "-DG_FAR")
    with pytest.raises(ValueError, match="not a number"):
        number(math.nan)


@given(st.lists(st.text(max_size=50), max_size=8))
def test_law_identifiers_are_safe_and_unique(texts):
    """Whatever files are called, identifiers are lower-case ASCII words, none of them ours, no two alike."""
    found = unique_identifiers(texts)
    assert len(set(found)) == len(found)
    for name in found:
        assert name.isascii()
        assert name.isidentifier()
        assert name == name.lower()
        assert not name.startswith(("dg_", "driftgate", "_"))
        assert name not in ("dg", "con", "nul")


def test_law_identifiers_of_known_names():
    """Keywords are harmless behind a suffix; digits, accents and device names are mended."""
    assert [identifier(t) for t in ("int", "2nd", "Zürich run", "con", "dg-pose", "*/")] == [
        "int",
        "r_2nd",
        "zurich_run",
        "r_con",
        "r_dg_pose",
        "r",
    ]


def test_law_every_file_carries_cautions_and_mark():
    """People read in every C file what a prediction is; every file says that driftgate wrote it."""
    every = {**shared_files("1.2.3"), **scene_files("disabled").files}
    assert set(CODE) <= set(every)
    for name, text in every.items():
        assert any(mark in text[:4096] for mark in MARKS), name
        words = text if name.endswith(".json") else unbroken(text[:4096])
        for sentence in FULL:
            assert sentence in words, name


def test_law_headers_carry_fingerprint_and_version():
    """The display's fingerprint and the version are in the header, the whole fingerprint in its head."""
    header = scene_files("disabled").files["made_up.h"]
    assert '#define MADE_UP_FINGERPRINT "01234567"' in header
    assert '#define MADE_UP_VERSION "1.2.3"' in header
    assert ORIGIN.fingerprint in header.split("*/")[0]
