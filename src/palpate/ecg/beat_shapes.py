"""How much a summit of QRS energy looks like the record's own beats.

A few shapes are learnt from the strongest summits where the record is clear, by clustering
on the correlation coefficient; every candidate is then correlated with each shape over a few
lags (template matching and QRS clustering: Kohler, Hennig & Orglmeister 2002, IEEE Eng Med
Biol 21:42).

Conventions
-----------
* Windows reach 0.12 s either way plus the lags; their mean and slope, which are baseline,
  do not count.
* Resemblance is a correlation coefficient, -1 to 1, with the most similar shape.
"""

from __future__ import annotations

import numpy as np

from palpate.ecg.qrs_energy import Grid
from palpate.signals import FloatArray, IntArray

_HALF_S = 0.12  # a wide ectopic complex fits
_LAG_S = 0.033  # energy peaks wander this far in noise
_SHAPES = 3  # normal, ectopic, fused or paced
_ALIKE = 0.8  # correlation within one shape
_MIN_SHARE = 0.02  # fewer beats than this do not make a shape
_MIN_BEATS = 5
_LEARN_FROM = 4000  # beats are enough to know the shapes of a day
_ROUNDS = 3
_CHUNK = 8192


def learn_shapes(working: FloatArray, beats: IntArray, grid: Grid) -> FloatArray:
    """Return unit shapes ``(k, width)``, most frequent first, from beats ``(n,)``."""
    beats = beats[:: -(-beats.size // _LEARN_FROM)] if beats.size else beats
    lag = grid.samples(_LAG_S)
    windows = _unit(_windows(working, beats, grid)[:, lag:-lag])
    fewest = max(_MIN_BEATS, _MIN_SHARE * beats.size)
    shapes: list[FloatArray] = []
    while len(shapes) < _SHAPES and len(windows) >= fewest:
        shape = windows.mean(axis=0)
        for _ in range(_ROUNDS):
            alike = windows @ _unit(shape)
            members = alike > min(_ALIKE, float(np.quantile(alike, 0.7)))
            shape = windows[members].mean(axis=0)
        shapes.append(_unit(shape))
        windows = windows[windows @ shapes[-1] <= _ALIKE]
    width = 2 * grid.samples(_HALF_S) + 1
    return np.array(shapes).reshape(-1, width)


def resemblance(
    working: FloatArray, candidates: IntArray, shapes: FloatArray, grid: Grid
) -> FloatArray:
    """Return how much each candidate ``(n,)`` resembles the nearest shape, -1 to 1."""
    if shapes.shape[0] == 0:
        return np.zeros(candidates.size)
    lags, width = 2 * grid.samples(_LAG_S) + 1, shapes.shape[1]
    trend = _trend(width)
    kernels = np.concatenate((shapes, trend))
    # Column (kernel, lag) of the bank holds the kernel shifted by that lag.
    bank = np.zeros((len(kernels), lags, width + lags - 1))
    for shift in range(lags):
        bank[:, shift, shift : shift + width] = kernels
    ones = np.zeros((lags, width + lags - 1))
    for shift in range(lags):
        ones[shift, shift : shift + width] = 1.0
    result = np.empty(candidates.size)
    for start in range(0, candidates.size, _CHUNK):
        windows = _windows(working, candidates[start : start + _CHUNK], grid)
        product = (windows @ bank.reshape(-1, bank.shape[2]).T).reshape(-1, len(kernels), lags)
        power = windows**2 @ ones.T - np.sum(product[:, len(shapes) :] ** 2, axis=1)
        norm = np.sqrt(np.maximum(power, np.finfo(np.float64).tiny))
        best = product[:, : len(shapes)].max(axis=1) / norm
        result[start : start + _CHUNK] = np.clip(best.max(axis=1), -1.0, 1.0)
    return result


def _windows(working: FloatArray, at: IntArray, grid: Grid) -> FloatArray:
    half = grid.samples(_HALF_S) + grid.samples(_LAG_S)
    index = np.clip(at[:, np.newaxis] + np.arange(-half, half + 1), 0, working.size - 1)
    windows = working[index]
    return np.asarray(windows - windows[:, half : half + 1])  # large offsets would cost precision


def _trend(width: int) -> FloatArray:
    """Return orthonormal constant and ramp ``(2, width)``."""
    ramp = np.arange(width) - (width - 1) / 2
    return np.stack((np.full(width, width**-0.5), ramp / np.linalg.norm(ramp)))


def _unit(windows: FloatArray) -> FloatArray:
    trend = _trend(windows.shape[-1])
    level = windows - (windows @ trend.T) @ trend
    size = np.linalg.norm(level, axis=-1, keepdims=True)
    return np.asarray(level / np.maximum(size, np.finfo(np.float64).tiny))
