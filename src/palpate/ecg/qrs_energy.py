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

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import linalg, ndimage, signal

from palpate.signals import BoolArray, FloatArray, IntArray

REFRACTORY_S = 0.2
"""No rate is above 300 bpm."""

_WORK_HZ = 125.0  # the energy of a QRS complex ends near 40 Hz
_LOWPASS_HZ = 45.0
_BANDS_HZ = ((8.0, 30.0), (20.0, 40.0))
_BAND_GAIN = (5.0, 1.0)  # at equal clarity the lower band leads: it sees ectopic beats
_KERNEL_S = 0.16  # one and a bit periods of the lowest frequency
_SMOOTH_S = 0.12  # a normal QRS complex lasts at most 0.12 s
_APART_S = 0.1  # what is closer is one complex
_BLOCK_S = 1.5  # holds a beat at 40 bpm
_BLOCKS = 5  # median of 7.5 s: two noisy or empty blocks do not move it
_TYPICAL = 25.0  # percentile of the levels, since noise only ever adds
_LOUD = 75.0  # ... and silence, as of a lead that is off, may last half the record
_SILENCE = 0.1  # below a tenth of the loud level nothing is a QRS complex
_ROUNDING = 1e-9  # below this share of the signal's own size, energy is rounding error
_MINUTE = 41  # blocks of 1.5 s
_PAUSE = 0.3  # a level under a third of the minute's is that of a pause, not of beats
_NOISE_CLARITY = 1.5  # smoothed noise reaches this by itself
_MAX_CLARITY = 20.0
_HEARD = 0.4  # a block whose summit stays below this is one the lead has dropped
_LOWEST = 0.8  # strength is hardly raised, or a pause would be heard
_ROW = 16  # samples, as many as a kernel spans: a product with little that is wasted
_ROWS = 1024  # at once, so that they stay in the processor's cache
_FLOOR_STRIDE = 10  # every tenth sample is enough for the median of a smooth curve


