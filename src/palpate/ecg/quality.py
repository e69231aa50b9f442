"""How good the ECG is in each window, before any beat is looked for.

Every measure but the shares is a ratio to the window's own QRS amplitude, so that units
and gain drop out: 1 means *as large as the QRS complexes*.

=================== ==================================================================
``lead``            column of the input that the row describes: the quietest usable one
``missing_share``   samples that are not finite
``flat_share``      samples without any change around them: electrode off, cable out
``clipped_share``   samples that rest at a rail of the recording
``qrs_amplitude``   peak-to-peak in the QRS band, unit of the input
``baseline_ratio``  peak-to-peak of the wander below 0.5 Hz
``mains_ratio``     amplitude of the 50 or 60 Hz line, whichever is larger
``muscle_ratio``    standard deviation between complexes, 20 to 45 Hz
``motion_ratio``    standard deviation between complexes inside the QRS band: what
                    electrode motion leaves, and no filter can take out
``kurtosis``        fourth standardised moment (kSQI; above 5 in clean ECG,
                    Li, Mark & Clifford 2008, Physiol Meas 29:15)
=================== ==================================================================

The noise kinds are those of the Noise Stress Test Database (Moody, Muldrow & Mark 1984,
Computers in Cardiology 11:381): baseline wander, muscle artefact, electrode motion.

Conventions
-----------
* NaN where a measure has nothing to stand on: no finite sample, no amplitude, a rate too
  low for the band.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import ndimage

from palpate.conditioning import (
    STEP_S,
    WINDOW_S,
    SignalWindows,
    bridge_gaps,
    power_spectra,
    windowed,
    zero_phase,
)
from palpate.conditioning.rails import at_rail
from palpate.conditioning.statistics import MAD_TO_SD, ratio
from palpate.signals import BoolArray, FloatArray, IntArray, WindowTable
from palpate.validation import checked_columns, checked_rate

MEASURES = (
    "missing_share",
    "flat_share",
    "clipped_share",
    "qrs_amplitude",
    "baseline_ratio",
    "mains_ratio",
    "muscle_ratio",
    "motion_ratio",
    "kurtosis",
)

# Half a second missing or a second flat in a window of eight may hide a cycle. Complexes
# with cut tops can be counted, so a rail must hold more than the complexes' own share.
SIGNAL_LIMITS: Mapping[str, float] = MappingProxyType(
    {"missing_share": 0.06, "flat_share": 0.12, "clipped_share": 0.25}
)

# Gaussian noise of standard deviation s spans about 6 s in the few hundred independent
# values of a window: from 1/6 on, it is as tall as the complexes. Wander and mains are
# narrow-band: there the amplitude itself is compared.
NOISE_LIMITS: Mapping[str, float] = MappingProxyType(
    {
        "baseline_ratio": 1.0,
        "mains_ratio": 0.5,
        "muscle_ratio": 1.0 / 6.0,
        "motion_ratio": 1.0 / 6.0,
    }
)

_QRS_BAND_HZ = (5.0, 20.0)
_MUSCLE_BAND_HZ = (20.0, 45.0)
_WANDER_HZ = 0.5
_MAINS_HZ = (50.0, 60.0)
_MAINS_HALF_WIDTH_HZ = 1.0
_MAINS_SIDE_HZ = 4.0
# Longest cycle at 40 bpm: each stretch of this length holds a complex.
_CYCLE_S = 1.5
_FLAT_S = 1.0
_FLAT_RATIO = 0.02
_ROUNDING = 1e-9  # of the largest value: a constant, filtered
_CHUNK_WINDOWS = 512


def ecg_windows(
    ecg: ArrayLike,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
) -> WindowTable:
    """Measure the ECG's quality in every window.

    Parameters
    ----------
    ecg
        ``(n,)`` or ``(n, leads)``, any unit; non-finite samples are missing.
    fs_hz
        Samples per second.
    start_s
        Time of the first sample.
    window_s, step_s
        Length of a window and distance between starts, seconds.

    Returns
    -------
    WindowTable
        The columns that the module lists, those of the quietest lead in each window.

    Raises
    ------
    InputError
        If the signal has another shape or the rate is impossible.
    """
    leads = checked_columns(ecg, "ecg")
    fs_hz = checked_rate(fs_hz)
    windows = SignalWindows.of(
        leads.shape[0], fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s
    )
    per_lead = [_lead_measures(lead, windows) for lead in leads.T]
    stacked = {name: np.stack([lead[name] for lead in per_lead]) for name in MEASURES}
    best = _quietest(stacked)
    columns: dict[str, NDArray[np.generic]] = {"lead": best}
    for name, values in stacked.items():
        columns[name] = np.take_along_axis(values, best[np.newaxis], axis=0)[0]
    return windows.table(columns)


def _quietest(measures: Mapping[str, FloatArray]) -> IntArray:
    """Return the lead with most signal, then least noise in the QRS band, per window."""
    unusable = sum(measures[name] / limit for name, limit in SIGNAL_LIMITS.items())
    noise = measures["motion_ratio"] / NOISE_LIMITS["motion_ratio"]
    burden = unusable + np.where(np.isfinite(noise), noise, np.inf)
    return np.asarray(np.argmin(burden, axis=0), dtype=np.intp)


def _lead_measures(lead: FloatArray, windows: SignalWindows) -> dict[str, FloatArray]:
    """Return every measure of one lead ``(n,)``, each ``(windows,)``."""
    fs_hz, first, width = windows.fs_hz, windows.first, windows.width
    filled, missing = bridge_gaps(lead)
    clipped = at_rail(lead)
    flat = _flat_samples(filled, fs_hz) & ~missing & ~clipped
    band = _band_passed(filled, fs_hz, *_QRS_BAND_HZ)
    muscle = _band_passed(filled, fs_hz, *_MUSCLE_BAND_HZ)
    wander = _band_passed(filled, fs_hz, None, _WANDER_HZ)
    nothing = _ROUNDING * np.abs(filled).max(initial=0.0)
    result = {name: np.full(first.size, np.nan) for name in MEASURES}
    for name, mask in (("missing", missing), ("flat", flat), ("clipped", clipped)):
        result[f"{name}_share"] = windows.means(mask)
    for chunk in range(0, first.size, _CHUNK_WINDOWS):
        rows = slice(chunk, chunk + _CHUNK_WINDOWS)
        at = first[rows]
        in_band = windowed(band, at, width)
        amplitude = _amplitude(in_band, fs_hz)
        amplitude[amplitude <= nothing] = np.nan
        result["qrs_amplitude"][rows] = amplitude
        result["motion_ratio"][rows] = ratio(_robust_sd(in_band), amplitude)
        result["muscle_ratio"][rows] = ratio(_robust_sd(windowed(muscle, at, width)), amplitude)
        drift = np.ptp(windowed(wander, at, width), axis=1)
        result["baseline_ratio"][rows] = ratio(drift, amplitude)
        raw = windowed(filled, at, width)
        result["mains_ratio"][rows] = ratio(_mains_amplitude(raw, fs_hz), amplitude)
        result["kurtosis"][rows] = _kurtosis(raw)
    return result


def _flat_samples(values: FloatArray, fs_hz: float) -> BoolArray:
    """Mark samples inside a second that changes by less than 2 % of a typical one."""
    width = max(2, round(_FLAT_S * fs_hz))
    if values.size < width:
        return np.zeros(values.shape, dtype=np.bool_)
    spread = ndimage.maximum_filter1d(values, width) - ndimage.minimum_filter1d(values, width)
    moving = spread[spread > 0]
    limit = _FLAT_RATIO * np.median(moving) if moving.size else 0.0
    quiet = (spread <= limit).astype(np.uint8)
    return np.asarray(ndimage.maximum_filter1d(quiet, width), dtype=np.bool_)


def _band_passed(
    values: FloatArray, fs_hz: float, low_hz: float | None, high_hz: float
) -> FloatArray:
    if low_hz is not None and low_hz >= 0.45 * fs_hz:
        return np.full(values.shape, np.nan)
    return zero_phase(values, fs_hz=fs_hz, low_hz=low_hz, high_hz=high_hz)


def _amplitude(in_band: FloatArray, fs_hz: float) -> FloatArray:
    """Median peak-to-peak over stretches that each hold at least one complex."""
    stretch = min(in_band.shape[1], round(_CYCLE_S * fs_hz))
    count = in_band.shape[1] // stretch
    parts = in_band[:, : count * stretch].reshape(-1, count, stretch)
    return np.asarray(np.median(np.ptp(parts, axis=2), axis=1))


def _robust_sd(windows: FloatArray) -> FloatArray:
    """Standard deviation that the complexes, a small part of the time, do not reach."""
    return np.asarray(MAD_TO_SD * np.median(np.abs(windows), axis=1))


def _mains_amplitude(windows: FloatArray, fs_hz: float) -> FloatArray:
    """Amplitude of the stronger mains line above what surrounds it."""
    frequency, power = power_spectra(windows, fs_hz=fs_hz)
    found = np.full((len(_MAINS_HZ), windows.shape[0]), np.nan)
    for row, line_hz in enumerate(_MAINS_HZ):
        off = np.abs(frequency - line_hz)
        near, around = off <= _MAINS_HALF_WIDTH_HZ, off <= _MAINS_SIDE_HZ
        if line_hz + _MAINS_SIDE_HZ < fs_hz / 2.0 and (around & ~near).any():
            floor = np.median(power[:, around & ~near], axis=1)
            found[row] = np.sqrt(2.0 * np.maximum(power[:, near].max(axis=1) - floor, 0.0))
    return np.asarray(np.fmax(found[0], found[1]))


def _kurtosis(windows: FloatArray) -> FloatArray:
    centred = windows - windows.mean(axis=1, keepdims=True)
    return ratio(np.mean(centred**4, axis=1), np.mean(centred**2, axis=1) ** 2)
