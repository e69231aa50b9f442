"""QRS detection by the stationary wavelet transform, with thresholds and search-back.

A QRS complex is steep at several scales in the same place; noise and T waves are not. The
product of two neighbouring scales of the stationary wavelet transform keeps what both show
(multiscale products: Sadler & Swami 1999, IEEE Trans Inf Theory 45:1043; wavelet scales of
the QRS complex: Li, Zheng & Tai 1995, IEEE Trans Biomed Eng 42:21). Decisions are classical:
a threshold under the local level, a T-wave rule, and a second look with a lower threshold
where a beat is overdue (Pan & Tompkins 1985, IEEE Trans Biomed Eng 32:230).

What it shares with ``palpate.ecg.slope`` and what not
------------------------------------------------------
* Shared: the low-passed working grid, how the level of beats and its clarity are taken from an
  energy, which summit of a refractory period leads (``qrs_energy``), and where in a complex
  the mark is placed (``qrs_marks``).
* Its own: the energy, and every decision: no shapes, and no rhythm but for what is overdue.
* Their errors are not independent. On 29 records of the MIT-BIH Arrhythmia Database, first
  lead, ``slope`` misses 50 beats and this detector 43 of them (0.3 if they erred independently
  within each record); of 47 extra detections of ``slope`` 33 are here too (0.3). That lies
  mostly in the records: sleepecg, of which nothing is used here, shares 39 and 33
  (``python scripts/benchmark_detectors.py --data FOLDER --fast``). So where the two agree they
  may err together, as any two detectors may.

Deviations from the papers
--------------------------
* Smoothed energies multiply, not signed maxima, so that either polarity and any shape counts.
* The level is the median over blocks on both sides, not a running estimate of the past.
* Leads are summed after division by their level, each by its squared clarity.
"""

from __future__ import annotations

import numpy as np
import pywt
from scipy import ndimage

from palpate.ecg.qrs_energy import (
    Grid,
    level_and_clarity,
    low_passed,
    summits,
    working_grid,
)
from palpate.ecg.qrs_marks import placed
from palpate.signals import FloatArray, IntArray

_WAVELET = "db2"  # short, so that it does not smear a QRS complex into its T wave
_SCALES = 3  # at 125 Hz the second and third hold 16 to 31 and 8 to 16 Hz
_EARLY = 1  # samples: pywt's filters answer early, the smoothed energy a little late
_SMOOTH_S = (0.08, 0.06)  # energies first, then their product
_SHORTEST_S = 1.0
_THRESHOLD = 0.35
_OVERDUE = 1.6  # local RR intervals; a compensatory pause ends before two
_OVERDUE_THRESHOLD = 0.18
_RR_INTERVALS = 9
_T_WAVE_S = 0.36
_T_WAVE_RATIO = 0.5
_CLOSEST_S = 0.25  # an overdue beat leaves this much room to the next


def wavelet_beats(leads: FloatArray, *, fs_hz: float) -> IntArray:
    """Return QRS sample indices of finite ``leads (n, k)``."""
    if leads.shape[0] < _SHORTEST_S * fs_hz:
        return np.zeros(0, dtype=np.intp)
    grid = working_grid(leads.shape[0], fs_hz)
    working = [low_passed(lead, grid) for lead in leads.T]
    strength = _strength(working, grid)
    found, leading = summits(strength, grid, above=_OVERDUE_THRESHOLD)
    found = found[leading]
    height = strength[found]
    time_s = found / grid.rate_hz
    beats = _without_t_waves(np.flatnonzero(height > _THRESHOLD), time_s, height)
    beats = np.union1d(beats, _overdue(beats, time_s, height))
    return placed(working[0], found[beats], leads[:, 0], grid)


def _strength(working: list[FloatArray], grid: Grid) -> FloatArray:
    """Return the product of two scales, 1 at a typical QRS complex, ``(n,)``."""
    energies = [_scale_product(lead, grid) for lead in working]
    measures = [level_and_clarity(energy, grid) for energy in energies]
    weights = np.array([np.maximum(clarity, 1e-3) ** 2 for _, clarity in measures])
    weights /= weights.sum(axis=0)
    for energy, weight, (level, _) in zip(energies, weights, measures, strict=True):
        np.multiply(energy, grid.per_sample(weight / level), out=energy)
    return np.asarray(np.sqrt(np.sum(energies, axis=0)))


def _scale_product(working: FloatArray, grid: Grid) -> FloatArray:
    """Return the geometric mean of the smoothed energies of two scales, ``(n,)``."""
    padded = np.pad(working, (0, -working.size % 2**_SCALES), mode="edge")
    _, coarse, fine, _ = pywt.swt(padded, _WAVELET, level=_SCALES, trim_approx=True, norm=True)
    first, second = (grid.samples(seconds) | 1 for seconds in _SMOOTH_S)
    coarse, fine = (
        np.maximum(ndimage.uniform_filter1d(scale**2, first), 0.0)[: grid.n]
        for scale in (coarse, fine)
    )
    product = ndimage.uniform_filter1d(np.sqrt(coarse * fine), second)
    product = np.concatenate((product[:_EARLY], product[:-_EARLY]))
    return np.asarray(np.maximum(product, 0.0, out=product))


def _without_t_waves(beats: IntArray, time_s: FloatArray, height: FloatArray) -> IntArray:
    """Leave out what comes soon after a beat at less than half its height."""
    soon = np.diff(time_s[beats]) < _T_WAVE_S
    small = height[beats[1:]] < _T_WAVE_RATIO * height[beats[:-1]]
    return beats[~np.concatenate(([False], soon & small))[: beats.size]]


def _overdue(beats: IntArray, time_s: FloatArray, height: FloatArray) -> IntArray:
    """Return the highest lower summit of every pause too long for the rhythm around it."""
    rr_s = np.diff(time_s[beats])
    if rr_s.size == 0:
        return np.zeros(0, dtype=np.intp)
    late = np.flatnonzero(rr_s > _OVERDUE * ndimage.median_filter(rr_s, _RR_INTERVALS))
    taken: list[int] = []
    for before, after in zip(beats[late], beats[late + 1], strict=True):
        inside = np.arange(before + 1, after)
        room = (time_s[inside] > time_s[before] + _T_WAVE_S) & (
            time_s[inside] < time_s[after] - _CLOSEST_S
        )
        if room.any():
            taken.append(int(inside[room][height[inside[room]].argmax()]))
    return np.array(taken, dtype=np.intp)
