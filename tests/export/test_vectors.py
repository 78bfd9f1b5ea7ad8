"""The C code against the model, on the test vectors; and whether the vectors notice when it is wrong."""

from __future__ import annotations

import itertools
import math
from functools import cache
from pathlib import Path

import pytest
from compiled import Outcome as Ran
from compiled import files_of, scene_files
from made_scenes import SCENES

from driftgate.export.vector_values import VectorKind
from driftgate.export.vectors import outcomes_of, vectors_of
from driftgate.predict.values import Outcome
from driftgate.run.cases import cases_of
from driftgate.run.tasks import plan_one

ROOT = Path(__file__).resolve().parents[2]
SHIPPED = sorted(path.name for path in (ROOT / "routines").glob("*.yaml"))
# Rounding alone; the file's own limit is 1e-9.
WORST = 1e-11


@cache
def made(name):
    """Return a scene's case, and its vectors."""
    prepared = SCENES[name]()
    return prepared, vectors_of(prepared)


def agrees(ran: Ran) -> None:
    """Check that all vectors agree, and how well."""
    good, count = ran.vectors
    assert ran.status == 0, ran.text[-3000:]
    assert good == count > 0
    assert ran.worst <= WORST


@pytest.mark.parametrize("name", SCENES)
def test_law_the_c_code_does_what_the_model_does(name, c_compiler, tmp_path):
    """Every outcome, pose, covariance and memory is the model's, to rounding."""
    agrees(c_compiler.host(scene_files(name), tmp_path))


@pytest.mark.parametrize("name", ["kalman, pairs, latency compensated, cones", "contact and fixes by step"])
def test_law_as_c_plus_plus_too(name, compiler, tmp_path):
    """The same code and tables, compiled as C11 and as C++17, give the same."""
    agrees(compiler.host(scene_files(name), tmp_path))


@pytest.mark.parametrize("routine", SHIPPED)
def test_law_shipped_routines_agree(routine, c_compiler, tmp_path):
    """On every shipped routine and side the C code is the model, and its steps end where the plan ends."""
    from driftgate.load.project import load_project

    (loaded,) = load_project([ROOT / "routines" / routine], ROOT).routines
    for named in (n for n in cases_of(loaded) if n.true.path == n.own_map):
        prepared = plan_one((named.case, named.written)).prepared
        assert prepared is not None
        ran = c_compiler.host(files_of(prepared), tmp_path)
        agrees(ran)
        assert ran.end == pytest.approx(prepared.plan.steps[-1].end_pose, abs=1e-9)


# A few scenes that have between them all that can happen.
COVERING = ("kalman", "kalman, pairs, limit", "contact with a slanted wall", "looking alone")


def test_law_vectors_cover_every_outcome():
    """The plain scene has every outcome that its robot can have, and a few scenes have all."""
    total = dict.fromkeys(Outcome, 0)
    for name in COVERING:
        for outcome, count in outcomes_of(made(name)[1]).items():
            total[outcome] += count
    assert min(total.values()) > 0
    plain = outcomes_of(made("kalman")[1])
    assert [outcome for outcome, count in plain.items() if not count] == [Outcome.IN_CONTACT]


def test_law_vectors_cover_what_changes_the_state():
    """Somewhere a fix is limited, the filter widened, the robot lost; a pair gives a fix of both kinds."""
    lost = widened = limited = moves = resets = 0
    pairs = set()
    for name in COVERING:
        prepared, vectors = made(name)
        rule = prepared.case.robot.correction
        for vector in vectors:
            before, after = vector.before, vector.after
            lost += after.lost
            if rule.way_back is not None and after.refusals > before.refusals:
                widened += after.covariance.xx > 1.5 * before.covariance.xx
            moved = math.hypot(after.fixed.x_m, after.fixed.y_m)
            limited += rule.update.largest_move is not None and moved > 0.999 * rule.update.largest_move
            moves += vector.kind is VectorKind.MOVE
            resets += vector.kind is VectorKind.RESET
            if vector.kind is VectorKind.PAIR and vector.results[0].outcome is Outcome.ACCEPTED:
                pairs.add((after.fixed.heading_rad != 0.0, moved > 0.0))
    assert min(lost, widened, limited, moves, resets) > 0
    assert (True, True) in pairs


def test_law_vectors_are_the_same_every_time():
    """They come from counters: made twice, they are equal."""
    assert vectors_of(SCENES["kalman, pairs"]()) == made("kalman, pairs")[1]


