"""Sensors, tests and fields that no one can mean are told, at their place, and sound ones are not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from driftgate.core.findings import Finding
from driftgate.core.units import parse_quantity
from driftgate.first.files import FIELD, ROBOT, ROUTINE, project_files
from driftgate.first.values import Typed, Wanted
from driftgate.load import load_project
from driftgate.run.inputs import load_inputs

SIZES = ("3.6 m", "2.4 m", "350 mm", "300 mm")
_TYPED = [Typed(text, parse_quantity(text, "length")) for text in SIZES]
FILES = project_files(
    Wanted(
        *_TYPED, Typed("5 kg", 5.0), Typed("80 mm", 0.08), Typed("300 rpm", 31.4159),
        "differential", ("front", "left"), "./tools/driftgate",
    )
)  # fmt: skip


def found(folder: Path, file: str, pattern: str, now: str) -> tuple[str, list[tuple[str, str, str]]]:
    """Return the text found at the first finding, and code, level and message of all of them."""
    text, many = re.subn(pattern, now, FILES[file], count=1)
    assert many == 1, pattern
    for name, whole in {**FILES, file: text}.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(whole)
    findings = load_project([folder / "routines"], folder).findings
    at = findings[0].excerpt[findings[0].column - 1 :] if findings else ""
    return at, [(f.code, f.level, f.message + "; " + f.suggestion) for f in findings]


def test_law_the_first_files_are_told_nothing(tmp_path: Path) -> None:
    """What `driftgate new` writes has none of these slips."""
    assert found(tmp_path, ROBOT, "kind: robot", "kind: robot") == ("", [])


@pytest.mark.parametrize(
    ("file", "pattern", "now", "at", "code", "words"),
    [
        (ROBOT, r"(mount: .*)heading: 0 deg", r"\1heading: 400 deg", "400 deg", "DG146", "one of 40 deg"),
        (ROBOT, r"mount: \{x: [^,]*", "mount: {x: -1400 mm", "-1400", "DG151", "outside the robot's outline"),
        (ROBOT, r"mount: ", "latency: 50 s\n    mount: ", "50 s", "DG151", "50 s old"),
        (ROBOT, r"(mount: .*)height: [^}]*", r"\1height: 2.5 m", "2.5 m", "DG151", "above all of them"),
        (ROBOT, r"range: \{low: [^}]*\}", "range: {low: 8 m, high: 9 m}", "{low", "DG151", "never pass"),
        (FIELD, r"tilt: [\d.]+ deg", "tilt: 60 deg", "60 deg", "DG152", "turned by 60 deg"),
        (FIELD, r"offset: [\d.]+ mm", "offset: 2.4 m", "2.4 m", "DG152", "2.4 m across"),
    ],
)
def test_err_an_impossible_size_is_told(
    tmp_path: Path, file: str, pattern: str, now: str, at: str, code: str, words: str
) -> None:
    """Each is one warning at the value that cannot be meant."""
    place, findings = found(tmp_path, file, pattern, now)
    assert place.startswith(at), findings
    assert findings[0][:2] == (code, "warning")
    assert words in findings[0][2]


@pytest.mark.parametrize(
    ("file", "pattern", "now"),
    [
        (ROBOT, r"(mount: .*)heading: 0 deg", r"\1heading: 360 deg"),
        (ROBOT, r"mount: \{x: [^,]*", "mount: {x: 300 mm"),
        (FIELD, r"tilt: [\d.]+ deg", "tilt: 15 deg"),
        (FIELD, r"offset: [\d.]+ mm", "offset: 0.5 m"),
    ],
)
def test_law_a_bound_is_still_allowed(tmp_path: Path, file: str, pattern: str, now: str) -> None:
    """At the bounds nothing is told."""
    assert found(tmp_path, file, pattern, now) == ("", [])


@pytest.mark.parametrize(
    ("file", "pattern", "now", "code", "words"),
    [
        (FIELD, r"(height: )\{[^}]*\}", r"\1{low: 60 mm, high: 0 mm}", "DG134", "swap"),
        (ROUTINE, r"to: \[[^]]*\]", "to: [2,1 m, 1,2 m]", "DG112", "write [2.1 m, 1.2 m], with decimal"),
        (ROUTINE, r"do: drive", "do: drive, fixes: []", "DG112", "at least one, or write 'all' or 'none'"),
        (ROBOT, r"mount: ", "beam_width: 400 deg\n    mount: ", "DG112", "at most 60.1606 deg"),
    ],
)
def test_err_a_slip_is_answered_with_what_to_write(
    tmp_path: Path, file: str, pattern: str, now: str, code: str, words: str
) -> None:
    """Swapped ends, decimal commas, an empty list and an angle in degrees get an answer of their own."""
    findings = found(tmp_path, file, pattern, now)[1]
    assert [code for code, _, text in findings if words in text] == [code], findings


_STRAYING = (
    "elements: [{{id: pot, shape: {{circle: {{radius: 50 mm}}}}, at: {{x: 1 m, y: 2.2 m}},\n"
    "  scatter: {{x: 1 mm, y: 1 mm, heading: 0 deg, basis: guess, constant_over: run}},\n"
    "  stray: {{probability: 5 %, region: {region}, basis: guess, constant_over: run}}}}]"
)
# The hall is 3.6 m x 2.4 m from [0 m, 0 m] on.
_OUTSIDE = (
    "[[3.6 m, 0 m], [4 m, 0 m], [4 m, 1 m]]",
    "[[0 m, 0 m], [-1 m, 0 m], [-1 m, 1 m]]",
    "[[1 m, 2.4 m], [2 m, 2.4 m], [2 m, 3 m]]",
    "[[1 m, 0 m], [2 m, 0 m], [2 m, -1 m]]",
)
_PARTLY_INSIDE = (
    "[[3.5 m, 0 m], [4 m, 0 m], [4 m, 1 m]]",
    "[[0.1 m, 0 m], [-1 m, 0 m], [-1 m, 1 m]]",
    "[[1 m, 2.3 m], [2 m, 2.4 m], [2 m, 3 m]]",
    "[[1 m, 0.1 m], [2 m, 0 m], [2 m, -1 m]]",
)


@pytest.mark.parametrize("region", [*_OUTSIDE, *_PARTLY_INSIDE])
def test_err_a_stray_that_no_hall_has_is_told(tmp_path: Path, region: str) -> None:
    """A region wholly beyond a wall is a slip of sign or unit, on each side; one that reaches in is none."""
    place, findings = found(tmp_path, FIELD, r"\nmirror: .*", "\n" + _STRAYING.format(region=region))
    if region in _PARTLY_INSIDE:
        assert findings == []
        return
    assert place.startswith(region)
    ((code, level, words),) = findings
    assert (code, level) == ("DG152", "warning")
    assert words == "'pot' strays only to where no hall is: the region lies outside the walls; check its unit"


_PITCH = "mount_pitch: {{{}, basis: guess, constant_over: run}}"
_HEIGHT = "mount_height: {spread: 40 mm, basis: guess, constant_over: run}"


@pytest.mark.parametrize(
    ("height", "errors", "told"),
    [
        # Walls from 200 to 300 mm, a reach of 2 m. A level beam sees what stands at its own height.
        ("250 mm", "", ""),
        ("100 mm", "", "below all of them, which begin at 200 mm"),
        ("600 mm", "", "above all of them, which end at 300 mm"),
        # 2 m x tan(3 deg) = 105 mm, of tan(2.8 deg) 98 mm.
        ("100 mm", _PITCH.format("mean: 3 deg, spread: 0 deg"), ""),
        ("100 mm", _PITCH.format("mean: 2.8 deg, spread: 0 deg"), "below all of them"),
        ("100 mm", _PITCH.format("mean: -3 deg, spread: 0 deg"), "below all of them"),
        # Three standard deviations are followed, each way.
        ("100 mm", _PITCH.format("spread: 1 deg"), ""),
        ("100 mm", _PITCH.format("spread: 0.9 deg"), "below all of them"),
        ("600 mm", _PITCH.format("mean: -9 deg, spread: 0 deg"), ""),
        ("600 mm", _PITCH.format("mean: -8 deg, spread: 0 deg"), "above all of them"),
        ("600 mm", _PITCH.format("mean: 9 deg, spread: 0 deg"), "above all of them"),
        ("600 mm", _PITCH.format("spread: 3 deg"), ""),
        # 3 x 40 mm up or down.
        ("100 mm", _HEIGHT, ""),
        ("410 mm", _HEIGHT, ""),
        ("430 mm", _HEIGHT, "above all of them"),
    ],
)
def test_err_a_beam_that_meets_no_wall_at_its_height_is_told(
    tmp_path: Path, height: str, errors: str, told: str
) -> None:
    """Pitch and height count with three standard deviations, over the sensor's reach."""
    files = dict(FILES)
    files[FIELD] = files[FIELD].replace("{low: 0 mm, high: 300 mm}", "{low: 200 mm, high: 300 mm}")
    text = files[ROBOT].replace("height: 100 mm}", "height: 250 mm}")
    text = text.replace("height: 250 mm}", f"height: {height}}}", 1)
    files[ROBOT] = text.replace("    errors:\n", f"    errors:\n      {errors}\n", 1)
    findings = written(tmp_path, files)
    assert [f.code for f in findings] == (["DG151"] if told else [])
    assert all(told in f.message and f.message.startswith("'front' sees no wall") for f in findings)


