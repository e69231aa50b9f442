import numpy as np
import pytest
from scipy import signal

from palpate.conditioning import zero_phase
from palpate.signals import Role
from palpate.simulation import (
    ALDER,
    Bout,
    CadenceCoupling,
    ContactLoss,
    Ectopy,
    HarmonicLock,
    LowPerfusion,
    PressureChange,
    Shaking,
    simulate_session,
)
from palpate.simulation.light import FULL_SCALE_COUNTS, LEVEL_COUNTS

REST = (Bout(activity="rest", duration_s=240.0, demand_bpm=66.0, movement="still"),)
STEPS = (Bout(activity="steps", duration_s=240.0, demand_bpm=140.0, movement="stepping"),)
TRACK = (Bout(activity="track", duration_s=240.0, demand_bpm=130.0, movement="gravel"),)
WHERE = {"source": "Alder", "start_s": 60.0, "end_s": 180.0}


def worn(bouts, *faults, seed=4):
    """Return session seconds, PPG and ACC of Alder, and the truth."""
    sim = simulate_session(ecg_fs_hz=64.0, seed=seed, bouts=bouts, bands=[ALDER], faults=faults)
    band = sim.session.recordings[1]
    (ppg,), (acc,) = band.of_role(Role.PPG), band.of_role(Role.ACC)
    return band.session_s(ppg.times_s()), ppg.values, acc.values, sim.truth


def inside(time_s):
    return (time_s >= 62.0) & (time_s < 178.0)


def tangent_feet(ppg, feet_s, time_s):
    """Feet by intersecting tangents, near given times: steepest slope down to the minimum."""
    slope = np.gradient(ppg, time_s)
    found = []
    for foot_s in feet_s:
        near = np.flatnonzero((time_s > foot_s - 0.15) & (time_s < foot_s + 0.2))
        steep = near[np.argmax(slope[near])]
        before = near[near <= steep]
        low = ppg[before].min()
        found.append(time_s[steep] - (ppg[steep] - low) / slope[steep])
    return np.array(found)


def test_pulse_foot_follows_the_r_peak_by_the_stated_delay():
    time_s, ppg, _, truth = worn(REST)
    feet_s, beats_s = truth.pulse_foot_s["Alder"][5:-5], truth.beats.time_s[5:-5]
    assert np.median(feet_s - beats_s) == pytest.approx(ALDER.pulse_delay_s, abs=0.01)
    assert np.std(feet_s - beats_s) < 0.012
    smooth = zero_phase(ppg[:, 0], fs_hz=100.0, low_hz=0.3, high_hz=12.0)
    np.testing.assert_allclose(
        np.median(tangent_feet(smooth, feet_s, time_s) - feet_s), 0.0, atol=0.015
    )


