"""Siblings of the shipped routines that fail, one for each reason there is; each says why, and where."""

from __future__ import annotations

import pytest
from glasshouse import CARRIER, FLOOR, HALL, WREN, Glasshouse, line_of, moment_of

from driftgate.report.model import CaseReport, RunReport

AISLE = "routines/aisle-steps.yaml"
DASH = "routines/corner-dash.yaml"
SLALOM = "routines/pot-slalom.yaml"
SQUARE = "routines/square-up.yaml"
BENCHES = "routines/three-bench-run.yaml"
CROSS = "step 1 ('cross', drive to (3.70, 0.80) m)"
OFF = ("enabled: true", "enabled: false")
POT_A = ("at: {x: 1.35 m, y: 1.45 m}", "at: {x: 4.08 m, y: 550 mm}")
POT_C = ("at: {x: 2.85 m, y: 1.45 m}", "at: {x: 4.08 m, y: 800 mm}")
SOUTH_OFF = (
    ("{id: south, corner: [0 m, 0 m]}", "{id: south, corner: [0 m, -30 mm]}"),
    ("{id: east, corner: [4.2 m, 0 m]}", "{id: east, corner: [4.2 m, -30 mm]}"),
)
LATER_WITHIN = "within: {along: 30 mm, across: 30 mm, heading: 3 deg, relative_to: bench-"


def only(report: RunReport) -> CaseReport:
    """Return the one case of a run that fails."""
    assert report.status == 1
    (case,) = report.cases
    return case


def as_built(report: RunReport) -> CaseReport:
    """Return the case on the true field of the command line, after one on the drawn hall that passes."""
    assert report.status == 1
    drawn, built = report.cases
    assert moment_of(drawn).status == "pass"
    assert (built.believed_map, built.true_map) == (HALL, "fieldmaps/as-built.yaml")
    return built


def test_err_stale_edit_is_refused(house: Glasshouse):
    """A text that the shipped file no longer holds, or holds twice, stops the test that edits it."""
    for old, after in (("required: 96 %", ""), ("do: ", ""), ("required: 95 %", "name: away")):
        with pytest.raises(AssertionError, match=r"corner-dash\.yaml holds"):
            house.edit(DASH, (old, "x"), after=after)


# --- Tolerances -----------------------------------------------------------------------------------


def test_law_tolerance_breaks_by_spread(house: Glasshouse):
    """A tray that leaves 10 mm to either side: spread, its largest source, the step where it grows."""
    house.alone("corner-dash").edit(DASH, ("along: 20 mm, across: 20 mm", "along: 10 mm, across: 10 mm"))
    report = house.check("corner-dash", trials=1500)
    case = only(report)
    end = moment_of(case)
    assert report.why == "1 of 2 tolerances breaks"
    assert (end.codes, end.binding) == (("DG401",), "across")
    assert line_of(case) == house.line(DASH, "within:")
    assert "The error across the heading is mostly spread" in end.reason
    assert "wall build (" in end.reason
    assert f"It grows most in {CROSS}, line {house.line(DASH, 'name: cross')}." in end.reason


def test_law_tolerance_breaks_by_offset(house: Glasshouse):
    """A south wall built 30 mm off the drawing that the robot carries takes the robot 30 mm with it."""
    built = house.alone("corner-dash").built(*SOUTH_OFF)
    case = as_built(house.check("corner-dash", field=built))
    end = moment_of(case)
    assert (end.codes[0], end.binding) == ("DG401", "along")
    assert "Most of the error along the heading is a constant offset (mean " in end.reason
    # The robot heads for -y, so nearer to the wall is further along.
    assert end.axes[0].mean == pytest.approx(0.030, abs=0.004)


def test_law_offset_costs_nothing_against_what_moves_with_the_wall(house: Glasshouse):
    """The same wall off by 30 mm with the tray that stands against it: the routine passes."""
    built = house.alone("corner-dash").built(
        *SOUTH_OFF,
        ("at: {x: 3.7 m, y: 130 mm}", "at: {x: 3.7 m, y: 100 mm}"),
    )
    report = house.check("corner-dash", field=built)
    assert [(case.true_map, moment_of(case).status) for case in report.cases] == [
        (HALL, "pass"),
        (built, "pass"),
    ]