def written(folder: Path, files: dict[str, str]) -> tuple[Finding, ...]:
    """Return what is found in a project of these files."""
    for name, whole in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(whole)
    return load_project([folder / "routines"], folder).findings


_ELEMENT = (
    "elements: [{id: pot, shape: {circle: {radius: 50 mm}}, at: {x: 1 m, y: 2.2 m},\n"
    "  scatter: {x: 1 mm, y: 1 mm, heading: 0 deg, basis: guess, constant_over: run}}]\n"
)
_STRUCTURE = (
    "structures: [{id: shelf, shape: {rectangle: {length: 0.1 m, width: 0.1 m}}, at: {x: 2 m, y: 2 m}}]\n"
)
_SHELF = "structures: [{id: shelf, shape: {polygon: {corners: %s}}, at: {x: 2 m, y: 2 m}}]\n"
_THREE = "[[0 m, 0 m], [0.1 m, 0 m], [0 m, 0.1 m]]"
_FOUR = "[[0 m, 0 m], [0.1 m, 0 m], [0.1 m, 0.1 m], [0 m, 0.1 m]]"
_WALLS = "  - {id: south, corner: [0 m, 0 m]}\n"


@pytest.mark.parametrize(
    ("own", "other", "message", "advice"),
    [
        (
            "", _ELEMENT, "has the element 'pot', which fieldmaps/field.yaml lacks",
            "list it in both; where nothing should be in the way, put it in a corner out of sight",
        ),
        ("", _STRUCTURE, "has the structure 'shelf'", "use the same names in both"),
        (_ELEMENT, "", "lacks the element 'pot', which fieldmaps/f", "use the same names in both"),
        (
            _SHELF % _THREE, _SHELF % _FOUR, "'shelf' has 4 corners in fieldmaps/other.yaml and 3 in",
            "give it the same corners in both",
        ),
    ],
)  # fmt: skip
def test_err_two_maps_of_one_field_say_what_to_do(
    tmp_path: Path, own: str, other: str, message: str, advice: str
) -> None:
    """What one map has and the other lacks is answered by what it is: a loose thing goes out of sight."""
    files = {**FILES, "fieldmaps/other.yaml": FILES[FIELD] + other, FIELD: FILES[FIELD] + own}
    files[ROUTINE] = files[ROUTINE].replace("# mirror: true", "also_on: [../fieldmaps/other.yaml] #")
    (found_here,) = written(tmp_path, files)
    assert (found_here.code, found_here.suggestion) == ("DG141", advice)
    assert message in found_here.message


