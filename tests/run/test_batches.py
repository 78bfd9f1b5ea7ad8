"""How trials are cut into batches."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from driftgate.run.tasks import BATCH, LEAST_BATCH, spans


@given(st.integers(0, 10**6), st.integers(1, 10**6), st.integers(1, 64))
def test_law_batches_are_even_and_complete(begin, total, sharing):
    """Every trial is in one batch, none is too large, and no two differ by more than their number."""
    cut = spans(begin, begin + total, sharing=sharing)
    assert cut[0][0] == begin
    assert all(a + n == b for (a, n), (b, _) in pairwise(cut))
    assert cut[-1][0] + cut[-1][1] == begin + total
    counts = [count for _, count in cut]
    assert max(counts) <= BATCH
    assert max(counts) - min(counts) < len(cut)
    # No batch more than the largest asks for, unless workers would have nothing to do.
    if len(cut) > -(-total // BATCH):
        assert sharing > 1
        assert min(counts) >= LEAST_BATCH - len(cut)


@pytest.mark.parametrize(
    ("total", "sharing", "counts"),
    [
        (10_000, 1, [10_000]),
        (10_000, 2, [5_000, 5_000]),
        (16_000, 1, [8_000, 8_000]),
        (30_000, 2, [7_500] * 4),
        (1_024, 8, [1_024]),
        (3_000, 8, [1_500, 1_500]),
        (10, 1, [10]),
    ],
)
def test_pin_batches_by_hand(total, sharing, counts):
    """Two workers that share a case have the same number of trials each."""
    assert [count for _, count in spans(0, total, sharing=sharing)] == counts
