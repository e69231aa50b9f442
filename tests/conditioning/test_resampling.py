from __future__ import annotations

import numpy as np
import pytest

from palpate.conditioning import interpolate, resample


@pytest.mark.parametrize(
    ("fs_hz", "to_hz"), [(256, 128), (125, 25), (50, 125), (100, 64), (99.97, 25)]
)
def test_a_slow_sine_survives_at_its_own_time(fs_hz: float, to_hz: float) -> None:
    time_s = np.arange(0, 20, 1 / fs_hz)
    result = resample(np.sin(2 * np.pi * 1.3 * time_s), fs_hz=fs_hz, to_hz=to_hz)
    at_s = np.arange(result.size) / to_hz
    inner = (at_s > 2) & (at_s < 18)
    assert np.max(np.abs(result - np.sin(2 * np.pi * 1.3 * at_s))[inner]) < 0.02


def test_what_lies_above_the_new_nyquist_frequency_is_removed() -> None:
    time_s = np.arange(0, 20, 1 / 200.0)
    result = resample(np.sin(2 * np.pi * 40.0 * time_s), fs_hz=200.0, to_hz=25.0)
    assert np.max(np.abs(result[25:-25])) < 0.02


def test_gaps_stay_gaps() -> None:
    values = np.sin(np.arange(1000) / 20.0)
    values[300:400] = np.nan
    result = resample(values, fs_hz=100.0, to_hz=50.0)
    assert np.isnan(result[151:199]).all()
    assert np.isfinite(result[:149]).all()
    assert np.isfinite(result[201:]).all()


def test_the_same_rate_is_a_copy() -> None:
    values = np.arange(5.0)
    result = resample(values, fs_hz=10.0, to_hz=10.0)
    assert np.array_equal(result, values)
    assert result is not values


def test_interpolation_is_undefined_outside_the_times_given() -> None:
    result = interpolate(np.array([1.0, 3.0]), np.array([10.0, 30.0]), np.array([0.0, 2.0, 4.0]))
    assert result[1] == 20.0
    assert np.isnan(result[[0, 2]]).all()
    assert np.isnan(interpolate(np.array([]), np.array([]), np.array([1.0]))).all()
