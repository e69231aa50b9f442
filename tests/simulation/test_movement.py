import numpy as np
import pytest
from scipy import signal

from palpate.conditioning import zero_phase
from palpate.signals import Role
from palpate.simulation import ALDER, BIRCH, Bout, simulate_session


def bout(movement, *, demand_bpm=100.0):
    return Bout(activity=movement, duration_s=180.0, demand_bpm=demand_bpm, movement=movement)


def moved(movement, *, band=ALDER, seed=6):
    sim = simulate_session(
        ecg_fs_hz=64.0, seed=seed, bouts=[bout(movement)], bands=[band], faults=()
    )
    recording = sim.session.recordings[1]
    return recording.of_role(Role.ACC)[0].values, recording.of_role(Role.GYRO), sim.truth


def intensity(acc):
    return np.std(np.linalg.norm(acc, axis=1))


def test_a_still_wrist_weighs_one_g():
    acc, _, _ = moved("still")
    norm = np.linalg.norm(acc, axis=1)
    assert np.mean(norm) == pytest.approx(1.0, abs=0.005)
    assert intensity(acc) < 0.01


def test_activities_rank_by_intensity():
    sizes = [intensity(moved(kind)[0]) for kind in ("still", "handling", "stepping", "gravel")]
    assert sizes == sorted(sizes)
    assert intensity(moved("lifting")[0]) > 2.0 * sizes[1]


@pytest.mark.parametrize("band", [ALDER, BIRCH])
def test_cadence_of_the_truth_is_in_the_accelerometer(band):
    acc, _, truth = moved("stepping", band=band)
    frequency, power = signal.welch(acc.T, fs=band.fs_hz, nperseg=round(20 * band.fs_hz))
    steps = (frequency > 1.0) & (frequency < 2.5)
    peak_per_min = 60.0 * frequency[steps][np.argmax(power.sum(axis=0)[steps])]
    assert peak_per_min == pytest.approx(np.mean(truth.cadence_per_min), rel=0.05)
    assert 85.0 < np.mean(truth.cadence_per_min) < 110.0


def test_gravel_shakes_above_the_band_of_the_pulse():
    acc, _, _ = moved("gravel")
    frequency, power = signal.welch(acc.T, fs=100.0, nperseg=1000)
    total = power.sum(axis=0)
    assert total[frequency > 5.0].sum() > 5.0 * total[(frequency > 0.5) & (frequency < 4.0)].sum()


def test_the_gyroscope_turns_as_gravity_does():
    acc, (gyro,), _ = moved("handling")
    pitch_rad = -np.arcsin(np.clip(acc[:, 0] / np.linalg.norm(acc, axis=1), -1.0, 1.0))
    turned_dps = np.degrees(np.gradient(pitch_rad, 0.01))
    kernel = np.ones(50) / 50
    smooth = [np.convolve(v, kernel, "same") for v in (turned_dps, gyro.values[:, 1])]
    assert np.corrcoef(*smooth)[0, 1] > 0.8


def both_wrists(movement):
    """Return the acceleration vectors of both wrists on common session seconds at 50 Hz."""
    sim = simulate_session(ecg_fs_hz=64.0, seed=6, bouts=[bout(movement)], faults=())
    at_s = np.arange(10.0, 170.0, 0.02)
    wrists = []
    for recording in sim.session.recordings[1:]:
        (acc,) = recording.of_role(Role.ACC)
        seconds = recording.session_s(acc.times_s())
        wrists.append(np.column_stack([np.interp(at_s, seconds, axis) for axis in acc.values.T]))
    return wrists, sim.truth


def test_steps_reach_both_wrists_together_and_arms_swing_against_each_other():
    wrists, truth = both_wrists("stepping")
    cadence_hz = np.mean(truth.cadence_per_min) / 60.0
    for multiple, expected in ((1.0, 1.0), (0.5, -1.0)):
        near = [
            zero_phase(w, fs_hz=50.0, low_hz=0.7 * multiple * cadence_hz,
                       high_hz=1.3 * multiple * cadence_hz)
            for w in wrists
        ]  # fmt: skip
        assert np.corrcoef(near[0][:, 1], near[1][:, 1])[0, 1] * expected > 0.6


def test_both_hands_hold_the_crate():
    wrists, _ = both_wrists("lifting")
    efforts = []
    for wrist in wrists:
        quick = zero_phase(wrist, fs_hz=50.0, low_hz=2.0, high_hz=6.0)
        effort = np.linalg.norm(quick, axis=1)
        efforts.append(zero_phase(effort, fs_hz=50.0, high_hz=2.0))
    assert np.corrcoef(*efforts)[0, 1] > 0.4
    shifted = np.roll(efforts[1], 75)
    assert np.corrcoef(efforts[0], shifted)[0, 1] < 0.2


def test_wrists_at_rest_share_nothing():
    wrists, truth = both_wrists("still")
    quick = [zero_phase(wrist, fs_hz=50.0, low_hz=2.0) for wrist in wrists]
    assert abs(np.corrcoef(quick[0][:, 0], quick[1][:, 0])[0, 1]) < 0.1
    assert np.isnan(truth.cadence_per_min).all()
