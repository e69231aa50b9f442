from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import lfilter

from palpate.evaluation.block_variance import (
    block_freedom,
    long_variance_of_sum,
    variance_of_sum,
)


def test_the_variance_by_hand() -> None:
    # Sums of two neighbours on the circle: 2, 0, -2, 0; mean square 2, times 2 ** 2 / (2 - 1).
    values = np.array([1.0, 1.0, -1.0, -1.0])
    assert variance_of_sum(values, 2) == pytest.approx(8.0)
    both = variance_of_sum(np.stack([values, 3.0 * values], axis=1), 2)
    np.testing.assert_allclose(both, [8.0, 72.0])
    assert variance_of_sum(values, 4) == 0.0
    np.testing.assert_array_equal(long_variance_of_sum(np.zeros((9, 2)), 2), [0.0, 0.0])


@pytest.mark.parametrize("memory", [0.0, 0.8, 0.9])
def test_memory_that_outlasts_blocks_is_made_up_for(memory: float) -> None:
    # A sum of 1200 windows of an AR(1) series of variance 1 has 1200 (1 + r) / (1 - r).
    truth = 1200.0 * (1.0 + memory) / (1.0 - memory)
    noise = np.random.default_rng(1).normal(size=(1300, 400)) * np.sqrt(1.0 - memory**2)
    series = lfilter([1.0], [1.0, -memory], noise, axis=0)[100:]
    series -= series.mean(axis=0)
    plain = np.mean(variance_of_sum(series, 30)) / truth
    mended = np.mean(long_variance_of_sum(series, 30)) / truth
    assert mended == pytest.approx(1.0, abs=0.08)
    assert plain < 0.8 or memory < 0.9


@pytest.mark.parametrize("n_blocks", [5.0, 20.0])
def test_overlapping_blocks_have_half_as_many_degrees_of_freedom_again(n_blocks: float) -> None:
    # A variance of so many degrees of freedom has a squared coefficient of variation of 2 / df.
    block = 20
    series = np.random.default_rng(2).normal(size=(round(n_blocks * block), 4000))
    found = variance_of_sum(series - series.mean(axis=0), block)
    df = 2.0 * np.mean(found) ** 2 / np.var(found)
    assert block_freedom(n_blocks) == pytest.approx(df, rel=0.12)
