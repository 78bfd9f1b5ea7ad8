"""Culling never drops a surface that some beam meets."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from driftgate.world.cone import Axis, disc_in_cone, nearest_edge_in_cone
from driftgate.world.culling import candidates_for_beam, candidates_for_disc, farthest_met, surely_met
from driftgate.world.rays import range_to_disc, range_to_line, range_to_segment

SEED = 20240613


def worst_draws(rng, count, rim):
    """Return shifts in the unit disc and signed shares of the angle slack; on the rim where asked."""
    angle = rng.uniform(-math.pi, math.pi, count)
    size = np.ones(count) if rim else np.sqrt(rng.uniform(0, 1, count))
    share = np.sign(rng.uniform(-1, 1, count)) if rim else rng.uniform(-1, 1, count)
    return size * np.cos(angle), size * np.sin(angle), share


def beams(rng, slack, angle_slack, count):
    """Return beams near the one from the origin along +x, half of them at the bounds."""
    parts = [worst_draws(rng, count, rim) for rim in (False, True)]
    dx, dy, share = (np.concatenate(p) for p in zip(*parts, strict=True))
    return slack * dx, slack * dy, np.cos(angle_slack * share), np.sin(angle_slack * share)


@pytest.mark.parametrize("angle_slack", [0.0, 0.02, 0.3, 1.2, math.pi / 2, 2.0, math.pi])
def test_mc_no_segment_is_wrongly_dropped(angle_slack):
    """Whatever 400 allowed beams meet of 300 moved segments has been kept; most others are dropped."""
    rng = np.random.default_rng(SEED)
    ends = rng.uniform(-3.0, 3.0, (4, 300))
    ends[2:] = ends[:2] + rng.normal(0.0, 0.4, (2, 300))
    slack, edge_slack, reach = 0.05, rng.uniform(0.0, 0.05, 300), 2.0
    kept = candidates_for_beam(0.0, 0.0, 1.0, 0.0, reach, slack, angle_slack, *ends, edge_slack)[0]
    px, py, ux, uy = (v[:, None] for v in beams(rng, slack, angle_slack, 200))
    moves = [edge_slack * np.array(worst_draws(rng, 300, True)[:2]) for _ in range(2)]
    ax, ay, bx, by = ends + np.concatenate(moves)
    met = (range_to_segment(px, py, ux, uy, ax, ay, bx, by) <= reach).any(axis=0)
    assert met.any()
    assert not np.any(met & ~kept)
    if angle_slack < 0.1:
        assert kept.sum() < 0.25 * len(kept)


@pytest.mark.parametrize("angle_slack", [0.0, 0.02, 0.3, 1.2])
def test_mc_what_is_surely_met_is_met_by_every_beam(angle_slack):
    """All of 400 allowed beams meet each of the moved segments that are said to be met, at the same range."""
    rng = np.random.default_rng(SEED)
    ends = rng.uniform(-3.0, 3.0, (4, 3000))
    slack, edge_slack = 0.05, rng.uniform(0.0, 0.05, 3000)
    sure = surely_met(0.0, 0.0, 1.0, 0.0, slack, angle_slack, *ends, edge_slack)[0]
    assert 10 < sure.sum() < 1000
    px, py, ux, uy = (v[:, None] for v in beams(rng, slack, angle_slack, 200))
    moves = [edge_slack * np.array(worst_draws(rng, 3000, True)[:2]) for _ in range(2)]
    ax, ay, bx, by = (ends + np.concatenate(moves))[:, sure]
    found = range_to_segment(px, py, ux, uy, ax, ay, bx, by)
    assert np.array_equal(found, range_to_line(px, py, ux, uy, ax, ay, bx - ax, by - ay))
    assert found.min() >= 0.0
    assert np.isfinite(found).all()
    within = farthest_met(0.0, 0.0, 1.0, 0.0, slack, angle_slack, *ends, edge_slack)[0]
    assert np.array_equal(np.isfinite(within), sure)
    assert np.all(found.max(axis=0) <= within[sure])
    # Not shy: of those met by all these beams most are said to be.
    everyone = np.isfinite(range_to_segment(px, py, ux, uy, *ends)).all(axis=0)
    assert sure.sum() > 0.5 * everyone.sum()


@pytest.mark.parametrize("angle_slack", [0.0, 0.02, 0.3, 1.2, math.pi / 2, 2.0])
def test_mc_no_disc_is_wrongly_dropped(angle_slack):
    """Whatever 400 allowed beams meet of 300 moved discs has been kept; most others are dropped."""
    rng = np.random.default_rng(SEED)
    cx, cy = rng.uniform(-3.0, 3.0, (2, 300))
    radius, moved = rng.uniform(0.01, 0.2, 300), rng.uniform(0.0, 0.05, 300)
    kept = candidates_for_disc(0.0, 0.0, 1.0, 0.0, 2.0, 0.05, angle_slack, cx, cy, radius, moved)[0]
    px, py, ux, uy = (v[:, None] for v in beams(rng, 0.05, angle_slack, 200))
    dx, dy, _ = worst_draws(rng, 300, True)
    met = (range_to_disc(px, py, ux, uy, cx + moved * dx, cy + moved * dy, radius) <= 2.0).any(axis=0)
    assert met.any()
    assert not np.any(met & ~kept)
    if angle_slack < 0.1:
        assert kept.sum() < 0.25 * len(kept)


@pytest.mark.parametrize("half", [0.0, 0.05, 0.3, 0.525])
@pytest.mark.parametrize("seed", range(5))
def test_law_cones_over_candidates_alone_are_bit_identical(half, seed):
    """On random scenes what answers among the kept segments and discs is what answers among all."""
    rng = np.random.default_rng([SEED, seed])
    ends = rng.uniform(-3.0, 3.0, (4, 120))
    ends[2:] = ends[:2] + rng.normal(0.0, 0.5, (2, 120))
    cx, cy, radius = *rng.uniform(-3.0, 3.0, (2, 80)), rng.uniform(0.02, 0.2, 80)
    slack, turn, edge_slack, reach = 0.05, 0.1, 0.03, 2.5
    cut = 0
    for angle in rng.uniform(-math.pi, math.pi, 20):
        bound = (0.0, 0.0, math.cos(angle), math.sin(angle), reach, slack, turn + half)
        kept = candidates_for_beam(*bound, *ends, edge_slack)[0]
        kept_discs = candidates_for_disc(*bound, cx, cy, radius, edge_slack)[0]
        cut += np.count_nonzero(~kept)
        dx, dy, share = worst_draws(rng, 50, True)
        to = angle + turn * share
        cone = Axis(slack * dx, slack * dy, np.cos(to), np.sin(to), half)
        moves = [edge_slack * np.array(worst_draws(rng, 120, True)[:2]) for _ in range(2)]
        moved = ends + np.concatenate(moves)
        every, index = nearest_edge_in_cone(cone, *moved)
        some, among = nearest_edge_in_cone(cone, *moved[:, kept])
        near = every <= reach
        assert np.array_equal(every[near], some[near])
        assert np.array_equal(index[near], np.flatnonzero(kept)[among[near]])
        wide = Axis(*(v[:, None] for v in cone[:4]), half)
        met = disc_in_cone(wide, cx + edge_slack * 0.7, cy - edge_slack * 0.7, radius) <= reach
        assert not np.any(met & ~kept_discs)
    assert cut > 500


number = st.floats(-3.0, 3.0)


@settings(max_examples=500, deadline=None)
@given(
    st.tuples(*[number] * 4),
    st.floats(-math.pi, math.pi),
    st.floats(0.0, 0.3),
    st.floats(0.0, 1.0),
    st.tuples(st.floats(-math.pi, math.pi), st.floats(-1.0, 1.0), st.floats(0.0, 1.0)),
)
def test_law_a_segment_that_is_met_is_kept(points, direction, slack, angle_slack, draw):
    """A segment laid through a point that an allowed beam reaches is always kept."""
    px, py, ex, ey = points
    around, turn, share = draw
    reach = 2.0
    angle = direction + turn * angle_slack
    hit_x = px + slack * math.cos(around) + share * reach * math.cos(angle)
    hit_y = py + slack * math.sin(around) + share * reach * math.sin(angle)
    segment = [np.array([v]) for v in (hit_x, hit_y, hit_x + ex, hit_y + ey)]
    for ends in (segment, segment[2:] + segment[:2]):
        kept = candidates_for_beam(
            px, py, math.cos(direction), math.sin(direction), reach, slack, angle_slack, *ends, 0.0
        )
        assert kept[0, 0]


def test_law_many_beams_at_once():
    """Each row is what its beam alone gives, with its own bounds."""
    rng = np.random.default_rng(SEED)
    ends = rng.uniform(-3.0, 3.0, (4, 40))
    px, py, angle = rng.uniform(-2.0, 2.0, (3, 10))
    reach, slack, turn = rng.uniform(0.5, 2.0, 10), rng.uniform(0, 0.1, 10), rng.uniform(0, 0.2, 10)
    ux, uy = np.cos(angle), np.sin(angle)
    together = candidates_for_beam(px, py, ux, uy, reach, slack, turn, *ends, 0.01)
    discs = candidates_for_disc(px, py, ux, uy, reach, slack, turn, ends[0], ends[1], 0.1, 0.02)
    for i in range(10):
        one = (px[i], py[i], ux[i], uy[i], reach[i], slack[i], turn[i])
        assert np.array_equal(together[i], candidates_for_beam(*one, *ends, 0.01)[0])
        assert np.array_equal(discs[i], candidates_for_disc(*one, ends[0], ends[1], 0.1, 0.02)[0])


def test_law_what_lies_behind_or_beyond_is_dropped():
    """A wall behind, beyond the reach, off to the side, or beside and then beyond is left out."""
    ax, bx = np.array([-1.0, 3.0, 0.5, -1.0, 1.0]), np.array([-1.0, 3.0, 1.5, 20.0, 1.0])
    ay, by = np.array([-1.0, -1.0, 0.5, 0.6, -1.0]), np.array([1.0, 1.0, 0.5, 0.6, 1.0])
    kept = candidates_for_beam(0.0, 0.0, 1.0, 0.0, 2.0, 0.05, 0.05, ax, ay, bx, by, 0.01)
    assert kept.tolist() == [[False, False, False, False, True]]