def test_perfusion_is_as_stated():
    _, ppg, _, _ = worn(REST)
    pulse = zero_phase(ppg, fs_hz=100.0, low_hz=0.5, high_hz=10.0)
    beats = pulse[: 100 * (pulse.shape[0] // 100)].reshape(-1, 100, 2)
    ac_counts = np.median(np.ptp(beats, axis=1), axis=0)
    np.testing.assert_allclose(100.0 * ac_counts / LEVEL_COUNTS, ALDER.perfusion_pct, rtol=0.3)


@pytest.mark.parametrize("dose", [0.5, 1.0, 2.0])
def test_coupling_dose_is_leak_rms_over_pulse_rms(dose):
    time_s, plain, _, _ = worn(STEPS)
    _, ppg, _, _ = worn(STEPS, CadenceCoupling(**WHERE, dose=dose))
    leak = (ppg - plain)[inside(time_s)]
    pulse = zero_phase(plain, fs_hz=100.0, low_hz=0.5)[inside(time_s)]
    np.testing.assert_allclose(leak.std(axis=0) / pulse.std(axis=0), dose, rtol=0.1)
    assert not (ppg - plain)[(time_s < 60.0) | (time_s >= 180.0)].any()


def share_explained_by_acceleration(bouts, *faults):
    """Least squares of the light on the acceleration up to 0.12 s earlier."""
    time_s, ppg, acc, _ = worn(bouts, *faults)
    here = inside(time_s)
    light = zero_phase(ppg[:, 0], fs_hz=100.0, low_hz=0.5, high_hz=8.0)
    moved = zero_phase(acc, fs_hz=100.0, low_hz=0.5, high_hz=8.0)
    lagged = np.column_stack([np.roll(moved, lag, axis=0) for lag in range(0, 13, 2)])[here]
    light = light[here] - light[here].mean()
    fitted = lagged @ np.linalg.lstsq(lagged, light, rcond=None)[0]
    return np.var(fitted) / np.var(light)


@pytest.mark.parametrize("dose", [0.5, 1.0, 2.0])
def test_share_of_light_that_follows_movement_is_the_doses(dose):
    """Leak power over all power: dose² / (1 + dose²)."""
    share = share_explained_by_acceleration(STEPS, CadenceCoupling(**WHERE, dose=dose))
    assert share == pytest.approx(dose**2 / (1.0 + dose**2), abs=0.06)


def test_light_follows_no_movement_without_a_leak_or_when_shaken():
    assert share_explained_by_acceleration(STEPS) < 0.03
    assert share_explained_by_acceleration(TRACK, Shaking(**WHERE, dose=2.0)) < 0.03


def test_shaking_dose_is_noise_rms_over_pulse_rms_and_shakes_the_accelerometer():
    time_s, plain, still, _ = worn(REST)
    _, ppg, acc, _ = worn(REST, Shaking(**WHERE, dose=1.5, vibration_g=0.8))
    noise = (ppg - plain)[inside(time_s)]
    pulse = zero_phase(plain, fs_hz=100.0, low_hz=0.5)[inside(time_s)]
    np.testing.assert_allclose(noise.std(axis=0) / pulse.std(axis=0), 1.5, rtol=0.1)
    vibration = (acc - still)[inside(time_s)]
    assert np.sqrt(np.mean(np.sum(vibration**2, axis=1))) == pytest.approx(0.8, rel=0.05)


@pytest.mark.parametrize(
    ("kind", "dose"), [(LowPerfusion, 0.3), (LowPerfusion, 0.8), (ContactLoss, 0.3)]
)
def test_lost_share_of_the_pulse_is_the_dose(kind, dose):
    time_s, plain, _, truth = worn(REST)
    _, ppg, _, _ = worn(REST, kind(**WHERE, dose=dose))
    here, height = inside(time_s), []
    for counts in (plain, ppg):
        beats = np.interp(truth.pulse_foot_s["Alder"], time_s, np.arange(time_s.size))
        first = beats[(beats > 6500) & (beats < 17500)].round().astype(int)[:, np.newaxis]
        windows = counts[first + np.arange(70), 1]
        average = signal.detrend(windows, axis=1).mean(axis=0)
        height.append(np.ptp(average))
    assert height[1] / height[0] == pytest.approx(1.0 - dose, abs=0.05)
    level = ppg[here].mean(axis=0) / plain[here].mean(axis=0)
    if kind is LowPerfusion:
        np.testing.assert_allclose(level, 1.0, atol=0.01)
    else:
        assert np.all(level > 1.0 + 0.1 * dose**4)


def test_lost_contact_drives_the_converter_into_clipping():
    time_s, ppg, _, _ = worn(REST, ContactLoss(**WHERE, dose=1.0))
    clipped = ppg[inside(time_s), 1] == FULL_SCALE_COUNTS
    assert 0.1 < clipped.mean() < 0.9
    assert not np.any(ppg[time_s < 60.0] == FULL_SCALE_COUNTS)


def test_pressure_steps_have_the_dose_as_sd_in_pulse_heights():
    jumps = []
    for seed in range(4):
        _, plain, _, _ = worn(REST, seed=seed)
        _, ppg, _, _ = worn(REST, PressureChange(**WHERE, dose=4.0), seed=seed)
        pulse_counts = ALDER.perfusion_pct[0] / 100.0 * LEVEL_COUNTS[0]
        moved = np.diff((ppg - plain)[:, 0]) / pulse_counts
        jumps.append(moved[np.abs(moved) > 0.15])
    sizes = np.concatenate(jumps)
    assert 90 <= sizes.size <= 120
    assert np.std(sizes) == pytest.approx(4.0, rel=0.25)


def line_heights(ppg, time_s, truth):
    """Spectral amplitude at half, once and twice the true rate."""
    here = inside(time_s)
    light = zero_phase(ppg[:, 0], fs_hz=100.0, low_hz=0.3, high_hz=10.0)
    phase = (
        2.0
        * np.pi
        * np.interp(time_s, truth.pulse_foot_s["Alder"], np.arange(truth.beats.time_s.size))
    )
    return [2.0 * abs(np.mean(light[here] * np.exp(-1j * k * phase[here]))) for k in (0.5, 1, 2)]


def test_a_second_pulse_of_full_height_leaves_only_twice_the_rate():
    time_s, ppg, _, truth = worn(REST, HarmonicLock(**WHERE, dose=1.0, factor=2.0))
    _, once, twice = line_heights(ppg, time_s, truth)
    assert once < 0.15 * twice


def test_a_lost_second_pulse_brings_half_the_rate():
    plain = line_heights(*(worn(REST)[i] for i in (1, 0, 3)))
    time_s, ppg, _, truth = worn(REST, HarmonicLock(**WHERE, dose=0.9, factor=0.5))
    half, once, _ = line_heights(ppg, time_s, truth)
    assert half > 5.0 * plain[0]
    assert half > 0.8 * once


def test_an_early_beat_sends_a_small_pulse():
    time_s, ppg, _, truth = worn(REST, Ectopy(source="chest", start_s=0.0, end_s=240.0, dose=0.05))
    light = zero_phase(ppg[:, 0], fs_hz=100.0, low_hz=0.3, high_hz=10.0)
    feet_s, label = truth.pulse_foot_s["Alder"], truth.beats.label
    rise = [np.ptp(light[(time_s >= foot_s) & (time_s < foot_s + 0.25)]) for foot_s in feet_s[3:-3]]
    early = label[3:-3] == "V"
    assert np.median(np.array(rise)[early]) < 0.5 * np.median(np.array(rise)[~early])


def test_neurokit_reads_the_true_rate_at_rest():
    """neurokit2's default PPG pipeline as an outside reader of the light."""
    nk = pytest.importorskip("neurokit2", reason="the second opinion is neurokit2's")
    time_s, ppg, _, truth = worn(REST)
    for column in ppg.T:
        peaks = nk.ppg_findpeaks(nk.ppg_clean(column, sampling_rate=100), sampling_rate=100)
        found_s = time_s[peaks["PPG_Peaks"]]
        rate_bpm = 60.0 * (found_s.size - 1) / (found_s[-1] - found_s[0])
        assert rate_bpm == pytest.approx(truth.hr_bpm.mean(), rel=0.015)
