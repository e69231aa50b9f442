"""Running window statistics against numpy on each window by itself."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from palpate.conditioning import window_samples
from palpate.conditioning.statistics import moving_mean, ratio, window_means


@given(
    hnp.arrays(np.float64, st.integers(20, 200), elements=st.floats(-1e3, 1e3)),
    st.integers(0, 2**16),
)
def test_window_means_equal_nanmean_of_every_window(values, seed):
    values = values.copy()
    values[np.random.default_rng(seed).random(values.size) < 0.3] = np.nan
    first, width = window_samples(values.size, fs_hz=1.0, window_s=10.0, step_s=3.0)
    means = window_means(values, first, width)
    for start, mean in zip(first, means, strict=True):
        finite = values[start : start + width]
        finite = finite[np.isfinite(finite)]
        if finite.size:
            np.testing.assert_allclose(mean, finite.mean(), atol=1e-9)
        else:
            assert np.isnan(mean)


def test_window_means_of_a_mask_are_shares_and_columns_stay_apart():
    first = np.array([0, 2])
    np.testing.assert_allclose(
        window_means(np.array([True, True, False, False]), first, 2), [1.0, 0.0]
    )
    columns = np.array([[1.0, 10.0], [3.0, 30.0], [5.0, 50.0], [7.0, 70.0]])
    np.testing.assert_allclose(window_means(columns, first, 2), [[2.0, 20.0], [6.0, 60.0]])


def test_an_absurd_sample_spoils_only_the_windows_that_hold_it():
    values = np.tile([3.0, 5.0], 500)
    values[100] = 1e40
    first = np.arange(0, 990, 10)
    means = window_means(values, first, 10)
    np.testing.assert_allclose(means[first == 100], 1e39)
    np.testing.assert_array_equal(means[first != 100], 4.0)


def test_a_level_does_not_drown_what_is_small_in_a_long_record():
    values = np.full(3_000_000, 0.1)
    first = np.array([0, 2_999_968])
    np.testing.assert_allclose(window_means(values, first, 32), 0.1, rtol=4e-16)


@pytest.mark.parametrize("width", [1, 2, 7, 8, 100])
def test_window_means_of_every_width_up_to_the_whole(width):
    values = np.random.default_rng(1).normal(size=(100, 2))
    first = np.arange(101 - width)
    expected = [values[a : a + width].mean(axis=0) for a in first]
    np.testing.assert_allclose(window_means(values, first, width), expected, atol=1e-14)


def test_ratio_is_undefined_where_nothing_divides():
    found = ratio(np.array([1.0, 1.0]), np.array([2.0, 0.0]))
    assert found[0] == 0.5
    assert np.isnan(found[1])
    assert ratio(np.array([1.0]), np.array([0.0]), undefined=0.0)[0] == 0.0


@pytest.mark.parametrize("count", [1, 3, 8])
def test_moving_means_equal_nanmean_of_the_neighbours(count):
    rng = np.random.default_rng(0)
    values = 1e6 * rng.normal(size=300)
    values[rng.random(300) < 0.4] = np.nan
    values[100:120] = np.nan
    means = moving_mean(values, count)
    for i, mean in enumerate(means):
        near = values[max(i - count // 2, 0) : i - count // 2 + count]
        near = near[np.isfinite(near)]
        expected = near.mean() if near.size else np.nan
        np.testing.assert_allclose(mean, expected, atol=1e-6)
