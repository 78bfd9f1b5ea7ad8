"""The way of a reading from stage to stage, the robot's memory and its gate, trial by trial on paper."""

from __future__ import annotations

import math
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from driftgate.predict.acceptance import Acceptance
from driftgate.predict.constants import NOWHERE
from driftgate.predict.filter import ReadingVariance
from driftgate.predict.trial_memory import CorrectionState, fresh_memory
from driftgate.predict.trial_update import (
    Scalar,
    one_reading,
    passes_gate,
    terms_of,
    two_readings,
    update_with,
)
from driftgate.predict.values import Outcome
from driftgate.sight.stages import Stage, stages
from driftgate.world.beam import PoseModel

# Variances of x, y and heading without correlation: 4 cm², 9 cm², 0.01 rad².
FILTER = tuple(np.array([v]) for v in (4e-4, 0.0, 0.0, 9e-4, 0.0, 1e-4))


def memory(count: int = 1, slots: int = 2) -> CorrectionState:
    """Return a fresh memory."""
    return fresh_memory(tuple(np.repeat(v, count) for v in FILTER), count, slots)  # type: ignore[arg-type]


def yes(*words: bool | int) -> Any:
    """Return trials that do and do not."""
    return np.array([bool(w) for w in words])


def test_law_passes_in_a_row_on_one_surface_count() -> None:
    """Three trials: one that goes on, one that misses, one whose surface changes; the third pass is used."""
    state = memory(3)
    on = [
        (yes(1, 1, 1), [7, 7, 7]),
        (yes(1, 0, 1), [7, 7, 7]),
        (yes(1, 1, 1), [7, 7, 2]),
        (yes(1, 1, 1), [7, 7, 2]),
        (yes(1, 1, 1), [7, 7, 2]),
    ]
    used = [state.persists(1, passed, np.array(surface), 3).tolist() for passed, surface in on]
    assert used == [
        [False, False, False],
        [False, False, False],
        [True, False, False],
        [True, False, False],
        [True, True, True],
    ]
    assert state.streak[1].tolist() == [5, 3, 3]
    assert state.streak[0].tolist() == [0, 0, 0]
    state.interrupt(1)
    assert not state.persists(1, yes(1, 1, 1), np.array([7, 7, 2]), 2).any()
    assert state.persists(1, yes(1, 1, 1), np.array([7, 7, 2]), 2).all()


def test_law_the_way_back_widens_and_gives_up() -> None:
    """After every second refusal in a row the filter doubles; after three more the robot is lost."""
    rule: Any = SimpleNamespace(refusals=2, factor=2.0, lost_after=3)
    state, none = memory(2), yes(0, 0)
    widths, lost = [], []
    for _ in range(6):
        state.way_back(rule, yes(1, 0), none)
        widths.append([round(v / 4e-4, 9) for v in state.filter[0].tolist()])
        lost.append(state.lost.tolist())
    assert widths == [[1, 1], [2, 1], [2, 1], [4, 1], [4, 1], [8, 1]]
    assert [first for first, _ in lost] == [False] * 4 + [True] * 2
    assert not any(second for _, second in lost)
    assert [float(v[0] / w[0]) for v, w in zip(state.filter, FILTER, strict=True) if w[0]] == [8.0] * 3
    assert state.refusals.tolist() == [6, 0]
    state.way_back(rule, none, yes(0, 1))
    assert state.refusals.tolist() == [6, 0]
    state.way_back(rule, none, yes(1, 0))
    assert state.refusals.tolist() == [0, 0]
    assert state.lost.tolist() == [True, False]
    state.way_back(rule, yes(0, 1), yes(1, 0))
    assert state.refusals.tolist() == [0, 1]
    # Without a way back refusals are counted and nothing is widened.
    alone = memory(1)
    for _ in range(9):
        alone.way_back(None, yes(1), yes(0))
    assert (alone.refusals.tolist(), alone.lost.tolist(), float(alone.filter[0][0])) == ([9], [False], 4e-4)