@dataclass(frozen=True, slots=True)
class Grid:
    """The time grid that detection works on: ``n`` samples at ``rate_hz = fs_hz / factor``."""

    n: int
    factor: int
    rate_hz: float

    def samples(self, seconds: float) -> int:
        """Return a duration in whole samples, at least one."""
        return max(1, round(seconds * self.rate_hz))

    def blocks(self, values: FloatArray) -> FloatArray:
        """Return ``values (n,)`` as whole blocks ``(b, width)``; a rest is left out."""
        width = min(self.samples(_BLOCK_S), self.n)
        return values[: self.n // width * width].reshape(-1, width)

    def per_sample(self, per_block: FloatArray, at: IntArray | None = None) -> FloatArray:
        """Interpolate block values linearly to every sample, or to the samples ``at``."""
        width = min(self.samples(_BLOCK_S), self.n)
        if at is not None:
            return np.interp(at, (np.arange(per_block.size) + 0.5) * width, per_block)
        corners = np.pad(per_block, (1, 2), mode="edge")
        ramp = (np.arange(width) + 0.5) / width
        values = np.stack((corners[:-1], corners[1:]), axis=1) @ np.stack((1.0 - ramp, ramp))
        return values.ravel()[width // 2 : width // 2 + self.n]


@dataclass(frozen=True, slots=True, eq=False)
class LeadEnergy:
    """What one lead says; ``weight`` says per block how far to follow it among leads."""

    working: FloatArray
    strength: FloatArray
    clarity: FloatArray
    weight: FloatArray


def working_grid(n_samples: int, fs_hz: float) -> Grid:
    """Return the grid near 125 Hz that keeps every ``factor``-th sample."""
    factor = max(1, round(fs_hz / _WORK_HZ))
    return Grid(-(-n_samples // factor), factor, fs_hz / factor)


def row_medians(rows: FloatArray) -> FloatArray:
    """Return the median of each short row ``(n, width)``, in a third of ``np.median``'s time."""
    ordered, width = np.sort(rows, axis=1), rows.shape[1]
    return np.asarray(0.5 * (ordered[:, (width - 1) // 2] + ordered[:, width // 2]))


def rounding_energy(working: FloatArray) -> float:
    """Return the energy below which a filtered lead is rounding error."""
    return float((_ROUNDING * max(working.max(), -working.min())) ** 2)


def lead_energy(lead: FloatArray, grid: Grid) -> LeadEnergy:
    """Return the low-passed lead and its QRS energy from a finite lead ``(n_samples,)``."""
    working = low_passed(lead, grid)
    rounding = rounding_energy(working)
    energies = _band_energies(working, grid)
    measures = [level_and_clarity(energy, grid, rounding) for energy in energies]
    weights = np.array(
        [
            gain * np.maximum(clarity - _NOISE_CLARITY, 0.01) ** 4
            for gain, (_, clarity) in zip(_BAND_GAIN, measures, strict=True)
        ]
    )
    weights /= weights.sum(axis=0)
    for energy, weight, (level, _) in zip(energies, weights, measures, strict=True):
        np.multiply(energy, grid.per_sample(weight / level), out=energy)
    power = energies[0]
    power += energies[1]
    clarity = np.sum(weights * [clarity for _, clarity in measures], axis=0)
    strength, peak = _relative(np.sqrt(power, out=power), grid)
    heard = np.clip(peak / _HEARD, 0.01, 1.0) ** 4
    weight = heard * np.maximum(clarity - _NOISE_CLARITY, 0.01)
    return LeadEnergy(working, strength, clarity, weight)


def fused_strength(leads: list[LeadEnergy], grid: Grid) -> FloatArray:
    """Return the strength of all leads together, ``(n,)``.

    Powers add with weights that go with the square of the clarity (maximal-ratio combining;
    Brennan 1959, Proc IRE 47:1075).
    """
    if len(leads) == 1:
        return leads[0].strength
    total = np.sum([lead.weight**2 for lead in leads], axis=0)
    power = np.zeros(grid.n)
    for lead in leads:
        power += lead.strength**2 * grid.per_sample(lead.weight**2 / total)
    return _relative(np.sqrt(power, out=power), grid)[0]


def summits(strength: FloatArray, grid: Grid, *, above: float) -> tuple[IntArray, BoolArray]:
    """Return the samples of all summits, and which are highest in the refractory period.

    The others are in the shadow of a higher one, before or after it.
    """
    inner = strength[1:-1]
    top = (inner > strength[:-2]) & (inner >= strength[2:]) & (inner > above)
    at = np.flatnonzero(top) + 1
    at = at[~_overtopped(at, strength, grid.samples(_APART_S))]
    return at, ~_overtopped(at, strength, grid.samples(REFRACTORY_S))


def _overtopped(at: IntArray, strength: FloatArray, reach: int) -> BoolArray:
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


def _relative(strength: FloatArray, grid: Grid) -> tuple[FloatArray, FloatArray]:
    """Return the strength over its own level, and the summit of each block in that unit."""
    summit = grid.blocks(strength).max(axis=1)
    level = np.maximum(ndimage.median_filter(summit, _BLOCKS), _LOWEST)
    return np.divide(strength, grid.per_sample(level), out=strength), summit / level


def low_passed(lead: FloatArray, grid: Grid) -> FloatArray:
    """Return a finite lead ``(n_samples,)`` on the grid, from zero and without aliases."""
    kernel = _low_pass_kernel(grid.factor, grid.rate_hz * grid.factor)
    working = np.asarray(signal.upfirdn(kernel, lead, down=grid.factor))[1 : 1 + grid.n]
    working[:1], working[-1:] = working[1], working[-2]  # where the kernel hangs over the edge
    working -= working[0]
    return working


def _band_energies(working: FloatArray, grid: Grid) -> FloatArray:
    """Return the energy in each band, smoothed over the length of a QRS complex, ``(2, n)``.

    Filtering is a product of matrices here, which takes two thirds of a correlation's time:
    each row of results depends on one row of samples, overlapping the next.
    """
    taps = 2 * grid.samples(_KERNEL_S / 2) + 1
    padded = np.pad(working, (taps // 2, taps // 2 + -grid.n % _ROW), mode="edge")
    rows = sliding_window_view(padded, taps - 1 + _ROW)[::_ROW]
    kernels = [_shifted_kernels(taps, *band_hz, grid.rate_hz) for band_hz in _BANDS_HZ]
    energies = np.empty((len(kernels), len(rows), _ROW))
    for start in range(0, len(rows), _ROWS):
        some = np.ascontiguousarray(rows[start : start + _ROWS])
        for kernel, energy in zip(kernels, energies, strict=True):
            np.square(some @ kernel, out=energy[start : start + _ROWS])
    energies = energies.reshape(len(kernels), -1)[:, : grid.n]
    ndimage.uniform_filter1d(energies, grid.samples(_SMOOTH_S) | 1, output=energies)
    return np.asarray(np.maximum(energies, 0.0, out=energies))


@cache
def _low_pass_kernel(half: int, fs_hz: float) -> FloatArray:
    cutoff_hz = min(_LOWPASS_HZ, 0.45 * fs_hz)
    return np.asarray(signal.firwin(2 * half + 1, cutoff_hz, fs=fs_hz))


@cache
def _shifted_kernels(taps: int, low_hz: float, high_hz: float, rate_hz: float) -> FloatArray:
    """Return the matrix that filters a row of samples, ``(taps - 1 + _ROW, _ROW)``."""
    edges_hz = (low_hz, min(high_hz, 0.45 * rate_hz))
    kernel = signal.firwin(taps, edges_hz, pass_zero=False, fs=rate_hz)
    kernel -= kernel.mean()  # a constant must leave nothing
    return np.asarray(linalg.toeplitz(np.pad(kernel, (0, _ROW - 1)), np.zeros(_ROW)))


def level_and_clarity(
    energy: FloatArray, grid: Grid, rounding: float
) -> tuple[FloatArray, FloatArray]:
    """Return the level of QRS complexes and its clarity per block from an energy ``(n,)``.

    Energy below ``rounding`` is nothing. The level is in the unit of ``energy`` and never
    zero; the clarity is a ratio of amplitudes.
    """
    blocks = grid.blocks(energy)
    level = ndimage.median_filter(blocks.max(axis=1), _BLOCKS)
    floor = ndimage.median_filter(row_medians(blocks[:, ::_FLOOR_STRIDE]), _BLOCKS)
    heard = level[level > rounding]
    if heard.size == 0:
        return np.ones(level.size), np.zeros(level.size)
    typical, loud = np.percentile(heard, (_TYPICAL, _LOUD))
    clarity = np.sqrt(np.minimum(level, typical) / np.maximum(floor, 1e-9 * typical))
    around = ndimage.percentile_filter(level, _TYPICAL, _MINUTE)
    level = np.maximum(level, np.maximum(_PAUSE**2 * around, _SILENCE**2 * loud))
    return level, np.minimum(clarity, _MAX_CLARITY)
