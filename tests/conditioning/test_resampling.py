from __future__ import annotations

import numpy as np
import pytest

from palpate.conditioning import interpolate, resample, zero_phase
from palpate.validation import InputError


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


@pytest.mark.parametrize(("fs_hz", "to_hz"), [(25.0, 32.0), (25.0, 16.0), (50.0, 32.0)])
@pytest.mark.parametrize("drift", [0.0, 1e-6, 20e-6])
def test_a_clock_that_drifts_costs_no_amplitude(fs_hz: float, to_hz: float, drift: float) -> None:
    fs_hz *= 1.0 + drift
    time_s = np.arange(0, 60, 1 / fs_hz)
    sine_hz = 0.8 * min(fs_hz, to_hz) / 2
    result = resample(np.sin(2 * np.pi * sine_hz * time_s), fs_hz=fs_hz, to_hz=to_hz)
    at_s = np.arange(result.size) / to_hz
    inner = (at_s > 2) & (at_s < 58)
    assert np.max(np.abs(result - np.sin(2 * np.pi * sine_hz * at_s))[inner]) < 0.02
    assert np.isfinite(result).all()


@pytest.mark.parametrize("drift", [0.0, 20e-6, -20e-6])
@pytest.mark.parametrize("fs_hz", [128.0, 256.0, 400.0, 512.0, 1000.0])
def test_a_clock_that_drifts_lets_nothing_alias(fs_hz: float, drift: float) -> None:
    fs_hz *= 1.0 + drift
    time_s = np.arange(0, 60, 1 / fs_hz)
    slow, fast = (np.sin(2 * np.pi * hz * time_s) for hz in (2.0, 30.0))
    result = resample(slow + fast, fs_hz=fs_hz, to_hz=32.0)
    assert result.size == np.ceil(time_s.size / fs_hz * 32.0 - 1e-9)
    at_s = np.arange(result.size) / 32.0
    assert np.max(np.abs(result - np.sin(2 * np.pi * 2.0 * at_s))[64:-64]) < 0.01


@pytest.mark.parametrize("fs_hz", [100.0, 100.0013])
@pytest.mark.parametrize("value", [3.0, np.nan])
def test_one_sample_is_a_constant(fs_hz: float, value: float) -> None:
    np.testing.assert_array_equal(resample([value], fs_hz=fs_hz, to_hz=250.0), [value] * 3)


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


def test_columns_are_interpolated_side_by_side_and_none_stay_none() -> None:
    values = np.array([[10.0, -1.0], [30.0, -3.0]])
    result = interpolate([1.0, 3.0], values, [1.0, 2.0, 4.0])
    np.testing.assert_array_equal(result, [[10.0, -1.0], [20.0, -2.0], [np.nan, np.nan]])
    assert interpolate([1.0, 3.0], np.empty((2, 0)), [2.0]).shape == (1, 0)


def test_any_sequence_of_numbers_is_taken() -> None:
    values = [float(i % 5) for i in range(200)]
    array = np.array(values)
    np.testing.assert_array_equal(
        resample(values, fs_hz=100.0, to_hz=50.0), resample(array, fs_hz=100.0, to_hz=50.0)
    )
    np.testing.assert_array_equal(
        zero_phase(values, fs_hz=100.0, high_hz=5.0), zero_phase(array, fs_hz=100.0, high_hz=5.0)
    )
    assert interpolate([0, 2], [0, 20], [1]).tolist() == [10.0]


def test_a_series_with_an_index_of_its_own_is_taken_by_position() -> None:
    pandas = pytest.importorskip("pandas", reason="makes the series")
    values = np.sin(np.arange(300) / 10.0)
    values[100:120] = np.nan
    series = pandas.Series(values, index=np.arange(300)[::-1])
    for to_hz in (50.0, 100.0):
        np.testing.assert_array_equal(
            resample(series, fs_hz=100.0, to_hz=to_hz), resample(values, fs_hz=100.0, to_hz=to_hz)
        )


def test_what_is_masked_is_missing() -> None:
    masked = np.ma.masked_array(np.ones(200), mask=np.arange(200) < 50)
    assert np.isnan(resample(masked, fs_hz=100.0, to_hz=50.0)[:24]).all()
    assert np.isnan(zero_phase(masked, fs_hz=100.0, high_hz=5.0)[:50]).all()


def test_times_and_values_must_be_equally_many() -> None:
    with pytest.raises(InputError, match="3 times but 2 values"):
        interpolate([0.0, 1.0, 2.0], [0.0, 1.0], [0.5])


@pytest.mark.parametrize("values", ["light", np.zeros((2, 2, 2)), [[1.0], [1.0, 2.0]]])
def test_what_cannot_be_samples_is_refused(values: object) -> None:
    with pytest.raises(InputError, match="values"):
        resample(values, fs_hz=100.0, to_hz=50.0)  # type: ignore[arg-type]
