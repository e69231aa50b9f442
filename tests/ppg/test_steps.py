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


def test_several_jumps_are_told_apart(synthetic_light):
    light, _ = synthetic_light()
    n = np.arange(light.size)
    stepped = light + 8.0 * (n >= 1500) - 12.0 * (n >= 3500) + 5.0 * (n >= 4800)
    np.testing.assert_allclose(find_steps(stepped, fs_hz=100.0).sample, [1500, 3500, 4800], atol=10)
