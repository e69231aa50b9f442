"""How a window repeats itself: normalised autocorrelation and the period it shows.

The autocorrelation is summed over columns, so no rotation of a sensor's axes changes it,
and normalised by the energies of the two overlapping parts, so 1 is an exact repeat
whatever the amplitude does between windows. A pattern repeats at every multiple of its
period; the shortest lag whose peak comes near the highest is the period (own rule).
"""

from __future__ import annotations

import numpy as np
from scipy import fft

from palpate.conditioning.spectra import vertex_shift
from palpate.conditioning.statistics import ratio
from palpate.signals import FloatArray


def self_similarity(windows: FloatArray, *, max_lag: int) -> FloatArray:
    """Return the correlation of each window with itself at lags ``0..max_lag`` samples.

    Parameters
    ----------
    windows
        ``(n_windows, width, columns)``, finite; each column's mean is removed.
    max_lag
        At most ``width``.

    Returns
    -------
    FloatArray
        ``(n_windows, max_lag + 1)`` in -1..1; 0 where one of the parts holds no signal.
    """
    centred = windows - windows.mean(axis=1, keepdims=True)
    width = centred.shape[1]
    size = fft.next_fast_len(width + max_lag + 1, real=True)
    spectrum = fft.rfft(centred, size, axis=1)
    power = (spectrum.real**2 + spectrum.imag**2).sum(axis=2)
    raw = fft.irfft(power, size, axis=1)[:, : max_lag + 1]
    energy = np.zeros((centred.shape[0], width + 1))
    np.cumsum((centred**2).sum(axis=2), axis=1, out=energy[:, 1:])
    lags = np.arange(max_lag + 1)
    total = energy[:, -1:]
    scale = np.sqrt(energy[:, width - lags] * np.maximum(total - energy[:, lags], 0.0))
    floor = np.finfo(np.float64).eps * total
    return ratio(raw, np.where(scale > floor, scale, 0.0), undefined=0.0)


def shortest_period(
    similarity: FloatArray, *, shortest: int, near_best: float
) -> tuple[FloatArray, FloatArray]:
    """Return the period in samples and the similarity at it, each ``(n_windows,)``.

    Parameters
    ----------
    similarity
        As from ``self_similarity``.
    shortest
        Smallest lag that may be a period, at least 1.
    near_best
        A shorter lag wins if its peak reaches this share of the highest peak.

    Returns
    -------
    period
        Refined by a parabola; NaN where no lag peaks above 0.
    height
        0 where no lag peaks above 0.
    """
    inner = similarity[:, shortest:-1]
    if inner.shape[1] == 0:
        return np.full(len(similarity), np.nan), np.zeros(len(similarity))
    peak = (inner >= similarity[:, shortest - 1 : -2]) & (inner > similarity[:, shortest + 1 :])
    height = np.where(peak, inner, 0.0)
    best = height.max(axis=1, initial=0.0)
    lag = np.argmax(height >= near_best * best[:, np.newaxis], axis=1) + shortest
    found = best > 0
    left, at_lag, right = (similarity[np.arange(lag.size), lag + d] for d in (-1, 0, 1))
    period = np.where(found, lag + vertex_shift(left, at_lag, right), np.nan)
    return period, np.where(found, np.clip(at_lag, 0.0, 1.0), 0.0)
