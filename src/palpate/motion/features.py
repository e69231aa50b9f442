"""What the arm did in every window: a table from the accelerometer, one from a gyroscope.

Columns of the accelerometer's
------------------------------
====================== ==========================================================
enmo_g                 mean of max(|a| − 1 g, 0); three axes only
mad_g                  mean amplitude deviation of |a|
swing_rms_g            rms of the acceleration vector in 0.3 to 4 Hz, where a pulse lies too
shake_rms_g            the same above 4 Hz, up to what the sampling rate carries
jerk_g_per_s           rms rate of change of the acceleration vector in 0.3 to 10 Hz
spectral_entropy       spread of the power over 0.3 to 10 Hz: 0 one line, 1 flat
cadence_per_min        repeats of the whole movement per minute; NaN where it has none
cadence_line_per_min   strongest line of the movement: a harmonic such as the step rate
periodicity            correlation of the movement with itself one period later, 0..1
burstiness             scatter over mean of the effort of half-second pieces; 0 is steady
vibration_wh_mps2      hand-arm weighted vibration (Wh), vector sum of the axes, rms; NaN
                       where the sampling rate carries none of its band
vibration_high_hz      upper end of the band that the vibration could be measured in
orientation_change_deg largest turn of gravity's direction away from its mean
gravity_x_g ...        mean of each axis: which way the wrist points
clipped_share          samples with an axis at the sensor's rails
missing_share          samples with an axis missing
====================== ==========================================================

Windows that miss more than ``MAX_MISSING_SHARE`` of their samples give NaN everywhere
but in the last two columns. Shorter gaps do not count in ENMO and MAD and are bridged by
straight lines elsewhere. The gyroscope's table has one column, ``gyro_rms_dps``: the rms of the
angular rate vector, NaN where as much is missing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.conditioning import (
    STEP_S,
    WINDOW_S,
    SignalWindows,
    bridge_gaps,
    resample,
    windowed,
    zero_phase,
)
from palpate.conditioning.rails import at_rail
from palpate.conditioning.statistics import MAX_MISSING_SHARE, ratio
from palpate.motion import intensity
from palpate.motion.cadence import cadence
from palpate.motion.orientation import gravity_direction, orientation_change_deg
from palpate.motion.units import STANDARD_GRAVITY_MPS2, check_unit, to_g
from palpate.motion.vibration import hand_arm_weighted, usable_band_hz
from palpate.signals import FloatArray, IntArray, WindowTable
from palpate.validation import InputError, checked_columns, checked_rate

MOTION_FS_HZ = 32.0
"""Everything below 10 Hz is computed at this rate, whatever the sensor's."""
GRAVITY_STRIDE = 8
"""Gravity's direction holds nothing above 0.3 Hz: four looks a second will do."""
PIECE_S = 0.5
WINDOWS_AT_ONCE = 256
"""Keeps the working set in cache and a day-long record in bounded memory."""


def motion_windows(
    acc: FloatArray,
    *,
    fs_hz: float,
    unit: str,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
) -> WindowTable:
    """Measure the motion in every window; the module says what each column is.

    Parameters
    ----------
    acc
        ``(n, axes)``, one to three axes of one accelerometer; NaN marks missing samples.
    fs_hz
        Samples per second.
    unit
        Unit of ``acc`` as declared, a key of ``units.G_PER_UNIT``: ``"g"``, ``"mg"``, ``"m/s2"``.
    start_s
        Time of the first sample; windows start there.

    Raises
    ------
    InputError
        If gravity contradicts the declared unit, or there are more than three axes.
    """
    fs_hz = checked_rate(fs_hz)
    acc_g = _checked_acc_g(acc, fs_hz, unit)
    windows = SignalWindows.of(
        acc_g.shape[0], fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s
    )
    missing = ~np.isfinite(acc_g).all(axis=1)
    clipped = np.stack([at_rail(axis) for axis in acc_g.T]).any(axis=0)
    columns = {
        **_sample_features(acc_g, windows),
        **_band_features(acc_g, windows),
    }
    missing_share = windows.means(np.asarray(missing))
    for column in columns.values():
        column[missing_share > MAX_MISSING_SHARE] = np.nan
    columns["clipped_share"] = windows.means(np.asarray(clipped))
    columns["missing_share"] = missing_share
    return windows.table(columns)


def gyro_windows(
    gyro: FloatArray,
    *,
    fs_hz: float,
    start_s: float = 0.0,
    window_s: float = WINDOW_S,
    step_s: float = STEP_S,
) -> WindowTable:
    """Measure the angular rate in every window, on the gyroscope's own time base.

    Parameters
    ----------
    gyro
        ``(n, k)`` in degrees per second; NaN marks missing samples.
    fs_hz, start_s
        Samples per second, and time of the first one; windows start there.

    Returns
    -------
    WindowTable
        ``gyro_rms_dps``, NaN where more than ``MAX_MISSING_SHARE`` of the samples are missing.
    """
    gyro = checked_columns(gyro, "gyro")
    windows = SignalWindows.of(
        gyro.shape[0], fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s
    )
    rms_dps = np.sqrt(windows.means(_energy(gyro)))
    missing_share = windows.means(np.asarray(~np.isfinite(gyro).all(axis=1)))
    rms_dps[missing_share > MAX_MISSING_SHARE] = np.nan
    return windows.table({"gyro_rms_dps": rms_dps})


