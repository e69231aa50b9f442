from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from palpate.evaluation.bootstrap import block_resamples, percentile_interval
from palpate.validation import InputError


@given(st.integers(1, 200), st.integers(1, 60), st.integers(0, 5))
def test_rows_are_made_of_blocks_of_neighbours(n, block, seed):
    rows = block_resamples(n, block=block, n_resamples=7, seed=seed)
    assert rows.shape == (7, n)
    assert rows.min() >= 0
    assert rows.max() < n
    used = max(1, min(block, n // 4))
    steps = np.diff(rows, axis=1) % n
    inside = (np.arange(1, n) % used) != 0
    assert np.all(steps[:, inside] == 1 % n)


def test_same_seed_same_rows():
    first, again = (block_resamples(50, block=5, seed=4) for _ in range(2))
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, block_resamples(50, block=5, seed=5))


def test_every_window_is_drawn_equally_often():
    rows = block_resamples(40, block=8, n_resamples=4000, seed=1)
    share = np.bincount(rows.ravel(), minlength=40) / rows.size
    np.testing.assert_allclose(share, 1 / 40, rtol=0.08)


def test_blocks_cover_the_mean_of_dependent_windows_where_single_draws_do_not():
    # A first-order autoregression with coefficient 0.9: the mean of n values has about
    # 19 times the variance that independence would give it.
    rng = np.random.default_rng(8)
    covered = {1: 0, 40: 0}
    rounds = 120
    for seed in range(rounds):
        series = lfilter([1.0], [1.0, -0.9], rng.normal(size=900))[100:]
        for block in covered:
            rows = block_resamples(series.size, block=block, n_resamples=300, seed=seed)
            low, high = percentile_interval(series[rows].mean(axis=1))
            covered[block] += bool(low <= 0.0 <= high)
    assert covered[40] / rounds > 0.80
    assert covered[1] / rounds < 0.55


def test_percentiles_of_a_known_distribution_ignore_undefined():
    statistics = np.concatenate([np.arange(1001.0), [np.nan, np.nan]])
    low, high = percentile_interval(statistics)
    assert (float(low), float(high)) == pytest.approx((25.0, 975.0))


def test_nothing_to_resample_is_explained():
    with pytest.raises(InputError, match="no window is left"):
        block_resamples(0, block=5)
