"""Preparation: the working grid keeps tones and levels, and knows nothing of the future."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.heartrate.preparation import WORK_HZ, prepare


def slow(light, fs_hz):
    return prepare(light, None, fs_hz=fs_hz, start_s=0.0, window_s=8.0, step_s=2.0).signals


@settings(max_examples=30, deadline=None)
@given(fs_hz=st.floats(20.0, 512.0), level=st.floats(-1e6, 1e6))
def test_a_constant_stays_one_at_any_rate(fs_hz, level):
    s = slow(np.full(round(12 * fs_hz), level), fs_hz)
    np.testing.assert_allclose(s.ppg, level, rtol=1e-12)
    assert s.fs_hz == pytest.approx(WORK_HZ, rel=1e-3)
    assert not s.usable.any()


@pytest.mark.parametrize("fs_hz", [25.0, 33.3, 64.0, 128.0, 500.0])
@pytest.mark.parametrize("tone_hz", [0.5, 1.5, 3.8])
def test_tones_of_the_pulse_band_keep_amplitude_and_phase(fs_hz, tone_hz):
    time_s = np.arange(round(20 * fs_hz)) / fs_hz
    s = slow(np.sin(2 * np.pi * tone_hz * time_s), fs_hz)
    expected = np.sin(2 * np.pi * tone_hz * np.arange(len(s.ppg)) / s.fs_hz)
    assert np.abs(s.ppg[10:-10, 0] - expected[10:-10]).max() < 0.02


def test_tones_that_would_alias_into_the_band_are_gone():
    time_s = np.arange(20 * 256) / 256.0
    s = slow(np.sin(2 * np.pi * 23.0 * time_s), 256.0)  # 2 Hz after folding at 12.5 Hz
    assert np.abs(s.ppg[10:-10]).max() < 0.01


def test_windows_end_before_the_filter_could_see_what_follows():
    light = np.sin(np.arange(3000) / 20.0)
    changed = light.copy()
    changed[2000:] += 100.0
    one, other = slow(light, 100.0), slow(changed, 100.0)
    past = np.arange(len(one.first)) * 2.0 + 8.0 <= 20.0
    np.testing.assert_array_equal(one.ppg_windows[past], other.ppg_windows[past])
    assert not np.array_equal(one.ppg_windows[~past], other.ppg_windows[~past])


@pytest.mark.parametrize("fs_hz", [20.0, 20.16, 22.4, 24.9, 25.0, 27.8, 31.37, 64.0])
@pytest.mark.parametrize("step_s", [0.3, 0.5, 2.0])
def test_no_window_knows_what_follows_at_any_rate_and_step(fs_hz, step_s):
    rng = np.random.default_rng(2)
    light, motion = rng.normal(size=round(14 * fs_hz)), rng.normal(size=(round(14 * fs_hz), 1))
    span = {"fs_hz": fs_hz, "start_s": 0.0, "window_s": 8.0, "step_s": step_s}
    whole = prepare(light, motion, **span)
    for window, end_s in enumerate(whole.end_s):
        follows = int(np.ceil(end_s * fs_hz - 1e-6))
        for unlike in (1e6, np.nan):
            changed, moved = light.copy(), motion.copy()
            changed[follows:] = moved[follows:] = unlike
            again = prepare(changed, moved, **span)
            for name in ("ppg_windows", "acc_windows", "usable"):
                one, other = getattr(whole.signals, name), getattr(again.signals, name)
                np.testing.assert_array_equal(one[window], other[window])
