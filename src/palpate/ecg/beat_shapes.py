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
_LAG_STEP = 2  # samples, an eighth of a narrow complex
_SHAPES = 3  # normal, ectopic, fused or paced
_ALIKE = 0.8  # correlation within one shape
_MOST = 0.7  # ... or at least the most similar three in ten
_MIN_SHARE = 0.02  # fewer beats than this do not make a shape
_MIN_BEATS = 5
_LEARN_FROM = 500  # beats spread over the record are enough to know its shapes
_ROUNDS = 3
_CHUNK = 8192


def learn_shapes(working: FloatArray, beats: IntArray, grid: Grid) -> FloatArray:
    """Return unit shapes ``(k, width)``, most frequent first, from beats ``(n,)``."""
    beats = beats[:: -(-beats.size // _LEARN_FROM)] if beats.size else beats
    lag = grid.samples(_LAG_S)
    windows = _unit(_level(_windows(working, beats, grid)[:, lag:-lag]))
    fewest = max(_MIN_BEATS, _MIN_SHARE * beats.size)
    shapes: list[FloatArray] = []
    while len(shapes) < _SHAPES and len(windows) >= fewest:
        shape = windows.mean(axis=0)
        most = int(_MOST * (len(windows) - 1))
        for _ in range(_ROUNDS):
            alike = windows @ _unit(shape)
            members = alike >= min(_ALIKE, np.partition(alike, most)[most])
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
    width, room = shapes.shape[1], 2 * grid.samples(_LAG_S)
    shifts = range(0, room + 1, _LAG_STEP)
    bank = np.zeros((len(shapes), len(shifts), width + room))
    inside = np.zeros((len(shifts), width + room))
    for i, shift in enumerate(shifts):
        bank[:, i, shift : shift + width] = shapes
        inside[i, shift : shift + width] = 1.0
    bank = bank.reshape(-1, width + room)
    result = np.empty(candidates.size)
    for start in range(0, candidates.size, _CHUNK):
        windows = _level(_windows(working, candidates[start : start + _CHUNK], grid))
        product = (bank @ windows.T).reshape(len(shapes), len(shifts), -1).max(axis=0)
        power = np.maximum(inside @ windows.T**2, np.finfo(np.float64).tiny)
        result[start : start + _CHUNK] = (product / np.sqrt(power)).max(axis=0)
    return np.clip(result, -1.0, 1.0)


def _windows(working: FloatArray, at: IntArray, grid: Grid) -> FloatArray:
    half = grid.samples(_HALF_S) + grid.samples(_LAG_S)
    windows = working.take(at[:, np.newaxis] + np.arange(-half, half + 1), mode="clip")
    return np.asarray(windows - windows[:, half : half + 1])  # large offsets would cost precision


def _level(windows: FloatArray) -> FloatArray:
    """Take mean and slope out of windows ``(..., width)``."""
    width = windows.shape[-1]
    ramp = np.arange(width) - (width - 1) / 2
    trend = np.stack((np.full(width, width**-0.5), ramp / np.linalg.norm(ramp)))
    return np.asarray(windows - (windows @ trend.T) @ trend)


def _unit(windows: FloatArray) -> FloatArray:
    size = np.linalg.norm(windows, axis=-1, keepdims=True)
    return np.asarray(windows / np.maximum(size, np.finfo(np.float64).tiny))
