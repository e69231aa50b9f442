from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from palpate.conditioning import normalised_entropy, parabolic_peak, power_spectra, vertex_shift

FS_HZ = 25.0


def tone(frequency_hz: float, amplitude: float = 1.0) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * frequency_hz * np.arange(200) / FS_HZ)


def test_a_sine_at_a_bin_centre_shows_half_its_squared_amplitude() -> None:
    freqs_hz, power = power_spectra(tone(2.0, 3.0)[np.newaxis], fs_hz=FS_HZ)
    peak = np.argmax(power[0])
    assert freqs_hz[peak] == pytest.approx(2.0)
    assert power[0, peak] == pytest.approx(3.0**2 / 2, rel=1e-6)


@pytest.mark.parametrize(("width", "nfft"), [(50, 50), (51, 51), (50, 99), (51, 100)])
def test_the_bins_add_up_to_the_mean_square_with_the_edges_counted_once(
    width: int, nfft: int
) -> None:
    # Parseval: each bin but 0 Hz and Nyquist has a mirror image. A square window weighs alike.
    window = np.random.default_rng(0).normal(size=(1, width))
    _, power = power_spectra(window, fs_hz=FS_HZ, nfft=nfft, taper="boxcar")
    assert power.sum() == pytest.approx(window.var() * nfft / width)


def test_entropy_is_shannon_s_over_that_of_equal_shares() -> None:
    power = np.random.default_rng(0).random((4, 30))
    expected = stats.entropy(power, axis=1) / np.log(30)
    np.testing.assert_allclose(normalised_entropy(power), expected)
    edges = normalised_entropy(np.array([[0.0, 7.0, 0.0], [2.0, 2.0, 2.0], [0.0, 0.0, 0.0]]))
    np.testing.assert_allclose(edges, [0.0, 1.0, np.nan])
    assert np.isnan(normalised_entropy(np.ones((2, 1)))).all()


@given(st.floats(0.8, 5.0))
def test_the_refined_peak_is_within_half_a_beat_per_minute(frequency_hz: float) -> None:
    freqs_hz, power = power_spectra(tone(frequency_hz)[np.newaxis], fs_hz=FS_HZ, nfft=1024)
    peak = parabolic_peak(power, np.argmax(power, axis=1))
    found_hz = np.interp(peak[0], np.arange(freqs_hz.size), freqs_hz)
    assert abs(found_hz - frequency_hz) * 60.0 < 0.5


def test_a_peak_at_the_edge_stays_where_it_is() -> None:
    power = np.array([[3.0, 2.0, 1.0], [1.0, 2.0, 3.0]])
    assert parabolic_peak(power, np.array([0, 2])).tolist() == [0.0, 2.0]


def test_columns_keep_their_place() -> None:
    windows = np.stack([np.column_stack((tone(1.0), tone(3.0)))])
    freqs_hz, power = power_spectra(windows, fs_hz=FS_HZ)
    assert freqs_hz[np.argmax(power[0], axis=0)].tolist() == pytest.approx([1.0, 3.0])


@given(st.floats(-0.5, 0.5), st.floats(-5.0, -0.01), st.floats(-100.0, 100.0))
def test_the_summit_of_a_parabola_is_found(at: float, bend: float, height: float) -> None:
    left, peak, right = (np.array([height + bend * (x - at) ** 2]) for x in (-1.0, 0.0, 1.0))
    assert vertex_shift(left, peak, right)[0] == pytest.approx(at, abs=1e-9)


def test_without_a_summit_nothing_is_shifted_and_never_by_more_than_half() -> None:
    left, peak, right = np.array([[0.0, 1.0, 0.0], [2.0, 1.0, 2.0], [0.0, 9.0, 10.0]]).T
    assert vertex_shift(left, peak, right).tolist() == [0.0, 0.0, 0.5]
