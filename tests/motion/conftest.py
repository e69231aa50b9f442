"""Movements with known answers that the motion tests share."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation


@pytest.fixture
def swinging_arm():
    """Return a maker of accelerations in g: gravity, a swing, its harmonic, and noise."""

    def make(*, fs_hz=64.0, duration_s=60.0, swing_hz=0.9, amplitude_g=0.3, noise_g=0.0):
        t = np.arange(round(duration_s * fs_hz)) / fs_hz
        swing = np.sin(2 * np.pi * swing_hz * t)
        step = 0.5 * np.sin(4 * np.pi * swing_hz * t + 0.7)
        acc = np.stack([amplitude_g * swing, amplitude_g * step, np.ones(t.size)], axis=1)
        return acc + noise_g * np.random.default_rng(5).normal(size=acc.shape)

    return make


@pytest.fixture
def any_rotation():
    """Rotation that mixes all three axes, ``(3, 3)``."""
    return Rotation.from_euler("xyz", [0.4, -1.1, 2.3]).as_matrix()
