"""QRS detection by QRS-band energy against its neighbourhood, looking both ways in time."""

from __future__ import annotations

import numpy as np
from scipy import ndimage, signal

from palpate.conditioning import zero_phase
from palpate.signals import FloatArray, IntArray

_WORK_HZ = 125.0
_BAND_HZ = (8.0, 30.0)


def slope_beats(leads: FloatArray, *, fs_hz: float) -> IntArray:
    """Return QRS sample indices of finite ``leads (n, k)``."""
    factor = max(1, round(fs_hz / _WORK_HZ))
    rate = fs_hz / factor
    n_samples = leads.shape[0]
    if n_samples < fs_hz:
        return np.zeros(0, dtype=np.intp)
    if factor > 1:
        kernel = signal.firwin(4 * factor + 1, 1.0 / factor)
        leads = signal.upfirdn(kernel, leads, down=factor, axis=0)[2:]
        leads = leads[: -(-n_samples // factor)]
    band = zero_phase(leads, fs_hz=rate, low_hz=_BAND_HZ[0], high_hz=_BAND_HZ[1])
    spread = np.sqrt(np.mean(band**2, axis=0))
    power = np.mean((band / np.where(spread > 0, spread, 1.0)) ** 2, axis=1)
    width = round(0.12 * rate) | 1
    energy = np.sqrt(np.maximum(ndimage.uniform_filter1d(power, width), 0.0))
    crest = ndimage.maximum_filter1d(energy, 2 * round(0.2 * rate) + 1)
    candidate = np.flatnonzero((energy == crest) & (energy > 1e-6))
    block = round(1.5 * rate)
    peaks = energy[: energy.size // block * block].reshape(-1, block)
    if candidate.size == 0 or peaks.size == 0:
        return np.zeros(0, dtype=np.intp)
    level = ndimage.median_filter(peaks.max(axis=1), 9)
    middle = (np.arange(level.size) + 0.5) * block
    score = energy[candidate] / np.maximum(np.interp(candidate, middle, level), 1e-12)
    found = candidate[score > 0.4]
    rr = np.diff(found)
    if rr.size:
        late = np.flatnonzero(rr > 1.5 * ndimage.median_filter(rr, 9))
        missed = []
        for gap in late:
            low, high = found[gap] + 0.25 * rate, found[gap + 1] - 0.25 * rate
            inside = np.flatnonzero((candidate > low) & (candidate < high) & (score > 0.2))
            if inside.size:
                missed.append(candidate[inside[np.argmax(score[inside])]])
        found = np.sort(np.concatenate((found, np.array(missed, dtype=np.intp))))
    return np.asarray(found * factor, dtype=np.intp)
