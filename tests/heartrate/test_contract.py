"""The contract that every method keeps: grid, abstention, invariances, causality."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from palpate.heartrate import METHODS, estimate
from palpate.signals import RateSeries
from palpate.validation import InputError

every = pytest.mark.parametrize("method", METHODS)
causal = pytest.mark.parametrize("method", [m for m in METHODS if m != "robust"])
guided = pytest.mark.parametrize("method", [m for m in METHODS if m != "conventional"])


def same(first: RateSeries, second: RateSeries, bpm: float = 1e-3) -> bool:
    rates = np.abs(first.hr_bpm - second.hr_bpm)
    confidence = np.abs(first.confidence - second.confidence)
    return bool(rates.max() <= bpm and confidence.max() <= 0.1 * bpm)


@settings(max_examples=40, deadline=None)
@given(
    n=st.integers(1, 2000),
    fs_hz=st.sampled_from([25.0, 31.25, 64.0, 100.0]),
    window_s=st.sampled_from([4.0, 8.0, 12.5]),
    step_s=st.sampled_from([0.5, 1.0, 2.0, 8.0]),
    start_s=st.floats(-1e4, 1e4),
)
def test_there_is_one_row_per_window_that_fits(n, fs_hz, window_s, step_s, start_s):
    light = np.sin(2 * np.pi * 1.3 * np.arange(n) / fs_hz)
    rates = estimate(light, None, fs_hz=fs_hz, start_s=start_s, window_s=window_s, step_s=step_s)
    fits = [k for k in range(5000) if k * step_s + window_s <= n / fs_hz + 1e-9]
    np.testing.assert_allclose(rates.start_s, start_s + step_s * np.array(fits), atol=1e-9)
    np.testing.assert_allclose(rates.end_s - rates.start_s, window_s)


@every
def test_clean_tones_are_read_from_35_to_220_bpm_without_a_start_at_rest(wrist, method):
    for rate_bpm in (35.0, 48.0, 72.0, 110.0, 151.0, 187.0, 220.0):
        w = wrist(rate_bpm, 61.0, motion=0.0, duration_s=40.0)
        rates = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
        # Filters that learn from the past only have learned nothing yet at the start.
        bound_bpm = 2.1 if method in {"adaptive", "robust_online"} else 1.0
        assert np.abs(rates.hr_bpm - rate_bpm).max() < bound_bpm, rate_bpm
        assert np.abs(rates.hr_bpm - rate_bpm).mean() < 1.0, rate_bpm


@every
@pytest.mark.parametrize("fs_hz", [25.0, 31.37, 64.0, 100.0, 125.0, 256.0, 512.0])
def test_the_sampling_rate_does_not_matter(wrist, method, fs_hz):
    w = wrist(np.array([80.0, 95.0]), 66.0, motion=0.5, duration_s=60.0, fs_hz=fs_hz)
    rates = estimate(w.ppg, w.acc, fs_hz=fs_hz, method=method)
    assert np.median(np.abs(rates.hr_bpm[:26] - w.true_bpm[:26])) < 2.0


@every
def test_gain_offset_polarity_and_order_of_light_do_not_matter(wrist, method):
    w = wrist(duration_s=60.0)
    plain = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
    for changed in (
        w.ppg * [1e-4, 1e4],
        np.add(w.ppg, [1e3, -7.0]),
        w.ppg * [-1, 1],
        w.ppg[:, ::-1],
    ):
        assert same(plain, estimate(changed, w.acc, fs_hz=w.fs_hz, method=method))


@every
def test_unit_order_and_orientation_of_motion_do_not_matter(wrist, method):
    w = wrist(duration_s=60.0)
    plain = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
    turned = Rotation.from_euler("xyz", [30.0, 70.0, -110.0], degrees=True).apply(w.acc)
    for changed in (9.80665 * w.acc, w.acc[:, [2, 0, 1]], np.add(w.acc, [1.0, 2.0, 3.0]), turned):
        assert same(plain, estimate(w.ppg, changed, fs_hz=w.fs_hz, method=method), 0.01)


@every
def test_input_is_not_changed_and_one_channel_and_axis_will_do(wrist, method):
    w = wrist(duration_s=30.0)
    ppg, acc = w.ppg.copy(), w.acc.copy()
    estimate(ppg, acc, fs_hz=w.fs_hz, method=method)
    np.testing.assert_array_equal(ppg, w.ppg)
    np.testing.assert_array_equal(acc, w.acc)
    one = estimate(ppg[:, 0], acc[:, 0], fs_hz=w.fs_hz, method=method)
    assert len(one) == 12
    assert one.n_undefined == 0


@every
def test_missing_light_abstains_with_the_reason_and_spares_the_other_windows(wrist, method):
    w = wrist(motion=0.0, duration_s=80.0)
    ppg = w.ppg.copy()
    ppg[round(30 * w.fs_hz) : round(40 * w.fs_hz)] = np.nan
    rates = estimate(ppg, w.acc, fs_hz=w.fs_hz, method=method)
    inside = (rates.start_s < 37.9) & (rates.end_s > 32.1)
    assert np.isnan(rates.hr_bpm[inside & (rates.start_s >= 26.0)]).all()
    assert (rates.reason[np.isnan(rates.hr_bpm)] == "light has missing samples").all()
    clear = (rates.end_s <= 30.0) | (rates.start_s >= 40.0)
    assert np.abs(rates.hr_bpm - 90.0)[clear].max() < 1.5
    assert (rates.reason[clear] == "").all()
    assert np.array_equal(np.isnan(rates.confidence), np.isnan(rates.hr_bpm))


@every
def test_flat_or_lost_light_abstains_everywhere(wrist, method):
    w = wrist(duration_s=30.0)
    flat = estimate(np.full_like(w.ppg, 3.3), w.acc, fs_hz=w.fs_hz, method=method)
    assert set(flat.reason) == {"light is flat"}
    lost = estimate(np.full_like(w.ppg, np.nan), w.acc, fs_hz=w.fs_hz, method=method)
    assert set(lost.reason) == {"light has missing samples"}
    assert flat.n_undefined == len(flat) == lost.n_undefined == 12


@every
def test_a_dead_channel_leaves_the_other_one_at_work(wrist, method):
    w = wrist(motion=0.3, duration_s=40.0)
    alone = estimate(w.ppg[:, :1], w.acc, fs_hz=w.fs_hz, method=method)
    for dead in (0.0, np.nan):
        both = np.column_stack([w.ppg[:, 0], np.full(len(w.ppg), dead)])
        assert same(alone, estimate(both, w.acc, fs_hz=w.fs_hz, method=method))


@every
def test_short_gaps_are_bridged(wrist, method):
    w = wrist(motion=0.0, duration_s=40.0)
    ppg, acc = w.ppg.copy(), w.acc.copy()
    ppg[500:520] = np.nan
    acc[900:930] = np.nan
    rates = estimate(ppg, acc, fs_hz=w.fs_hz, method=method)
    assert np.abs(rates.hr_bpm - 90.0).max() < 2.0


@every
@pytest.mark.parametrize("fs_hz", [25.0, 128.0])
def test_the_odd_lost_sample_costs_nothing(wrist, method, fs_hz):
    w = wrist(motion=0.0, duration_s=40.0, fs_hz=fs_hz)
    lost = np.random.default_rng(5).random(w.ppg.shape) < 0.05
    rates = estimate(np.where(lost, np.nan, w.ppg), w.acc, fs_hz=fs_hz, method=method)
    assert rates.n_undefined == 0
    assert np.abs(rates.hr_bpm - 90.0).max() < 2.0


@guided
def test_without_motion_it_rests_on_the_light_alone(wrist, method):
    w = wrist(motion=0.0, duration_s=40.0)
    for acc in (None, np.empty((len(w.ppg), 0)), np.full((len(w.ppg), 3), np.nan)):
        rates = estimate(w.ppg, acc, fs_hz=w.fs_hz, method=method)
        assert rates.source == method
        assert np.abs(rates.hr_bpm - 90.0).max() < 1.0


@causal
def test_the_past_does_not_depend_on_the_future(wrist, method):
    w = wrist(duration_s=60.0, fs_hz=64.0)
    plain = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
    rng = np.random.default_rng(3)
    for change_s in (24.0, 37.3):
        later = round(change_s * w.fs_hz)
        ppg, acc = w.ppg.copy(), w.acc.copy()
        ppg[later:] = 1e4 * rng.standard_normal(ppg[later:].shape)
        acc[later:] = np.where(rng.random(acc[later:].shape) < 0.5, np.nan, 50.0)
        changed = estimate(ppg, acc, fs_hz=w.fs_hz, method=method)
        past = plain.end_s <= change_s
        np.testing.assert_allclose(changed.hr_bpm[past], plain.hr_bpm[past], atol=1e-6)
        np.testing.assert_allclose(changed.confidence[past], plain.confidence[past], atol=1e-6)


@every
def test_confidence_is_a_share(wrist, method):
    w = wrist(duration_s=60.0)
    rates = estimate(w.ppg, w.acc, fs_hz=w.fs_hz, method=method)
    assert ((rates.confidence >= 0.0) & (rates.confidence <= 1.0 + 1e-9)).all()
    assert ((rates.hr_bpm >= 29.5) & (rates.hr_bpm <= 230.5)).all()


def test_bad_input_is_named():
    light = np.zeros((500, 2))
    with pytest.raises(InputError, match="channels >= 1"):
        estimate(np.empty((500, 0)), None, fs_hz=25.0)
    with pytest.raises(InputError, match="400 samples and ppg has 500"):
        estimate(light, np.zeros((400, 3)), fs_hz=25.0)
    with pytest.raises(InputError, match="at least 20 Hz"):
        estimate(light, None, fs_hz=10.0)
    with pytest.raises(InputError, match="at least 4 s"):
        estimate(light, None, fs_hz=25.0, window_s=2.0)
    with pytest.raises(InputError, match="conventional, adaptive, robust, robust_online"):
        estimate(light, None, fs_hz=25.0, method="best")
