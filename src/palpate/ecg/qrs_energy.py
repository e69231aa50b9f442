"""QRS-band energy of one lead, in units of the QRS complexes around it.

The smoothed energy of the QRS band is the oldest QRS feature (Pan & Tompkins 1985, IEEE
Trans Biomed Eng 32:230). Here it is taken in two bands; each is divided by the level that
QRS complexes reach around it, and the two are added with weights that follow their clarity.

Conventions
-----------
* ``strength`` is 1 at a typical QRS complex of its neighbourhood.
* ``clarity`` is the QRS level over the floor between beats: above 10 in clean ECG, 2 to 3
  in noise.
* Level and clarity are per block of 1.5 s, long enough to hold a beat at 40 bpm.
* The lead is kept at about 125 Hz, its smooth energy at half of that and in single
  precision: one value for every two samples, at the time between them.

Deviations from Pan & Tompkins 1985
-----------------------------------
* 8 to 30 and 20 to 40 Hz instead of 5 to 15 Hz: T waves and electrode motion lie below;
  the upper band outlives electrode motion, the lower one sees wide ectopic complexes.
* Zero-phase filters, so that the energy peaks inside the complex, not after it.
* Levels are medians over blocks on both sides, not running estimates of the past, so that
  a burst of noise or a pause does not poison what follows.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TypeAlias

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import DTypeLike, NDArray
from scipy import linalg, ndimage, signal

from palpate.conditioning import vertex_shift
from palpate.signals import BoolArray, FloatArray, IntArray

REFRACTORY_S = 0.2
"""No rate is above 300 bpm."""

Samples: TypeAlias = NDArray[np.floating]
"""Of either precision. Energies are single: moving them through memory is what takes time."""

_WORK_HZ = 125.0  # the energy of a QRS complex ends near 40 Hz
_LOWPASS_HZ = 45.0
_BANDS_HZ = ((8.0, 30.0), (20.0, 40.0))
_BAND_GAIN = (5.0, 1.0)  # at equal clarity the lower band leads: it sees ectopic beats
_KERNEL_S = 0.16  # one and a bit periods of the lowest frequency
_SMOOTH_S = 0.12  # a normal QRS complex lasts at most 0.12 s
_APART_S = 0.1  # what is closer is one complex
_BLOCK_S = 1.5  # holds a beat at 40 bpm
_BLOCKS = 5  # median of 7.5 s: two noisy or empty blocks do not move it
_TYPICAL = 0.25  # quantile of the levels, since noise only ever adds
_LOUD = 0.75  # ... and silence, as of a lead that is off, may last half the record
_SILENCE = 0.1  # below a tenth of the loud level nothing is a QRS complex
_ROUNDING = 1e-18  # a lead whose largest excursion is 1 has no energy below
_MINUTE = 41  # blocks of 1.5 s
_PAUSE = 0.3  # a level under a third of the minute's is that of a pause, not of beats
_NOISE_CLARITY = 1.5  # smoothed noise reaches this by itself
_MAX_CLARITY = 20.0
_HEARD = 0.4  # a block whose summit stays below this is one the lead has dropped
_LOWEST = 0.8  # strength is hardly raised, or a pause would be heard
_ROW = 16  # samples, as many as a kernel spans: a product with little that is wasted
_ROWS = 1024  # at once, so that they stay in the processor's cache
_FLOOR_EVERY_S = 0.08  # enough for the median of a smooth curve


@dataclass(frozen=True, slots=True)
class Grid:
    """The time grid that detection works on: ``n`` samples at ``rate_hz = fs_hz / factor``."""

    n: int
    factor: int
    rate_hz: float

    def samples(self, seconds: float) -> int:
        """Return a duration in whole samples, at least one."""
        return max(1, round(seconds * self.rate_hz))

    def odd(self, seconds: float) -> int:
        """Return a duration in the nearest odd number of samples."""
        return 2 * round((seconds * self.rate_hz - 1.0) / 2.0) + 1

    def halved(self) -> Grid:
        """Return the grid that holds one value for every two samples."""
        return Grid((self.n + 1) // 2, 2 * self.factor, self.rate_hz / 2)

    def blocks(self, values: Samples) -> Samples:
        """Return ``values (n,)`` as whole blocks ``(b, width)``; a rest is left out."""
        width = min(self.samples(_BLOCK_S), self.n)
        return values[: self.n // width * width].reshape(-1, width)

    def at(self, index: IntArray, per_block: FloatArray) -> FloatArray:
        """Interpolate block values linearly to some samples."""
        width = min(self.samples(_BLOCK_S), self.n)
        return np.interp(index, (np.arange(per_block.size) + 0.5) * width, per_block)

    def per_sample(self, per_block: FloatArray, dtype: DTypeLike = np.float64) -> Samples:
        """Interpolate block values linearly to every sample."""
        width = min(self.samples(_BLOCK_S), self.n)
        corners = np.concatenate((per_block[:1], per_block, per_block[-1:], per_block[-1:]))
        ends = np.stack((corners[:-1], corners[1:]), axis=1, dtype=dtype)
        ramp = (np.arange(width) + 0.5) / width
        values = ends @ np.stack((1.0 - ramp, ramp), dtype=dtype)
        return np.asarray(values.ravel()[width // 2 : width // 2 + self.n])


@dataclass(frozen=True, slots=True, eq=False)
class LeadEnergy:
    """What one lead says.

    ``strength`` is on the halved grid; ``clarity`` and ``weight``, how far to follow it among
    leads, are per block.
    """

    working: FloatArray
    strength: Samples
    clarity: FloatArray
    weight: FloatArray


def working_grid(n_samples: int, fs_hz: float) -> Grid:
    """Return the grid near 125 Hz that keeps every ``factor``-th sample."""
    factor = max(1, round(fs_hz / _WORK_HZ))
    return Grid(-(-n_samples // factor), factor, fs_hz / factor)


def row_medians(rows: Samples) -> FloatArray:
    """Return the median of each short row ``(n, width)``, in a third of ``np.median``'s time."""
    ordered, width = np.sort(rows, axis=1), rows.shape[1]
    middle = ordered[:, [(width - 1) // 2, width // 2]]
    return np.asarray(middle.mean(axis=1, dtype=np.float64))


def lead_energy(lead: FloatArray, grid: Grid) -> LeadEnergy:
    """Return the low-passed lead and its QRS energy from a finite lead ``(n_samples,)``."""
    working = low_passed(lead, grid)
    energies, grid = _band_energies(working, grid), grid.halved()
    measures = [level_and_clarity(energy, grid) for energy in energies]
    weights = np.array(
        [
            gain * np.maximum(clarity - _NOISE_CLARITY, 0.01) ** 4
            for gain, (_, clarity) in zip(_BAND_GAIN, measures, strict=True)
        ]
    )
    weights /= weights.sum(axis=0)
    for energy, weight, (level, _) in zip(energies, weights, measures, strict=True):
        np.multiply(energy, grid.per_sample(weight / level, energy.dtype), out=energy)
    power = energies[0]
    power += energies[1]
    clarity = np.sum(weights * [clarity for _, clarity in measures], axis=0)
    strength, peak = _relative(np.sqrt(power, out=power), grid)
    heard = np.clip(peak / _HEARD, 0.01, 1.0) ** 4
    weight = heard * np.maximum(clarity - _NOISE_CLARITY, 0.01)
    return LeadEnergy(working, strength, clarity, weight)


def fused_strength(leads: list[LeadEnergy], grid: Grid) -> Samples:
    """Return the strength of all leads together, ``(n,)`` on their ``grid``.

    Powers add with weights that go with the square of the clarity (maximal-ratio combining;
    Brennan 1959, Proc IRE 47:1075).
    """
    if len(leads) == 1:
        return leads[0].strength
    total = np.sum([lead.weight**2 for lead in leads], axis=0)
    power = np.zeros(grid.n, leads[0].strength.dtype)
    for lead in leads:
        power += lead.strength**2 * grid.per_sample(lead.weight**2 / total, power.dtype)
    return _relative(np.sqrt(power, out=power), grid)[0]


def summits(strength: Samples, grid: Grid, *, above: float) -> tuple[IntArray, BoolArray]:
    """Return the samples of all summits, and which are highest in the refractory period.

    The others are in the shadow of a higher one, before or after it.
    """
    inner = strength[1:-1]
    top = (inner > strength[:-2]) & (inner >= strength[2:]) & (inner > above)
    at = np.flatnonzero(top) + 1
    at = at[~_overtopped(at, strength, grid.samples(_APART_S))]
    return at, ~_overtopped(at, strength, grid.samples(REFRACTORY_S))


def vertices(strength: Samples, at: IntArray) -> IntArray:
    """Return where summits of ``strength`` peak, in samples of the grid twice as fine."""
    shift = vertex_shift(*(strength[at + step].astype(np.float64) for step in (-1, 0, 1)))
    return np.round(2.0 * (at + shift) + 0.5).astype(np.intp)


def _overtopped(at: IntArray, strength: Samples, reach: int) -> BoolArray:
    """Return which summits have a higher one, or the slope of one, within ``reach`` samples."""
    height = strength[at]
    rim = strength[np.clip((at - reach, at + reach), 0, strength.size - 1)]
    hidden = rim.max(axis=0, initial=0.0) > height
    for step in range(1, reach):
        near = at[step:] - at[:-step] <= reach
        if not near.any():
            break
        hidden[:-step] |= near & (height[:-step] < height[step:])
        hidden[step:] |= near & (height[:-step] >= height[step:])
    return np.asarray(hidden)


def _relative(strength: Samples, grid: Grid) -> tuple[Samples, FloatArray]:
    """Return the strength over its own level, and the summit of each block in that unit."""
    summit = grid.blocks(strength).max(axis=1).astype(np.float64)
    level = np.maximum(ndimage.median_filter(summit, _BLOCKS), _LOWEST)
    strength /= grid.per_sample(level, strength.dtype)
    return strength, summit / level


def low_passed(lead: FloatArray, grid: Grid) -> FloatArray:
    """Return a finite lead ``(n_samples,)`` on the grid, without aliases.

    It starts from zero, and its largest excursion is 1.
    """
    kernel = _low_pass_kernel(grid.factor, grid.rate_hz * grid.factor)
    working = np.asarray(signal.upfirdn(kernel, lead, down=grid.factor))[1 : 1 + grid.n]
    working[:1], working[-1:] = working[1], working[-2]  # where the kernel hangs over the edge
    working -= working[0]
    working /= max(working.max(), -working.min()) or 1.0
    return working


def _band_energies(working: FloatArray, grid: Grid) -> Samples:
    """Return the energy in each band, smoothed over the length of a QRS complex.

    ``(2, n)`` on the halved grid. Filtering is a product of matrices here, which takes two
    thirds of a correlation's time: each row of results depends on one row of samples,
    overlapping the next. Each counts from its first sample, lest drift cost precision.
    """
    taps = 2 * grid.samples(_KERNEL_S / 2) + 1
    padded = np.pad(working, (taps // 2, taps // 2 + -grid.n % _ROW), mode="edge")
    rows = sliding_window_view(padded, taps - 1 + _ROW)[::_ROW]
    kernels = [_shifted_kernels(taps, *band_hz, grid.rate_hz) for band_hz in _BANDS_HZ]
    energies = np.empty((len(kernels), len(rows), _ROW // 2), np.float32)
    for start in range(0, len(rows), _ROWS):
        some = rows[start : start + _ROWS]
        some = (some - some[:, :1]).astype(np.float32)
        for (even, odd), energy in zip(kernels, energies, strict=True):
            pairs = np.square(some @ even, out=energy[start : start + _ROWS])
            pairs += np.square(some @ odd)
    coarse = grid.halved()
    energies = energies.reshape(len(kernels), -1)[:, : coarse.n]
    ndimage.uniform_filter1d(energies, coarse.odd(_SMOOTH_S), output=energies)
    return np.asarray(np.maximum(energies, 0.0, out=energies))


@cache
def _low_pass_kernel(half: int, fs_hz: float) -> FloatArray:
    cutoff_hz = min(_LOWPASS_HZ, 0.45 * fs_hz)
    return np.asarray(signal.firwin(2 * half + 1, cutoff_hz, fs=fs_hz))


@cache
def _shifted_kernels(
    taps: int, low_hz: float, high_hz: float, rate_hz: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the matrices ``(taps - 1 + _ROW, _ROW / 2)`` that filter a row of samples.

    One gives the even samples of the result, the other the odd ones.
    """
    edges_hz = (low_hz, min(high_hz, 0.45 * rate_hz))
    kernel = signal.firwin(taps, edges_hz, pass_zero=False, fs=rate_hz)
    kernel -= kernel.mean()  # a constant must leave nothing
    shifted = linalg.toeplitz(np.pad(kernel, (0, _ROW - 1)), np.zeros(_ROW)).astype(np.float32)
    return np.ascontiguousarray(shifted[:, ::2]), np.ascontiguousarray(shifted[:, 1::2])


def level_and_clarity(energy: Samples, grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Return the level of QRS complexes and its clarity per block from an energy ``(n,)``.

    The energy is that of a lead whose largest excursion is 1. The level is in the unit of the
    energy and never zero; the clarity is a ratio of amplitudes.
    """
    blocks = grid.blocks(energy)
    level = ndimage.median_filter(blocks.max(axis=1).astype(np.float64), _BLOCKS)
    floor = ndimage.median_filter(row_medians(blocks[:, :: grid.samples(_FLOOR_EVERY_S)]), _BLOCKS)
    heard = np.sort(level[level > _ROUNDING])
    if heard.size == 0:
        return np.ones(level.size), np.zeros(level.size)
    typical, loud = (heard[int(share * heard.size)] for share in (_TYPICAL, _LOUD))
    clarity = np.sqrt(np.minimum(level, typical) / np.maximum(floor, 1e-9 * typical))
    around = ndimage.percentile_filter(level, 100 * _TYPICAL, _MINUTE)
    level = np.maximum(level, np.maximum(_PAUSE**2 * around, _SILENCE**2 * loud))
    return level, np.minimum(clarity, _MAX_CLARITY)