# What is wrong, the scene that has to notice, the code, what it becomes.
FAULTS = [
    ("the edge margin", "kalman", "< k->edge_margin_m", "< 0.5 * k->edge_margin_m"),
    ("the corridor of sides", "kalman", "if (away <= k->corridor_m)", "if (away <= 0.0)"),
    ("presence", "kalman", "&& time_s <= o->end_s", "&& time_s <= DG_FAR"),
    ("heights", "kalman", "return low <= sensor->mount_height_m &&", "return"),
    ("the swing of the mount", "kalman", "+ out->d_x * (pose.y_m - b->py)", ""),
    ("the sensor's noise", "kalman", "sensor->per_range * range", "0.0 * range"),
    (
        "the wall as noise",
        "noise alone, pairs",
        "z.own += routine->correction.wall_m * routine->correction.wall_m;",
        "",
    ),
    ("a surface as constants", "kalman", "dg_add_effect(z, m->constant, m->size * by);", ""),
    ("where a wall turns", "kalman", "x->d_x * (x->y_m - m->y)", "x->d_x * x->y_m"),
    ("which way it turns", "kalman", "(x->x_m - m->x) - x->d_heading", "(x->x_m - m->x) + x->d_heading"),
    (
        "a sensor aside",
        "kalman",
        "x->d_y * x->axis_x - x->d_x * x->axis_y",
        "x->d_y * x->axis_x",
    ),
    (
        "the side that a beam turns to",
        "kalman",
        "s->angle_rad * x->d_angle",
        "s->angle_rad * fabs(x->d_angle)",
    ),
    ("the scale", "kalman", "weight * s->scale * x->range_m", "weight * s->scale"),
    ("the links of other constants", "kalman", "if (z->effects[j].constant == i) along", "along"),
    (
        "the links on the way",
        "kalman",
        "left = exp(-length / routine->correction.constants_hold_m);",
        "left = 1.0;",
    ),
    ("the start's walls", "kalman", "p.xy += part->x_m * part->y_m;", ""),
    ("a wall of the start alone", "kalman", "state->link_rad[part->constant] = part->rad;", ""),
    ("the links of sensors", "kalman", "if (i < DG_OF_SENSOR * routine->sensors_count) continue;", ""),
    ("the links' turn", "kalman", "state->link_y_m[i] += dx * state->link_rad[i];", ""),
    ("the links at a wall", "contact with a slanted wall", "state->link_y_m[i] = -nx * tangent;", ""),
    ("the touched wall", "contact with a slanted wall", "state->link_y_m[m->constant] += by.y;", ""),
    ("what has to do with it", "contact with a slanted wall", "by.x * left_y + by.y * left_x", "0.0"),
    (
        "how far aside a wall is touched",
        "contact with a slanted wall",
        "double x = m->turns ? -m->size * (flush.y_m - m->y)",
        "double x = m->turns ? 0.0",
    ),
    (
        "a touch no better than its wall",
        "contact with a slanted wall",
        "n2 -= by.x * by.x + by.y * by.y;",
        "",
    ),
    ("the swing", "contact with a slanted wall", "swing = touch->swing_m;", "swing = 0.0;"),
    ("the swing's links", "contact with a slanted wall", "+ swing * state->link_rad[i]", ""),
    ("the swing about the wall", "contact with a slanted wall", "by.y += nx * swing * by.h;", ""),
    ("the swing of a robot askew", "contact with a slanted wall", "+ askew * askew", ""),
    (
        "a pair's constants",
        "kalman, pairs",
        "&z, second, readings[1].sensor",
        "&z, first, readings[1].sensor",
    ),
    (
        "a pair's wall",
        "kalman, pairs",
        "weights[1] = second;",
        "weights[1] = first;",
    ),
    ("an end's slide", "cones without tests", "-(x->d_x * m->x + x->d_y * m->y)", "-x->d_x * m->x"),
    ("the gate's width", "kalman", "k->gate_sigmas * k->gate_sigmas *", "k->gate_sigmas *"),
    ("the way back", "kalman", "p->yh *= k->way_back_factor;", ""),
    ("lost", "kalman", "k->way_back_refusals + k->lost_after", "k->way_back_refusals"),
    ("the streak's surface", "kalman", "if (state->streak_surface[slot] != surface)", "if (0)"),
    ("an interrupted streak", "kalman", "if (!counted) state->streak[reading.sensor] = 0;", ""),
    (
        "speed before turn rate",
        "kalman",
        "if (instant->speed_m_s > k->speed_m_s * DG_AT_LIMIT) return DG_TOO_FAST;",
        "",
    ),
    ("the walk across", "kalman", "c * s * (ahead - left)", "c * s * ahead"),
    ("the walk of a sidestep", "holonomic", "side_along * side_along * s * s", "across * across * s * s"),
    ("the walk across a sidestep", "holonomic", "side_across * side_across * s * s", "along * along * s * s"),
    ("a wheel off its place", "turns", "*ahead += k->turn_ahead_per_root_rad", "*ahead += 0.0"),
    ("slip in turns", "turns", "k->turn_left_per_root_rad * k->turn_left_per_root_rad +", ""),
    ("a late heading", "turns", " + with_speed * with_speed) *", " + 0.0 * with_speed) *"),
    ("turns on the spot", "turns", "length > DG_ON_THE_SPOT_M * fabs(motion.turn_rad)", "1"),
    ("the walk of both wheels", "holonomic", "(along * side_along - across * side_across) * c", "0.0 * c"),
    ("the limit's heading", "kalman, pairs, limit", "gain.h *= factor;", ""),
    (
        "a difference's variance",
        "kalman, pairs",
        "z.own = first * first * a + second * second * b",
        "z.own = a",
    ),
    ("the mean's weights", "kalman, pairs", "first = a + b > 0.0 ? b / (a + b) : 0.5;", "first = 0.5;"),
    (
        "the belief after a difference",
        "kalman, pairs",
        "compared.heading_rad += state->pose.heading_rad -",
        "(void)",
    ),
    ("Joseph's form", "replace", "b.x = a.x - gain.x * z->predicted;", "b.x = 0.0;"),
    ("a wall's tilt as noise", "noise alone, pairs", "routine->correction.wall_tilt_rad * z.h.h", "0.0"),
    ("the long way round", "kalman", "if (fabs(off) > DG_PI)", "if (0)"),
    ("the limit of turns", "replace, pairs, limit", "k->outline_reach_m * fabs(gain.h)", "0.0"),
    ("the blend's share", "blend, pairs", "k->law == DG_UPDATE_BLEND ? k->share : 1.0", "1.0"),
    (
        "the end of a cone's surface",
        "cones without tests",
        "share == 0.0 || share == 1.0 ? DG_END",
        "share == 2.0 ? DG_END",
    ),
    (
        "what answers beside a mute surface",
        "wide cones, mute surfaces",
        "if (other >= 0) surface = other;",
        "",
    ),
    ("what hides it", "wide cones, mute surfaces", "if (hidden) continue;", ""),
    ("what stands in a cone", "cones", "if (cone.half > 0.0 && dg_disc_in_cone", "if (0 && dg_disc_in_cone"),
    (
        "a surface behind the sensor",
        "expected from the plan",
        "&& !(out.range_m > 0.0)) out.surface = -1;",
        "&& 0) out.surface = -1;",
    ),
    ("the chord of a turn", "contact and fixes by step", "chord = 1.0 - q / 6.0", "chord = 1.0 - 0.0 * q"),
    ("the reset's tangent", "contact with a slanted wall", "- 2.0 * nx * ny * p->xy", ""),
]