def test_law_one_axis_of_several_breaks(house: Glasshouse):
    """Half the heading allowed: the other axes hold, and the verdict names the heading."""
    house.alone("corner-dash").edit(DASH, ("heading: 2.5 deg", "heading: 1.25 deg"))
    end = moment_of(only(house.check("corner-dash")))
    assert end.codes == ("DG401",)
    assert end.binding == "heading"
    assert {axis.axis for axis in end.axes if axis.used is not None and axis.used < 1.0} == {
        "along",
        "across",
    }
    assert "The error in heading is mostly spread" in end.reason
    assert "No sensor can fix heading from 0.0 s on" in end.reason


def test_law_one_side_of_a_band_breaks(house: Glasshouse):
    """Too near is forbidden, too far was free: once it is forbidden as well, half of the trials fail."""
    house.alone("three-bench-run").edit(BENCHES, ("{high: 140 mm}", "{low: 0 mm, high: 140 mm}"))
    case = only(house.check("three-bench-run"))
    end = moment_of(case)
    assert [m.name for m in case.verdict.moments if m.status != "pass"] == ["end"]
    assert (end.codes, end.binding) == (("DG401",), "along")
    assert 0.3 < end.estimate.probability < 0.7
    assert "The error along the heading is mostly spread" in end.reason


def test_law_the_element_itself_is_scattered(house: Glasshouse):
    """A tray put down carelessly breaks the tolerance measured from it, not one measured from the field."""
    house.alone("corner-dash").edit(HALL, ("scatter: {x: 3 mm", "scatter: {x: 20 mm"), after="id: tray-se")
    end = moment_of(only(house.check("corner-dash")))
    assert (end.codes, end.binding) == (("DG401", "DG406"), "across")
    assert "from element placement (" in end.reason
    house.edit(DASH, (", relative_to: tray-se", ""))
    assert moment_of(house.check("corner-dash").cases[0]).status == "pass"


def test_law_more_is_required_than_is_reached(house: Glasshouse):
    """The routine reaches more than 95 %, and 99.9 % are asked for."""
    house.alone("corner-dash").edit(DASH, ("required: 95 %", "required: 99.9 %"))
    end = moment_of(only(house.check("corner-dash", trials=800)))
    assert end.codes == ("DG401",)
    assert 0.95 < end.lower < end.upper < 0.999
    # 800 trials, none failing, show 99.6 %: the share of the tolerance used at 99.9 % stays unknown.
    assert end.used is None


def test_law_too_few_trials_leave_it_undecided(house: Glasshouse):
    """58 trials without a failure show 94.97 % at most, so 95 % stays undecided, and that is no pass."""
    house.alone("corner-dash")
    report = house.check("corner-dash", trials=58)
    case = only(report)
    end = moment_of(case)
    assert report.why == "2 of 2 tolerances undecided"
    assert end.codes == ("DG402",)
    # log 0.05 / log 0.95 = 58.4
    assert end.note == "58 trials are too few to show this even if none fails: at least 59 are needed"
    assert case.verdict.contact.codes == ("DG403",)
    assert (
        "58 trials leave open whether it is rarer than allowed: run more trials"
        in case.verdict.contact.reason
    )


# --- Contact and time -----------------------------------------------------------------------------


def test_law_pot_beside_the_path_is_touched(house: Glasshouse):
    """A pot 20 mm beside the path is touched now and then: contact breaks, with the pot and the step."""
    house.alone("corner-dash").edit(HALL, ("y: 1.2 m}", "y: 1.05 m}"), after="id: pot-b")
    case = only(house.check("corner-dash"))
    contact, end = case.verdict.contact, moment_of(case)
    where = f"pot-b in {CROSS}, line {house.line(DASH, 'name: cross')}"
    assert not [finding for finding in case.findings if finding.level == "error"]
    assert contact.codes == ("DG403",)
    assert f"of the contacts are with {where}" in contact.reason
    # What is touched counts as failed from there on, so the end breaks for the same reason.
    assert end.codes == ("DG401",)
    assert end.touched > end.outside
    assert f"mostly {where}" in end.reason


