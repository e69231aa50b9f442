"""The lines of windowed light: how far one rate stands out in each window's spectrum.

``oracle`` defines the measures; here they are taken of spectra that are computed once and may
be asked at any rate.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from palpate.conditioning import power_spectra
from palpate.conditioning.statistics import ratio
from palpate.signals import BoolArray, FloatArray, IntArray

LOW_HZ, HIGH_HZ = 0.5, 5.0
HARMONICS = (2, 3)
CANDIDATE_BPM = np.arange(30.0, 231.0)
"""The rates that the toolkit reads."""
LINE_HALF_WIDTH, LOBE_HALF_WIDTH = 1.5, 2.0
"""In units of 1 / T: where a steady or slowly drifting line has its power, and where the
main lobe of a Hann taper ends, so that the line does not count as its own noise."""
NEAR_HALF_WIDTH, FLANK_HZ = 1.0, 0.75
SPECTRUM_PADDING = 4
ROUNDING = 1e-9
MEDIAN_OF_EXPONENTIAL = float(np.log(2.0))
"""Median over mean of a noise spectrum's bins, which are exponentially distributed."""
WINDOWS_AT_ONCE = 256
"""Keeps the working set in cache and a day-long record in bounded memory."""


@dataclass(frozen=True, slots=True, eq=False)
class LineSpectra:
    """Power in band ``(n_windows, f, channels)`` at ``freq_hz (f,)``; NaN where it is unknown.

    ``resolution_hz`` is 1 / T. The measures take one rate per window, ``hr_bpm (n_windows,)``,
    and are NaN where it is.
    """

    freq_hz: FloatArray
    power: FloatArray
    resolution_hz: float

    @classmethod
    def of(cls, windows: FloatArray, *, fs_hz: float) -> LineSpectra:
        """Take the spectra of ``windows (n_windows, width, channels)``, NaN where one is."""
        width = windows.shape[1]
        nfft, parts = SPECTRUM_PADDING * width, []
        for part in portions(windows.shape[0]):
            freq_hz, power = power_spectra(windows[part], fs_hz=fs_hz, nfft=nfft)
            band = (freq_hz >= LOW_HZ) & (freq_hz <= HIGH_HZ)
            parts.append(power[:, band])
        return cls(freq_hz[band], np.concatenate(parts), fs_hz / width)

    def of_channel(self, channel: IntArray) -> LineSpectra:
        """Return one channel of each window, ``(n_windows, f, 1)``."""
        own = np.take_along_axis(self.power, channel[:, np.newaxis, np.newaxis], axis=2)
        return replace(self, power=own)

    def snr_db(self, hr_bpm: FloatArray) -> FloatArray:
        """Return the line's density over that of the rest, ``(n_windows, channels)``."""
        return self._in_portions(_snr, hr_bpm)

    def prominence_db(self, hr_bpm: FloatArray) -> FloatArray:
        """Return the line's density over that of its surroundings, ``(n_windows, channels)``."""
        return self._in_portions(_prominence, hr_bpm)

    def chance(self, hr_bpm: FloatArray) -> FloatArray:
        """Return the share of candidate rates with as much power, ``(n_windows, channels)``."""
        return self._in_portions(_chance, hr_bpm)

    def _in_portions(self, measure: Measure, hr_bpm: FloatArray) -> FloatArray:
        own = partial(measure, self.freq_hz, self.resolution_hz)
        parts = [own(self.power[p], hr_bpm[p, np.newaxis] / 60.0) for p in portions(hr_bpm.size)]
        return np.concatenate(parts)


Measure = Callable[[FloatArray, float, FloatArray, FloatArray], FloatArray]


def portions(n_windows: int) -> list[slice]:
    """Return slices of at most `WINDOWS_AT_ONCE` windows; one that is empty without any."""
    return [slice(i, i + WINDOWS_AT_ONCE) for i in range(0, n_windows or 1, WINDOWS_AT_ONCE)]


def _snr(
    freq_hz: FloatArray, resolution_hz: float, power: FloatArray, rate_hz: FloatArray
) -> FloatArray:
    rest = np.all(
        [np.abs(freq_hz - h * rate_hz) > LOBE_HALF_WIDTH * resolution_hz for h in (1, *HARMONICS)],
        axis=0,
    )
    line = _mean_where(power, np.abs(freq_hz - rate_hz) <= LINE_HALF_WIDTH * resolution_hz)
    return _decibels(ratio(line, _mean_where(power, rest)))


def _prominence(
    freq_hz: FloatArray, resolution_hz: float, power: FloatArray, rate_hz: FloatArray
) -> FloatArray:
    away_hz, reach_hz = np.abs(freq_hz - rate_hz), NEAR_HALF_WIDTH * resolution_hz
    flank = (away_hz > 2.0 * reach_hz) & (away_hz <= FLANK_HZ)
    floor = _median_where(power, flank) / MEDIAN_OF_EXPONENTIAL
    return _decibels(ratio(_mean_where(power, away_hz <= reach_hz), floor))


def _chance(
    freq_hz: FloatArray, resolution_hz: float, power: FloatArray, rate_hz: FloatArray
) -> FloatArray:
    reach_hz = NEAR_HALF_WIDTH * resolution_hz
    near = np.abs(freq_hz - CANDIDATE_BPM[:, np.newaxis] / 60.0) <= reach_hz
    everywhere = (near / near.sum(axis=1, keepdims=True)) @ power
    there = _mean_where(power, np.abs(freq_hz - rate_hz) <= reach_hz)
    share = (everywhere >= (1.0 - ROUNDING) * there[:, np.newaxis]).mean(axis=1)
    return np.where(np.isnan(there), np.nan, share)


def _decibels(values: FloatArray) -> FloatArray:
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(values))


def _mean_where(power: FloatArray, mask: BoolArray) -> FloatArray:
    count = mask.sum(axis=1).astype(np.float64)[:, np.newaxis]
    return ratio(np.einsum("wfc,wf->wc", power, mask.astype(np.float64)), count)


def _median_where(power: FloatArray, mask: BoolArray) -> FloatArray:
    """Return the median of the masked bins, ``(n_windows, channels)``; NaN without any."""
    ordered = np.sort(np.where(mask[:, :, np.newaxis], power, np.inf), axis=1)
    count = mask.sum(axis=1)
    rows = np.arange(count.size)
    middle = 0.5 * (ordered[rows, np.maximum(count - 1, 0) // 2] + ordered[rows, count // 2])
    return np.asarray(np.where(count[:, np.newaxis] > 0, middle, np.nan))
