"""Cadence of known oscillations."""

import numpy as np
import pytest

from palpate.conditioning import resample, window_samples, windowed, zero_phase
from palpate.motion import cadence, motion_windows
from palpate.motion.intensity import motion_spectrum


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


@pytest.mark.parametrize("record", ["s2_low_resistance_bike", "s3_walk", "s4_run"])
def test_the_gyroscope_agrees_on_the_cadence_of_real_exercise(wrist_channels, record):
    both = {}
    for name, channels in (("acc", (8, 9, 10)), ("gyro", (2, 3, 4))):
        slow = resample(wrist_channels(record, channels), fs_hz=256.0, to_hz=32.0)
        motion = zero_phase(slow, fs_hz=32.0, low_hz=0.3, high_hz=10.0)
        windows = windowed(motion, *window_samples(len(motion), fs_hz=32.0))
        spectrum = motion_spectrum(windows, fs_hz=32.0)
        both[name] = cadence(windows, *spectrum, fs_hz=32.0)
    periodic = (both["acc"].periodicity > 0.55) & (both["gyro"].periodicity > 0.55)
    assert periodic.mean() > 0.7
    ratio = both["acc"].per_min[periodic] / both["gyro"].per_min[periodic]
    assert np.mean(np.abs(ratio - 1.0) < 0.03) > 0.9
