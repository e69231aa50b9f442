"""Cancel motion sample by sample with an adaptive filter, then take the strongest line.

What a good textbook would build: recursive least squares (Haykin 2002, Adaptive Filter
Theory, 4th ed., ch. 9) with the accelerometer as reference, followed by the conventional
spectral peak.

Deviations
----------
* The weights are updated once per block instead of once per sample; each block is
  filtered with the weights learned before it, so the light's own pulse is never used
  to cancel itself. This makes all blocks one batch of small linear systems.
* The filter forgets with a time constant of ``MEMORY_S``.
"""

from __future__ import annotations

import numpy as np
from scipy import signal

from palpate.conditioning import windowed
from palpate.heartrate.conventional import strongest_line
from palpate.heartrate.preparation import WindowedSignals
from palpate.signals import FloatArray

LOW_HZ = 0.4
HIGH_HZ = 8.0
"""The band of 30 bpm to twice 230 bpm."""
BLOCK_S = 1.0
MEMORY_S = 8.0
TAPS = 8
"""0.28 s: motion reaches the light within a fraction of a second."""
RIDGE = 1e-3
"""Added to the diagonal of the normal equations, as a share of its mean."""


def adaptive(signals: WindowedSignals) -> tuple[FloatArray, FloatArray]:
    """Return rate in bpm and confidence in 0..1 per window, ``(w,)`` each."""
    if signals.acc.shape[1] == 0:
        return strongest_line(signals, signals.ppg_windows)
    windows = windowed(cancelled_light(signals), signals.first, signals.width)
    return strongest_line(signals, np.where(signals.usable[:, np.newaxis, :], windows, 0.0))


def cancelled_light(signals: WindowedSignals) -> FloatArray:
    """Return the light ``(n, c)`` minus what the adaptive filter predicts from motion."""
    block = round(BLOCK_S * signals.fs_hz)
    count = -(-signals.ppg.shape[0] // block)
    light = _blocks(_banded(signals.ppg, signals.fs_hz), block, count)
    motion = _banded(signals.acc, signals.fs_hz)
    delayed = np.concatenate([_delayed(motion, lag) for lag in range(TAPS)], axis=1)
    taps = _blocks(delayed, block, count)
    transposed = taps.transpose(0, 2, 1)
    fade = np.exp(-BLOCK_S / MEMORY_S)
    gram = signal.lfilter([0.0, 1.0], [1.0, -fade], transposed @ taps, axis=0)
    cross = signal.lfilter([0.0, 1.0], [1.0, -fade], transposed @ light, axis=0)
    size = taps.shape[2]
    level = np.trace(gram, axis1=1, axis2=2) / size
    ridge = np.where(level > 0, RIDGE * level, 1.0)
    weights = np.linalg.solve(gram + ridge[:, np.newaxis, np.newaxis] * np.eye(size), cross)
    rest = light - taps @ weights
    return np.asarray(rest.reshape(count * block, -1)[: signals.ppg.shape[0]])


def _banded(values: FloatArray, fs_hz: float) -> FloatArray:
    """Band-pass forward in time only, started as if the first sample had always been there."""
    sections = signal.butter(2, [LOW_HZ, HIGH_HZ], "bandpass", fs=fs_hz, output="sos")
    return np.asarray(signal.sosfilt(sections, values - values[:1], axis=0))


def _delayed(values: FloatArray, lag: int) -> FloatArray:
    return np.concatenate([np.zeros((lag, values.shape[1])), values[: values.shape[0] - lag]])


def _blocks(values: FloatArray, block: int, count: int) -> FloatArray:
    """Cut ``(n, k)`` into ``(count, block, k)``, the last one filled up with zeros."""
    missing = count * block - values.shape[0]
    return np.pad(values, ((0, missing), (0, 0))).reshape(count, block, -1)
