"""The arm's dominant cadence and how periodic its motion is.

Method
------
The autocorrelation of the acceleration vector, summed over axes, and the shortest lag
whose peak comes near the highest (``conditioning.periodicity``). At the wrist that is the
arm's swing, often half the step rate. Autocorrelation of trunk acceleration for cadence:
Moe-Nilssen & Helbostad 2004, J Biomech 37:121; the choice of the period and the
strongest line are our own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.conditioning import parabolic_peak
from palpate.conditioning.periodicity import self_similarity, shortest_period
from palpate.motion.intensity import LOW_HZ, SPLIT_HZ
from palpate.signals import FloatArray

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
    similarity = self_similarity(windows_g, max_lag=_longest_lag(windows_g.shape[1], fs_hz) + 1)
    shortest = max(round(SHORTEST_PERIOD_S * fs_hz), 1)
    period, periodicity = shortest_period(similarity, shortest=shortest, near_best=NEAR_BEST)
    per_min = np.where(periodicity > MIN_PERIODICITY, 60.0 * fs_hz / period, np.nan)
    return Cadence(per_min, periodicity, _strongest_line(freq_hz, power))


def _longest_lag(width: int, fs_hz: float) -> int:
    return int(min(LONGEST_PERIOD_S * fs_hz, width / MIN_CYCLES))


def _strongest_line(freq_hz: FloatArray, power: FloatArray) -> FloatArray:
    inside = np.flatnonzero((freq_hz >= LOW_HZ) & (freq_hz <= SPLIT_HZ))
    peak = inside[np.argmax(power[:, inside], axis=1)]
    line_per_min = 60.0 * parabolic_peak(power, peak) * freq_hz[1]
    return np.where(power[:, inside].max(axis=1) > 0, line_per_min, np.nan)
