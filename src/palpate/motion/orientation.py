"""Which way the wrist points: the direction of gravity, and how far it turns."""

from __future__ import annotations

import numpy as np

from palpate.conditioning import zero_phase
from palpate.conditioning.statistics import ratio
from palpate.signals import FloatArray

GRAVITY_HZ = 0.3
"""Slower is posture, faster is movement (own choice; the same split as the motion band)."""


def gravity_direction(acc_g: FloatArray, *, fs_hz: float) -> FloatArray:
    """Return the unit vector of the slow acceleration, ``(n, 3)``; NaN where there is none."""
    slow = zero_phase(acc_g, fs_hz=fs_hz, high_hz=GRAVITY_HZ, keep_gaps=False)
    length = np.linalg.norm(slow, axis=1, keepdims=True)
    return ratio(slow, length)


def orientation_change_deg(directions: FloatArray) -> FloatArray:
    """Return the largest turn away from each window's mean direction, ``(n_windows,)``.

    ``directions (n_windows, width, 3)`` are unit vectors.
    """
    mean = directions.mean(axis=1, keepdims=True)
    length = np.linalg.norm(mean, axis=2, keepdims=True)
    mean = ratio(mean, length)
    # The chord gives small angles exactly, where the arc cosine of a dot product does not.
    chord = np.linalg.norm(directions - mean, axis=2).max(axis=1)
    return np.asarray(np.degrees(2.0 * np.arcsin(np.clip(chord / 2.0, 0.0, 1.0))))
