"""Window spectra on the rate axis that all spectral estimators share."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft, signal

from palpate.conditioning import HANN_NOISE_BINS
from palpate.heartrate.preparation import WindowedSignals
from palpate.signals import FloatArray

ComplexArray = NDArray[np.complex128]

MIN_HR_BPM = 30.0
MAX_HR_BPM = 230.0
DRIFT_BPM = 12.0
"""Where spectra start: well below the slowest pulse. There grip and breath move the light, and
that energy, which no pulse explains, has to be counted. Still slower movement is gone with the
window's trend."""
NFFT = 1500
"""At the working rate of 25 Hz one bin is 1 bpm. A line is about 11 bpm wide all the same: that
is what a window of 8 s resolves."""


@dataclass(frozen=True, slots=True, eq=False)
class RateAxis:
    """Bins of a spectrum from `DRIFT_BPM` to twice 230 bpm, among them the candidates from 30 bpm.

    Parameters
    ----------
    rate_bpm
        ``(h,)`` the candidate rates, up to 230 bpm.
    frequency_hz
        ``(f,)`` all bins, up to the fastest candidate's second harmonic.
    candidates
        Where among all bins the candidates are.
    first_bin
        Index of the first bin in the full spectrum.
    nfft
        Length of the Fourier transform; windows are filled up with zeros.
    line_bins
        How many bins as high as its peak hold the energy of a whole line.
    """

    rate_bpm: FloatArray
    frequency_hz: FloatArray
    candidates: slice
    first_bin: int
    nfft: int
    line_bins: float

    def second_harmonic(self) -> NDArray[np.intp]:
        """Return ``(h,)`` the place in ``frequency_hz`` of each candidate's second harmonic."""
        place = np.arange(self.candidates.start, self.candidates.stop)
        return self.first_bin + 2 * place


def rate_axis(signals: WindowedSignals, *, nfft: int = NFFT) -> RateAxis:
    """Return the rate axis at the signals' working rate; ``nfft`` grows with long windows."""
    nfft = max(nfft, fft.next_fast_len(2 * signals.width, real=True))
    bin_bpm = 60.0 * signals.fs_hz / nfft
    lowest, low = (int(np.ceil(bpm / bin_bpm - 1e-6)) for bpm in (DRIFT_BPM, MIN_HR_BPM))
    high = int(np.floor(MAX_HR_BPM / bin_bpm + 1e-6))
    bins = np.arange(lowest, 2 * high + 2, dtype=np.float64)
    candidates = slice(low - lowest, high - lowest + 1)
    return RateAxis(
        rate_bpm=np.asarray(bin_bpm * bins[candidates]),
        frequency_hz=np.asarray(bin_bpm / 60.0 * bins),
        candidates=candidates,
        first_bin=lowest,
        nfft=nfft,
        line_bins=HANN_NOISE_BINS * nfft / signals.width,
    )


def window_spectra(windows: FloatArray, axis: RateAxis) -> ComplexArray:
    """Return complex Hann spectra ``(w, f, k)`` of ``windows (w, width, k)``, trend removed."""
    width = windows.shape[1]
    taper = signal.get_window("hann", width, fftbins=False)
    ramp = np.linspace(-1.0, 1.0, width)
    ramp /= np.sqrt(ramp @ ramp)
    level = np.array(np.moveaxis(windows, 1, 2), order="C")  # a copy, of a single column too
    level -= level.mean(axis=2, keepdims=True)
    level -= (level @ ramp)[..., np.newaxis] * ramp
    bins = slice(axis.first_bin, axis.first_bin + axis.frequency_hz.size)
    return np.asarray(np.moveaxis(fft.rfft(level * taper, axis.nfft)[..., bins], 2, 1))


def power(spectra: ComplexArray) -> FloatArray:
    """Return the squared magnitude."""
    return np.asarray(spectra.real**2 + spectra.imag**2)
