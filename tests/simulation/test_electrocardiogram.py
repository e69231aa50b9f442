import csv
from pathlib import Path

import numpy as np
import pytest

from palpate.simulation import Bout, Ectopy, ElectrodeMotion, simulate_session
from palpate.simulation.electrocardiogram import (
    QRS_PEAK_TO_PEAK_MV,
    WAVE_A,
    WAVE_B_RAD,
    WAVE_DEG,
)

TABLE = Path(__file__).parents[2] / "reference_data" / "ecgsyn_parameters.csv"
REST = (Bout(activity="rest", duration_s=180.0, demand_bpm=60.0, movement="still"),)
HARD = (Bout(activity="hard", duration_s=180.0, demand_bpm=150.0, movement="still"),)


def ecg_of(sim):
    return sim.session.recordings[0].waveforms[0].values


def average_beat(sim, *, before_s=0.35, after_s=0.5):
    ecg, fs_hz = ecg_of(sim)[:, 0], 256.0
    first = np.round((sim.truth.beats.time_s[2:-2] - before_s) * fs_hz).astype(int)
    index = first[:, np.newaxis] + np.arange(round((before_s + after_s) * fs_hz))
    return np.arange(index.shape[1]) / fs_hz - before_s, ecg[index].mean(axis=0)


def test_ecgsyn_program_table_is_the_one_in_use():
    """McSharry et al. 2003, the program's defaults as entered in reference_data."""
    with TABLE.open() as file:
        rows = list(csv.DictReader(line for line in file if not line.startswith("#")))
    assert [float(row["theta_deg_ecgsyn_code"]) for row in rows] == WAVE_DEG.tolist()
    assert [float(row["a_i"]) for row in rows] == WAVE_A.tolist()
    assert [float(row["b_i_rad"]) for row in rows] == WAVE_B_RAD.tolist()


def test_ecgsyn_waves_stand_at_their_angles_at_60_bpm():
    """At 60 bpm 360 degrees take one second: T at 100 degrees, P at -70 degrees."""
    time_s, beat = average_beat(simulate_session(seed=1, bouts=REST, bands=(), faults=()))
    late, early = time_s > 0.15, time_s < -0.1
    assert time_s[np.argmax(beat)] == pytest.approx(0.0, abs=0.005)
    assert time_s[late][np.argmax(beat[late])] == pytest.approx(100.0 / 360.0, abs=0.012)
    assert time_s[early][np.argmax(beat[early])] == pytest.approx(-70.0 / 360.0, abs=0.012)


def test_waves_narrow_as_the_rate_rises():
    widths_s = []
    for bouts in (REST, HARD):
        time_s, beat = average_beat(simulate_session(seed=1, bouts=bouts, bands=(), faults=()))
        late = (time_s > 0.08) & (time_s < (0.45 if bouts is REST else 0.2))
        widths_s.append(time_s[late][np.argmax(beat[late])])
    assert widths_s[1] == pytest.approx(widths_s[0] * 2.5**-0.75, abs=0.02)


def test_electrode_motion_dose_is_the_stated_signal_to_noise_ratio():
    """Noise stress test convention: signal power is (QRS peak to peak)² / 8."""
    plain = simulate_session(seed=1, bouts=REST, bands=(), faults=())
    for dose in (0.25, 1.0):
        fault = ElectrodeMotion(source="chest", start_s=60.0, end_s=120.0, dose=dose)
        noise = ecg_of(simulate_session(seed=1, bouts=REST, bands=(), faults=[fault])) - ecg_of(
            plain
        )
        inside = slice(60 * 256, 120 * 256)
        power = np.mean(noise[inside] ** 2, axis=0)
        snr_db = 10.0 * np.log10(QRS_PEAK_TO_PEAK_MV**2 / 8.0 / power)
        np.testing.assert_allclose(snr_db, -20.0 * np.log10(dose), atol=0.01)
        assert not noise[: 60 * 256].any()
        assert not noise[120 * 256 :].any()


def test_early_beats_are_wide():
    fault = Ectopy(source="chest", start_s=0.0, end_s=180.0, dose=0.1)
    sim = simulate_session(seed=1, bouts=REST, bands=(), faults=[fault])
    ecg, beats = ecg_of(sim)[:, 0], sim.truth.beats
    wide_s = {"N": [], "V": []}
    for beat_s, label in zip(beats.time_s[2:-2], beats.label[2:-2], strict=True):
        part = ecg[round((beat_s - 0.15) * 256) : round((beat_s + 0.15) * 256)]
        wide_s[label].append(np.count_nonzero(part - np.median(part) > 0.5) / 256)
    assert np.median(wide_s["V"]) > 1.7 * np.median(wide_s["N"])


def test_neurokit_finds_the_true_beats():
    """neurokit2's default detector as an outside reader of the ECG."""
    nk = pytest.importorskip("neurokit2", reason="the second opinion is neurokit2's")
    sim = simulate_session(seed=2, bouts=(*REST, *HARD), bands=(), faults=())
    for lead in ecg_of(sim).T:
        clean = nk.ecg_clean(lead, sampling_rate=256)
        found_s = nk.ecg_peaks(clean, sampling_rate=256)[1]["ECG_R_Peaks"] / 256.0
        away_s = np.abs(sim.truth.beats.time_s[:, np.newaxis] - found_s).min(axis=1)
        assert np.mean(away_s <= 0.05) > 0.99
