from __future__ import annotations

import numpy as np
import pytest
from scipy import signal, stats

from palpate.evaluation.bootstrap import block_resamples, percentile_interval
from palpate.validation import InputError


def test_resamples_are_made_of_blocks_of_neighbours() -> None:
    rows = block_resamples(100, block=10, n_resamples=50)
    assert rows.shape == (50, 100)
    steps = np.diff(rows, axis=1) % 100
    inside = np.arange(99) % 10 != 9
    assert np.all(steps[:, inside] == 1)


def test_every_window_is_as_likely_as_any_other() -> None:
    counts = np.bincount(block_resamples(60, block=7, n_resamples=4000).ravel(), minlength=60)
    assert counts.std() / counts.mean() < 0.05


def test_the_block_is_cut_so_that_four_fit() -> None:
    rows = block_resamples(20, block=1000, n_resamples=10)
    assert np.all(np.diff(rows, axis=1)[:, :4] % 20 == 1)
    assert len({tuple(row) for row in rows}) > 1


def test_seed_makes_it_repeatable() -> None:
    one, same, other = (
        block_resamples(50, block=5, n_resamples=5, seed=seed) for seed in (1, 1, 2)
    )
    assert np.array_equal(one, same)
    assert not np.array_equal(one, other)


def test_nothing_to_resample_is_refused() -> None:
    with pytest.raises(InputError, match="no window"):
        block_resamples(0, block=5)


def test_with_independent_values_the_interval_is_the_textbook_one() -> None:
    # Normal theory: mean +- t * s / sqrt(n); block of one window is the ordinary bootstrap.
    values = np.random.default_rng(3).normal(10.0, 2.0, 400)
    rows = block_resamples(400, block=1, n_resamples=4000)
    low, high = percentile_interval(values[rows].mean(axis=1))
    expected = stats.t.interval(0.95, 399, values.mean(), stats.sem(values))
    assert (low, high) == pytest.approx(expected, abs=0.03)


def test_blocks_cover_dependent_windows_where_single_draws_do_not() -> None:
    # AR(1) with correlation 0.9 between neighbours, like overlapping windows: the nominal
    # 95 % interval of the mean must hold the true mean far more often with blocks.
    rng = np.random.default_rng(5)
    n_series, n = 200, 2000
    noise = rng.normal(size=(n_series, n + 200))
    series = signal.lfilter([1.0], [1.0, -0.9], noise, axis=1)[:, 200:]
    hits = {1: 0, 80: 0}
    for one in series:
        for block in hits:
            rows = block_resamples(n, block=block, n_resamples=200, seed=int(rng.integers(2**31)))
            low, high = percentile_interval(one[rows].mean(axis=1))
            hits[block] += bool(low <= 0.0 <= high)
    assert hits[1] / n_series < 0.6
    assert hits[80] / n_series > 0.85
