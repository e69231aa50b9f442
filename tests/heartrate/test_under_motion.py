"""Known pulses under known motion: what each method can and cannot do."""

import numpy as np
import pytest
from scipy import signal

from palpate.heartrate import estimate
from palpate.heartrate.adaptive import cancelled_light
from palpate.heartrate.preparation import prepare

best = pytest.mark.parametrize("method", ["robust", "robust_online"])


def mean_error(w, method, skip=0):
    rates = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
    return np.abs(rates.hr_bpm - w.true_bpm)[skip:].mean()


@best
@pytest.mark.parametrize("rate_bpm", [45.0, 85.0, 130.0, 190.0])
@pytest.mark.parametrize("cadence_per_min", [57.0, 102.0, 160.0])
def test_a_pulse_under_thrice_its_motion_is_found(wrist, method, rate_bpm, cadence_per_min):
    w = wrist(rate_bpm, cadence_per_min)
    assert mean_error(w, method) < 1.5


@best
@pytest.mark.parametrize(
    ("window_s", "step_s"), [(8, 0.5), (8, 1), (8, 4), (8, 8), (6, 3), (16, 2)]
)
def test_other_windows_and_steps_serve_alike(wrist, method, window_s, step_s):
    w = wrist(105.0, 80.0)
    rates = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, window_s=window_s, step_s=step_s, method=method)
    assert np.abs(rates.hr_bpm - 105.0).mean() < 1.5


def test_the_conventional_band_locks_to_the_cadence_and_adaptive_does_not(wrist):
    w = wrist(90.0, 70.0)
    rates = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method="conventional")
    assert np.median(np.abs(rates.hr_bpm - 70.0)) < 2.0
    assert mean_error(w, "adaptive", skip=4) < 2.0


@pytest.mark.parametrize(("method", "bound_bpm"), [("robust", 1.5), ("robust_online", 3.0)])
def test_the_cadence_may_cross_the_pulse(wrist, method, bound_bpm):
    w = wrist(np.array([80.0, 100.0, 120.0]), np.array([110.0, 100.0, 90.0]), duration_s=180.0)
    assert mean_error(w, method) < bound_bpm


@pytest.mark.parametrize(("method", "bound_bpm"), [("robust", 1.5), ("robust_online", 3.0)])
def test_a_steep_onset_is_followed(wrist, method, bound_bpm):
    # 60 bpm with a time constant of 57.6 s: Hunt 2015, doi 10.1186/s12938-015-0112-7
    course = 90.0 + 60.0 * (1.0 - np.exp(-np.linspace(0.0, 180.0, 91) / 57.6))
    w = wrist(course, 150.0, duration_s=180.0)
    assert mean_error(w, method) < bound_bpm


@best
def test_a_second_harmonic_stronger_than_the_pulse_does_not_double_it(wrist, method):
    w = wrist(75.0, 51.0, motion=0.5, second_harmonic=1.0)
    assert mean_error(w, method) < 1.5


@best
def test_confidence_tells_a_pulse_from_motion_without_one(wrist, method):
    w = wrist(95.0, 70.0)
    noise = np.random.default_rng(8).standard_normal(len(w.acc))
    motion_only = w.acc @ np.array([3.0, 1.0, 2.0]) + noise
    with_pulse = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
    without = estimate(motion_only, w.acc, fs_hz=w.fs_hz, method=method)
    assert np.median(with_pulse.confidence) > 0.9
    assert np.median(without.confidence) < 0.3


@best
def test_confidence_is_lower_where_nothing_measures_motion(wrist, method):
    w = wrist(95.0, 70.0, motion=0.0)
    at_rest = np.tile([0.0, 0.0, 1.0], (len(w.ppg), 1))
    measured = estimate(w.ppg, at_rest, fs_hz=w.fs_hz, method=method)
    unmeasured = estimate(w.ppg, None, fs_hz=w.fs_hz, method=method)
    np.testing.assert_allclose(unmeasured.hr_bpm, measured.hr_bpm, atol=1e-6)
    assert (unmeasured.confidence < 0.8 * measured.confidence).all()


@best
def test_confidence_is_lower_only_while_nothing_measures_motion(wrist, method):
    w = wrist(138.0, 96.0, motion=2.0, duration_s=240.0)
    half = len(w.acc) // 2
    measured = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
    before, after = measured.end_s <= 110.0, measured.start_s >= 130.0
    for lost_axes in (slice(0, 3), slice(1, 2)):
        acc = w.acc.copy()
        acc[half:, lost_axes] = np.nan
        partly = estimate(w.ppg, acc, fs_hz=w.fs_hz, method=method)
        assert np.median(partly.confidence[before]) > 0.9
        assert partly.confidence[after].max() < 0.8
        assert partly.source == method


@best
def test_a_dead_axis_is_no_whole_accelerometer_and_a_short_gap_is_no_dead_axis(wrist, method):
    w = wrist(95.0, 70.0, motion=0.0, duration_s=40.0)
    dead, gap = w.acc.copy(), w.acc.copy()
    dead[:, 2] = np.nan
    gap[900:930] = np.nan
    whole, dead_bpm, gap_bpm = (
        estimate(w.ppg, acc, fs_hz=w.fs_hz, method=method) for acc in (w.acc, dead, gap)
    )
    assert (dead_bpm.confidence < 0.8 * whole.confidence).all()
    assert (gap_bpm.confidence > 0.9 * whole.confidence).all()


def test_the_online_lag_is_below_a_second_and_the_whole_record_has_less(wrist):
    w = wrist(np.array([70.0, 130.0]), 155.0, duration_s=120.0)  # 0.5 bpm per second
    lag = {}
    for method in ("robust", "robust_online"):
        error = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method).hr_bpm - w.true_bpm
        lag[method] = -np.mean(error[5:-5]) / 0.5
    assert abs(lag["robust"]) < 0.3
    assert abs(lag["robust_online"]) < 1.0


def test_adaptive_takes_out_linear_motion_and_leaves_the_pulse(wrist):
    w = wrist(100.0, 62.0, noise=0.0, motion=6.0)
    still = wrist(100.0, 62.0, noise=0.0, motion=0.0)
    signals = [
        prepare(x.ppg, x.acc, fs_hz=x.fs_hz, start_s=0.0, window_s=8.0, step_s=2.0).signals
        for x in (w, still)
    ]
    dirty, clean = (cancelled_light(s)[750:, 0] for s in signals)
    raw = signals[0].ppg[750:, 0]
    assert np.corrcoef(raw, clean)[0, 1] < 0.5
    assert np.corrcoef(dirty, clean)[0, 1] > 0.9


@best
def test_a_slow_shift_of_grip_is_no_slow_pulse(wrist, method):
    """Below 0.4 Hz the light moves by ten pulses for 20 s; its flank reaches to 30 bpm."""
    w = wrist(np.array([110.0, 150.0]), motion=0.3)
    n = len(w.ppg)
    shift = np.random.default_rng(5).standard_normal(n)
    shift = signal.sosfiltfilt(signal.butter(2, 0.4, fs=w.fs_hz, output="sos"), shift)
    gripped = np.abs(np.arange(n) / w.fs_hz - 60.0) < 10.0
    ppg = w.ppg + (50.0 * gripped * shift / shift.std())[:, np.newaxis]
    rate = estimate(ppg, w.acc, fs_hz=w.fs_hz, method=method)
    assert np.abs(rate.hr_bpm - w.true_bpm).max() < 5.0
