"""Find the systolic peak of every pulse.

Method
------
Two moving averages of the squared positive half of the light, one as wide as a systolic
peak and one as wide as a beat; where the narrow one is higher there is a pulse, and its
systolic peak is the highest sample: Elgendi, Norton, Brearley, Abbott & Schuurmans 2013,
PLoS ONE 8:e76585.

``"elgendi"``
    The published widths, 111 and 667 ms.
``"adaptive"`` (default)
    Both widths shrink with the local period of the light where that is shorter than
    667 ms. The published widths miss pulses of alternating height above 150 bpm, and
    nothing else changes.

Deviations from the paper
-------------------------
* The signal comes from ``preparation`` (0.4 to 8 Hz, unit local scale), so that a spike
  or a gain change does not decide about pulses elsewhere.
* The offset is a share of the running 8 s mean, not of the whole record's.
* Blocks are found at 64 Hz whatever the sensor's rate; peaks are placed at the sensor's
  rate, and between its samples by a parabola. Of two peaks closer than ``REFRACTORY_S``
  the lower is dropped.
"""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from palpate.conditioning import resample, runs, vertex_shift, window_samples, windowed
from palpate.conditioning.periodicity import self_similarity, shortest_period
from palpate.ppg.preparation import Prepared, prepare
from palpate.signals import FloatArray, IntArray
from palpate.validation import checked_choice, checked_rate, checked_signal

METHODS = ("adaptive", "elgendi")
REFRACTORY_S = 0.26
"""230 beats per minute, the fastest rate that the toolkit reads."""
BEAT_S = 0.667
PEAKS_PER_BEAT = 6.0
"""667 over 111 ms, the paper's widths."""
OFFSET = 0.02
OFFSET_MEAN_S = 8.0

BLOCK_FS_HZ = 64.0
"""The light holds nothing above 8 Hz; blocks are found at this rate, whatever the sensor's."""
PERIOD_STRIDE = 2
PERIOD_WINDOW_S = 8.0
PERIOD_STEP_S = 2.0
NEAR_BEST = 0.7
"""Pulses of alternating height repeat best every second beat; the beat itself still
reaches this share (own choice)."""


def detect_pulses(ppg: FloatArray, *, fs_hz: float, method: str = "adaptive") -> FloatArray:
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
    fs_hz = checked_rate(fs_hz)
    return pulse_times(prepare(checked_signal(ppg, "ppg"), fs_hz=fs_hz), fs_hz=fs_hz, method=method)


def pulse_times(prepared: Prepared, *, fs_hz: float, method: str = "adaptive") -> FloatArray:
    """Return the peak times in a channel that is already prepared, ``(n_pulses,)`` seconds."""
    checked_choice(method, METHODS, "method")
    signal = prepared.normalised()
    if signal.size < 3:
        return np.empty(0)
    slow = resample(np.where(prepared.missing, 0.0, signal), fs_hz=fs_hz, to_hz=BLOCK_FS_HZ)
    beat_s = np.full(slow.size, BEAT_S)
    if method == "adaptive":
        beat_s = np.minimum(_local_period_s(slow), BEAT_S)
    coarse = np.asarray(_block_peaks(slow, beat_s * BLOCK_FS_HZ) * (fs_hz / BLOCK_FS_HZ))
    peaks = _highest_near(signal, coarse, reach=int(np.ceil(fs_hz / BLOCK_FS_HZ)))
    peaks = peaks[(peaks > 0) & (peaks < signal.size - 1)]
    peaks = peaks[~prepared.missing[peaks]]
    at = peaks + vertex_shift(*(signal[peaks + d] for d in (-1, 0, 1)))
    return _far_enough(at, signal[peaks], REFRACTORY_S * fs_hz) / fs_hz


def _local_period_s(slow: FloatArray) -> FloatArray:
    """Return the dominant period around every sample of the light at ``BLOCK_FS_HZ``, ``(n,)``."""
    light = slow[::PERIOD_STRIDE]
    fs_hz = BLOCK_FS_HZ / PERIOD_STRIDE
    first, width = window_samples(
        light.size, fs_hz=fs_hz, window_s=PERIOD_WINDOW_S, step_s=PERIOD_STEP_S
    )
    if first.size == 0:
        return np.full(slow.size, BEAT_S)
    similarity = self_similarity(
        windowed(light, first, width)[:, :, np.newaxis], max_lag=round(2 * BEAT_S * fs_hz)
    )
    period, _ = shortest_period(similarity, shortest=int(REFRACTORY_S * fs_hz), near_best=NEAR_BEST)
    period_s = np.where(np.isnan(period), BEAT_S, period / fs_hz)
    centre = (first + width / 2.0) * PERIOD_STRIDE
    return np.asarray(np.interp(np.arange(slow.size), centre, period_s))


def _block_peaks(signal: FloatArray, beat: FloatArray) -> IntArray:
    """Return the highest sample of each block; ``beat (n,)`` is the beat's width in samples."""
    energy = np.maximum(signal, 0.0) ** 2
    narrow = beat / PEAKS_PER_BEAT
    offset = OFFSET * ndimage.uniform_filter1d(energy, round(OFFSET_MEAN_S * BLOCK_FS_HZ))
    first, end = runs(_mean_around(energy, narrow) > _mean_around(energy, beat) + offset)
    wide = end - first >= np.round(narrow[first])
    return np.array(
        [a + int(signal[a:b].argmax()) for a, b in zip(first[wide], end[wide], strict=True)],
        dtype=np.intp,
    )


def _highest_near(signal: FloatArray, at: FloatArray, *, reach: int) -> IntArray:
    """Return the highest sample within ``reach`` samples of each position."""
    index = np.round(at).astype(np.intp)[:, np.newaxis] + np.arange(-reach, reach + 1)
    index = np.clip(index, 0, signal.size - 1)
    best = signal[index].argmax(axis=1)
    return np.asarray(index[np.arange(best.size), best], dtype=np.intp)


def _mean_around(values: FloatArray, width: FloatArray) -> FloatArray:
    """Return the mean over ``width (n,)`` samples around each sample, ``(n,)``.

    Widths are rounded to odd numbers; at the ends the mean is over the samples there are.
    """
    running = np.concatenate(([0.0], np.cumsum(values)))
    half = np.round((width - 1.0) / 2.0).astype(np.intp)
    index = np.arange(values.size)
    left, right = np.maximum(index - half, 0), np.minimum(index + half + 1, values.size)
    return np.asarray((running[right] - running[left]) / (right - left))


def _far_enough(peaks: FloatArray, height: FloatArray, distance: float) -> FloatArray:
    """Drop the lower of two neighbours closer than ``distance``, the closest pair first."""
    while peaks.size > 1 and np.any((apart := np.diff(peaks)) < distance):
        before, after = (
            np.concatenate(ends) for ends in (([np.inf], apart[:-1]), (apart[1:], [np.inf]))
        )
        closest = (apart < before) & (apart <= after)  # than the pairs it shares a peak with
        left = np.flatnonzero(closest & (apart < distance))
        lower = np.where(height[left] < height[left + 1], left, left + 1)
        peaks, height = np.delete(peaks, lower), np.delete(height, lower)
    return peaks
