"""Synthetic wrists: a pulse of known rate under motion of known kind."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]


class Wrist(NamedTuple):
    ppg: Floats
    acc: Floats
    fs_hz: float
    true_bpm: Floats
    """Cycles per window of 8 s every 2 s, times 60 / 8."""


def _course(points: float | Floats, n: int) -> Floats:
    """Straight lines through evenly spaced points."""
    points = np.atleast_1d(points)
    return np.interp(np.linspace(0.0, 1.0, n), np.linspace(0.0, 1.0, points.size), points)


@pytest.fixture(scope="session")
def wrist() -> Callable[..., Wrist]:
    """Draw two light channels and three axes; motion reaches the light through a short FIR."""

    def draw(
        rate_bpm: float | Floats = 90.0,
        cadence_per_min: float | Floats = 70.0,
        *,
        motion: float = 3.0,
        noise: float = 0.05,
        second_harmonic: float = 0.4,
        duration_s: float = 120.0,
        fs_hz: float = 50.0,
        seed: int = 1,
    ) -> Wrist:
        rng = np.random.default_rng(seed)
        n = round(duration_s * fs_hz)
        rate, cadence = _course(rate_bpm, n), _course(cadence_per_min, n)
        cycles, steps = np.cumsum(rate / 60 / fs_hz), np.cumsum(cadence / 60 / fs_hz)
        pulse = np.sin(2 * np.pi * cycles) + second_harmonic * np.sin(4 * np.pi * cycles + 1.0)
        swing = [
            np.sin(2 * np.pi * steps + p) + 0.5 * np.sin(4 * np.pi * steps + 2 * p + 0.3)
            for p in (0.0, 0.7, 2.0)
        ]
        acc = np.column_stack(swing) + 0.1 * rng.standard_normal((n, 3)) + [0.2, -0.4, 0.8]
        taps = np.hanning(max(3, round(0.16 * fs_hz)))
        artefact = signal.lfilter(taps / taps.sum(), [1.0], acc @ [0.8, -0.3, 0.5])
        artefact = motion * (artefact - artefact.mean())
        ppg = np.column_stack(
            [
                1000.0 + 5.0 * (pulse + artefact + noise * rng.standard_normal(n)),
                -300.0 - 2.0 * (pulse + 0.6 * artefact + noise * rng.standard_normal(n)),
            ]
        )
        first = np.arange(0, n - round(8 * fs_hz) + 1, round(2 * fs_hz))
        turned = cycles[first + round(8 * fs_hz) - 1] - cycles[first]
        true_bpm = 60.0 * turned / (8.0 - 1.0 / fs_hz)
        return Wrist(ppg, acc, fs_hz, true_bpm)

    return draw
