"""Pulse detection: one contract for both methods, and real light against other libraries."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.ppg import METHODS, detect_pulses
from palpate.ppg.pulses import _far_enough
from palpate.validation import InputError

both = pytest.mark.parametrize("method", METHODS)


@both
@pytest.mark.parametrize("rate_bpm", [40.0, 60.0, 90.0, 140.0])
def test_every_pulse_is_found_to_a_sample(synthetic_light, f1, rate_bpm, method):
    light, peak_s = synthetic_light(rate_bpm=rate_bpm)
    found = detect_pulses(light, fs_hz=100.0, method=method)
    # Before the very end the next pulse is not there to outweigh a dicrotic wave.
    assert f1(peak_s, found[found < 59.0], 0.02) > 0.98
    assert f1(peak_s[peak_s < 58.0], found[found < 58.0], 0.02) == 1.0


@pytest.mark.parametrize("fs_hz", [50.0, 64.0, 100.0])
@pytest.mark.parametrize("rate_bpm", [213.0, 215.0, 220.0, 229.0])
def test_the_fastest_pulses_are_neither_jumps_nor_too_close(f1, rate_bpm, fs_hz):
    peak_s = np.arange(0.5, 119.0, 60.0 / rate_bpm)
    time_s = np.arange(round(120 * fs_hz)) / fs_hz
    light = np.exp(-0.5 * ((time_s[:, np.newaxis] - peak_s) / 0.04) ** 2).sum(axis=1)
    light += np.random.default_rng(0).normal(0.0, 0.003, time_s.size)
    assert f1(peak_s, detect_pulses(100.0 + light, fs_hz=fs_hz)) > 0.98


@pytest.mark.parametrize("rate_bpm", [170.0, 200.0, 220.0])
def test_fast_pulses_of_alternating_height_are_found(synthetic_light, f1, rate_bpm):
    light, peak_s = synthetic_light(rate_bpm=rate_bpm, jitter=0.0)
    t = np.arange(light.size) / 100.0
    alternans = 1.0 + 0.3 * np.cos(np.pi * (t - peak_s[0]) * rate_bpm / 60.0)
    found = detect_pulses((light - light.mean()) * alternans, fs_hz=100.0)
    assert f1(peak_s, found) > 0.98


@both
@pytest.mark.parametrize("fs_hz", [25.0, 31.25, 64.0, 256.0, 512.0])
def test_resampling_moves_no_pulse(synthetic_light, f1, fs_hz, method):
    light, peak_s = synthetic_light(fs_hz=fs_hz)
    found = detect_pulses(light, fs_hz=fs_hz, method=method)
    assert f1(peak_s, found, 0.02) == 1.0


@both
@settings(max_examples=15, deadline=None)
@given(gain=st.floats(1e-3, 1e4), offset=st.floats(-1e4, 1e4))
def test_gain_and_offset_move_no_pulse(method, gain, offset):
    t = np.arange(3000) / 100.0
    light = np.sin(2 * np.pi * 1.3 * t) ** 3
    before = detect_pulses(light, fs_hz=100.0, method=method)
    after = detect_pulses(gain * light + offset, fs_hz=100.0, method=method)
    np.testing.assert_allclose(after, before, atol=1e-3)


@both
@pytest.mark.parametrize("height", [100.0, 1e6, 1e12])
def test_one_spike_hides_no_pulse(synthetic_light, f1, height, method):
    light, peak_s = synthetic_light(noise=0.02)
    light[3000:3004] += height
    found = detect_pulses(light, fs_hz=100.0, method=method)
    away = np.abs(peak_s - 30.0) > 1.0
    assert f1(peak_s[away], found[np.abs(found - 30.0) > 1.0]) == 1.0


@both
def test_pulses_are_found_up_to_both_ends(synthetic_light, f1, method):
    light, peak_s = synthetic_light()
    cut = round((peak_s[-1] + 0.1) * 100)
    first = round((peak_s[0] - 0.1) * 100)
    found = detect_pulses(light[first:cut], fs_hz=100.0, method=method) + first / 100.0
    assert found[0] == pytest.approx(peak_s[0], abs=0.02)
    assert found[-1] == pytest.approx(peak_s[-1], abs=0.02)


@both
def test_a_fade_and_a_gain_change_hide_no_pulse(synthetic_light, f1, method):
    light, peak_s = synthetic_light(duration_s=120.0)
    fading = (light - 50.0) * np.linspace(1.0, 0.05, light.size)
    fading[6000:] *= 6.0
    assert f1(peak_s, detect_pulses(fading, fs_hz=100.0, method=method)) > 0.98


@both
def test_clipped_light_still_times_its_pulses(synthetic_light, f1, method):
    light, peak_s = synthetic_light()
    found = detect_pulses(np.minimum(light, 50.7), fs_hz=100.0, method=method)
    assert f1(peak_s, found) == 1.0


@both
def test_gaps_hold_no_pulses_and_dead_records_none(synthetic_light, method):
    light, _ = synthetic_light()
    light[2000:3000] = np.nan
    found = detect_pulses(light, fs_hz=100.0, method=method)
    assert not np.any((found > 20.0) & (found < 30.0))
    for n in (0, 1, 2, 3, 50, 1000):
        for fill in (0.0, np.nan, 3.0):
            dead = detect_pulses(np.full(n, fill), fs_hz=100.0, method=method)
            assert dead.size == 0


@both
def test_noise_costs_little(synthetic_light, f1, method):
    light, peak_s = synthetic_light(noise=0.25)
    assert f1(peak_s, detect_pulses(light, fs_hz=100.0, method=method), 0.1) > 0.95


def test_of_peaks_too_close_the_closest_pair_is_judged_first():
    kept = _far_enough(np.array([0, 10, 12]), np.array([4.0, 5.0, 6.0]), 11.0)
    np.testing.assert_array_equal(kept, [0, 12])  # left to right, only 12 would be left


def test_an_unknown_method_is_refused_with_the_choices():
    with pytest.raises(InputError, match="adaptive, elgendi"):
        detect_pulses(np.zeros(100), fs_hz=100.0, method="magic")


@both
@pytest.mark.parametrize(("example", "fs_hz"), [(0, 100.0), (2, 100.42)])
def test_real_light_agrees_with_neurokit2(f1, example, fs_hz, method):
    heartpy = pytest.importorskip("heartpy", reason="its wheel carries real PPG")
    neurokit2 = pytest.importorskip("neurokit2", reason="the second detector")
    light = np.asarray(heartpy.load_exampledata(example)[0], dtype=float)[:30000]
    clean = neurokit2.ppg_clean(light, sampling_rate=100)
    theirs = neurokit2.ppg_findpeaks(clean, sampling_rate=100)["PPG_Peaks"] / fs_hz
    ours = detect_pulses(light, fs_hz=fs_hz, method=method)
    assert f1(theirs, ours, 0.05) > 0.97


def test_real_light_agrees_with_heartpy(f1):
    heartpy = pytest.importorskip("heartpy", reason="its wheel carries real PPG")
    light = np.asarray(heartpy.load_exampledata(0)[0], dtype=float)
    working, _ = heartpy.process(light, 100.0)
    theirs = np.delete(working["peaklist"], working["removed_beats"]) / 100.0
    assert f1(theirs, detect_pulses(light, fs_hz=100.0), 0.05) > 0.95
