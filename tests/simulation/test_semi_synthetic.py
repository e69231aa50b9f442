"""Faults put into a recording do what their doses say, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from palpate.conditioning import zero_phase
from palpate.signals import RateSeries, Recording, Role, Session, Waveform
from palpate.simulation import (
    ClockError,
    ContactLoss,
    EstimatorLatency,
    HarmonicLock,
    HeldReading,
    MotionCoupling,
    Shaking,
)
from palpate.simulation.semi_synthetic import inject_faults
from palpate.validation import InputError

FS_HZ = 50.0
PART = {"source": "band", "start_s": 20.0, "end_s": 60.0}


@pytest.fixture
def session() -> Session:
    time_s = np.arange(round(100 * FS_HZ)) / FS_HZ
    rng = np.random.default_rng(0)
    pulse = 100.0 * np.sin(2 * np.pi * 1.3 * time_s)
    light = np.column_stack([5e4 + pulse, 7e4 + 0.5 * pulse])
    acc = rng.normal(size=(time_s.size, 3)) * 0.3 + [0.0, 0.0, 1.0]
    at_s = np.arange(100.0)
    rate = RateSeries("own", at_s, at_s + 1.0, 60.0 + at_s, np.full(100, np.nan), np.full(100, ""))
    band = Recording(
        "band",
        (
            Waveform("ppg", Role.PPG, light, FS_HZ, "counts"),
            Waveform("acc", Role.ACC, acc, FS_HZ, "g"),
        ),
        rates=(rate,),
    )
    return Session("ride", (Recording("chest"), band))


def light_of(session: Session) -> np.ndarray:
    return session.recordings[1].of_role(Role.PPG)[0].values


def in_band(values: np.ndarray) -> np.ndarray:
    return zero_phase(values, fs_hz=FS_HZ, low_hz=0.5, high_hz=5.0)


def test_a_clock_error_moves_what_is_stated(session):
    fault = ClockError(source="band", start_s=0.0, end_s=100.0, dose=7.5, drift_ppm=20.0)
    band = inject_faults(session, [fault], seed=1).recordings[1]
    # The dose is true minus stated.
    assert (band.clock_offset_s, band.clock_drift_ppm) == (-7.5, -20.0)
    np.testing.assert_array_equal(
        band.of_role(Role.PPG)[0].values, session.recordings[1].of_role(Role.PPG)[0].values
    )


def test_latency_shows_what_was_earlier(session):
    fault = EstimatorLatency(**PART, dose=6.5)
    shown = inject_faults(session, [fault], seed=1).recordings[1].rates[0].hr_bpm
    at_s = np.arange(100.0) + 0.5
    inside = (at_s >= 20.0) & (at_s < 60.0)
    np.testing.assert_allclose(shown[inside], 60.0 + np.arange(100.0)[inside] - 6.5)
    np.testing.assert_array_equal(shown[~inside], 60.0 + np.arange(100.0)[~inside])


def test_before_the_first_reading_a_late_device_shows_nothing(session):
    fault = EstimatorLatency(source="band", start_s=0.0, end_s=100.0, dose=5.0)
    rate = inject_faults(session, [fault], seed=1).recordings[1].rates[0]
    assert np.isnan(rate.hr_bpm).sum() == 5
    assert set(rate.reason[:5]) == {"the device gave no value"}


@pytest.mark.parametrize("factor", [0.5, 2.0])
def test_a_harmonic_lock_multiplies_the_readings_inside(session, factor):
    fault = HarmonicLock(**PART, dose=1.0, factor=factor)
    shown = inject_faults(session, [fault], seed=1).recordings[1].rates[0].hr_bpm
    expected = 60.0 + np.arange(100.0)
    expected[20:60] *= factor
    np.testing.assert_array_equal(shown, expected)


def test_a_held_reading_stands_for_the_dose_and_is_then_renewed(session):
    fault = HeldReading(**PART, dose=15.0)
    changed = inject_faults(session, [fault], seed=1)
    expected = 60.0 + np.arange(100.0)
    expected[20:35], expected[35:50], expected[50:60] = 80.0, 95.0, 110.0
    np.testing.assert_array_equal(changed.recordings[1].rates[0].hr_bpm, expected)
    np.testing.assert_array_equal(light_of(changed), light_of(session))


def test_a_leak_has_the_dose_in_rms_and_follows_the_movement(session):
    changed = inject_faults(session, [MotionCoupling(**PART, dose=2.0)], seed=1)
    added = light_of(changed) - light_of(session)
    inside = slice(round(20 * FS_HZ), round(60 * FS_HZ))
    np.testing.assert_allclose(
        added[inside].std(axis=0), 2.0 * in_band(light_of(session))[inside].std(axis=0), rtol=1e-6
    )
    assert np.all(added[: inside.start] == 0.0)
    assert np.all(added[inside.stop :] == 0.0)


def test_lost_contact_takes_its_share_of_the_pulse(session):
    # So little lost lets next to no ambient light in.
    changed = inject_faults(session, [ContactLoss(**PART, dose=0.2)], seed=1)
    inside = slice(round(25 * FS_HZ), round(55 * FS_HZ))
    pulse, left = (in_band(light_of(s))[inside, 0] for s in (session, changed))
    assert (pulse @ left) / (pulse @ pulse) == pytest.approx(0.8, abs=0.02)


def test_lost_contact_lets_light_in(session):
    changed = inject_faults(session, [ContactLoss(**PART, dose=0.9)], seed=1)
    added = (light_of(changed) - light_of(session))[:, 0]
    inside = slice(round(25 * FS_HZ), round(55 * FS_HZ))
    assert added[inside].mean() > 5 * 200.0  # several times the pulse's height
    assert np.abs(added[: round(19 * FS_HZ)]).max() < 1.0


def test_missing_samples_stay_missing(session):
    band = session.recordings[1]
    ppg = band.of_role(Role.PPG)[0]
    values = np.array(ppg.values)
    values[1200:1210] = np.nan
    gappy = replace(band, waveforms=(replace(ppg, values=values), band.waveforms[1]))
    changed = inject_faults(
        replace(session, recordings=(session.recordings[0], gappy)),
        [ContactLoss(**PART, dose=0.7)],
        seed=1,
    )
    np.testing.assert_array_equal(np.isnan(light_of(changed)), np.isnan(values))


def test_the_same_seed_gives_the_same_recording(session):
    faults = [MotionCoupling(**PART, dose=1.0), ContactLoss(**PART, dose=0.8)]
    first, again, other = (
        light_of(inject_faults(session, faults, seed=seed)) for seed in (3, 3, 4)
    )
    np.testing.assert_array_equal(first, again)
    assert np.any(first != other)


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        (ClockError(source="ring", start_s=0.0, end_s=9.0, dose=1.0), "this session has chest"),
        (Shaking(**PART, dose=1.0), "cannot be put into a real recording"),
        (MotionCoupling(source="chest", start_s=0.0, end_s=9.0, dose=1.0), "needs light"),
        (HarmonicLock(source="chest", start_s=0.0, end_s=9.0, dose=1.0), "needs a heart rate"),
        (ContactLoss(source="band", start_s=200.0, end_s=209.0, dose=1.0), "lies outside"),
    ],
)
def test_what_cannot_be_injected_is_refused(session, fault, sentence):
    with pytest.raises(InputError, match=sentence):
        inject_faults(session, [fault], seed=1)


def test_a_still_wrist_has_nothing_to_leak(session):
    band = session.recordings[1]
    acc = replace(band.waveforms[1], values=np.zeros((band.waveforms[1].values.shape[0], 3)))
    still = replace(band, waveforms=(band.waveforms[0], acc))
    with pytest.raises(InputError, match="finds the wrist still"):
        inject_faults(
            replace(session, recordings=(session.recordings[0], still)),
            [MotionCoupling(**PART, dose=1.0)],
            seed=1,
        )