def test_err_walls_in_another_order_are_told_with_the_order(tmp_path: Path) -> None:
    """A wall runs to the next one's corner, so the order is part of the map."""
    one = _WALLS
    assert one in FILES[FIELD]
    last = "  - {id: west, corner: [0 m, 2.4 m]}\n"
    other = FILES[FIELD].replace(one, "", 1).replace(last, last + one, 1)
    files = {**FILES, "fieldmaps/other.yaml": other}
    files[ROUTINE] = files[ROUTINE].replace("# mirror: true", "also_on: [../fieldmaps/other.yaml] #")
    (found_here,) = written(tmp_path, files)
    assert found_here.code == "DG141"
    assert found_here.suggestion == "list them as south, east, north, west"


_FALSE = "{probability: 60 %, basis: guess, constant_over: reading"
_HALF = _FALSE.replace("60", "50")
_ZONE = "\nrough_zones: [{{id: grate, area: [[{0}, 0 m], [6 m, 0 m], [6 m, 1 m]], bumps: 5 1/m}}]"
_BUMP = "\n  bump: {along: 1 mm, heading: 0.2 deg, basis: guess, constant_over: tick}"
_GATED = r"  gate: [^\n]*\n  persistence: [^\n]*\n  way_back: [^\n]*\n"
_WAY_BACK = "  way_back: {refusals: 12, factor: 4, lost_after: 40}\n"
_GATE = "  gate: {sigmas: 3.5}\n"


