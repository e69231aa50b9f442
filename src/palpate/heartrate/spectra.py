"""Window spectra on the rate axis that all spectral estimators share."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from palpate.signals import FloatArray

MIN_HR_BPM = 30.0
MAX_HR_BPM = 230.0
NFFT = 1500
"""At the working rate of 25 Hz one bin is 1 bpm; the line itself is about 11 bpm wide."""


def rate_axis(fs_hz: float) -> tuple[slice, FloatArray]:
    """Return the bins from 30 to 230 bpm of an ``NFFT`` spectrum, and their rates in bpm."""
    bin_bpm = 60.0 * fs_hz / NFFT
    low = int(np.ceil(MIN_HR_BPM / bin_bpm - 1e-6))
    high = int(np.floor(MAX_HR_BPM / bin_bpm + 1e-6))
    return slice(low, high + 1), np.asarray(bin_bpm * np.arange(low, high + 1), dtype=np.float64)


def window_spectra(windows: FloatArray) -> NDArray[np.complex128]:
    """Return complex Hann spectra ``(w, NFFT // 2 + 1, k)`` of detrended windows."""
    width = windows.shape[1]
    if windows.size == 0:
        return np.empty((windows.shape[0], NFFT // 2 + 1, windows.shape[2]), dtype=complex)
    taper = signal.get_window("hann", width, fftbins=False)[:, np.newaxis]
    return np.asarray(fft.rfft(signal.detrend(windows, axis=1) * taper, NFFT, axis=1))
