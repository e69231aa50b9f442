"""How hard the arm moves: ENMO, MAD, jerk and band power.

Sources
-------
* ENMO, Euclidean norm minus one, negatives set to zero: van Hees et al. 2013, PLoS ONE
  8:e61691. Each sample is truncated first, the window's mean comes after.
* MAD, mean amplitude deviation: Vähä-Ypyä et al. 2015, PLoS ONE 10:e0134813.

Conventions
-----------
Jerk and band powers are read from the trace of the axes' cross-spectral matrix, so no
rotation of the sensor changes them, and up to ``HIGH_HZ`` only, so no sampling rate from
25 Hz up does.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning import HANN_NOISE_BINS, normalised_entropy, power_spectra
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_columns, checked_samples

LOW_HZ = 0.3
"""Below lies posture: gravity that turns (own choice; van Hees 2013 filters at 0.2 Hz)."""
SPLIT_HZ = 4.0
"""Above lies no heart rate (240 bpm), so only shaking and impacts (own choice)."""
HIGH_HZ = 10.0
"""What a 25 Hz sensor still carries below its anti-alias filter (own choice)."""


def magnitude_g(acc_g: FloatArray) -> FloatArray:
    """Return ``|a|`` per sample, ``(n,)``."""
    return np.asarray(np.sqrt(np.einsum("ij,ij->i", acc_g, acc_g)))


def enmo_g(acc_g: FloatArray) -> FloatArray:
    """Return ``max(|a| - 1 g, 0)`` per sample, ``(n,)``, from ``acc_g (n, 3)``."""
    return np.asarray(np.maximum(magnitude_g(checked_columns(acc_g, "acc_g")) - 1.0, 0.0))


def mad_g(magnitude_g: FloatArray) -> FloatArray:
    """Return the mean absolute deviation from its own mean of each row, ``(n_windows,)``.

    ``magnitude_g (n_windows, width)`` holds ``|a|``; non-finite samples do not count, and
    a row without any finite sample gives NaN.

    Raises
    ------
    InputError
        If these are no rows of samples.
    """
    magnitude_g = checked_samples(magnitude_g, "magnitude_g")
    if magnitude_g.ndim != 2:
        raise InputError(
            f"magnitude_g has shape {magnitude_g.shape}; it must be (n_windows, width)"
        )
    finite = np.isfinite(magnitude_g)
    if finite.all() and magnitude_g.size:
        centre = magnitude_g.mean(axis=1, keepdims=True)
        return np.asarray(np.abs(magnitude_g - centre).mean(axis=1))
    count = finite.sum(axis=1).astype(np.float64)
    count[count == 0] = np.nan
    centre = np.where(finite, magnitude_g, 0.0).sum(axis=1) / count
    deviation = np.where(finite, np.abs(magnitude_g - centre[:, np.newaxis]), 0.0)
    return np.asarray(deviation.sum(axis=1) / count)


def motion_spectrum(windows_g: FloatArray, *, fs_hz: float) -> tuple[FloatArray, FloatArray]:
    """Return frequencies ``(f,)`` and power per bin ``(n_windows, f)``, summed over axes.

    ``windows_g (n_windows, width, axes)``. The powers of a row add up to the mean square
    of its motion, ``g**2``.
    """
    freq_hz, power = power_spectra(windows_g, fs_hz=fs_hz)
    return freq_hz, power.sum(axis=2) / HANN_NOISE_BINS


def band_rms_g(
    freq_hz: FloatArray, power: FloatArray, *, low_hz: float, high_hz: float
) -> FloatArray:
    """Return the root mean square of the motion within ``[low_hz, high_hz)``, ``(n_windows,)``."""
    inside = (freq_hz >= low_hz) & (freq_hz < high_hz)
    return np.asarray(np.sqrt(power[:, inside].sum(axis=1)))


def jerk_g_per_s(freq_hz: FloatArray, power: FloatArray) -> FloatArray:
    """Return the root mean square of the acceleration's rate of change, ``(n_windows,)``."""
    inside = (freq_hz >= LOW_HZ) & (freq_hz < HIGH_HZ)
    gain = (2.0 * np.pi * freq_hz[inside]) ** 2
    return np.asarray(np.sqrt(power[:, inside] @ gain))


def spectral_entropy(freq_hz: FloatArray, power: FloatArray) -> FloatArray:
    """Return how evenly the motion spreads over ``LOW_HZ..HIGH_HZ``: 0 one line, 1 flat.

    NaN without power.
    """
    inside = (freq_hz >= LOW_HZ) & (freq_hz < HIGH_HZ)
    return normalised_entropy(power[:, inside])
