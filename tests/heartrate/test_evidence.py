"""Evidence per rate: Bretthorst's form, harmonics, silence; and the phase's refinement."""

import numpy as np
import pytest

from palpate.heartrate import evidence
from palpate.heartrate.cancellation import Cancelled, cancel_motion, learn_filters
from palpate.heartrate.evidence import log_evidence
from palpate.heartrate.preparation import prepare
from palpate.heartrate.refinement import phase_refined
from palpate.heartrate.spectra import power, rate_axis

FS_HZ = 25.0


def signals_of(light):
    return prepare(light, None, fs_hz=FS_HZ, start_s=0.0, window_s=8.0, step_s=2.0).signals


def split(s, axis):
    return cancel_motion(s, axis, learn_filters(s, look_ahead=True), slice(None))


def weigh(light):
    s = signals_of(light)
    axis = rate_axis(s)
    cancelled = split(s, axis)
    return log_evidence(cancelled, s.usable, axis, fresh_s=2.0), axis.rate_bpm


def tone(rate_bpm, duration_s=20.0):
    return np.sin(2 * np.pi * rate_bpm / 60.0 * np.arange(round(duration_s * FS_HZ)) / FS_HZ)


def test_white_noise_gives_the_evidence_of_bretthorst_1988_chapter_2(monkeypatch):
    monkeypatch.setattr(evidence, "HARMONIC", 0.0)
    monkeypatch.setattr(evidence, "_colour", lambda rest, _: np.ones_like(rest))
    monkeypatch.setattr(evidence, "_above_drift", lambda rest: rest)
    s = signals_of(np.random.default_rng(1).standard_normal(2000) + 0.5 * tone(97.0, 80.0))
    axis = rate_axis(s)
    cancelled = split(s, axis)
    found = log_evidence(cancelled, s.usable, axis, fresh_s=2.0)
    rest = power(cancelled.rest)[:, :, 0]
    share = axis.line_bins * rest[:, axis.candidates] / rest.sum(axis=1, keepdims=True)
    np.testing.assert_allclose(found, -evidence.EVIDENCE_PER_S * 2.0 * np.log(1.0 - share))


def test_a_falling_flank_is_drift_and_what_rises_from_it_a_line():
    rest = np.array([9.0, 5.0, 2.0, 4.0, 8.0, 3.0, 1.0]).reshape(1, -1, 1)
    expected = [0.0, 0.0, 0.0, 2.0, 6.0, 1.0, 0.0]
    np.testing.assert_array_equal(evidence._above_drift(rest).ravel(), expected)


def test_a_line_speaks_louder_than_noise():
    noise = np.random.default_rng(2).standard_normal(500)
    clear, _ = weigh(3.0 * tone(97.0) + noise)
    empty, _ = weigh(noise)
    assert np.ptp(clear, axis=1).min() > 2.0 * np.ptp(empty, axis=1).max()


@pytest.mark.parametrize("rate_bpm", [50.0, 80.0, 110.0])
def test_neither_half_nor_double_the_rate_is_credited_with_the_pulse(rate_bpm):
    noise = 0.3 * np.random.default_rng(3).standard_normal(500)
    found, rates = weigh(tone(rate_bpm) + 0.7 * tone(2.0 * rate_bpm) + noise)
    assert np.abs(rates[found.argmax(axis=1)] - rate_bpm).max() <= 2.0


def test_unusable_channels_are_not_heard_and_silence_is_flat():
    light = np.column_stack([tone(90.0), tone(140.0)])
    s = signals_of(light)
    axis = rate_axis(s)
    cancelled = split(s, axis)
    first_only = np.tile([True, False], (len(s.first), 1))
    alone, _ = weigh(light[:, 0])
    np.testing.assert_allclose(log_evidence(cancelled, first_only, axis, fresh_s=2.0), alone)
    silent = log_evidence(cancelled, np.zeros_like(first_only), axis, fresh_s=2.0)
    assert not silent.any()


def test_a_dark_window_has_no_evidence():
    axis = rate_axis(signals_of(tone(90.0)))
    dark = np.zeros((3, axis.frequency_hz.size, 1), dtype=complex)
    found = log_evidence(Cancelled(dark, dark), np.ones((3, 1), dtype=bool), axis, fresh_s=2.0)
    assert not found.any()


@pytest.mark.parametrize("rate_bpm", [61.3, 97.71, 203.2])
def test_phase_finds_the_fraction_of_a_bpm_that_the_track_lacks(rate_bpm):
    s = signals_of(tone(rate_bpm, 60.0))
    axis = rate_axis(s)
    rest = split(s, axis).rest
    coarse = np.full(len(s.first), round(rate_bpm) + 1.0)
    once = phase_refined(coarse, rest, axis, half_span=2, step_s=2.0)
    twice = phase_refined(once, rest, axis, half_span=2, step_s=2.0)
    np.testing.assert_allclose(once - rate_bpm, 0.5 * (coarse - rate_bpm), atol=0.02)
    np.testing.assert_allclose(twice - rate_bpm, 0.25 * (coarse - rate_bpm), atol=0.02)


def test_phase_says_nothing_in_the_dark():
    axis = rate_axis(signals_of(tone(90.0)))
    dark = np.zeros((3, axis.frequency_hz.size, 1), dtype=complex)
    kept = phase_refined(np.full(3, 90.0), dark, axis, half_span=2, step_s=2.0)
    np.testing.assert_array_equal(kept, 90.0)