def test_law_strayed_things_alone_break_a_ban_on_contact(house: Glasshouse):
    """Where no contact is allowed, a pot that may lie anywhere is enough; every other tolerance holds."""
    house.alone("corner-dash").edit(DASH, ("  contact_allowed: 1 %\n", ""))
    report = house.check("corner-dash", trials=1500)
    contact = only(report).verdict.contact
    assert report.why == "1 of 2 tolerances breaks"
    assert (contact.codes, contact.allowed) == (("DG403",), 0.0)
    assert 0 < contact.estimate.probability < 0.01
    # pot-b alone never strays, and stands 170 mm clear.
    assert "pot-b" not in {place.obstacle for place in contact.places}


def test_law_time_limit_missed_in_trials_only(house: Glasshouse):
    """A limit that the plan keeps by 0.06 s and a slow battery does not: a warning, then DG404."""
    house.alone("corner-dash").edit(DASH, ("time_limit: 6 s", "time_limit: 4.34 s"))
    case = only(house.check("corner-dash"))
    end = moment_of(case)
    assert [(f.code, f.level, f.line) for f in case.findings] == [
        ("DG202", "warning", house.line(DASH, "time_limit"))
    ]
    assert end.codes == ("DG404",)
    assert end.late > end.outside
    assert "The time limit has passed in" in end.reason


# --- Plans that cannot be driven ------------------------------------------------------------------

INFEASIBLE = {
    "too-fast": (
        DASH,
        ("speed: 0.9 m/s", "speed: 2.4 m/s"),
        "DG201",
        "2.4 m/s",
        "a speed of 2.4 m/s cannot be reached: the motor gives 1.97 m/s",
    ),
    "too-long": (
        DASH,
        ("time_limit: 6 s", "time_limit: 4 s"),
        "DG202",
        "time_limit",
        "more than the limit of 4.00 s",
    ),
    "too-tight": (
        SLALOM,
        ("[2.1 m, 1.52 m]]", "[2.1 m, 1.52 m], [2.05 m, 1.53 m]]"),
        "DG203",
        "[2.05 m, 1.53 m]",
        "the curve is too tight",
    ),
    "into-a-bench": (
        BENCHES,
        ("to: [3.4 m, 1.65 m], backwards: true", "to: [3.84 m, 1.65 m]"),
        "DG204",
        "to: [3.84 m",
        "the robot's outline runs into 'bench-east'",
    ),
    "sideways": (
        AISLE,
        ("robots/carrier.yaml", "robots/wren.yaml"),
        "DG205",
        "do: sidestep",
        "only a holonomic drive can move sideways",
    ),
    "not-facing": (
        DASH,
        ("do: turn, to: -90 deg", "do: turn, to: -60 deg"),
        "DG206",
        "to: [3.7 m, 440 mm]",
        "the robot needs a heading of -90.0 deg; the plan has it at -60.0 deg",
    ),
    "against-nothing": (
        SQUARE,
        ("against: east", "against: west"),
        "DG207",
        "against: west",
        "the robot's front must face 'west' within 10 deg",
    ),
}


@pytest.mark.parametrize("sibling", INFEASIBLE)
def test_law_plan_is_infeasible(house: Glasshouse, sibling: str):
    """What cannot be driven is status 1, found at its line, and nothing is predicted."""
    file, edit, code, marked, phrase = INFEASIBLE[sibling]
    name = file.removeprefix("routines/").removesuffix(".yaml")
    house.alone(name).edit(file, edit)
    report = house.check(name, trials=20)
    case = only(report)
    assert report.why == "1 plan infeasible"
    assert case.verdict is None
    found = {(f.path, f.line, f.level) for f in case.findings if f.code == code and phrase in f.message}
    assert found == {(file, house.line(file, marked), "error")}


# --- Correction and sight -------------------------------------------------------------------------


def test_law_correction_switched_off(house: Glasshouse):
    """The dash cannot do without its sensors, and the reason says that nothing corrects the drift."""
    house.alone("corner-dash").edit(WREN, OFF)
    end = moment_of(only(house.check("corner-dash")))
    assert end.codes == ("DG401",)
    assert "Nothing corrects the drift: the correction is off" in end.reason


