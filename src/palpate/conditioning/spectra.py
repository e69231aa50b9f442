"""Windowed spectra, how evenly they spread, and where between bins their peaks lie."""

from __future__ import annotations

import numpy as np
from scipy import fft, signal, special

from palpate.conditioning.statistics import ratio
from palpate.signals import FloatArray, IntArray

HANN_NOISE_BINS = 1.5
"""Equivalent noise bandwidth of the Hann taper in bins of an unpadded spectrum (Harris 1978,
Proc IEEE 66:51, Table I): the power of a line is its peak times this many bins."""


def power_spectra(
    windows: FloatArray, *, fs_hz: float, nfft: int | None = None, taper: str = "hann"
) -> tuple[FloatArray, FloatArray]:
    """Return frequencies ``(f,)`` in Hz and one-sided power per window ``(n_windows, f, ...)``.

    Parameters
    ----------
    windows
        ``(n_windows, width)`` or ``(n_windows, width, k)``; each window's mean is
        removed; must be finite.
    nfft
        FFT length, at least ``width``; longer only interpolates the spectrum.
    taper
        A ``scipy.signal.get_window`` name.

    Notes
    -----
    A sine of amplitude ``a`` at a bin centre has the peak power ``a**2 / 2``. All bins but 0 Hz
    and the Nyquist frequency stand for their negative frequencies too.
    """
    width = windows.shape[1]
    nfft = width if nfft is None else max(nfft, width)
    weights = signal.get_window(taper, width)
    weights = weights / weights.sum()
    shape = (1, width) + (1,) * (windows.ndim - 2)
    tapered = (windows - windows.mean(axis=1, keepdims=True)) * weights.reshape(shape)
    power = np.abs(fft.rfft(tapered, nfft, axis=1)) ** 2
    power[:, 1 : (nfft + 1) // 2] *= 2.0
    return np.asarray(fft.rfftfreq(nfft, 1.0 / fs_hz)), power


def normalised_entropy(power: FloatArray) -> FloatArray:
    """Return how evenly the power of each row ``(n_windows, bins)`` spreads: 0 one bin, 1 flat.

    Shannon entropy of the bins' shares over that of equal shares; NaN of a row without power,
    and of fewer than two bins.
    """
    if power.shape[1] < 2:
        return np.full(power.shape[0], np.nan)
    share = ratio(power, power.sum(axis=1, keepdims=True))
    return np.asarray(special.entr(share).sum(axis=1) / np.log(power.shape[1]))


def parabolic_peak(power: FloatArray, peak: IntArray) -> FloatArray:
    """Refine peak bins ``(n,)`` of ``power (n, f)`` to fractions of a bin.

    A parabola through the logarithms of the peak and its neighbours, exact for a
    Gaussian line (Smith & Serra 1987, ICMC).
    """
    rows = np.arange(power.shape[0])
    inner = np.clip(peak, 1, power.shape[1] - 2)
    tiny = np.finfo(np.float64).tiny
    shift = vertex_shift(*(np.log(np.maximum(power[rows, inner + d], tiny)) for d in (-1, 0, 1)))
    return np.where(inner == peak, peak + shift, peak.astype(np.float64))


def vertex_shift(left: FloatArray, peak: FloatArray, right: FloatArray) -> FloatArray:
    """Return how far from ``peak`` the parabola through three neighbours has its summit.

    Each is ``(n,)``, one step apart; the shift is in steps, -0.5 to 0.5, and 0 where the
    three have no summit.
    """
    bend = left - 2.0 * peak + right
    shift = np.zeros(bend.shape)
    np.divide(0.5 * (left - right), bend, out=shift, where=bend < 0)
    return np.clip(shift, -0.5, 0.5)