def _checked_acc_g(acc: FloatArray, fs_hz: float, unit: str) -> FloatArray:
    acc_g = to_g(acc, unit=unit)
    if acc_g.shape[1] > 3:
        raise InputError(
            f"acc has {acc_g.shape[1]} columns; give the axes of one accelerometer, at most three"
        )
    found = check_unit(acc, fs_hz=fs_hz, unit=unit)
    if found.verdict == "contradicted":
        raise InputError(found.finding)
    return acc_g


def _sample_features(acc_g: FloatArray, windows: SignalWindows) -> dict[str, FloatArray]:
    """Return the columns that need every sample."""
    fs_hz, first, width = windows.fs_hz, windows.first, windows.width
    magnitude = intensity.magnitude_g(acc_g)
    weighted = hand_arm_weighted(acc_g * STANDARD_GRAVITY_MPS2, fs_hz=fs_hz)
    fast = _above_split(acc_g, fs_hz)
    nothing = np.full(first.size, np.nan)
    three_axes = acc_g.shape[1] == 3
    low_hz, high_hz = usable_band_hz(fs_hz)
    vibration = np.sqrt(windows.means(_energy(weighted)))
    columns = {
        "enmo_g": windows.means(intensity.enmo_g(acc_g)) if three_axes else nothing,
        "mad_g": np.concatenate(
            [nothing[:0]]
            + [intensity.mad_g(windowed(magnitude, rows, width)) for rows in _portions(first)]
        ),
        "shake_rms_g": np.sqrt(windows.means(fast)),
        "vibration_wh_mps2": vibration if high_hz > low_hz else nothing.copy(),
        "vibration_high_hz": np.full(first.size, high_hz),
    }
    means = windows.means(acc_g)
    columns |= {f"gravity_{name}_g": m.copy() for name, m in zip("xyz", means.T, strict=False)}
    return columns


def _above_split(acc_g: FloatArray, fs_hz: float) -> FloatArray:
    """Return the squared acceleration above ``SPLIT_HZ``, summed over axes, ``(n,)``."""
    if fs_hz <= 2.0 * intensity.SPLIT_HZ or acc_g.shape[0] < 2:
        return np.full(acc_g.shape[0], np.nan)
    fast = zero_phase(acc_g, fs_hz=fs_hz, low_hz=intensity.SPLIT_HZ, order=4)
    return _energy(fast)


def _energy(vectors: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("ij,ij->i", vectors, vectors))


@dataclass(frozen=True, slots=True, eq=False)
class _Slow:
    """The record at ``MOTION_FS_HZ``: its motion band and the direction of gravity."""

    motion_g: FloatArray
    direction: FloatArray


def _band_features(acc_g: FloatArray, windows: SignalWindows) -> dict[str, FloatArray]:
    """Return the columns of the band below ``HIGH_HZ``."""
    names = (
        "swing_rms_g",
        "jerk_g_per_s",
        "spectral_entropy",
        "cadence_per_min",
        "cadence_line_per_min",
        "periodicity",
        "burstiness",
        "orientation_change_deg",
    )
    if len(windows) == 0:
        return {name: np.empty(0) for name in names}
    slow = _slow(acc_g, windows.fs_hz)
    inside = windows.at_rate(MOTION_FS_HZ, slow.motion_g.shape[0])
    parts = [_features_of(slow, rows, inside.width) for rows in _portions(inside.first)]
    return dict(zip(names, np.concatenate(parts, axis=1), strict=True))


def _slow(acc_g: FloatArray, fs_hz: float) -> _Slow:
    filled, _ = bridge_gaps(acc_g)
    slow_g = resample(filled, fs_hz=fs_hz, to_hz=MOTION_FS_HZ)
    motion = zero_phase(
        slow_g, fs_hz=MOTION_FS_HZ, low_hz=intensity.LOW_HZ, high_hz=intensity.HIGH_HZ
    )
    return _Slow(motion, gravity_direction(slow_g, fs_hz=MOTION_FS_HZ))


def _features_of(slow: _Slow, first: IntArray, width: int) -> FloatArray:
    """Return the features of some windows, ``(8, n_windows)``, in the order of the names."""
    windows = windowed(slow.motion_g, first, width)
    freq_hz, power = intensity.motion_spectrum(windows, fs_hz=MOTION_FS_HZ)
    repeats = cadence(windows, freq_hz, power, fs_hz=MOTION_FS_HZ)
    turn = np.full(first.size, np.nan)
    if slow.direction.shape[1] == 3:
        looks = first[:, np.newaxis] + np.arange(0, width, GRAVITY_STRIDE)
        turn = orientation_change_deg(slow.direction[looks])
    return np.stack(
        [
            intensity.band_rms_g(
                freq_hz, power, low_hz=intensity.LOW_HZ, high_hz=intensity.SPLIT_HZ
            ),
            intensity.jerk_g_per_s(freq_hz, power),
            intensity.spectral_entropy(freq_hz, power),
            repeats.per_min,
            repeats.line_per_min,
            repeats.periodicity,
            _burstiness(windows),
            turn,
        ]
    )


def _burstiness(windows: FloatArray) -> FloatArray:
    """Return the scatter over the mean of the rms of half-second pieces, ``(n_windows,)``."""
    n, width, axes = windows.shape
    piece = min(round(PIECE_S * MOTION_FS_HZ), width)
    whole = windows[:, : width - width % piece].reshape(n, -1, piece * axes)
    effort = np.sqrt((whole**2).mean(axis=2))
    mean = effort.mean(axis=1)
    return ratio(effort.std(axis=1), mean)


def _portions(first: IntArray) -> list[IntArray]:
    return [first[i : i + WINDOWS_AT_ONCE] for i in range(0, first.size, WINDOWS_AT_ONCE)]
