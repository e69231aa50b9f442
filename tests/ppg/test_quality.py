"""The measures of quality against plain loops over windows and pulses."""

import numpy as np
import pytest

from palpate.ppg.quality import (
    AFTER_PEAK,
    BEFORE_PEAK,
    TEMPLATE_POINTS,
    has_dc,
    peak_to_peak,
    template_correlation,
)


def test_orphanidou_2015_correlates_every_pulse_with_the_window_s_mean_pulse():
    rng = np.random.default_rng(0)
    fs_hz, width = 50.0, 400
    signal = np.convolve(rng.normal(size=2000), np.hanning(15), mode="same")
    pulse_s = np.cumsum(rng.uniform(0.6, 1.1, 45))
    pulse_s = pulse_s[(pulse_s < 20.0) | (pulse_s > 30.0)]  # no pulses in the middle
    first = np.arange(0, 2000 - width + 1, 100)
    found = template_correlation(signal, pulse_s, fs_hz=fs_hz, first=first, width=width)
    for start, value in zip(first, found, strict=True):
        at_s = pulse_s[(pulse_s >= start / fs_hz) & (pulse_s < (start + width) / fs_hz)]
        if at_s.size < 3:
            assert np.isnan(value)
            continue
        phase = np.linspace(-BEFORE_PEAK, AFTER_PEAK, TEMPLATE_POINTS) * np.median(np.diff(at_s))
        pulses = np.interp((at_s[:, np.newaxis] + phase) * fs_hz, np.arange(2000), signal)
        pulses -= pulses.mean(axis=1, keepdims=True)
        pulses /= np.linalg.norm(pulses, axis=1, keepdims=True)
        alike = [np.corrcoef(pulse, pulses.mean(axis=0))[0, 1] for pulse in pulses]
        assert value == pytest.approx(np.mean(alike))
    assert 0 < np.isnan(found).sum() < found.size


def test_peak_to_peak_is_the_median_of_two_second_pieces():
    window = np.zeros((1, 35))
    window[0, [3, 12, 13, 25]] = 1.0, 4.0, -2.0, 3.0  # pieces of 10 samples; the rest is left out
    np.testing.assert_array_equal(peak_to_peak(window, fs_hz=5.0), [3.0])
    np.testing.assert_array_equal(peak_to_peak(window[:, 8:15], fs_hz=5.0), [6.0])


def test_a_level_is_there_where_it_stands_out_of_the_scatter():
    swing = np.sin(np.arange(1000) / 5.0)  # standard deviation 0.71
    assert has_dc(1.6 + swing)
    assert not has_dc(1.2 + swing)
    assert not has_dc(swing - 50.0)
    assert not has_dc(np.full(10, np.nan))
