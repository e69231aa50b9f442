"""Fixtures that the ECG tests share."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Offset from the R peak in seconds, width in seconds, height in mV: the usual proportions of
# a lead II complex, from memory.
WAVES = ((-0.16, 0.02, 0.12), (-0.025, 0.008, -0.12), (0.0, 0.01, 1.0), (0.03, 0.01, -0.25))
T_WAVE = (0.25, 0.04, 0.3)


@pytest.fixture(scope="session")
def drawn_ecg() -> Callable[..., Floats]:
    """Draw an ECG from Gaussian waves at given beat times, in mV."""

    def draw(
        beat_s: Floats, duration_s: float, *, fs_hz: float = 250.0, noise_mv: float = 0.01
    ) -> Floats:
        time_s = np.arange(round(duration_s * fs_hz)) / fs_hz
        ecg = np.random.default_rng(5).normal(0.0, noise_mv, time_s.size)
        for offset_s, width_s, height in (*WAVES, T_WAVE):
            for beat in beat_s:
                near = np.abs(time_s - beat - offset_s) < 6 * width_s
                at = (time_s[near] - beat - offset_s) / width_s
                ecg[near] += height * np.exp(-0.5 * at**2)
        return ecg

    return draw


@pytest.fixture(scope="session")
def steady_beats() -> Callable[..., Floats]:
    """Beat times of a breathing heart: a mean interval with 3 % of respiratory swing."""

    def beats(mean_rr_s: float, duration_s: float) -> Floats:
        count = int(duration_s / mean_rr_s) + 2
        rr = mean_rr_s * (1.0 + 0.03 * np.sin(2 * np.pi * np.arange(count) * mean_rr_s / 4.0))
        times = 0.4 + np.concatenate(([0.0], np.cumsum(rr)))
        return times[times < duration_s - 0.4]

    return beats