def test_law_correction_does_nothing_for_relative_steps(house: Glasshouse):
    """Relative moves alone end in the very same place, to the last digit, with the correction and without."""
    house.alone("aisle-steps")
    with_it = house.check("aisle-steps", trials=200).cases[0]
    house.edit(CARRIER, OFF)
    without = house.check("aisle-steps", trials=200).cases[0]
    assert sum(dict(row.outcomes).get("accepted", 0) for row in with_it.readings) > 1000
    for name in ("before-rack", "end"):
        assert moment_of(with_it, name).axes == moment_of(without, name).axes


def test_law_pots_known_to_stand_in_the_way(house: Glasshouse):
    """Two pots on the map before the east wall: the corridor refuses its readings, and x stays dark."""
    house.alone("corner-dash").edit(HALL, POT_A, POT_C)
    case = only(house.check("corner-dash"))
    end = moment_of(case)
    assert (end.codes, end.binding) == (("DG401",), "across")
    assert "from distance scale (" in end.reason
    assert "No sensor can fix x from 0.3 s on: dark since step 1 ('cross'" in end.reason
    assert [d.axis for d in case.dark if d.end_s == pytest.approx(case.duration_s)] == ["x", "heading"]
    front = next(dict(row.outcomes) for row in case.readings if row.sensor == "front")
    assert front["corridor"] > 0


def test_law_pots_in_the_way_that_nobody_told_of(house: Glasshouse):
    """The same pots on the true field only: the gate refuses what they send back, and the reason says so."""
    built = house.alone("corner-dash").built(POT_A, POT_C)
    end = moment_of(as_built(house.check("corner-dash", field=built)))
    assert (end.codes, end.binding) == (("DG401",), "across")
    assert "The gate refuses " in end.reason


def test_law_board_that_passes_for_the_wall(house: Glasshouse):
    """A board 30 mm before the east wall is near enough to be taken for it: wrong surface, constant harm."""
    built = house.alone("corner-dash").built(
        ("{circle: {radius: 80 mm}}", "{rectangle: {length: 20 mm, width: 900 mm}}"),
        ("at: {x: 2.85 m, y: 1.45 m}", "at: {x: 4.16 m, y: 700 mm}"),
        after="id: pot-c",
    )
    case = as_built(house.check("corner-dash", field=built))
    end = moment_of(case)
    assert (end.codes, end.binding) == (("DG401",), "across")
    assert "of the accepted readings came from a wrong surface, most in step 3 ('close-in'" in end.reason
    assert sum(row.wrongly_accepted for row in case.readings) > 1000
    # The covariance engine knows nothing of the board, and the report says whom to believe.
    assert {d.axis for d in case.verdict.disagreements} >= {"x"}
    assert all(d.why.startswith("believe the trials: ") for d in case.verdict.disagreements)


def test_law_look_without_a_fix(house: Glasshouse):
    """A robot that corrects in looks only, and looks from the middle of the hall, where no wall is near."""
    house.alone("corner-dash").edit(
        DASH,
        ("to: [3.7 m, 800 mm]", "to: [2.1 m, 800 mm]"),
        (
            "  - {name: swing",
            "  - {name: blind, do: look, time: 0.4 s}\n"
            "  - {do: drive, to: [3.7 m, 800 mm]}\n"
            "  - {name: swing",
        ),
    )
    house.edit(WREN, ("when: always", "when: looking"))
    case = only(house.check("corner-dash"))
    end = moment_of(case)
    assert [(f.code, f.level, f.line) for f in case.findings] == [
        ("DG302", "warning", house.line(DASH, "name: blind")),
        ("DG303", "warning", case.findings[1].line),
    ]
    assert "the correction does nothing: no reading becomes a fix" in case.findings[1].message
    assert case.findings[0].message == "no sensor can give a fix from here; most readings: out of range"
    assert end.codes == ("DG401",)
    assert "No sensor can fix y from 0.0 s on" in end.reason


# --- Dependencies, sides, fields, numbers ---------------------------------------------------------


