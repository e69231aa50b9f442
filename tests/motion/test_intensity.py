"""Intensity against hand-computed vectors, closed forms, and the published order of operations."""

import numpy as np
import pytest

from palpate.motion import enmo_g, hand_arm_weighted, mad_g
from palpate.motion.intensity import (
    band_rms_g,
    jerk_g_per_s,
    motion_spectrum,
    spectral_entropy,
)
from palpate.validation import InputError


def test_enmo_van_hees_2013_truncates_every_sample_before_the_mean():
    # |a| = 0.5, 1.5, 5.0, 1.0: the truncated mean is 1.125, the mean truncated after is 1.0.
    acc = np.array([[0.0, 0.0, 0.5], [1.5, 0.0, 0.0], [3.0, 4.0, 0.0], [0.0, 1.0, 0.0]])
    np.testing.assert_allclose(enmo_g(acc), [0.0, 0.5, 4.0, 0.0])
    assert enmo_g(acc).mean() == pytest.approx(1.125)


def test_mad_vaha_ypya_2015_on_a_hand_computed_vector():
    # Mean 2; deviations 1, 1, 0, 2, 2, 0, 0, 0.
    rows = np.array([[1.0, 3.0, 2.0, 4.0, 0.0, 2.0, 2.0, 2.0], [1.0] * 8])
    np.testing.assert_allclose(mad_g(rows), [6.0 / 8.0, 0.0])


def test_mad_ignores_missing_samples_and_is_undefined_without_any():
    rows = np.array([[1.0, np.nan, 3.0], [np.nan] * 3])
    found = mad_g(rows)
    assert found[0] == pytest.approx(1.0)
    assert np.isnan(found[1])


@pytest.mark.filterwarnings("error")
def test_mad_of_rows_without_samples_is_undefined():
    assert np.isnan(mad_g(np.empty((3, 0)))).all()
    assert mad_g(np.empty((0, 8))).shape == (0,)


def windows_of(hz, amplitude_g, fs_hz=32.0):
    t = np.arange(256) / fs_hz
    return (amplitude_g * np.sin(2 * np.pi * hz * t))[np.newaxis, :, np.newaxis]


@pytest.mark.parametrize("hz", [0.9, 1.5, 3.1, 6.4])
def test_power_and_jerk_of_a_sine_have_the_closed_form(hz):
    freq_hz, power = motion_spectrum(windows_of(hz, 0.4), fs_hz=32.0)
    rms = band_rms_g(freq_hz, power, low_hz=0.3, high_hz=10.0)
    assert rms[0] == pytest.approx(0.4 / np.sqrt(2), rel=0.01)
    # The Hann line is 0.25 Hz wide, which at 0.9 Hz adds a few percent to the mean of f².
    assert jerk_g_per_s(freq_hz, power)[0] == pytest.approx(
        0.4 * 2 * np.pi * hz / np.sqrt(2), rel=0.02
    )


def test_spectrum_adds_up_to_the_mean_square_of_white_motion():
    windows = np.random.default_rng(0).normal(size=(200, 256, 3))
    _, power = motion_spectrum(windows, fs_hz=32.0)
    assert power.sum(axis=1).mean() == pytest.approx(3.0, rel=0.02)


def test_spectral_entropy_ranks_a_line_below_noise():
    freq_hz, line = motion_spectrum(windows_of(1.5, 1.0), fs_hz=32.0)
    _, noise = motion_spectrum(np.random.default_rng(0).normal(size=(1, 256, 3)), fs_hz=32.0)
    assert spectral_entropy(freq_hz, line)[0] < 0.3
    assert spectral_entropy(freq_hz, noise)[0] > 0.9
    assert np.isnan(spectral_entropy(freq_hz, np.zeros_like(line)))[0]


def test_plain_lists_are_read_and_wrong_shapes_refused():
    assert enmo_g([[0.0, 0.0, 1.5], [0.0, 0.6, 0.0]]) == pytest.approx([0.5, 0.0])
    still = hand_arm_weighted([[1.0, 2.0]] * 100, fs_hz=100.0)
    assert np.abs(still).max() < 0.05
    with pytest.raises(InputError, match="acc_g"):
        enmo_g(np.zeros((2, 2, 2)))


def test_mad_reads_lists_and_masks_and_refuses_what_is_no_row():
    row = [1.0, 2.0, 3.0, 6.0]
    assert mad_g([row]).tolist() == [1.5]
    assert mad_g(np.ma.masked_array([row], mask=[[0, 0, 0, 1]])).tolist() == pytest.approx([2 / 3])
    with pytest.raises(InputError, match=r"it must be \(n_windows, width\)"):
        mad_g(row)
