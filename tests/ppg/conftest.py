"""Synthetic light whose pulses are known."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture
def synthetic_light():
    """Return a maker of ``(light, peak times)``: systolic and dicrotic waves on a level."""

    def make(
        *, fs_hz=100.0, duration_s=60.0, rate_bpm=75.0, jitter=0.03, noise=0.0, level=50.0, seed=0
    ):
        rng = np.random.default_rng(seed)
        interval = 60.0 / rate_bpm * (1 + jitter * rng.normal(size=int(duration_s * 5)))
        peak_s = 0.4 + np.cumsum(interval) - interval[0]
        peak_s = peak_s[peak_s < duration_s - 0.05]
        t = np.arange(round(duration_s * fs_hz)) / fs_hz
        period = 60.0 / rate_bpm
        all_s = np.concatenate(([0.4 - period], peak_s, [peak_s[-1] + period]))
        distance = (t[:, np.newaxis] - all_s) / period
        light = np.exp(-0.5 * (distance / 0.1) ** 2).sum(axis=1)
        light += 0.35 * np.exp(-0.5 * ((distance - 0.42) / 0.1) ** 2).sum(axis=1)
        return level + light + noise * rng.normal(size=t.size), peak_s

    return make


@pytest.fixture
def f1():
    """Return a scorer of event times: F1 within a tolerance, each event matched once."""

    def score(reference_s, estimate_s, tolerance_s=0.05):
        if len(estimate_s) == 0:
            return 0.0
        nearest = np.abs(np.subtract.outer(reference_s, estimate_s)).min(axis=1)
        hits = np.count_nonzero(nearest <= tolerance_s)
        return 2.0 * hits / (len(reference_s) + len(estimate_s))

    return score
