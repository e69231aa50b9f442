"""Clipped and frozen samples, against records whose faults are put in by hand."""

import numpy as np
import pytest

from palpate.conditioning.rails import at_rail, frozen


def swing(n=2000, fs_hz=100.0, amplitude=1.0):
    return amplitude * np.sin(2 * np.pi * 1.3 * np.arange(n) / fs_hz)


@pytest.mark.parametrize("gain", [1e-4, 1.0, 1e5])
@pytest.mark.parametrize("offset", [0.0, -3.0])
def test_clipped_tops_and_bottoms_are_found_whatever_the_scale(gain, offset):
    clean = swing()
    clipped = np.clip(clean, -0.8, 0.9)
    found = at_rail(gain * (clipped + offset))
    assert found[(clean >= 0.9) | (clean <= -0.8)].all()
    # Samples within the jitter of 0.1 % of the range may count as well, no others.
    assert not found[(clean < 0.898) & (clean > -0.798)].any()


def test_a_rail_with_converter_jitter_is_found():
    rng = np.random.default_rng(2)
    clean = swing()
    railed = np.minimum(clean, 0.9) + 1e-3 * rng.integers(0, 2, clean.size) * (clean >= 0.9)
    assert at_rail(railed)[clean >= 0.9].all()
    assert not at_rail(railed)[clean < 0.898].any()


@pytest.mark.parametrize("fs_hz", [25.0, 100.0, 512.0, 4000.0])
def test_rounded_peaks_are_not_rails_at_any_rate(fs_hz):
    assert not at_rail(swing(int(20.3 * fs_hz), fs_hz)).any()


def test_a_quiet_quantised_sensor_is_not_clipped():
    quiet = np.random.default_rng(1).integers(0, 3, 5000).astype(float)
    assert not at_rail(quiet).any()


def test_flat_empty_and_missing_records_have_no_rails():
    for values in (np.zeros(50), np.empty(0), np.full(50, np.nan)):
        assert not at_rail(values).any()


def test_frozen_runs_are_found_and_missing_samples_are_not_frozen():
    values = swing(300)
    values[100:140] = values[100]
    values[200:260] = np.nan
    expected = np.zeros(300, dtype=bool)
    expected[100:140] = True
    np.testing.assert_array_equal(frozen(values, min_run=40), expected)
    assert not frozen(values, min_run=41).any()


@pytest.mark.parametrize("gain", [1e-4, 1.0, 1e5])
def test_one_absurd_sample_does_not_make_the_others_look_frozen(gain):
    values = gain * swing(3000)
    values[100:140] = values[100]
    values[2000] = 1e12 * gain
    expected = np.zeros(3000, dtype=bool)
    expected[100:140] = True
    np.testing.assert_array_equal(frozen(values, min_run=10), expected)


def test_inputs_are_not_changed():
    values = np.clip(swing(), -0.5, 0.5)
    before = values.copy()
    at_rail(values)
    frozen(values, min_run=3)
    np.testing.assert_array_equal(values, before)
