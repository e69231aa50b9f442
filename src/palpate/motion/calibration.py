"""Calibrate an accelerometer by gravity: whenever it is still it must measure 1 g.

Method
------
van Hees et al. 2014, J Appl Physiol 117:738 (autocalibration by local gravity). Means of
still windows are fitted to the unit sphere by iterative closest point: each is pulled
to its nearest point on the sphere, and gain and offset of every axis follow by weighted
regression. The constants are those of the authors' open implementation (GGIR): 10 s
windows, still below 13 mg per axis and 2 g, sphere covered beyond ±0.3 g on each axis,
weights of at most 1 / 0.01 g, accepted below 10 mg.

Deviations from the paper
-------------------------
* No temperature term.
* Windows whose mean is below ``LEAST_GRAVITY_G`` are not taken for rest.
* No minimum of 72 hours of wear: an evening's record is calibrated if it covers the
  sphere with at least ``MIN_STILL_WINDOWS`` windows. It rarely does; then the verdict
  says what is missing and the data stay as they are.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from palpate.conditioning import window_samples, windowed
from palpate.motion.units import to_g
from palpate.signals import FloatArray
from palpate.validation import InputError, checked_rate

STILL_WINDOW_S = 10.0
STILL_SD_G = 0.013
STILL_MEAN_G = 2.0
LEAST_GRAVITY_G = 0.5
"""No sensor at rest measures less: these are the zeros of a dropout, or gravity was removed
(own choice)."""
SPHERE_REACH_G = 0.3
MAX_WEIGHT_PER_G = 100.0
MAX_ITERATIONS = 1000
TOLERANCE = 1e-10
ACCEPTED_ERROR_G = 0.010
MIN_STILL_WINDOWS = 12
"""Twice the six numbers to be found (own choice)."""
WINDOWS_AT_ONCE = 1024


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What gravity says about an accelerometer.

    ``gain (3,)`` and ``offset_g (3,)`` correct it: ``acc_g * gain + offset_g``; they are
    1 and 0 unless ``accepted``. ``error_before_g`` and ``error_after_g`` are the mean
    distance of still windows from 1 g (NaN without any), ``n_still`` their number, and
    ``reason`` one sentence on why the calibration was refused, else empty.
    """

    gain: FloatArray
    offset_g: FloatArray
    error_before_g: float
    error_after_g: float
    n_still: int
    accepted: bool
    reason: str

    def apply(self, acc_g: FloatArray) -> FloatArray:
        """Return ``acc_g (n, 3)`` corrected, in g."""
        return np.asarray(acc_g * self.gain + self.offset_g)


def calibrate(acc: FloatArray, *, fs_hz: float, unit: str) -> Calibration:
    """Find gain and offset of each axis from the record's own stillness.

    Parameters
    ----------
    acc
        ``(n, 3)``; NaN marks missing samples, and windows that hold any are not used.
    fs_hz
        Samples per second.
    unit
        Unit of ``acc`` as declared.

    Raises
    ------
    InputError
        If ``acc`` has not three axes.
    """
    acc_g = to_g(acc, unit=unit)
    if acc_g.shape[1] != 3:
        raise InputError(f"acc has {acc_g.shape[1]} axes; calibration by gravity needs all three")
    means = still_means(acc_g, fs_hz=checked_rate(fs_hz))
    before = _sphere_error(means)
    missing = _missing_evidence(means)
    if missing:
        return _refused(before, len(means), missing)
    gain, offset_g = _closest_point_fit(means)
    after = _sphere_error(means * gain + offset_g)
    if not (after < before and after < ACCEPTED_ERROR_G):
        return _refused(
            before,
            len(means),
            f"calibration leaves {1e3 * after:.1f} mg of error (before: {1e3 * before:.1f} mg), "
            f"more than the {1e3 * ACCEPTED_ERROR_G:.0f} mg that count as calibrated",
        )
    return Calibration(gain, offset_g, before, after, len(means), True, "")


def still_means(acc_g: FloatArray, *, fs_hz: float) -> FloatArray:
    """Return the mean vector of every still 10 s window, ``(n_still, 3)``."""
    first, width = window_samples(
        acc_g.shape[0], fs_hz=fs_hz, window_s=STILL_WINDOW_S, step_s=STILL_WINDOW_S
    )
    acc_g = np.where(np.isfinite(acc_g), acc_g, np.nan)
    still = []
    for start in range(0, first.size, WINDOWS_AT_ONCE):
        windows = windowed(acc_g, first[start : start + WINDOWS_AT_ONCE], width)
        mean, sd = windows.mean(axis=1), windows.std(axis=1)
        # NaN compares as False, so a window with a missing sample is not still.
        quiet = (sd < STILL_SD_G).all(axis=1) & (np.abs(mean) < STILL_MEAN_G).all(axis=1)
        quiet &= np.linalg.norm(mean, axis=1) > LEAST_GRAVITY_G
        still.append(mean[quiet])
    return np.concatenate(still) if still else np.empty((0, 3))


def _missing_evidence(means: FloatArray) -> str:
    if len(means) < MIN_STILL_WINDOWS:
        return (
            f"too little stillness to calibrate: {len(means)} still windows of "
            f"{STILL_WINDOW_S:g} s, {MIN_STILL_WINDOWS} needed"
        )
    covered = (means.min(axis=0) < -SPHERE_REACH_G) & (means.max(axis=0) > SPHERE_REACH_G)
    if not covered.all():
        axes = ", ".join(name for name, ok in zip("xyz", covered, strict=True) if not ok)
        return (
            f"too few orientations to calibrate: axis {axes} never rested both above and below "
            f"{SPHERE_REACH_G:g} g; lay the sensor still on each of its six sides"
        )
    return ""


def _refused(before: float, n_still: int, reason: str) -> Calibration:
    return Calibration(np.ones(3), np.zeros(3), before, before, n_still, False, reason)


def _sphere_error(means: FloatArray) -> float:
    if len(means) == 0:
        return float("nan")
    return float(np.abs(np.linalg.norm(means, axis=1) - 1.0).mean())


def _closest_point_fit(means: FloatArray) -> tuple[FloatArray, FloatArray]:
    gain, offset = np.ones(3), np.zeros(3)
    weight = np.ones(len(means))
    previous = np.inf
    for _ in range(MAX_ITERATIONS):
        current = means * gain + offset
        nearest = current / np.linalg.norm(current, axis=1, keepdims=True)
        gain, offset = _weighted_lines(means, nearest, weight)
        distance = np.linalg.norm(means * gain + offset - nearest, axis=1)
        residual = float(np.average(distance**2, weights=weight))
        weight = 1.0 / np.maximum(distance, 1.0 / MAX_WEIGHT_PER_G)
        if abs(previous - residual) < TOLERANCE:
            break
        previous = residual
    return gain, offset


def _weighted_lines(
    x: FloatArray, y: FloatArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Return slope and intercept of ``y`` on ``x``, column by column."""
    share = (weight / weight.sum())[:, np.newaxis]
    x_mean, y_mean = (share * x).sum(axis=0), (share * y).sum(axis=0)
    x_dev, y_dev = x - x_mean, y - y_mean
    slope = (share * x_dev * y_dev).sum(axis=0) / (share * x_dev**2).sum(axis=0)
    return slope, y_mean - slope * x_mean
