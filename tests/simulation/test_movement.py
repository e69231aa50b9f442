import numpy as np
import pytest
from scipy import signal

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


def test_both_wrists_share_the_rhythm_and_not_the_noise():
    sim = simulate_session(seed=6, bouts=[bout("stepping")], faults=())
    left, right = (r.of_role(Role.ACC)[0] for r in sim.session.recordings[1:])
    assert left.values.shape != right.values.shape
    assert np.isnan(moved("still")[2].cadence_per_min).all()
