"""The spectra of windows on the axis of rates, against scipy on each window by itself."""

import numpy as np
import pytest
from scipy import signal

from palpate.conditioning import HANN_NOISE_BINS
from palpate.heartrate.preparation import prepare
from palpate.heartrate.spectra import power, rate_axis, window_spectra


def signals_of(light, window_s=8.0):
    return prepare(light, None, fs_hz=25.0, start_s=0.0, window_s=window_s, step_s=2.0).signals


@pytest.fixture
def drifting_light():
    """Two channels of noise on a slope."""
    rng = np.random.default_rng(0)
    return rng.normal(size=(1000, 2)) + 0.1 * np.arange(1000)[:, np.newaxis]


def test_spectra_are_those_of_each_window_without_its_trend(drifting_light):
    s = signals_of(drifting_light)
    axis = rate_axis(s)
    found = window_spectra(s.ppg_windows, axis)
    taper = np.hanning(s.width)
    time_s = np.arange(s.width) / s.fs_hz
    for window, row in zip(s.ppg_windows, found, strict=True):
        tapered = signal.detrend(window, axis=0, type="linear") * taper[:, np.newaxis]
        expected = np.exp(-2j * np.pi * np.outer(axis.frequency_hz, time_s)) @ tapered
        np.testing.assert_allclose(row, expected, atol=1e-9)
    np.testing.assert_allclose(power(found), np.abs(found) ** 2)


@pytest.mark.parametrize("channels", [1, 2])
def test_the_windows_are_not_changed(drifting_light, channels):
    s = signals_of(drifting_light[:, :channels])
    before = s.ppg_windows.copy()
    s.ppg_windows.flags.writeable = False
    window_spectra(s.ppg_windows, rate_axis(s))
    np.testing.assert_array_equal(s.ppg_windows, before)


@pytest.mark.parametrize(("window_s", "bin_bpm"), [(4.0, 1.0), (8.0, 1.0), (60.0, 0.5)])
def test_candidates_reach_from_30_to_230_bpm_and_know_their_second_harmonic(window_s, bin_bpm):
    s = signals_of(np.sin(np.arange(2500) / 3.0), window_s)
    axis = rate_axis(s)
    np.testing.assert_allclose(axis.rate_bpm, np.arange(30.0, 230.0 + bin_bpm / 2, bin_bpm))
    np.testing.assert_allclose(60.0 * axis.frequency_hz[axis.candidates], axis.rate_bpm)
    harmonic_bpm = 60.0 * axis.frequency_hz[axis.second_harmonic()]
    np.testing.assert_allclose(harmonic_bpm, 2.0 * axis.rate_bpm)
    assert 60.0 * axis.frequency_hz[0] == pytest.approx(12.0)


def test_a_line_holds_its_peak_times_the_line_s_bins():
    s = signals_of(np.sin(2 * np.pi * 2.0 * np.arange(1000) / 25.0))
    axis = rate_axis(s)
    lines = power(window_spectra(s.ppg_windows, axis))[:, :, 0]
    np.testing.assert_allclose(lines.sum(axis=1) / lines.max(axis=1), axis.line_bins, rtol=0.02)
    assert axis.line_bins == pytest.approx(HANN_NOISE_BINS * axis.nfft / s.width)
