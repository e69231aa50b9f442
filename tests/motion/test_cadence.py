"""Cadence of known oscillations."""

import numpy as np
import pytest

from palpate.motion import motion_windows


@pytest.mark.parametrize("swing_hz", [0.5, 0.8, 0.97, 1.4, 2.3, 3.3])
@pytest.mark.parametrize("fs_hz", [25.0, 100.0])
def test_cadence_of_a_known_swing(swinging_arm, swing_hz, fs_hz):
    acc = swinging_arm(fs_hz=fs_hz, swing_hz=swing_hz, noise_g=0.02)
    table = motion_windows(acc, fs_hz=fs_hz, unit="g")
    assert table["cadence_per_min"] == pytest.approx(60 * swing_hz, abs=1.0)
    assert table["periodicity"].min() > 0.9


def test_the_strongest_line_may_be_a_harmonic_of_the_cadence():
    t = np.arange(3000) / 50.0
    arm = 0.1 * np.sin(2 * np.pi * 0.9 * t) + 0.4 * np.sin(2 * np.pi * 1.8 * t + 0.3)
    acc = np.stack([arm, 0 * t, 1 + 0 * t], axis=1)
    table = motion_windows(acc, fs_hz=50.0, unit="g")
    assert table["cadence_line_per_min"] == pytest.approx(108.0, abs=1.0)
    assert table["cadence_per_min"] == pytest.approx(108.0, abs=1.0) or table[
        "cadence_per_min"
    ] == pytest.approx(54.0, abs=1.0)


def test_noise_has_no_cadence():
    acc = 0.2 * np.random.default_rng(3).normal(size=(60 * 50, 3)) + [0, 0, 1]
    table = motion_windows(acc, fs_hz=50.0, unit="g")
    assert np.isnan(table["cadence_per_min"]).mean() > 0.9
    assert table["periodicity"].max() < 0.45
