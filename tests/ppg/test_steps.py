"""Jumps of level: known places and sizes, and what is no jump."""

import numpy as np
import pytest

from palpate.ppg.steps import find_steps, remove_steps


@pytest.mark.parametrize("fs_hz", [25.0, 100.0, 256.0])
@pytest.mark.parametrize("size", [10.0, -6.0])
def test_a_known_jump_is_found_and_taken_out(synthetic_light, fs_hz, size):
    light, _ = synthetic_light(fs_hz=fs_hz)
    at = round(20 * fs_hz)
    stepped = light + size * (np.arange(light.size) >= at)
    found = find_steps(stepped, fs_hz=fs_hz)
    np.testing.assert_allclose(found.sample, [at], atol=0.1 * fs_hz)
    np.testing.assert_allclose(found.size, [size], atol=0.5)
    assert found.swings[0] > 2.5
    level = remove_steps(stepped, found, fs_hz=fs_hz)
    assert np.abs(np.median(level[: at // 2]) - np.median(level[-at // 2 :])) < 0.5


@pytest.mark.parametrize("rate_bpm", [40.0, 75.0, 180.0])
def test_pulses_ramps_and_noise_are_no_jumps(synthetic_light, rate_bpm):
    light, _ = synthetic_light(rate_bpm=rate_bpm)
    ramp = np.linspace(0, 300, light.size)
    noise = np.random.default_rng(0).normal(size=light.size)
    for values in (light, light + ramp, ramp, light + noise, np.zeros(light.size)):
        assert find_steps(values, fs_hz=100.0).sample.size == 0


@pytest.mark.parametrize("rate_bpm", [213.0, 215.0, 230.0])
def test_pulses_nearly_in_step_with_the_quarter_seconds_are_no_jumps(rate_bpm):
    time_s = np.arange(300 * 64) / 64
    light = 100.0 + 3.0 * (0.5 + 0.5 * np.sin(2 * np.pi * rate_bpm / 60.0 * time_s)) ** 2
    assert find_steps(light, fs_hz=64.0).sample.size == 0
    found = find_steps(light + 15.0 * (time_s >= 100.0), fs_hz=64.0)
    np.testing.assert_allclose(found.sample, [6400], atol=8)


def test_several_jumps_are_told_apart(synthetic_light):
    light, _ = synthetic_light()
    n = np.arange(light.size)
    stepped = light + 8.0 * (n >= 1500) - 12.0 * (n >= 3500) + 5.0 * (n >= 4800)
    np.testing.assert_allclose(find_steps(stepped, fs_hz=100.0).sample, [1500, 3500, 4800], atol=10)
