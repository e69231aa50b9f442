from __future__ import annotations

import numpy as np
import pytest
from scipy.io import loadmat

from palpate.ecg import detect_qrs
from palpate.explanation import light_clock
from palpate.explanation.light_clock import ARRIVAL_S

FS_HZ = 32.0


def heart(duration_s: float, *, swing_bpm: float = 25.0, seed: int = 0) -> np.ndarray:
    """Beats of a rate that wanders around 100 bpm."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(0.0, duration_s, 0.05)
    slow = np.cumsum(rng.normal(size=time_s.size)) * 0.02
    rate_bpm = 100.0 + swing_bpm * np.sin(2 * np.pi * time_s / 150.0) + min(swing_bpm, 5.0) * slow
    cycles = np.cumsum(rate_bpm) * 0.05 / 60.0
    return np.interp(np.arange(1.0, cycles[-1]), cycles, time_s)


def light(beats: np.ndarray, duration_s: float, *, late_s: float, noise: float = 0.0) -> np.ndarray:
    """A sine per beat, its rise `late_s` after the beat, plus noise of that RMS ratio."""
    time_s = np.arange(round(duration_s * FS_HZ)) / FS_HZ
    turns = np.interp(time_s - late_s, beats, np.arange(beats.size))
    wave = np.sqrt(2.0) * np.cos(2 * np.pi * turns)
    return wave + noise * np.random.default_rng(1).normal(size=time_s.size)


@pytest.mark.parametrize("off_s", [-20.0, -1.0, 0.0, 4.3, 20.0])
def test_an_offset_is_found_and_lies_in_its_interval(off_s):
    beats = heart(400.0)
    found = light_clock(
        light(beats, 400.0, late_s=ARRIVAL_S - off_s, noise=3.0), beats, fs_hz=FS_HZ
    )
    assert found.known
    assert found.offset_s == pytest.approx(off_s, abs=0.1)
    assert abs(found.offset_s - off_s) <= found.within_s < 1.0


@pytest.mark.parametrize("off_s", [-240.0, 95.0])
def test_a_clock_that_is_minutes_off_is_found(off_s):
    beats = heart(960.0)
    found = light_clock(
        light(beats, 960.0, late_s=ARRIVAL_S, noise=2.0), beats + off_s, fs_hz=FS_HZ
    )
    assert found.known
    assert abs(found.offset_s - off_s) <= found.within_s < 1.0


def test_drift_is_found_where_it_shows():
    beats = heart(5400.0)
    time_s = np.arange(round(5400.0 * FS_HZ)) / FS_HZ
    right_s = time_s * (1.0 + 150e-6) + 2.0
    turns = np.interp(right_s - ARRIVAL_S, beats, np.arange(beats.size))
    found = light_clock(np.cos(2 * np.pi * turns), beats, fs_hz=FS_HZ)
    assert found.drift_ppm == pytest.approx(150.0, abs=60.0)
    np.testing.assert_allclose(found.right_s(time_s[::1000]), right_s[::1000], atol=0.35)


def test_gain_polarity_channels_and_gaps_do_not_matter():
    beats = heart(300.0)
    values = light(beats, 300.0, late_s=ARRIVAL_S - 2.0, noise=1.0)
    plain = light_clock(values, beats, fs_hz=FS_HZ)
    changed = np.column_stack([-3e4 * values + 1e6, np.zeros(values.size)])
    changed[1000:1100] = np.nan
    assert light_clock(changed, beats, fs_hz=FS_HZ).offset_s == pytest.approx(
        plain.offset_s, abs=0.05
    )


def test_a_later_start_moves_both_alike():
    beats = heart(300.0)
    values = light(beats, 300.0, late_s=ARRIVAL_S)
    found = light_clock(values, beats + 1000.0, fs_hz=FS_HZ, start_s=1000.0)
    assert found.offset_s == pytest.approx(0.0, abs=0.1)


def test_a_steadier_heart_gives_a_wider_interval():
    widths = []
    for swing_bpm in (30.0, 8.0):
        beats = heart(400.0, swing_bpm=swing_bpm)
        found = light_clock(light(beats, 400.0, late_s=ARRIVAL_S, noise=2.0), beats, fs_hz=FS_HZ)
        widths.append(found.within_s)
    assert widths[1] > 1.5 * widths[0]


def test_a_heart_without_change_is_refused_or_wide_open():
    beats = np.arange(0.0, 400.0, 0.6)
    found = light_clock(light(beats, 400.0, late_s=ARRIVAL_S, noise=1.0), beats, fs_hz=FS_HZ)
    assert not found.known or found.within_s > 30.0


def test_light_of_another_heart_is_refused():
    refused = 0
    for seed in range(10):
        other = light(heart(400.0, seed=seed + 100), 400.0, late_s=0.0)
        refused += not light_clock(other, heart(400.0, seed=seed), fs_hz=FS_HZ).known
    # Both wander by the same slow sine, as two people do who follow one protocol.
    assert refused >= 9


def test_noise_is_refused():
    rng = np.random.default_rng(2)
    for seed in range(20):
        found = light_clock(
            rng.normal(size=round(300 * FS_HZ)), heart(300.0, seed=seed), fs_hz=FS_HZ
        )
        assert not found.known
        assert found.reason == "the light follows the heart at no one shift"
        assert np.isnan(found.offset_s)


def test_too_few_shared_beats_are_refused_with_a_reason():
    found = light_clock(np.zeros(1000), np.arange(500.0, 600.0), fs_hz=FS_HZ)
    assert found.reason == "light and ECG share fewer than 60 beats"
    np.testing.assert_array_equal(found.right_s(np.array([1.0, 2.0])), [1.0, 2.0])


def test_light_of_runners_tells_the_clock_of_the_ecg(data_dir):
    """IEEE Signal Processing Cup 2015: one recorder took ECG and light, so the offset is 0."""
    for name in ("DATA_03_TYPE02", "DATA_08_TYPE02"):
        rows = loadmat(data_dir / "datasets" / "ieee_spc2015" / f"{name}.mat")["sig"].T
        beats_s = detect_qrs(rows[:, 0], fs_hz=125.0) / 125.0
        for moved_s in (-20.0, 0.0, 7.3):
            found = light_clock(rows[:, 1:3], beats_s + moved_s, fs_hz=125.0)
            assert found.offset_s == pytest.approx(moved_s, abs=0.2)
            assert found.within_s < 0.5
