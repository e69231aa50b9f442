from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from palpate.conditioning import bridge_gaps, runs


@given(hnp.arrays(np.bool_, st.integers(0, 60)))
def test_runs_cover_exactly_what_is_true(mask: np.ndarray) -> None:
    starts, ends = runs(mask)
    rebuilt = np.zeros_like(mask)
    for start, end in zip(starts, ends, strict=True):
        assert start < end
        rebuilt[start:end] = True
    assert np.array_equal(rebuilt, mask)
    assert np.all(ends[:-1] < starts[1:])


def test_a_gap_becomes_a_straight_line_and_ends_stay_level() -> None:
    filled, missing = bridge_gaps(np.array([np.nan, 1.0, np.inf, np.nan, 4.0, np.nan]))
    assert filled.tolist() == [1.0, 1.0, 2.0, 3.0, 4.0, 4.0]
    assert missing.tolist() == [True, False, True, True, False, True]


def test_a_column_with_nothing_finite_becomes_zero() -> None:
    values = np.column_stack((np.full(4, np.nan), np.arange(4.0)))
    filled, _ = bridge_gaps(values)
    assert filled[:, 0].tolist() == [0.0] * 4
    assert filled[:, 1].tolist() == [0.0, 1.0, 2.0, 3.0]


def test_whole_input_is_returned_as_it_is() -> None:
    values = np.arange(5.0)
    filled, missing = bridge_gaps(values)
    assert filled is values
    assert not missing.any()
