"""Building blocks of synthetic signals: seeded streams, shaped noise, events on a grid.

Every component of a session draws from its own random stream, named after what it
does, so that adding a fault to a session leaves everything else as it was.
"""

from __future__ import annotations

import zlib

import numpy as np
from scipy import signal

from palpate.conditioning.filters import butterworth
from palpate.signals import FloatArray

REACH_WIDTHS = 4.5  # where a Gaussian has fallen to 4e-5


def stream(seed: int, *names: str) -> np.random.Generator:
    """Return the random stream of one component, the same for the same seed and names."""
    return np.random.default_rng([seed, *(zlib.crc32(name.encode()) for name in names)])


def band_noise(
    rng: np.random.Generator, size: int, *, fs_hz: float, low_hz: float, high_hz: float
) -> FloatArray:
    """Return Gaussian noise ``(size,)`` of unit RMS between two -3 dB edges in Hz."""
    if size == 0:
        return np.zeros(0)
    top = high_hz if high_hz < 0.499 * fs_hz else None
    lead_in = round(2.0 * fs_hz / low_hz)
    sections = butterworth(fs_hz, low_hz, top, 2)
    noise = np.asarray(signal.sosfilt(sections, rng.standard_normal(size + lead_in)))[lead_in:]
    return np.asarray(noise / np.sqrt(np.mean(noise**2)))


def wander(rng: np.random.Generator, size: int, *, step_s: float, time_s: float) -> FloatArray:
    """Return a first-order random walk that forgets over ``time_s``, unit SD, ``(size,)``."""
    keep = np.exp(-step_s / time_s)
    kicks = np.sqrt(1.0 - keep**2) * rng.standard_normal(size)
    start = [keep * rng.standard_normal()]
    return np.asarray(signal.lfilter([1.0], [1.0, -keep], kicks, zi=start)[0])


def gate(time_s: FloatArray, start_s: float, end_s: float, *, ramp_s: float = 0.5) -> FloatArray:
    """Return 1 inside ``[start_s, end_s)``, 0 outside, with linear ramps inside the interval."""
    rise = (time_s - start_s) / ramp_s
    fall = (end_s - time_s) / ramp_s
    return np.clip(np.minimum(rise, fall), 0.0, 1.0)


def gaussian_train(
    center_s: FloatArray,
    height: FloatArray,
    width_s: FloatArray,
    *,
    fs_hz: float,
    size: int,
) -> FloatArray:
    """Sum one Gaussian per event onto a uniform grid that starts at 0 s, ``(size,)``.

    ``center_s``, ``height`` and ``width_s`` (standard deviation) are ``(events,)``;
    events need not lie on the grid.
    """
    if center_s.size == 0:
        return np.zeros(size)
    reach = int(np.ceil(REACH_WIDTHS * float(width_s.max()) * fs_hz))
    index = np.round(center_s * fs_hz).astype(np.intp)[:, np.newaxis] + np.arange(-reach, reach + 1)
    place = (index / fs_hz - center_s[:, np.newaxis]) / width_s[:, np.newaxis]
    values = height[:, np.newaxis] * np.exp(-0.5 * place**2)
    inside = (index >= 0) & (index < size)
    total = np.bincount(index[inside], weights=values[inside], minlength=size)
    return total.astype(np.float64, copy=False)