def along_x(innovation: Any, own: float = 5e-4, slot: int = 0) -> Scalar:
    """Return a reading along x with these innovations; with the filter's 4 cm² it is good to 3 cm."""
    innovation = np.asarray(innovation, float)
    one, zero = np.ones(len(innovation)), np.zeros(len(innovation))
    return Scalar(
        slot, np.full(len(innovation), 7), innovation, (one, zero, zero), np.full(len(innovation), own)
    )


def acceptance(order: str, sigmas: float | None = 2.0, readings: int | None = None) -> Acceptance:
    """Return a robot's way of a reading."""
    correction: Any = SimpleNamespace(
        order=tuple(order.split()),
        gate=None if sigmas is None else SimpleNamespace(sigmas=sigmas),
        persistence=None if readings is None else SimpleNamespace(readings=readings),
        way_back=None,
    )
    return Acceptance(correction)


class Passing:
    """One reading of six trials: not tried, invalid, silent, refused, and two that pass."""

    alive = yes(0, 1, 1, 1, 1, 1)
    valid = np.array([0, int(Outcome.TOO_FAST), 0, 0, 0, 0])
    heard = yes(1, 1, 0, 1, 1, 1)
    innovation = (0.0, 0.0, 0.0, 0.0601, -0.0599, 0.01)

    def __init__(self) -> None:
        self.refused: list[tuple[Any, list[int]]] = []
        self.at_gate: list[int] = []
        self.listened: list[int] = []

    def through(self, way: Acceptance, state: CorrectionState) -> Any:
        """Put the reading through."""

        def listen(alive: Any) -> tuple[Any, Scalar]:
            self.listened = np.flatnonzero(alive).tolist()
            return alive & self.heard, along_x(self.innovation)

        def gate(_scalar: Any, _terms: Any, alive: Any) -> None:
            self.at_gate = np.flatnonzero(alive).tolist()

        def refuse(found: Any, who: Any) -> None:
            self.refused.append(
                (found if isinstance(found, Outcome) else "tests", np.flatnonzero(who).tolist())
            )

        surface = np.full(6, 7)
        return way.passage(0, self.alive, surface, state, lambda: self.valid, listen, gate, refuse)


def test_law_a_reading_in_the_usual_order() -> None:
    """Each stage sees what the one before has left, and refuses its own; two are used, one is refused."""
    one, state = Passing(), memory(6)
    passage = one.through(acceptance("validity gate persistence"), state)
    assert one.listened == [2, 3, 4, 5]
    assert one.at_gate == [3, 4, 5]
    assert one.refused == [("tests", [1]), (Outcome.NO_ECHO, [2]), (Outcome.GATE, [3])]
    assert np.flatnonzero(passage.used).tolist() == [4, 5]
    assert np.flatnonzero(passage.refused).tolist() == [3]
    assert state.refusals.tolist() == [0, 0, 0, 1, 0, 0]
    # 4 cm² of the filter's and 5 of the reading's: 3 cm, and the gate is at 6.
    assert passage.terms.predicted == pytest.approx(np.full(6, 9e-4), rel=1e-12)


def test_law_a_reading_that_persists() -> None:
    """The second time it is used where it has passed twice, and held back where it had not."""
    state, way = memory(6), acceptance("validity gate persistence", readings=2)
    first = Passing()
    assert not first.through(way, state).used.any()
    assert first.refused[-1] == (Outcome.HELD_BACK, [4, 5])
    again = Passing()
    again.innovation = (0.0, 0.0, 0.0, 0.0, 0.0, 0.07)
    passage = again.through(way, state)
    assert np.flatnonzero(passage.used).tolist() == [4]
    assert again.refused[-2:] == [(Outcome.GATE, [5]), (Outcome.HELD_BACK, [3])]
    assert state.streak[0].tolist() == [0, 0, 0, 1, 2, 0]


def test_law_a_reading_with_the_gate_first() -> None:
    """The gate then refuses what would not have been valid, too; validity comes last."""
    one = Passing()
    one.innovation = (0.0, 0.07, 0.0, 0.07, 0.0, 0.0)
    one.valid = np.array([0, int(Outcome.TOO_FAST), 0, 0, int(Outcome.CORRIDOR), 0])
    passage = one.through(acceptance("gate persistence validity"), memory(6))
    assert one.listened == [1, 2, 3, 4, 5]
    assert one.refused == [(Outcome.NO_ECHO, [2]), (Outcome.GATE, [1, 3]), ("tests", [4])]
    assert np.flatnonzero(passage.used).tolist() == [5]
    assert np.flatnonzero(passage.refused).tolist() == [1, 3]


