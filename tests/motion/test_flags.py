"""Motion flags: one record per word, hysteresis, and real recordings."""

import numpy as np
import pytest

from palpate.conditioning import resample
from palpate.motion import FLAGS, motion_flags, motion_windows
from palpate.motion.flags import schmitt
from palpate.signals import WindowTable

FS_HZ = 64.0


def flags_of(acc):
    return motion_flags(motion_windows(acc, fs_hz=FS_HZ, unit="g"))


def at_rest(n, seed=0):
    return 0.004 * np.random.default_rng(seed).normal(size=(n, 3)) + [0.6, 0.0, 0.8]


def test_a_resting_wrist_is_still():
    assert set(flags_of(at_rest(3000))) == {"still"}


def test_a_swinging_arm_is_rhythmic(swinging_arm):
    assert set(flags_of(swinging_arm(noise_g=0.02))) == {"rhythmic"}


def test_a_rattling_handlebar_is_shaking():
    acc = at_rest(3000) + 0.2 * np.random.default_rng(1).normal(size=(3000, 3))
    assert set(flags_of(acc)) == {"shaking"}


def test_irregular_lifts_are_bursty():
    rng = np.random.default_rng(2)
    acc = at_rest(64 * 120)
    t = np.arange(64 * 2) / FS_HZ
    start = 0
    while start < acc.shape[0] - t.size:
        heave = np.sin(np.pi * t / 2) * np.sin(2 * np.pi * rng.uniform(0.6, 1.6) * t)
        acc[start : start + t.size] += heave[:, np.newaxis] * rng.normal(scale=0.5, size=3)
        start += int(FS_HZ * rng.uniform(2.0, 6.0))
    found = flags_of(acc)
    assert np.mean(found == "bursty") > 0.8


def test_missing_data_are_unknown():
    acc = at_rest(64 * 60)
    acc[64 * 20 : 64 * 40] = np.nan
    found = flags_of(acc)
    assert "unknown" in found
    assert found[0] == "still"


def test_hysteresis_keeps_an_answer_between_the_limits_and_forgets_at_gaps():
    values = np.array([0.5, 0.7, 0.5, 0.5, 0.3, 0.5, 0.7, np.nan, 0.5])
    held = schmitt(values, on=0.6, off=0.4, known=np.isfinite(values))
    np.testing.assert_array_equal(held, [0, 1, 1, 1, 0, 0, 1, 0, 0])


def test_a_flag_does_not_flicker_about_its_limit():
    n = 40
    swing = 0.0225 * (1 + 0.2 * np.resize([1, -1], n))
    table = WindowTable(
        2.0 * np.arange(n),
        2.0 * np.arange(n) + 8.0,
        {"swing_rms_g": swing, "shake_rms_g": np.zeros(n), "periodicity": np.zeros(n)},
    )
    found = motion_flags(table)
    assert np.count_nonzero(found[1:] != found[:-1]) <= 1


def test_an_empty_table_has_no_flags():
    assert motion_flags(motion_windows(np.ones((5, 3)), fs_hz=FS_HZ, unit="g")).shape == (0,)


@pytest.mark.parametrize(("record", "least"), [("s3_run", 0.9), ("s3_walk", 0.7), ("s5_run", 0.9)])
def test_walking_and_running_on_a_treadmill_are_rhythmic(wrist_channels, record, least):
    acc = wrist_channels(record, (8, 9, 10))
    found = motion_flags(motion_windows(acc, fs_hz=256.0, unit="m/s2"))
    assert set(found) <= set(FLAGS)
    assert np.mean(found == "rhythmic") > least


# The low-resistance ride sits between bursty and shaking throughout; it is the hardest.
@pytest.mark.parametrize(("record", "least"), [("s3_walk", 0.97), ("s3_low_resistance_bike", 0.85)])
def test_flags_of_real_motion_hold_at_25_hz_with_noise_and_uncalibrated(
    wrist_channels, record, least
):
    acc = wrist_channels(record, (8, 9, 10))
    flags = motion_flags(motion_windows(acc, fs_hz=256.0, unit="m/s2"))
    slow = resample(acc, fs_hz=256.0, to_hz=25.0)
    noisy = acc + 0.05 * np.random.default_rng(0).normal(size=acc.shape)
    for changed, fs_hz in ((slow, 25.0), (noisy, 256.0), (1.05 * acc + [0.3, -0.3, 0.2], 256.0)):
        again = motion_flags(motion_windows(changed, fs_hz=fs_hz, unit="m/s2"))
        common = min(flags.size, again.size)
        assert np.mean(flags[:common] == again[:common]) > least
