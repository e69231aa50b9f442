"""Find the systolic peak of every pulse.

Methods
-------
``"msptd"`` (default)
    Multi-scale peak detection: Bishop & Ercole 2018, Acta Neurochir Suppl 126:189, after
    Scholkmann, Boss & Wolf 2012, Algorithms 5:588. A sample is a peak if it exceeds its
    neighbours at every distance up to the scale at which most samples do. Only order
    matters, so neither gain nor a spike reaches further than the scale.
``"elgendi"``
    Two moving averages of the squared, clipped signal: Elgendi, Norton, Brearley, Abbott
    & Schuurmans 2013, PLoS ONE 8:e76585, with its published constants.

Deviations from the papers
--------------------------
* Both run on the signal from ``preparation`` (0.4 to 8 Hz, unit local scale).
* ``msptd``: at 32 Hz in windows of 8 s that overlap by half, each judging its central
  half; scales end at 1 s (30 bpm), as in the authors' followers (Charlton et al. 2024,
  'MSPTDfast', from memory); outside the record and in gaps nothing is higher, so pulses
  next to the record's ends are found.
* ``elgendi``: the offset is a share of the running rather than the whole record's mean.
* Peaks are placed between samples by a parabola at the full rate, and of two peaks
  closer than ``REFRACTORY_S`` the lower is dropped.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from palpate.conditioning import resample, window_samples
from palpate.conditioning.gaps import runs
from palpate.ppg.preparation import Prepared, prepare
from palpate.signals import BoolArray, FloatArray, IntArray
from palpate.validation import checked_choice, checked_rate, checked_signal

METHODS = ("msptd", "elgendi")
REFRACTORY_S = 0.26
"""230 beats per minute, the fastest rate that the toolkit reads."""

SCALE_FS_HZ = 32.0
SCALE_WINDOW_S = 8.0
LONGEST_SCALE_S = 1.0

PEAK_WINDOW_S = 0.111
BEAT_WINDOW_S = 0.667
OFFSET = 0.02


def detect_pulses(ppg: FloatArray, *, fs_hz: float, method: str = "msptd") -> FloatArray:
    """Return the times of systolic peaks in seconds from the first sample, ``(n_pulses,)``.

    Parameters
    ----------
    ppg
        ``(n,)`` one optical channel whose pulses point up; NaN marks missing samples.
    fs_hz
        Samples per second.
    method
        One of ``METHODS``.
    """
    checked_choice(method, METHODS, "method")
    fs_hz = checked_rate(fs_hz)
    return pulse_times(prepare(checked_signal(ppg, "ppg"), fs_hz=fs_hz), fs_hz=fs_hz, method=method)


def pulse_times(prepared: Prepared, *, fs_hz: float, method: str = "msptd") -> FloatArray:
    """Return the peak times in a channel that is already prepared, ``(n_pulses,)`` seconds."""
    signal = prepared.normalised()
    if signal.size < 3:
        return np.empty(0)
    find = _multiscale_peaks if method == "msptd" else _block_peaks
    peaks = find(signal, prepared.missing, fs_hz)
    peaks = peaks[(peaks > 0) & (peaks < signal.size - 1)]
    peaks = peaks[~prepared.missing[peaks]]
    peaks = _far_enough(peaks, signal[peaks], REFRACTORY_S * fs_hz)
    return _vertex(signal, peaks) / fs_hz


def _multiscale_peaks(signal: FloatArray, missing: BoolArray, fs_hz: float) -> IntArray:
    slow = resample(np.where(missing, np.nan, signal), fs_hz=fs_hz, to_hz=SCALE_FS_HZ)
    width = round(SCALE_WINDOW_S * SCALE_FS_HZ)
    quarter = width // 4
    # The first and the last window judge the record's ends, so pad by what they give away.
    slow = np.where(np.isfinite(slow), slow, -np.inf)
    tail = width - slow.size % (width // 2)
    padded = np.pad(slow, (quarter, tail + quarter), constant_values=-np.inf)
    first, _ = window_samples(
        padded.size, fs_hz=SCALE_FS_HZ, window_s=SCALE_WINDOW_S, step_s=SCALE_WINDOW_S / 2
    )
    windows = padded[first[:, np.newaxis] + np.arange(width)]
    central = np.zeros(windows.shape, dtype=np.bool_)
    central[:, quarter:-quarter] = True
    row, column = np.nonzero(maxima_at_all_scales(windows) & central)
    coarse = (first[row] + column - quarter) / SCALE_FS_HZ
    return _highest_near(signal, coarse * fs_hz, fs_hz / SCALE_FS_HZ)


def maxima_at_all_scales(windows: FloatArray) -> BoolArray:
    """Return the peaks of each row of ``windows (n_windows, width)`` at ``SCALE_FS_HZ``.

    A peak exceeds its neighbours at every distance up to that row's scale: the one at
    which most samples exceed theirs. ``-inf`` marks what was not measured.
    """
    n_scales = min(round(LONGEST_SCALE_S * SCALE_FS_HZ), (windows.shape[1] - 1) // 2)
    counts = np.stack([_maxima(windows, k).sum(axis=1) for k in range(1, n_scales + 1)], axis=1)
    best = counts.argmax(axis=1)[:, np.newaxis]
    peaks = np.isfinite(windows)
    for k in range(1, n_scales + 1):
        needed = best >= k - 1
        # Within k samples of a window's ends only one neighbour exists to be compared.
        peaks[:, k:] &= ~needed | (windows[:, k:] > windows[:, :-k])
        peaks[:, :-k] &= ~needed | (windows[:, :-k] > windows[:, k:])
    return peaks


def _maxima(windows: FloatArray, scale: int) -> BoolArray:
    centre = windows[:, scale:-scale]
    return np.asarray(
        (centre > windows[:, : -2 * scale]) & (centre > windows[:, 2 * scale :]), dtype=np.bool_
    )


def _block_peaks(signal: FloatArray, missing: BoolArray, fs_hz: float) -> IntArray:
    energy = np.where(missing, 0.0, np.maximum(signal, 0.0)) ** 2
    peak_width = max(round(PEAK_WINDOW_S * fs_hz), 1)
    peak_mean = ndimage.uniform_filter1d(energy, peak_width)
    beat_mean = ndimage.uniform_filter1d(energy, max(round(BEAT_WINDOW_S * fs_hz), 1))
    running = ndimage.uniform_filter1d(energy, max(round(SCALE_WINDOW_S * fs_hz), 1))
    first, end = runs(peak_mean > beat_mean + OFFSET * running)
    wide = end - first >= peak_width
    return np.array(
        [a + int(np.argmax(signal[a:b])) for a, b in zip(first[wide], end[wide], strict=True)],
        dtype=np.intp,
    )


def _highest_near(signal: FloatArray, at: FloatArray, reach: float) -> IntArray:
    """Return the highest sample within ``reach`` samples of each position."""
    span = np.arange(-int(np.ceil(reach)), int(np.ceil(reach)) + 1)
    index = np.clip(np.round(at).astype(np.intp)[:, np.newaxis] + span, 0, signal.size - 1)
    best = signal[index].argmax(axis=1)
    return np.asarray(index[np.arange(best.size), best], dtype=np.intp)


def _far_enough(peaks: IntArray, height: FloatArray, distance: float) -> IntArray:
    """Drop the lower of two neighbours closer than ``distance``, the closest pair first."""
    while peaks.size > 1 and np.any(close := np.diff(peaks) < distance):
        left = np.flatnonzero(close)
        left = left[np.concatenate(([True], np.diff(left) > 1))]  # no peak in two pairs at once
        lower = np.where(height[left] < height[left + 1], left, left + 1)
        peaks, height = np.delete(peaks, lower), np.delete(height, lower)
    return peaks


def _vertex(signal: FloatArray, peaks: IntArray) -> FloatArray:
    left, mid, right = (signal[peaks + d] for d in (-1, 0, 1))
    curve = left - 2.0 * mid + right
    shift = np.where(curve < 0, 0.5 * (left - right) / np.where(curve < 0, curve, -1.0), 0.0)
    return np.asarray(peaks + np.clip(shift, -0.5, 0.5))
