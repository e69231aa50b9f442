"""What of windowed light the accelerometer does not predict, and at what delay.

A finite impulse response of three taps per axis over a common delay, fitted to three quarters
of each window and judged on the fourth; ``oracle`` says why.
"""

from __future__ import annotations

import numpy as np

from palpate.explanation.line_spectra import portions
from palpate.signals import FloatArray, IntArray

TAPS = (-1, 0, 1)
DELAYS = (-6, -3, 0, 3, 6)
"""Samples at ``oracle.ORACLE_FS_HZ``: taps of 62.5 ms around delays up to 0.375 s."""
FOLDS = 4
RIDGE = 0.01
"""Share of the mean energy per tap: keeps axes without motion from being inverted."""


def unpredicted(
    light: FloatArray, motion: FloatArray, first: IntArray
) -> tuple[FloatArray, IntArray]:
    """Return what of the light motion does not predict, and the delay used.

    Parameters
    ----------
    light
        ``(n_windows, width, channels)``.
    motion
        ``(n, axes)``, the whole record at the light's rate.
    first
        The first sample of every window, ``(n_windows,)``.

    Returns
    -------
    residual, delay
        ``(n_windows, FOLDS * (width // FOLDS), channels)``: each quarter under the response
        fitted to the other three. ``(n_windows, channels)``, in samples: the delay that fits
        the whole window best.
    """
    if first.size == 0:
        return light, np.empty((0, light.shape[2]), dtype=np.intp)
    parts = [_of_portion(light[p], motion, first[p]) for p in portions(first.size)]
    residual, best = (np.concatenate(part) for part in zip(*parts, strict=True))
    return residual, np.asarray(DELAYS, dtype=np.intp)[best]


def _of_portion(
    light: FloatArray, motion: FloatArray, first: IntArray
) -> tuple[FloatArray, IntArray]:
    """Return the residual of some windows, and which delay each channel took."""
    fold = light.shape[1] // FOLDS
    motions = np.stack(_delayed(motion, first, FOLDS * fold))
    inputs = motions.reshape(len(DELAYS), first.size, FOLDS, fold, -1)
    gram = np.swapaxes(inputs, 3, 4) @ inputs
    target = light[:, : FOLDS * fold].reshape(first.size, FOLDS, fold, -1)
    parts = [_residual(target[..., [c]], inputs, gram) for c in range(light.shape[2])]
    residual, best = (np.stack(part, axis=-1) for part in zip(*parts, strict=True))
    return residual, best


def _residual(
    target: FloatArray, inputs: FloatArray, gram: FloatArray
) -> tuple[FloatArray, IntArray]:
    """Return the residual ``(n_windows, samples)`` of one channel, and which delay it took."""
    cross = np.swapaxes(inputs, 3, 4) @ target
    whole = cross.sum(axis=2)
    explained = (whole * _fit(gram.sum(axis=2), whole)).sum(axis=(2, 3))
    best = explained.argmax(axis=0)
    rows = np.arange(best.size)
    gram, cross = gram[best, rows], cross[best, rows]
    response = _fit(
        gram.sum(axis=1, keepdims=True) - gram, cross.sum(axis=1, keepdims=True) - cross
    )
    residual = target - inputs[best, rows] @ response
    return residual.reshape(best.size, -1), best


def _delayed(motion: FloatArray, first: IntArray, width: int) -> list[FloatArray]:
    """Return per delay ``(n_windows, width, taps * axes)``: the motion ``delay + tap`` earlier.

    Beyond the record's ends its first and last sample stand in.
    """
    reach = max(DELAYS) + max(TAPS)
    start, length = first[0], first[-1] - first[0] + width
    around = np.arange(start - reach, start + length + reach)
    span = motion[np.clip(around, 0, motion.shape[0] - 1)]
    index = (first - start)[:, np.newaxis] + np.arange(width)
    windows = []
    for delay in DELAYS:
        lags = [reach - delay - tap for tap in TAPS]
        columns = np.concatenate([span[lag : lag + length] for lag in lags], axis=1)
        windows.append(np.take(columns, index, axis=0))
    return windows


def _fit(gram: FloatArray, cross: FloatArray) -> FloatArray:
    """Solve the ridge-stabilised normal equations; 0 where there is no motion."""
    size = gram.shape[-1]
    energy = np.trace(gram, axis1=-2, axis2=-1)[..., np.newaxis, np.newaxis] / size
    ridge = np.where(energy > 0, RIDGE * energy, 1.0)
    return np.asarray(np.linalg.solve(gram + ridge * np.eye(size), cross))