def test_law_where_nobody_is_left_nobody_is_asked() -> None:
    """Without a valid trial nobody listens, nothing was refused by the gate, and counting begins anew."""
    one, state = Passing(), memory(6)
    state.persists(0, yes(1, 1, 1, 1, 1, 1), np.full(6, 7), 2)
    one.valid = np.full(6, int(Outcome.INCIDENCE))
    passage = one.through(acceptance("validity gate persistence", readings=2), state)
    assert (one.listened, one.at_gate) == ([], [])
    assert one.refused == [("tests", [1, 2, 3, 4, 5])]
    assert not passage.used.any()
    assert not passage.refused.any()
    assert (passage.scalar, passage.terms) == (None, None)
    assert int(np.max(state.streak[0])) == 0


def test_law_the_echo_is_asked_before_what_needs_a_reading() -> None:
    """Before gate or persistence, whichever comes first."""
    found: Any = SimpleNamespace(order=("validity", "persistence", "gate"))
    assert stages(found) == (Stage.VALIDITY, Stage.ECHO, Stage.PERSISTENCE, Stage.GATE)
    found = SimpleNamespace(order=("gate", "persistence", "validity"))
    assert stages(found) == (Stage.ECHO, Stage.GATE, Stage.PERSISTENCE, Stage.VALIDITY)


def test_law_a_gate_is_at_so_many_sigmas_of_what_is_predicted() -> None:
    """At it a reading passes, beyond it not; who does not try it does not pass; without a gate all do."""
    scalar = along_x([0.06 - 1e-12, 0.06 + 1e-9, -0.0601, 0.0])
    terms = terms_of(scalar, memory(4))
    gate: Any = SimpleNamespace(sigmas=2.0)
    assert passes_gate(gate, scalar, terms, yes(1, 1, 1, 0)).tolist() == [True, False, False, False]
    assert passes_gate(None, scalar, terms, yes(1, 1, 1, 0)).tolist() == [True, True, True, False]


UPDATE: Any = SimpleNamespace(law="kalman", largest_move=None)


def test_law_a_kalman_update_on_paper() -> None:
    """Gain 4/9: 45 mm move the belief by 20, and leave 4 * 5/9 cm²; who does not use it stays."""
    state = memory(2)
    belief = SimpleNamespace(bx=np.array([1e-3, 1e-3]), by=np.zeros(2), bh=np.zeros(2))
    scalar = along_x([0.045, 0.045])
    moved = update_with(UPDATE, scalar, terms_of(scalar, state), yes(1, 0), belief, state, 0.2)
    assert moved == pytest.approx([0.02, 0.0], abs=1e-15)
    assert belief.bx == pytest.approx([0.021, 0.001], abs=1e-15)
    assert state.filter[0] == pytest.approx([4e-4 * 5 / 9, 4e-4], rel=1e-12)
    assert state.filter[3] == pytest.approx([9e-4, 9e-4], rel=1e-12)
    assert state.fixed[0] == pytest.approx([0.02, 0.0], abs=1e-15)


def test_law_a_fix_never_turns_the_long_way_round() -> None:
    """A heading of 3.1 rad off, moved by 0.1 rad, becomes 3.2 less a turn; in either direction."""
    state = memory(2)
    belief = SimpleNamespace(bx=np.zeros(2), by=np.zeros(2), bh=np.array([3.1, -3.1]))
    one, zero = np.ones(2), np.zeros(2)
    scalar = Scalar(0, np.zeros(2, int), np.array([0.2, -0.2]), (zero, zero, one), np.full(2, 1e-4))
    update_with(UPDATE, scalar, terms_of(scalar, state), yes(1, 1), belief, state, 0.2)
    assert belief.bh == pytest.approx([3.2 - 2 * math.pi, 2 * math.pi - 3.2], abs=1e-12)
    assert state.fixed[2] == pytest.approx([0.1 - 2 * math.pi, 2 * math.pi - 0.1], abs=1e-12)


