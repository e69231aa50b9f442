"""Bounding the change of the light: what goes and what stays."""

import numpy as np
import pytest

from palpate.heartrate import estimate
from palpate.heartrate.transients import without_jumps

TIME_S = np.arange(200) / 25.0


def pulse(rate_hz):
    return np.sin(2 * np.pi * rate_hz * TIME_S) + 0.4 * np.sin(4 * np.pi * rate_hz * TIME_S + 1.0)


@pytest.mark.parametrize("rate_hz", [0.5, 1.3, 3.8])
def test_a_pulse_stays_as_it_is(rate_hz):
    light = pulse(rate_hz)[np.newaxis, :, np.newaxis]
    np.testing.assert_allclose(without_jumps(light), light, atol=1e-12)


def test_a_pulse_that_is_clipped_much_of_the_time_is_not_silenced():
    light = np.maximum(pulse(1.3), 0.2)[np.newaxis, :, np.newaxis]
    assert np.mean(np.diff(light, axis=1) == 0.0) > 0.35
    bounded = without_jumps(light)
    assert np.corrcoef(bounded.ravel(), light.ravel())[0, 1] > 0.98


def test_a_step_shrinks_to_a_pulse_and_each_channel_is_judged_alone():
    light = np.stack([pulse(1.3), pulse(1.3)], axis=1)[np.newaxis]
    jumped = light.copy()
    jumped[:, 90:, 0] += 50.0
    bounded = without_jumps(jumped)
    assert np.ptp(bounded[0, :, 0]) < 2.0 * np.ptp(light[0, :, 0])
    np.testing.assert_allclose(bounded[..., 1], light[..., 1], atol=1e-12)


@pytest.mark.parametrize(("method", "bound_bpm"), [("robust", 1.0), ("robust_online", 2.0)])
def test_steps_of_twenty_pulses_do_not_hide_the_rate(wrist, method, bound_bpm):
    w = wrist(105.0, 80.0, motion=1.0)
    rng = np.random.default_rng(0)
    ppg = w.ppg.copy()
    for sample in rng.integers(0, len(ppg), 25):
        ppg[sample:] += 20.0 * rng.normal() * np.array([5.0, -2.0])
    rates = estimate(ppg, w.acc, fs_hz=w.fs_hz, method=method)
    assert np.abs(rates.hr_bpm - w.true_bpm).mean() < bound_bpm
