"""Motion cancellation against numpy's least squares, and what it leaves and takes."""

import numpy as np
import pytest

from palpate.heartrate import cancellation
from palpate.heartrate.cancellation import cancel_motion, learn_filters, window_portions
from palpate.heartrate.preparation import prepare
from palpate.heartrate.spectra import power, rate_axis, window_spectra


def cancelled(s, axis, *, look_ahead=True):
    return cancel_motion(s, axis, learn_filters(s, look_ahead=look_ahead), slice(None))


@pytest.fixture
def signals(wrist):
    def make(**how):
        w = wrist(100.0, 62.0, **how)
        return prepare(w.ppg, w.acc, fs_hz=w.fs_hz, start_s=0.0, window_s=8.0, step_s=2.0).signals

    return make


@pytest.mark.parametrize("look_ahead", [False, True])
def test_the_filters_solve_the_pooled_least_squares_problem(signals, look_ahead, monkeypatch):
    monkeypatch.setattr(cancellation, "RIDGE", 1e-9)
    monkeypatch.setattr(cancellation, "CORRELATION_NFFT", 1500)
    s = signals(duration_s=24.0)
    axis = rate_axis(s)
    light, motion = window_spectra(s.ppg_windows, axis), window_spectra(s.acc_windows, axis)
    lags = cancellation.LAG_S * (np.arange(cancellation.LAGS) - cancellation.LAGS // 2)
    delay = np.exp(-2j * np.pi * np.outer(axis.frequency_hz, lags))
    now, channel = 4, 1
    count = len(s.first)
    fade = np.exp(-np.abs(np.subtract.outer(range(count), range(count))) * 2.0 / 8.0)
    fade = fade if look_ahead else np.tril(fade)
    light_power = power(light[..., channel]).sum(axis=1)
    motion_power = power(motion).sum(axis=(1, 2))
    miss_power = light_power + motion_power * (fade @ light_power) / (fade @ motion_power)
    rows, target = [], []
    for k in range(count):
        share = np.sqrt(fade[now, k] / miss_power[k])
        taps = (motion[k][:, :, np.newaxis] * delay[:, np.newaxis, :]).reshape(light.shape[1], -1)
        rows += [share * taps.real, share * taps.imag]
        target += [share * light[k, :, channel].real, share * light[k, :, channel].imag]
    best = np.linalg.lstsq(np.concatenate(rows), np.concatenate(target), rcond=None)[0]
    taps = (motion[now][:, :, np.newaxis] * delay[:, np.newaxis, :]).reshape(light.shape[1], -1)
    explained = cancelled(s, axis, look_ahead=look_ahead).explained[now, :, channel]
    expected = taps @ best
    assert np.abs(explained - expected).max() < 1e-3 * np.abs(expected).max()


def test_coarse_spectra_give_the_filters_of_fine_ones(signals, monkeypatch):
    s = signals(duration_s=30.0)
    axis = rate_axis(s)
    coarse = cancelled(s, axis).explained
    monkeypatch.setattr(cancellation, "CORRELATION_NFFT", 1500)
    fine = cancelled(s, axis).explained
    assert np.abs(coarse - fine).max() < 0.02 * np.abs(fine).max()


def test_motion_goes_and_the_pulse_stays(signals):
    dirty, clean = signals(), signals(motion=0.0)
    axis = rate_axis(dirty)
    rest = power(cancelled(dirty, axis).rest)[10:-10, :, 0]
    raw = power(window_spectra(dirty.ppg_windows, axis))[10:-10, :, 0]
    pulse = power(window_spectra(clean.ppg_windows, axis))[10:-10, :, 0]
    cadence, beat = 62 - axis.first_bin, 100 - axis.first_bin
    assert (rest[:, cadence] < 0.01 * raw[:, cadence]).all()
    assert np.median(rest[:, beat] / pulse[:, beat]) == pytest.approx(1.0, abs=0.1)


def test_a_turn_of_the_arm_that_leaves_the_light_alone_spoils_little(signals):
    turned = signals(duration_s=60.0)
    burst = slice(14, 18)
    noise = np.random.default_rng(0).normal(size=turned.acc_windows[burst].shape)
    turned.acc_windows[burst] += 10.0 * turned.acc_windows.std() * noise
    axis = rate_axis(turned)
    cadence = 62 - axis.first_bin
    left = power(cancelled(turned, axis).rest)[10:12, cadence].mean()
    raw = power(window_spectra(turned.ppg_windows, axis))[10:12, cadence].mean()
    assert left < 0.15 * raw  # 0.31 if windows counted by their light alone


def test_nothing_is_learned_from_windows_without_light(signals):
    s = signals(duration_s=60.0)
    s.ppg_windows[14:18] = 0.0
    axis = rate_axis(s)
    cadence = 62 - axis.first_bin
    left = power(cancelled(s, axis).rest)[10:14, cadence].mean()
    raw = power(window_spectra(s.ppg_windows, axis))[10:14, cadence].mean()
    assert left < 0.005 * raw


def test_without_axes_nothing_is_explained(signals, wrist):
    w = wrist(duration_s=20.0)
    s = prepare(w.ppg, None, fs_hz=w.fs_hz, start_s=0.0, window_s=8.0, step_s=2.0).signals
    axis = rate_axis(s)
    result = cancelled(s, axis)
    assert not result.explained.any()
    np.testing.assert_array_equal(result.rest, window_spectra(s.ppg_windows, axis))


def test_portions_give_what_the_whole_gives(signals, monkeypatch):
    s = signals(duration_s=40.0)
    axis = rate_axis(s)
    whole = cancelled(s, axis).rest
    monkeypatch.setattr(cancellation, "WINDOWS_AT_ONCE", 5)
    assert len(window_portions(s)) == 4
    filters = learn_filters(s, look_ahead=True)
    parts = [cancel_motion(s, axis, filters, part).rest for part in window_portions(s)]
    np.testing.assert_allclose(np.concatenate(parts), whole, atol=1e-9 * np.abs(whole).max())