# One hundredth of the range, squared; walls 3 mm and 20 mrad, as noise.
VARIANCE = ReadingVariance(0.0, 0.01, 3e-3, 0.02)


def model(range_m: Any, d_x: float = -1.0, d_heading: float = 0.1) -> PoseModel:
    """Return what is expected of a wall ahead."""
    range_m = np.asarray(range_m, float)
    same = np.ones(len(range_m))
    fields: dict[str, Any] = dict.fromkeys(PoseModel._fields)
    given = {"d_x": d_x * same, "d_y": 0 * same, "d_heading": d_heading * same, "d_angle": 0 * same}
    return PoseModel(**{**fields, "range_m": range_m, **given})


def test_law_a_reading_where_not_all_expect_something() -> None:
    """Innovation and derivatives where it is tried, harmless numbers where nothing is expected."""
    expected: Any = SimpleNamespace(surface=np.array([7, -1, 7]), model=model([2.0, math.inf, 1.0]))
    echo: Any = SimpleNamespace(reading_m=np.array([2.03, 1.0, math.nan]))
    found = one_reading(1, VARIANCE, expected, echo, yes(1, 0, 0))
    assert found.innovation == pytest.approx([0.03, 0.0, 0.0], abs=1e-15)
    assert found.h[0].tolist() == [-1.0, 0.0, 0.0]
    assert found.h[2].tolist() == [0.1, 0.0, 0.0]
    assert found.own == pytest.approx([4e-4 + 9e-6, 1e-4 + 9e-6, 1e-4 + 9e-6], rel=1e-12)
    # All expect something: only innovations of those who do not try are put to rest.
    expected.model = model([2.0, 3.0, 1.0])
    found = one_reading(1, VARIANCE, expected, echo, yes(1, 0, 0))
    assert found.innovation == pytest.approx([0.03, 0.0, 0.0], abs=1e-15)
    assert found.h[0].tolist() == [-1.0, -1.0, -1.0]
    assert found.own == pytest.approx([4e-4 + 9e-6, 9e-4 + 9e-6, 1e-4 + 9e-6], rel=1e-12)


@pytest.mark.parametrize("turns", [True, False])
def test_law_two_readings_make_a_difference_or_a_mean(turns: bool) -> None:
    """Ranges of 1 and 2 m: variances 1 and 4 cm², weights 0.8 and 0.2; innovations 10 and 30 mm."""
    expected: Any = SimpleNamespace(surface=np.array([7]))
    echoes: Any = [SimpleNamespace(reading_m=np.array([1.01])), SimpleNamespace(reading_m=np.array([2.03]))]
    models = [model([1.0], d_heading=0.3), model([2.0], d_heading=-0.2)]
    variances = [VARIANCE, VARIANCE]
    found = two_readings(
        4, (0, 1), variances, expected, models, [NOWHERE] * 2, NOWHERE, echoes, yes(1), turns
    )
    h, innovation, own = (
        # Difference: derivatives 0 and 0.5; 1 + 4 cm², and the wall's tilt by 0.5 m.
        ((0.0, 0.5), -0.02, 5e-4 + (0.02 * 0.5) ** 2)
        if turns
        # Mean: -1 and 0.24 - 0.04; 0.64 + 0.16 cm² and the wall's 3 mm.
        else ((-1.0, 0.2), 0.014, 0.8e-4 + 9e-6)
    )
    assert (found.slot, found.turns) == (4, turns)
    assert (float(found.h[0][0]), float(found.h[2][0])) == pytest.approx(h, abs=1e-12)
    assert found.innovation == pytest.approx([innovation], abs=1e-12)
    assert found.own == pytest.approx([own], rel=1e-12)
    idle = two_readings(4, (0, 1), variances, expected, models, [NOWHERE] * 2, NOWHERE, echoes, yes(0), turns)
    assert (idle.innovation.tolist(), idle.h[0].tolist(), idle.h[2].tolist()) == ([0.0], [0.0], [0.0])