@pytest.mark.parametrize(
    ("file", "pattern", "now", "at", "code", "level", "words"),
    [
        (ROBOT, "phase: 0 ms", "phase: 2 s", "2 s", "DG151", "warning", "for the first time after 2 s"),
        (ROBOT, "phase: 0 ms", "phase: 51 ms", "51 ms", "DG151", "warning", "every 50 ms"),
        (ROBOT, "resolution: 1 mm", "resolution: 3 m", "3 m", "DG151", "warning", "to multiples of 3 m"),
        (ROBOT, "resolution: 1 mm", "resolution: 201 mm", "201", "DG151", "warning", "reaches 2 m"),
        (ROBOT, "short_return: .*", f"random_return: {_FALSE}, at: 2.1 m}}", "2.1 m", "DG151", "warning",
         "a return at 2.1 m counts as no echo"),
        (ROBOT, "short_return: .*", f"random_return: {_FALSE}, at: 19 mm}}", "19 mm", "DG151", "warning",
         "a return at 0.019 m counts as no echo"),
        (ROBOT, "short_return: .*", f"short_return: {_FALSE}}}\n      long_return: {_FALSE}}}", "60 %",
         "DG112", "error", "short_return, long_return add up to 120 %"),
        (ROBOT, "corridor: 50 mm", "corridor: 6 m", "6 m", "DG151", "warning", "'corridor' of 6 m"),
        (ROBOT, "edge_margin: 60 mm", "edge_margin: 501 mm", "501", "DG151", "warning", "'edge_margin' of"),
        (ROBOT, "readings: 2", "readings: 500", "500", "DG151", "warning", "in a row take 24.9 s at 20 Hz"),
        (ROBOT, _GATED, _WAY_BACK, "way_back", "DG153", "warning", "there is no 'gate'"),
        (ROBOT, _GATED, "  persistence: {readings: 3}\n", "persistence", "DG153", "warning",
         "without a 'gate' counts readings whatever they say, so it holds back the first 2 readings"),
        (ROBOT, _GATED, f"{_GATE}  persistence: {{readings: 2}}\n  order: [persistence, validity, gate]\n",
         "[persistence", "DG153", "warning", "before the gate counts readings that the gate then refuses"),
        (FIELD, r"\nmirror: .*", _ZONE.format("5 m"), "[5 m", "DG152", "warning", "'grate': it lies outside"),
        (FIELD, r"\nmirror: .*", _ZONE.format("1 m"), "errors", "DG153", "warning", "what a bump does"),
    ],
)  # fmt: skip
def test_err_what_does_nothing_or_too_much_is_told(
    tmp_path: Path, file: str, pattern: str, now: str, at: str, code: str, level: str, words: str
) -> None:
    """Silent sensors, tests that hardly pass, more false returns than readings, parts without their part."""
    place, findings = found(tmp_path, file, pattern, now)
    if at == "[5 m":
        findings = [one for one in findings if one[0] != "DG153"]
    assert [one[:2] for one in findings] == [(code, level)], findings
    assert place.startswith(at) or at == "[5 m"
    assert words in findings[0][2]


@pytest.mark.parametrize(
    ("file", "pattern", "now"),
    [
        (ROBOT, "phase: 0 ms", "phase: 50 ms"),
        (ROBOT, "resolution: 1 mm", "resolution: 200 mm"),
        (ROBOT, "short_return: .*", f"random_return: {_FALSE}, at: 2 m}}"),
        # A sensor that is stuck, and all readings false.
        (ROBOT, "dropout: .*", f"random_return: {_FALSE.replace('60', '100')}, at: 1 m}}"),
        (ROBOT, "short_return: .*", f"short_return: {_HALF}}}\n      long_return: {_HALF}}}"),
        (ROBOT, "edge_margin: 60 mm", "edge_margin: 500 mm"),
        (ROBOT, "readings: 2", "readings: 41"),
        (ROBOT, _GATED, _GATE + _WAY_BACK),
        (ROBOT, _GATED, f"{_GATE}  persistence: {{readings: 2}}\n  order: [gate, persistence, validity]\n"),
        (ROBOT, _GATED, "  persistence: {readings: 1}\n"),
        (ROBOT, "enabled: true", "enabled: false\n  order: [persistence, validity, gate]"),
    ],
)  # fmt: skip
def test_law_what_works_is_told_nothing(tmp_path: Path, file: str, pattern: str, now: str) -> None:
    """At the bounds, with what belongs together, and where nothing is corrected, there is no finding."""
    assert found(tmp_path, file, pattern, now) == ("", [])


def test_law_a_robot_with_a_bump_may_drive_on_a_rough_zone(tmp_path: Path) -> None:
    """With a bump of its own the zone has an effect."""
    files = {**FILES, FIELD: re.sub(r"\nmirror: .*", _ZONE.format("1 m"), FILES[FIELD])}
    at = "\n  # Where it comes to rest"
    files[ROBOT] = files[ROBOT].replace(at, _BUMP + at)
    for name, whole in files.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(whole)
    assert load_project([tmp_path / "routines"], tmp_path).findings == ()


def test_err_a_rough_floor_of_the_day_is_held_against_the_robot(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A rough map given with `--field` has its warning too."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "pyproject.toml").write_text("")
    rough = re.sub(r"\nmirror: .*", _ZONE.format("1 m"), FILES[FIELD])
    for name, whole in {**FILES, "fieldmaps/rough.yaml": rough}.items():
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_text(whole)
    (finding,) = load_inputs((), Path("fieldmaps/rough.yaml"), False).findings
    assert (finding.code, finding.path) == ("DG153", ROBOT)
    assert "fieldmaps/rough.yaml" in finding.message
