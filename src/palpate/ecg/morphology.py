"""Where the signal looks like the record's own QRS complex.

Every sample's surroundings are correlated with the median complex of the marks nearby: a
matched filter that learns its shape from the record (matched filtering of the QRS complex:
Kohler, Hennig & Orglmeister 2002, "The principles of software QRS detection", IEEE Eng Med
Biol 21:42). The median ignores marks that sit on noise as long as they are the minority.

Conventions
-----------
* Resemblance runs from 0, nothing alike, to 1, the same shape at half the usual size or more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from palpate.conditioning import bridge_gaps, vertex_shift, zero_phase
from palpate.conditioning.statistics import ratio
from palpate.ecg.agreement import MATCH_S
from palpate.signals import FloatArray, IntArray

_WORK_HZ = 125.0
_BAND_HZ = (5.0, 30.0)  # the QRS complex without wander, T wave and most muscle noise
_HALF_S = 0.06  # a normal QRS complex lasts at most 0.12 s
_MARKS = 31
_BLOCK_S = 5.0
_SMALL = 0.5  # of the usual size: what is smaller resembles less, such as a T wave
_MIN_RESEMBLANCE = 0.15
_ALIGN_RESEMBLANCE = 0.5  # half way from nothing alike to the same

ALIGN_S = 0.024
"""How far a mark may sit from the common point of its complex: R to S in a narrow one."""


@dataclass(frozen=True, slots=True, eq=False)
class Resemblance:
    """Resemblance ``(n,)`` to the local median complex at ``fs_hz``."""

    values: FloatArray
    fs_hz: float

    def peaks_s(self) -> FloatArray:
        """Return the times of local maxima that resemble a complex at all."""
        around = ndimage.maximum_filter1d(self.values, 2 * round(MATCH_S * self.fs_hz) + 1)
        peak = (self.values == around) & (self.values > _MIN_RESEMBLANCE)
        return np.flatnonzero(peak) / self.fs_hz

    def near(self, time_s: FloatArray) -> FloatArray:
        """Return the highest resemblance close to each time."""
        reach = round(0.5 * MATCH_S * self.fs_hz)
        highest = ndimage.maximum_filter1d(self.values, 2 * reach + 1)
        index = np.round(time_s * self.fs_hz).astype(np.intp)
        return np.asarray(highest[np.clip(index, 0, highest.size - 1)])

    def aligned(self, time_s: FloatArray) -> FloatArray:
        """Move each time to where the complex around it fits the median one best.

        At most by ``ALIGN_S``, to a fraction of a sample by a parabola; what resembles
        nothing there stays where it is.
        """
        reach = round(ALIGN_S * self.fs_hz)
        index = np.round(time_s * self.fs_hz).astype(np.intp)
        padded = np.pad(self.values, reach + 1)
        around = padded[index[:, np.newaxis] + np.arange(2 * reach + 3)]
        best = 1 + around[:, 1:-1].argmax(axis=1)
        rows = np.arange(index.size)
        left, top, right = (around[rows, best + d] for d in (-1, 0, 1))
        summit = (top > left) & (top >= right) & (top > _ALIGN_RESEMBLANCE)
        moved = (index + best - reach - 1 + vertex_shift(left, top, right)) / self.fs_hz
        return np.where(summit, moved, time_s)


def resemblance_to_beats(leads: FloatArray, marks_s: FloatArray, *, fs_hz: float) -> Resemblance:
    """Compare every moment of ``leads (n, k)`` with the complexes marked nearby.

    Parameters
    ----------
    leads
        ``(n, k)``; non-finite samples are missing. Each lead counts by how alike its own
        complexes are nearby, so that one that is off, or holds noise, leaves the word to the
        others. Where no lead is measured, nothing resembles.
    marks_s
        Sorted marks, most of them complexes, seconds from the first sample.
    """
    filled, missing = bridge_gaps(leads)
    band = zero_phase(filled, fs_hz=fs_hz, low_hz=_BAND_HZ[0], high_hz=_BAND_HZ[1])
    step = max(1, round(fs_hz / _WORK_HZ))
    band, missing, rate = band[::step], missing[::step], fs_hz / step
    marks = np.round(marks_s * rate).astype(np.intp)
    total, weights = np.zeros(len(band)), np.zeros(len(band))
    for lead, absent in zip(band.T, missing.T, strict=True):
        score, weight = _match(lead, marks, rate)
        weight[absent] = 0.0
        total += weight * score
        weights += weight
    return Resemblance(np.maximum(ratio(total, weights, undefined=0.0), 0.0), rate)


def _match(band: FloatArray, marks: IntArray, rate: float) -> tuple[FloatArray, FloatArray]:
    """Return the normalised correlation of ``band (n,)`` with the median complex nearby.

    And its weight: the square of how well the complexes nearby match it themselves.
    """
    half = max(2, round(_HALF_S * rate))
    width = 2 * half + 1
    marks = marks[(marks >= half) & (marks < band.size - half)]
    score, weight = np.zeros(band.size), np.zeros(band.size)
    if marks.size == 0:
        return score, weight
    shapes = band[marks[:, np.newaxis] + np.arange(-half, half + 1)]
    norm = np.linalg.norm(shapes, axis=1)
    shapes = ratio(shapes, norm[:, np.newaxis], undefined=0.0)
    energy = ndimage.uniform_filter1d(band**2, width) * width
    # Running sums cannot tell energies below rounding from zero.
    rounding = np.finfo(np.float64).eps * band.size * energy.max(initial=0.0)
    size = np.sqrt(np.where(energy > rounding, energy, np.inf))
    block = round(_BLOCK_S * rate)
    for begin in range(0, band.size, block):
        end = min(begin + block, band.size)
        middle = int(np.searchsorted(marks, (begin + end) // 2))
        from_mark = min(max(middle - _MARKS // 2, 0), max(marks.size - _MARKS, 0))
        nearby = slice(from_mark, from_mark + _MARKS)
        shape = np.median(shapes[nearby], axis=0)
        length = float(np.linalg.norm(shape))
        if length > 0:
            low, high = max(begin - half, 0), min(end + half, band.size)
            product = np.correlate(band[low:high], shape / length, "same")[begin - low : end - low]
            least = _SMALL * np.median(norm[nearby])
            score[begin:end] = product / np.maximum(size[begin:end], least)
            alike = np.median(shapes[nearby] @ shape) / length
            weight[begin:end] = max(float(alike), 0.0) ** 2
    weight[energy <= rounding] = 0.0
    return score, weight
