"""The arm's dominant cadence and how periodic its motion is.

Method
------
The autocorrelation of the acceleration vector (summed over axes, so no rotation of the
sensor changes it), normalised by the energies of the two overlapping parts. The period
is the shortest lag whose peak comes within ``NEAR_BEST`` of the highest: a pattern
repeats at every multiple of its period, and the shortest is the cadence. At the wrist
that is the arm's swing, often half the step rate. Autocorrelation of trunk acceleration
for cadence: Moe-Nilssen & Helbostad 2004, J Biomech 37:121. Normalisation, the choice
of the period and the strongest line are our own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from palpate.conditioning import parabolic_peak
from palpate.conditioning.statistics import ratio
from palpate.motion.intensity import LOW_HZ, SPLIT_HZ
from palpate.signals import FloatArray, IntArray

SHORTEST_PERIOD_S = 0.25
LONGEST_PERIOD_S = 3.0
MIN_CYCLES = 2.5
"""Cycles that a window must hold before a period counts (own choice)."""
NEAR_BEST = 0.85
"""A shorter period wins if its peak reaches this share of the highest (own choice)."""
MIN_PERIODICITY = 0.3
"""Below, band-limited noise of 8 s reaches the same by chance: cadence is undefined."""


@dataclass(frozen=True, slots=True, eq=False)
class Cadence:
    """Per window ``(n_windows,)``.

    ``per_min`` repeats of the whole movement per minute, NaN where it hardly repeats;
    ``periodicity`` correlation of the movement with itself one period later, 0..1;
    ``line_per_min`` the strongest single line of its spectrum (a harmonic of the cadence,
    such as the step rate, may carry the most power), NaN without motion.
    """

    per_min: FloatArray
    periodicity: FloatArray
    line_per_min: FloatArray


def cadence(
    windows_g: FloatArray, freq_hz: FloatArray, power: FloatArray, *, fs_hz: float
) -> Cadence:
    """Measure cadence in ``windows_g (n_windows, width, axes)`` and its spectrum.

    ``freq_hz``, ``power`` as from ``motion_spectrum`` of the same windows.
    """
    correlation = self_similarity(windows_g, max_lag=_longest_lag(windows_g.shape[1], fs_hz) + 2)
    shortest = max(round(SHORTEST_PERIOD_S * fs_hz), 2)
    inner = correlation[:, shortest:-1]
    rising = inner >= correlation[:, shortest - 1 : -2]
    peak = rising & (inner > correlation[:, shortest + 1 :])
    height = np.where(peak, inner, 0.0)
    best = height.max(axis=1, initial=0.0)
    repeats = best > MIN_PERIODICITY
    lag = np.argmax(height >= NEAR_BEST * best[:, np.newaxis], axis=1) + shortest
    rows = np.arange(lag.size)
    period_s = (lag + _vertex_shift(correlation, lag)) / fs_hz
    per_min = np.where(repeats, 60.0 / period_s, np.nan)
    periodicity = np.where(best > 0, np.clip(correlation[rows, lag], 0.0, 1.0), 0.0)
    return Cadence(per_min, periodicity, _strongest_line(freq_hz, power))


def self_similarity(windows_g: FloatArray, *, max_lag: int) -> FloatArray:
    """Return the correlation of each window with itself at lags ``0..max_lag`` samples.

    ``(n_windows, max_lag + 1)`` in -1..1; 0 where one of the parts holds no motion.
    """
    centred = windows_g - windows_g.mean(axis=1, keepdims=True)
    width = centred.shape[1]
    size = fft.next_fast_len(width + max_lag + 1, real=True)
    spectrum = fft.rfft(centred, size, axis=1)
    raw = fft.irfft((np.abs(spectrum) ** 2).sum(axis=2), size, axis=1)[:, : max_lag + 1]
    energy = np.zeros((centred.shape[0], width + 1))
    np.cumsum((centred**2).sum(axis=2), axis=1, out=energy[:, 1:])
    lags = np.arange(max_lag + 1)
    total = energy[:, -1:]
    scale = np.sqrt(energy[:, width - lags] * np.maximum(total - energy[:, lags], 0.0))
    floor = np.finfo(np.float64).eps * total
    return ratio(raw, np.where(scale > floor, scale, 0.0), undefined=0.0)


def _longest_lag(width: int, fs_hz: float) -> int:
    return int(min(LONGEST_PERIOD_S * fs_hz, width / MIN_CYCLES))


def _vertex_shift(correlation: FloatArray, lag: IntArray) -> FloatArray:
    rows = np.arange(lag.size)
    left, mid, right = (correlation[rows, lag + d] for d in (-1, 0, 1))
    curve = left - 2.0 * mid + right
    return np.clip(ratio(0.5 * (right - left), -curve, undefined=0.0), -0.5, 0.5)


def _strongest_line(freq_hz: FloatArray, power: FloatArray) -> FloatArray:
    inside = np.flatnonzero((freq_hz >= LOW_HZ) & (freq_hz <= SPLIT_HZ))
    peak = inside[np.argmax(power[:, inside], axis=1)]
    line_per_min = 60.0 * parabolic_peak(power, peak) * freq_hz[1]
    return np.where(power[:, inside].max(axis=1) > 0, line_per_min, np.nan)
