"""Movements with known answers that the motion tests share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
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


@pytest.fixture
def wrist_channels(data_dir: Path) -> Callable[..., NDArray[np.float64]]:
    """Return a reader of channels of an open wrist recording at 256 Hz, ``(n, k)``."""
    edfio = pytest.importorskip("edfio", reason="the open recordings are EDF files")

    def read(record, channels):
        edf = edfio.read_edf(data_dir / "datasets" / "wrist_ppg_exercise" / f"{record}.edf")
        return np.stack([edf.signals[i].data for i in channels], axis=1)

    return read