def test_law_dependency_fails_what_depends_on_it(house: Glasshouse):
    """The last bench counts only after the first: its own tolerance holds, and it fails all the same."""
    house.alone("three-bench-run").edit(
        BENCHES, (LATER_WITHIN + "west", LATER_WITHIN.replace("along: 30 mm", "along: 12 mm") + "west")
    )
    case = only(house.check("three-bench-run"))
    first, last = moment_of(case, "first-bench"), moment_of(case, "last-bench")
    assert [m.name for m in case.verdict.moments if m.status != "pass"] == ["first-bench", "last-bench"]
    assert first.codes[0] == last.codes[0] == "DG401"
    assert last.missed_before > last.outside
    assert all(axis.used is not None and axis.used < 1.0 for axis in last.axes)
    assert "An earlier checkpoint that it depends on has failed in" in last.reason
    assert line_of(case, "last-bench") == house.line(BENCHES, "name: last-bench") - 1


def test_law_mirrored_side_fails_alone(house: Glasshouse):
    """The right sensor reads 25 mm long, and the filter is not told: it sees a near wall only mirrored."""
    house.edit(DASH, ("also_on: [../fieldmaps/practice-floor.yaml]", "also_on: []"))
    house.edit(WREN, ("bias: {spread", "bias: {mean: 25 mm, spread"), after="id: right")
    house.edit(WREN, ("compensate_latency: true", "compensate_latency: true\n  filter: {range_bias: 3.2 mm}"))
    report = house.check("corner-dash")
    assert report.status == 1
    assert [(case.side, moment_of(case).status) for case in report.cases] == [
        ("as written", "pass"),
        ("mirrored", "fail"),
    ]
    assert moment_of(report.cases[1]).codes == ("DG401",)


def test_law_practice_floor_fails_alone(house: Glasshouse):
    """A practice floor whose south wall leans by 30 mm breaks what passes in the hall as drawn."""
    house.edit(DASH, ("mirror: true", "mirror: false"))
    house.edit(FLOOR, ("corner: [4.206 m, -2 mm]", "corner: [4.206 m, -30 mm]"))
    report = house.check("corner-dash")
    assert report.status == 1
    assert [(case.true_map, moment_of(case).status) for case in report.cases] == [
        (HALL, "pass"),
        (FLOOR, "fail"),
    ]
    end = moment_of(report.cases[1])
    assert (end.codes, end.binding) == (("DG401",), "along")
    assert "Most of the error along the heading is a constant offset" in end.reason


def test_law_guessed_numbers_warn_and_do_not_fail(house: Glasshouse):
    """A robot nobody has measured passes with the same numbers, and DG406 says that they are guesses."""
    house.alone("corner-dash")
    measured = house.check("corner-dash", trials=1500).cases[0]
    path = house.folder / WREN
    assert "basis: measured" in path.read_text()
    path.write_text(path.read_text().replace("basis: measured", "basis: guess"))
    report = house.check("corner-dash", trials=1500)
    guessed = report.cases[0]
    assert report.status == 0
    assert moment_of(measured).codes == ()
    assert moment_of(guessed).codes == ("DG406",)
    assert moment_of(guessed).axes == moment_of(measured).axes
    assert moment_of(measured).variance.guessed < 0.5 < moment_of(guessed).variance.guessed


def test_law_readings_that_are_old_and_taken_for_new_are_named(house: Glasshouse):
    """Readings of 120 ms, not compensated: among the largest contributions, so the sentence has them."""
    old = ("    latency: 25 ms", "    latency: 120 ms")
    house.alone("corner-dash").edit(WREN, old, times=4)
    assert house.check("corner-dash").status == 0
    house.edit(WREN, ("compensate_latency: true", "compensate_latency: false"))
    end = moment_of(only(house.check("corner-dash")))
    assert end.codes == ("DG401",)
    assert "Readings 120 ms old are taken for new, which alone shifts it by 6.67 mm." in end.reason


def test_law_a_latency_that_makes_most_of_an_offset_is_named_as_its_cause(house: Glasshouse):
    """Along the wall that the robot drives towards nothing but the age of the readings is constant."""
    old = ("    latency: 25 ms", "    latency: 120 ms")
    house.alone("three-bench-run").edit(WREN, old, times=4)
    house.edit(WREN, ("compensate_latency: true", "compensate_latency: false"))
    first = moment_of(only(house.check("three-bench-run")), "first-bench")
    assert "most of it from readings 120 ms old that are taken for new." in first.reason
    assert first.reason.count("taken for new") == 1
