import numpy as np
import pytest

from palpate.simulation import (
    ALDER,
    Bout,
    CadenceCoupling,
    EstimatorLatency,
    HarmonicLock,
    HeldReading,
    Shaking,
    simulate_session,
)

SETS = tuple(
    Bout(activity="sets", duration_s=45.0, demand_bpm=rate, movement="still")
    for rate in (80.0, 160.0) * 6
)
STEPS = (Bout(activity="steps", duration_s=540.0, demand_bpm=140.0, movement="stepping"),)
WHERE = {"source": "Alder", "start_s": 0.0, "end_s": 540.0}


def device(bouts, *faults, seed=8):
    """Return session seconds, the band's own rate, and the truth."""
    sim = simulate_session(ecg_fs_hz=64.0, seed=seed, bouts=bouts, bands=[ALDER], faults=faults)
    recording = sim.session.recordings[1]
    rate = recording.rates[0]
    return recording.session_s(rate.start_s), rate.hr_bpm, sim.truth


def lag_s(time_s, hr_bpm, truth):
    """Delay at which the band's rate is nearest to the truth."""
    lags = np.arange(0.0, 25.0, 0.25)
    here = time_s > 60.0
    errors = [
        np.nanmean((np.interp(time_s[here] - lag, truth.time_s, truth.hr_bpm) - hr_bpm[here]) ** 2)
        for lag in lags
    ]
    return lags[int(np.argmin(errors))]


@pytest.mark.parametrize("dose_s", [0.0, 5.0, 12.0])
def test_latency_dose_is_seconds_on_top_of_the_usual(dose_s):
    usual_s = lag_s(*device(SETS))
    assert usual_s == pytest.approx(ALDER.latency_s + ALDER.smoothing_s, abs=1.5)
    late_s = lag_s(*device(SETS, EstimatorLatency(**WHERE, dose=dose_s)))
    assert late_s - usual_s == pytest.approx(dose_s, abs=0.5)


def test_an_undisturbed_band_reads_right_in_whole_bpm():
    time_s, hr_bpm, truth = device(STEPS)
    settled = time_s > 300.0
    assert not np.isnan(hr_bpm).any()
    np.testing.assert_array_equal(hr_bpm, np.round(hr_bpm))
    error = hr_bpm[settled] - np.interp(time_s[settled], truth.time_s, truth.hr_bpm)
    assert abs(np.mean(error)) < 1.0
    assert np.max(np.abs(error)) < 12.0


@pytest.mark.parametrize(("factor", "dose"), [(2.0, 0.5), (0.5, 0.9), (2.0, 1.0)])
def test_harmonic_dose_is_the_share_of_time(factor, dose):
    shares = []
    for seed in range(4):
        time_s, hr_bpm, truth = device(
            STEPS, HarmonicLock(**WHERE, dose=dose, factor=factor), seed=seed
        )
        ratio = hr_bpm / np.interp(time_s, truth.time_s, truth.hr_bpm)
        shares.append(np.mean(np.abs(ratio - factor) < 0.2 * factor))
    assert np.mean(shares) == pytest.approx(dose, abs=0.12)


def test_a_leak_of_steps_draws_the_band_to_the_cadence():
    time_s, hr_bpm, truth = device(STEPS, CadenceCoupling(**WHERE, dose=2.0))
    cadence = np.interp(time_s, truth.time_s, truth.cadence_per_min)
    assert np.mean(np.abs(hr_bpm - cadence) < 3.0) > 0.8


@pytest.mark.parametrize("dose_s", [0.0, 7.0, 80.0])
def test_a_held_reading_is_renewed_at_every_dose(dose_s):
    fault = HeldReading(source="Alder", start_s=100.0, end_s=340.0, dose=dose_s)
    time_s, calm_bpm, _ = device(STEPS)
    _, hr_bpm, _ = device(STEPS, fault)
    expected = calm_bpm.copy()
    for at in np.flatnonzero((time_s >= 100.0) & (time_s < 340.0)):
        if dose_s:
            renewed_s = 100.0 + (time_s[at] - 100.0) // dose_s * dose_s
            expected[at] = calm_bpm[time_s >= renewed_s][0]
    np.testing.assert_array_equal(hr_bpm, expected)


def test_shaking_makes_the_band_hold_or_fall_silent():
    _, calm_bpm, _ = device(STEPS)
    _, hr_bpm, _ = device(STEPS, Shaking(**WHERE, dose=6.0))
    assert 0.02 < np.mean(np.isnan(hr_bpm)) < 0.3
    unchanged = [np.nanmean(np.diff(series) == 0.0) for series in (calm_bpm, hr_bpm)]
    assert unchanged[1] > unchanged[0]