@pytest.mark.parametrize(("name", "text", "wrong"), [f[1:] for f in FAULTS], ids=[f[0] for f in FAULTS])
def test_law_vectors_notice_a_fault(name, text, wrong, c_compiler, tmp_path):
    """Code with one thing wrong does not pass."""
    source = (c_compiler.folder / "driftgate_correction.c").read_text()
    assert source.count(text) == 1
    (tmp_path / "driftgate_correction.c").write_text(source.replace(text, wrong))
    for shared in (
        "driftgate_types.h",
        "driftgate_correction.h",
        "driftgate_example.o",
        "driftgate_check.o",
        "driftgate_host.h",
    ):
        (tmp_path / shared).write_bytes((c_compiler.folder / shared).read_bytes())
    command = ["-Wno-error", "-c", "driftgate_correction.c", "-o", "driftgate_correction.o"]
    done = c_compiler.compile(*command, folder=tmp_path)
    assert done.returncode == 0, done.stderr
    ran = type(c_compiler)("c", tmp_path).host(scene_files(name), tmp_path)
    assert ran.status == 1
    good, count = ran.vectors
    assert good < count


def test_law_orders_are_all_there():
    """The scenes hold every order of the stages, every update law, lines and cones, both expectations."""
    robots = [made_up().case.robot for made_up in SCENES.values()]
    rules = [robot.correction for robot in robots]
    assert {tuple(rule.order) for rule in rules} == set(
        itertools.permutations(("validity", "gate", "persistence"))
    )
    assert {rule.update.law for rule in rules} == {"kalman", "replace", "blend"}
    assert {rule.expect_from for rule in rules} == {"belief", "plan"}
    assert {rule.compensate_latency for rule in rules} == {True, False}
    assert {robot.sensors[0].beam_width > 0.0 for robot in robots} == {True, False}
