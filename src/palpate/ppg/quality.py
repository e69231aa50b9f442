"""Quality of the light in each window, with the source's definition.

=================== ==================================================================
perfusion index     100 · AC / DC, percent (common practice; Elgendi 2016, Bioengineering
                    3:21, names it a quality index). AC: median peak-to-peak of the
                    filtered light in 2 s pieces; DC: mean of the raw light
skewness            mean(((x − mean) / sd)³) of the filtered light (Elgendi 2016)
template correlation mean correlation of each pulse with the window's mean pulse
                    (Orphanidou et al. 2015, IEEE J Biomed Health Inform 19:832)
spectral peak ratio highest over median power in 0.5 to 4 Hz (own definition)
spectral entropy    Shannon entropy of the power in 0.5 to 4 Hz over its maximum: 0 is
                    one line, 1 flat
=================== ==================================================================

Deviation: Elgendi works on windows of 60 s of resting finger PPG; these are 8 s of
anything. In motion all of them describe the artefact as readily as the pulse.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning import normalised_entropy, parabolic_peak, power_spectra
from palpate.conditioning.statistics import ratio
from palpate.signals import FloatArray, IntArray

PULSE_LOW_HZ, PULSE_HIGH_HZ = 0.5, 4.0
"""Heart rates from 30 to 240 bpm."""
PIECE_S = 2.0
"""Holds a whole pulse from 30 bpm on."""
DC_OVER_SCATTER = 2.0
"""A record whose median is within so many standard deviations of zero had its DC removed."""
TEMPLATE_POINTS = 32
BEFORE_PEAK, AFTER_PEAK = 0.4, 0.6
"""A pulse reaches so many median intervals around its peak."""
MIN_PULSES = 3


def has_dc(raw: FloatArray) -> bool:
    """Say whether a channel still holds its level, which the perfusion index needs."""
    finite = raw[np.isfinite(raw)]
    return bool(finite.size and np.median(finite) > DC_OVER_SCATTER * finite.std())


def peak_to_peak(windows: FloatArray, *, fs_hz: float) -> FloatArray:
    """Return the median peak-to-peak of 2 s pieces of each window, ``(n_windows,)``."""
    n, width = windows.shape
    piece = min(round(PIECE_S * fs_hz), width)
    pieces = windows[:, : width - width % piece].reshape(n, -1, piece)
    return np.asarray(np.median(np.ptp(pieces, axis=2), axis=1))


def skewness(windows: FloatArray) -> FloatArray:
    """Return the third standardised moment of each row, ``(n_windows,)``; NaN if it is flat."""
    centred = windows - windows.mean(axis=1, keepdims=True)
    square = centred**2
    return ratio((square * centred).mean(axis=1), square.mean(axis=1) ** 1.5)


def spectral_shape(
    windows: FloatArray, *, fs_hz: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return peak ratio, entropy, and the peak's rate per minute, each ``(n_windows,)``."""
    freq_hz, power = power_spectra(windows, fs_hz=fs_hz, nfft=2 * windows.shape[1])
    inside = np.flatnonzero((freq_hz >= PULSE_LOW_HZ) & (freq_hz <= PULSE_HIGH_HZ))
    band = power[:, inside]
    peak_ratio = ratio(band.max(axis=1), np.median(band, axis=1))
    entropy = normalised_entropy(band)
    rate = 60.0 * parabolic_peak(power, inside[band.argmax(axis=1)]) * freq_hz[1]
    return peak_ratio, entropy, np.where(np.isnan(entropy), np.nan, rate)


def template_correlation(
    signal: FloatArray, pulse_s: FloatArray, *, fs_hz: float, first: IntArray, width: int
) -> FloatArray:
    """Return how alike the pulses of each window are, ``(n_windows,)``, -1..1.

    NaN where a window holds fewer than ``MIN_PULSES`` pulses.
    """
    result = np.full(first.size, np.nan)
    begin = np.searchsorted(pulse_s, first / fs_hz)
    end = np.searchsorted(pulse_s, (first + width) / fs_hz)
    enough = np.flatnonzero(end - begin >= MIN_PULSES)
    if enough.size == 0:
        return result
    counts = (end - begin)[enough]
    starts = np.cumsum(counts) - counts
    pulse = np.arange(counts.sum()) - np.repeat(starts - begin[enough], counts)
    period = np.repeat(_median_interval(pulse_s, begin[enough], end[enough]), counts)
    phase = np.linspace(-BEFORE_PEAK, AFTER_PEAK, TEMPLATE_POINTS)
    at = (pulse_s[pulse][:, np.newaxis] + phase * period[:, np.newaxis]) * fs_hz
    shape = _standardised(np.interp(at, np.arange(signal.size), signal))
    template = np.add.reduceat(shape, starts, axis=0)
    template = _standardised(template)
    correlation = (shape * np.repeat(template, counts, axis=0)).sum(axis=1)
    result[enough] = np.add.reduceat(correlation, starts) / counts
    return result


def _median_interval(pulse_s: FloatArray, begin: IntArray, end: IntArray) -> FloatArray:
    """Return the median time between the pulses ``begin..end`` of each window."""
    interval = np.diff(pulse_s)
    most = int((end - begin).max()) - 1
    index = begin[:, np.newaxis] + np.arange(most)
    inside = index < (end - 1)[:, np.newaxis]
    table = np.where(inside, interval[np.minimum(index, interval.size - 1)], np.nan)
    return np.asarray(np.nanmedian(table, axis=1))


def _standardised(rows: FloatArray) -> FloatArray:
    """Return rows of zero mean and unit length, so that dot products are correlations."""
    centred = rows - rows.mean(axis=1, keepdims=True)
    return ratio(centred, np.linalg.norm(centred, axis=1, keepdims=True), undefined=0.0)
