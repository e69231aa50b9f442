"""Calibrated noise, checked against the published Noise Stress Test Database where it can be."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal

from palpate.evaluation.noise_stress import (
    GENERATED,
    add_noise,
    generated_noise,
    noise_gain,
    noise_rms,
    noisy_stretches,
    qrs_amplitude,
)
from palpate.validation import InputError

FS_HZ = 250.0


def _ecg(seconds=700, height=1.5):
    """Triangles of a known height every second, 40 ms wide."""
    ecg = np.zeros((round(seconds * FS_HZ), 2))
    beats_s = np.arange(0.5, seconds - 0.5)
    shape = height * signal.windows.triang(9)
    for beat in np.round(beats_s * FS_HZ).astype(int):
        ecg[beat - 4 : beat + 5, 0] += shape
        ecg[beat - 4 : beat + 5, 1] -= 2 * shape
    return ecg, beats_s


def test_nst_recipe_signal_is_the_trimmed_mean_of_peak_to_peak_amplitudes():
    ecg, beats_s = _ecg()
    ecg[:, 0] *= 1.0
    assert qrs_amplitude(ecg, beats_s, fs_hz=FS_HZ) == pytest.approx([1.5, 3.0])
    # One beat in twenty may be wild without moving it.
    for beat in np.round(beats_s[:10] * FS_HZ).astype(int):
        ecg[beat, 0] = 50.0
    assert qrs_amplitude(ecg, beats_s, fs_hz=FS_HZ)[0] == pytest.approx(1.5)


def test_nst_recipe_noise_is_the_trimmed_mean_of_one_second_rms_about_the_mean():
    time_s = np.arange(round(400 * FS_HZ)) / FS_HZ
    noise = 7.0 + np.sqrt(2.0) * np.sin(2 * np.pi * 5.0 * time_s)
    assert noise_rms(noise[:, np.newaxis], fs_hz=FS_HZ) == pytest.approx([1.0])


def test_nst_recipe_power_of_the_signal_is_that_of_a_sine_of_its_amplitude():
    # A sine of peak-to-peak 2 has the power 1/2: at 0 dB noise of RMS 1 is scaled to it.
    assert noise_gain(np.array([2.0]), np.array([1.0]), snr_db=0.0) == pytest.approx([2**-0.5])


@given(st.floats(-20, 40))
def test_six_decibels_are_a_factor_of_two(snr_db):
    amplitude, rms = np.array([1.0]), np.array([1.0])
    stronger = noise_gain(amplitude, rms, snr_db=snr_db - 20 * np.log10(2))
    assert stronger == pytest.approx(2 * noise_gain(amplitude, rms, snr_db=snr_db))


def test_nst_schedule_five_minutes_quiet_then_two_on_two_off():
    on = noisy_stretches(round(1805 * FS_HZ), fs_hz=FS_HZ)
    edges_s = np.flatnonzero(np.diff(on.astype(int))) + 1
    np.testing.assert_allclose(edges_s / FS_HZ, np.arange(300, 1805, 120))
    assert not on[0]


@pytest.mark.parametrize("snr_db", [24.0, 6.0, -6.0])
def test_added_noise_has_the_stated_ratio(snr_db):
    ecg, beats_s = _ecg()
    noise = generated_noise("electrode", ecg.shape[0], fs_hz=FS_HZ, seed=2)
    noisy = add_noise(ecg, noise, beats_s, fs_hz=FS_HZ, snr_db=snr_db)
    on = noisy_stretches(ecg.shape[0], fs_hz=FS_HZ)
    np.testing.assert_array_equal(noisy[: round(300 * FS_HZ)], ecg[: round(300 * FS_HZ)])
    for lead, amplitude in enumerate((1.5, 3.0)):
        added = (noisy - ecg)[on, lead]
        seconds = added[: added.size // 250 * 250].reshape(-1, 250).std(axis=1)
        measured_db = 10 * np.log10(amplitude**2 / 8 / np.mean(seconds) ** 2)
        # The noise of the first 300 s sets the level; the rest of it differs a little.
        assert measured_db == pytest.approx(snr_db, abs=1.5)


def test_switching_leaves_no_step():
    ecg, beats_s = _ecg()
    noise = 5.0 + generated_noise("baseline", ecg.shape[0], fs_hz=FS_HZ)
    added = add_noise(ecg, noise, beats_s, fs_hz=FS_HZ, snr_db=0.0) - ecg
    steps = np.abs(np.diff(added, axis=0, prepend=0.0))
    on = noisy_stretches(ecg.shape[0], fs_hz=FS_HZ)
    edges = np.flatnonzero(np.diff(on.astype(int))) + 1
    # The offset of 5 would jump by far more than the noise itself moves in a sample.
    assert np.all(steps[edges].max(axis=0) <= steps[on].max(axis=0))
    assert steps[on].max() < 0.01 * np.ptp(added)


def test_short_noise_is_repeated_and_gaps_in_the_ecg_stay():
    ecg, beats_s = _ecg()
    ecg[1000:1100] = np.nan
    noise = generated_noise("muscle", round(60 * FS_HZ), fs_hz=FS_HZ, channels=1)
    noisy = add_noise(ecg, noise, beats_s, fs_hz=FS_HZ, snr_db=6.0)
    np.testing.assert_array_equal(np.isnan(noisy), np.isnan(ecg))
    assert add_noise(ecg[:, 0], noise, beats_s, fs_hz=FS_HZ, snr_db=6.0).shape == (ecg.shape[0],)


@pytest.mark.parametrize("kind", GENERATED)
def test_generated_noise_lies_in_its_band(kind):
    noise = generated_noise(kind, round(300 * FS_HZ), fs_hz=FS_HZ, seed=3)
    assert np.sqrt(np.mean(noise**2, axis=0)) == pytest.approx([1.0, 1.0])
    frequency, power = signal.welch(noise[:, 0], FS_HZ, nperseg=8192)
    band = GENERATED[kind]
    inside = (frequency >= band.low_hz / 1.6) & (frequency <= band.high_hz * 1.6)
    assert power[inside].sum() / power.sum() > 0.85


def test_generated_noise_is_repeatable():
    first, again = (generated_noise("muscle", 1000, fs_hz=FS_HZ, seed=9) for _ in range(2))
    np.testing.assert_array_equal(first, again)
    assert not np.array_equal(first, generated_noise("muscle", 1000, fs_hz=FS_HZ, seed=10))


@pytest.mark.parametrize(
    ("change", "hint"),
    [
        ({"noise": np.full((1000, 1), np.nan)}, "missing samples"),
        ({"noise": np.zeros((1000, 1))}, "flat"),
        ({"noise": np.ones((100, 1))}, "shorter than one second"),
        ({"beat_s": np.array([])}, "no beat to measure"),
    ],
)
def test_unusable_input_is_explained(change, hint):
    ecg, beats_s = _ecg(20)
    arguments = {"noise": generated_noise("muscle", 1000, fs_hz=FS_HZ), "beat_s": beats_s}
    arguments |= change
    with pytest.raises(InputError, match=hint):
        add_noise(ecg, fs_hz=FS_HZ, snr_db=6.0, **arguments)


def test_an_unknown_kind_of_noise_lists_the_known_ones():
    with pytest.raises(InputError, match="baseline, electrode, muscle"):
        generated_noise("thunder", 1000, fs_hz=FS_HZ)


@pytest.fixture
def published(data_dir):
    """Record 118, and what the published noisy versions added to it, in mV."""
    wfdb = pytest.importorskip("wfdb", reason="reads the records")
    clean = wfdb.rdrecord(str(data_dir / "datasets" / "mitdb" / "118")).p_signal
    marks = wfdb.rdann(str(data_dir / "datasets" / "mitdb" / "118"), "atr")
    beats_s = marks.sample[np.isin(marks.symbol, list("NLRBAaJSejn"))] / 360.0
    added = {
        snr_db: wfdb.rdrecord(str(data_dir / "datasets" / "nstdb_partial" / name)).p_signal - clean
        for snr_db, name in ((24.0, "118e24"), (6.0, "118e06"))
    }
    return clean, beats_s, {snr_db: noise - noise[0] for snr_db, noise in added.items()}


def test_nstdb_gain_ratio_between_two_levels(published):
    _, _, added = published
    on = slice(300 * 360, 420 * 360)
    one = np.array([1.0])
    expected = noise_gain(one, one, snr_db=6.0) / noise_gain(one, one, snr_db=24.0)
    for lead in (0, 1):
        slope = np.polyfit(added[24.0][on, lead], added[6.0][on, lead], 1)[0]
        # The quieter version is rounded to the converter's steps.
        assert slope == pytest.approx(expected[0], rel=0.002)


def test_nstdb_schedule(published):
    _, _, added = published
    on = noisy_stretches(650_000, fs_hz=360.0)
    change = np.abs(np.diff(added[6.0], axis=0)).max(axis=1) > 1e-9
    edge = np.zeros(650_000, dtype=bool)
    edge[np.flatnonzero(np.diff(on.astype(int))) + 1] = True
    assert not change[(~on & ~edge)[1:]].any()
    assert change[on[1:]].mean() > 0.95


def test_nstdb_level_of_the_second_lead(published):
    # The recipe measures the noise in its first 300 s, where these records show none, so
    # the check holds only as far as the noise kept its level. It did in the second lead;
    # in the first what was added is 4.5 dB above the stated level, which these records
    # cannot explain, so no claim is tested there.
    clean, beats_s, added = published
    on = noisy_stretches(650_000, fs_hz=360.0)
    amplitude = qrs_amplitude(clean, beats_s, fs_hz=360.0)
    for snr_db, noise in added.items():
        rms = noise_rms(noise[on], fs_hz=360.0)
        measured_db = 20 * np.log10(amplitude / np.sqrt(8.0) / rms)
        assert measured_db[1] == pytest.approx(snr_db, abs=0.6)
