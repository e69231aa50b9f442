"""A heart and a wrist whose course is drawn at random, for clocks that are known."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

Floats = NDArray[np.float64]
GRID_HZ = 4.0


@pytest.fixture(scope="session")
def heart() -> Callable[..., tuple[Floats, Floats]]:
    """Return ``(seed, duration_s) -> times and rates at 4 Hz``, from 150 s before to after.

    First-order steps between random demands, with slow wandering and a breathing wave.
    """

    def draw(seed: int, duration_s: float) -> tuple[Floats, Floats]:
        rng = np.random.default_rng(seed)
        size = int((duration_s + 300.0) * GRID_HZ)
        demand = np.repeat(rng.uniform(70, 170, size), rng.integers(120, 900, size))[:size]
        keep = np.exp(-1.0 / (45.0 * GRID_HZ))
        slow, _ = signal.lfilter([1 - keep], [1, -keep], demand, zi=[keep * demand[0]])
        keep = np.exp(-1.0 / (15.0 * GRID_HZ))
        wander = signal.lfilter([1 - keep], [1, -keep], rng.standard_normal(size))
        time_s = np.arange(size) / GRID_HZ - 150.0
        breath = np.sin(2 * np.pi * 0.25 * time_s + np.cumsum(rng.normal(0, 0.05, size)))
        return time_s, slow + 1.5 * wander / wander.std() + breath

    return draw


@pytest.fixture(scope="session")
def readings(heart: Callable[..., tuple[Floats, Floats]]) -> Callable[..., Floats]:
    """Return a device's whole-bpm readings of a heart at session seconds, 5 % missing."""

    def draw(seed: int, duration_s: float, at_s: Floats, noise_seed: int = 0) -> Floats:
        rng = np.random.default_rng((seed, noise_seed, 1))
        noise = signal.lfilter([0.5], [1.0, -0.8], rng.standard_normal(at_s.size))
        shown = np.round(np.interp(at_s, *heart(seed, duration_s)) + noise)
        shown[rng.random(at_s.size) < 0.05] = np.nan
        return np.asarray(shown)

    return draw


@pytest.fixture(scope="session")
def beats(heart: Callable[..., tuple[Floats, Floats]]) -> Callable[..., Floats]:
    """Return ``(seed, duration_s) -> beat times`` of a heart, from 150 s before to after."""

    def draw(seed: int, duration_s: float) -> Floats:
        time_s, hr_bpm = heart(seed, duration_s)
        steps = np.diff(time_s) * (hr_bpm[1:] + hr_bpm[:-1]) / 120.0
        cycles = np.concatenate(([0.0], np.cumsum(steps)))
        return np.interp(np.arange(1.0, cycles[-1]), cycles, time_s)

    return draw


@pytest.fixture(scope="session")
def movement() -> Callable[..., Floats]:
    """Return ``(seed, duration_s, fs_hz) -> acceleration (n, 3)`` in g of varying effort."""

    def draw(seed: int, duration_s: float, fs_hz: float = 50.0) -> Floats:
        rng = np.random.default_rng(seed)
        size = int(duration_s * fs_hz)
        sections = signal.butter(2, (0.7, 6.0), "bandpass", fs=fs_hz, output="sos")
        moving = signal.sosfilt(sections, rng.standard_normal((size, 3)), axis=0)
        keep = np.exp(-1.0 / (8.0 * fs_hz))
        effort = signal.lfilter([1 - keep], [1, -keep], rng.standard_normal(size))
        moving *= np.exp(effort / effort.std())[:, np.newaxis]
        return np.asarray(0.3 * moving + np.array([0.0, 0.3, 0.95]))

    return draw
