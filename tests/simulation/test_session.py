from dataclasses import replace

import numpy as np
import pytest

from palpate.signals import Role
from palpate.simulation import (
    ALDER,
    BIRCH,
    Bout,
    CadenceCoupling,
    ClockError,
    ContactLoss,
    EstimatorLatency,
    HarmonicLock,
    LowPerfusion,
    PressureChange,
    Shaking,
    simulate_session,
)
from palpate.validation import InputError

REST = (Bout(activity="rest", duration_s=120.0, demand_bpm=70.0, movement="still"),)


def arrays(sim):
    waveforms = [w.values for r in sim.session.recordings for w in r.waveforms]
    rates = [rate.hr_bpm for r in sim.session.recordings for rate in r.rates]
    return [*waveforms, *rates, sim.truth.beats.time_s, sim.truth.hr_bpm]


def test_the_same_seed_gives_the_same_session():
    first, again = (simulate_session(seed=5, scale=0.1) for _ in range(2))
    for one, other in zip(arrays(first), arrays(again), strict=True):
        np.testing.assert_array_equal(one, other)


def test_another_seed_gives_another_session():
    one, other = (simulate_session(seed=seed, bouts=REST) for seed in (5, 6))
    for left, right in zip(arrays(one)[:2], arrays(other)[:2], strict=True):
        assert not np.allclose(left[:1000], right[:1000])


def test_default_evening_is_30_to_40_minutes_of_five_activities():
    third = replace(ALDER, name="Cedar")
    sim = simulate_session(seed=1, bands=(ALDER, BIRCH, third), ecg_fs_hz=64.0)
    names = [activity.name for activity in sim.session.activities]
    assert names == ["rest", "step-mill", "crate lifting", "gravel track", "recovery"]
    assert 30.0 <= sim.truth.time_s.size / 60.0 <= 40.0


@pytest.mark.parametrize("kind", [LowPerfusion, ContactLoss, PressureChange, HarmonicLock])
def test_a_fault_leaves_the_rest_of_the_session_as_it_was(kind):
    plain = simulate_session(seed=5, bouts=REST, faults=())
    fault = kind(source="Alder", start_s=40.0, end_s=80.0, dose=0.5)
    faulty = simulate_session(seed=5, bouts=REST, faults=[fault])
    np.testing.assert_array_equal(plain.truth.beats.time_s, faulty.truth.beats.time_s)
    for before, after in zip(plain.session.recordings, faulty.session.recordings, strict=True):
        for one, other in zip(before.waveforms, after.waveforms, strict=True):
            same = np.all(one.values == other.values, axis=1)
            if before.name == "Alder" and one.role is Role.PPG:
                session_s = before.session_s(one.times_s())
                assert np.all(same[(session_s < 39.0) | (session_s >= 110.0)])
                assert not np.all(same)
            else:
                assert np.all(same)


@pytest.mark.parametrize("kind", [Shaking, ContactLoss, PressureChange, HarmonicLock])
def test_what_one_band_suffers_does_not_depend_on_the_others(kind):
    right = kind(source="Birch", start_s=40.0, end_s=80.0, dose=0.7)
    left = kind(source="Alder", start_s=20.0, end_s=90.0, dose=0.9)
    alone, together = (
        simulate_session(seed=5, bouts=REST, faults=faults).session.recordings[2]
        for faults in ([right], [left, right])
    )
    for one, other in zip(alone.waveforms, together.waveforms, strict=True):
        np.testing.assert_array_equal(one.values, other.values)
    np.testing.assert_array_equal(alone.rates[0].hr_bpm, together.rates[0].hr_bpm)


def test_clock_error_moves_pulses_on_the_band_clock_and_not_the_truth():
    plain = simulate_session(seed=5, bouts=REST, bands=[ALDER], faults=())
    late = ClockError(source="Alder", start_s=0.0, end_s=120.0, dose=2.5, drift_ppm=40.0)
    moved = simulate_session(seed=5, bouts=REST, bands=[ALDER], faults=[late])
    np.testing.assert_array_equal(
        plain.truth.pulse_foot_s["Alder"], moved.truth.pulse_foot_s["Alder"]
    )
    clock = moved.truth.clocks["Alder"]
    assert (clock.offset_s, clock.drift_ppm) == (ALDER.clock_offset_s + 2.5, 40.0)
    assert moved.session.recordings[1].clock_offset_s == ALDER.clock_offset_s
    before, after = (s.session.recordings[1].waveforms[0].values[:, 0] for s in (plain, moved))
    shift = round(2.5 * ALDER.fs_hz)
    lags = np.arange(shift - 30, shift + 31)
    steady = before[2000:8000] - before[2000:8000].mean()
    scores = [np.corrcoef(steady, after[2000 - lag : 8000 - lag])[0, 1] for lag in lags]
    assert abs(int(lags[np.argmax(scores)]) - shift) <= 1


@pytest.mark.parametrize(
    ("fault", "message"),
    [
        (lambda: LowPerfusion(source="Alder", start_s=5.0, end_s=5.0, dose=0.1), "end after"),
        (lambda: LowPerfusion(source="Alder", start_s=0.0, end_s=5.0, dose=1.2), "between 0 and 1"),
        (lambda: Shaking(source="Alder", start_s=0.0, end_s=5.0, dose=-1.0), "between 0 and inf"),
        (lambda: ClockError(source="a", start_s=0.0, end_s=5.0, dose=np.inf), "finite offset"),
        (lambda: HarmonicLock(source="a", start_s=0, end_s=5, dose=1.0, factor=3.0), "0.5 or 2"),
    ],
)
def test_a_dose_that_means_nothing_is_refused(fault, message):
    with pytest.raises(InputError, match=message):
        fault()


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"faults": [EstimatorLatency(source="x", start_s=0, end_s=9, dose=1.0)]}, "acts on 'x'"),
        ({"faults": [CadenceCoupling(source="Alder", start_s=20, end_s=80, dose=1)]}, "still"),
        ({"bouts": ()}, "at least one"),
        ({"ecg_lead_count": 3}, "1 or 2 leads"),
        ({"ecg_fs_hz": 0.0}, "sampling rate"),
        ({"seed": -1}, "from 0"),
        ({"faults": [Shaking(source="Alder", start_s=120, end_s=900, dose=1)]}, "ends at 120"),
        ({"faults": [Shaking(source="Alder", start_s=5.0, end_s=5.5, dose=1)]}, "1 s or more"),
        ({"bands": [replace(ALDER, clock_offset_s=130.0)]}, "before its end"),
        ({"faults": [ClockError(source="Alder", start_s=0, end_s=9, dose=90.0)]}, "within 60 s"),
    ],
)
def test_a_session_that_cannot_be_is_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        simulate_session(**{"seed": 1, "bouts": REST, **arguments})


def test_overlap_is_the_share_of_each_window_in_force():
    faults = [
        LowPerfusion(source="Alder", start_s=10.0, end_s=20.0, dose=0.1),
        LowPerfusion(source="Birch", start_s=0.0, end_s=120.0, dose=0.1),
    ]
    truth = simulate_session(seed=5, bouts=REST, faults=faults, bands=(ALDER, BIRCH)).truth
    shares = truth.overlap(np.array([0.0, 6.0, 12.0, 18.0]), np.array([8.0, 14.0, 20.0, 26.0]))
    np.testing.assert_allclose(shares, [[0.0, 1.0], [0.5, 1.0], [1.0, 1.0], [0.25, 1.0]])
