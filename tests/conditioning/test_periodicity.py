"""Self-similarity and period of patterns whose period is known."""

import numpy as np
import pytest

from palpate.conditioning.periodicity import self_similarity, shortest_period


def windows_of(*signals):
    return np.stack(signals)[:, :, np.newaxis]


@pytest.mark.parametrize("period", [9.0, 13.7, 31.25, 60.0])
def test_a_periodic_pattern_is_1_at_its_period_whatever_its_amplitude(period):
    n = np.arange(256)
    pattern = np.sin(2 * np.pi * n / period) + 0.5 * np.sin(4 * np.pi * n / period + 1.0)
    similarity = self_similarity(windows_of(pattern, 1e4 * pattern), max_lag=100)
    found, height = shortest_period(similarity, shortest=5, near_best=0.85)
    np.testing.assert_allclose(found, period, rtol=0.02)
    assert height.min() > 0.95
    np.testing.assert_allclose(similarity[0], similarity[1], atol=1e-9)


def test_similarity_equals_the_correlation_of_the_overlapping_parts():
    signal = np.random.default_rng(0).normal(size=200)
    centred = signal - signal.mean()
    similarity = self_similarity(windows_of(signal), max_lag=50)[0]
    for lag in (0, 1, 17, 50):
        early, late = centred[: 200 - lag], centred[lag:]
        expected = (early @ late) / np.sqrt((early @ early) * (late @ late))
        assert similarity[lag] == pytest.approx(expected)


def test_columns_add_up_so_that_no_rotation_matters():
    rng = np.random.default_rng(1)
    windows = rng.normal(size=(4, 128, 3))
    rotation, _ = np.linalg.qr(rng.normal(size=(3, 3)))
    np.testing.assert_allclose(
        self_similarity(windows @ rotation, max_lag=60), self_similarity(windows, max_lag=60)
    )


def test_flat_windows_and_too_few_lags_have_no_period():
    flat = self_similarity(np.zeros((2, 64, 1)), max_lag=30)
    period, height = shortest_period(flat, shortest=4, near_best=0.85)
    assert np.isnan(period).all()
    np.testing.assert_array_equal(height, 0.0)
    period, height = shortest_period(flat[:, :5], shortest=4, near_best=0.85)
    assert np.isnan(period).all()
    np.testing.assert_array_equal(height, 0.0)
