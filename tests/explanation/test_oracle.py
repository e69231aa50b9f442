"""Oracle measures on signals whose answer is known, and on open wrist recordings."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.conditioning import window_samples, zero_phase
from palpate.explanation import OracleLight, cadence_distance, oracle_windows
from palpate.validation import InputError

FS_HZ = 32.0


def n_windows(n, fs_hz=FS_HZ):
    return window_samples(n, fs_hz=fs_hz)[0].size


def measure(ppg, acc=None, rate_bpm=90.0, fs_hz=FS_HZ):
    hr_bpm = np.full(n_windows(len(ppg), fs_hz), rate_bpm)
    return oracle_windows(ppg, acc, hr_bpm, fs_hz=fs_hz)


def broad(rng, seconds=600, columns=1, fs_hz=FS_HZ):
    noise = zero_phase(
        rng.normal(size=(round(seconds * fs_hz), columns)), fs_hz=fs_hz, low_hz=0.5, high_hz=5.0
    )
    return noise / noise.std(axis=0)


def tone(hz, seconds=600, fs_hz=FS_HZ, phase=0.0):
    return np.sqrt(2.0) * np.sin(2 * np.pi * hz * np.arange(round(seconds * fs_hz)) / fs_hz + phase)


# The signal-to-noise ratio ------------------------------------------------------------------


@pytest.mark.parametrize("rate_bpm", [60.0, 90.0, 130.0, 180.0])
def test_white_noise_reads_about_0_db(rate_bpm):
    noise = np.random.default_rng(0).normal(size=round(1200 * FS_HZ))
    table = measure(noise, rate_bpm=rate_bpm)
    assert np.median(table["oracle_snr_db"]) == pytest.approx(0.0, abs=1.0)
    assert np.median(table["oracle_prominence_db"]) == pytest.approx(-0.5, abs=1.0)


def test_white_noise_in_two_channels_reads_about_0_db():
    noise = np.random.default_rng(1).normal(size=(round(1200 * FS_HZ), 2))
    assert np.median(measure(noise)["oracle_snr_db"]) == pytest.approx(0.5, abs=1.0)


@pytest.mark.parametrize("snr_db", [0.0, 10.0, 20.0])
def test_ten_times_the_pulse_power_adds_10_db(snr_db):
    noise = np.random.default_rng(2).normal(size=round(600 * FS_HZ))
    amplitude = 10.0 ** (snr_db / 20.0)
    table = measure(amplitude * tone(1.5) + noise)
    # The line holds the pulse's power in 0.375 Hz, the noise has 1 / 16 per Hz.
    expected = 10 * np.log10(1 + amplitude**2 / (0.375 / 16.0))
    assert np.median(table["oracle_snr_db"]) == pytest.approx(expected, abs=1.0)


def test_harmonics_of_the_pulse_are_not_noise():
    noise = 0.3 * np.random.default_rng(3).normal(size=round(300 * FS_HZ))
    plain = tone(1.2, 300) + noise
    shaped = plain + 0.7 * tone(2.4, 300, phase=1.0)
    change = (
        measure(shaped, rate_bpm=72)["oracle_snr_db"] - measure(plain, rate_bpm=72)["oracle_snr_db"]
    )
    assert np.abs(np.median(change)) < 0.5


def test_a_strong_line_elsewhere_lowers_the_ratio_but_not_the_prominence():
    noise = 0.1 * np.random.default_rng(4).normal(size=round(300 * FS_HZ))
    pulse = tone(1.5, 300) + noise
    swamped = pulse + 5.0 * tone(2.6, 300)
    before, after = measure(pulse), measure(swamped)
    assert np.median(after["oracle_snr_db"]) < np.median(before["oracle_snr_db"]) - 15.0
    assert np.median(after["oracle_prominence_db"]) > 10.0


def test_the_clear_channel_is_found():
    rng = np.random.default_rng(5)
    ppg = np.stack([rng.normal(size=19200), tone(1.5) + 0.3 * rng.normal(size=19200)], axis=1)
    table = measure(ppg)
    assert set(table["oracle_channel"]) == {1}
    np.testing.assert_allclose(table["oracle_snr_db"], measure(ppg[:, 1])["oracle_snr_db"])


# The share that the accelerometer explains --------------------------------------------------


UNRELATED = {
    "noise and noise": lambda rng: (broad(rng)[:, 0], broad(rng, columns=3)),
    "pulse and noise": lambda rng: (tone(1.5), broad(rng, columns=3)),
    "noise and swing": lambda rng: (
        broad(rng)[:, 0],
        np.stack([tone(1.5), tone(3.0), tone(1.5, phase=1.0)], axis=1)
        + 0.05 * broad(rng, columns=3),
    ),
    "pulse and swing of nearly the same rate": lambda rng: (
        tone(1.6),
        np.stack([tone(1.5), tone(3.0), tone(1.5, phase=1.0)], axis=1)
        + 0.05 * broad(rng, columns=3),
    ),
    "pulse and a resting sensor": lambda _: (tone(1.6), np.tile([0.0, 0.0, 1.0], (19200, 1))),
}


@pytest.mark.parametrize("case", list(UNRELATED))
def test_unrelated_signals_explain_nothing(case):
    ppg, acc = UNRELATED[case](np.random.default_rng(6))
    share = measure(ppg, acc)["acc_explained_share"]
    assert share.mean() < 0.05
    assert np.quantile(share, 0.9) < 0.15


def filtered_motion(acc, delay_s=0.0):
    """Light that two axes move through a short response, ``delay_s`` later, of unit power."""
    light = np.convolve(acc[:, 0], [0.3, 1.0, 0.5, -0.4], "same") + 0.5 * acc[:, 1]
    light = np.roll(light, round(delay_s * FS_HZ))
    return light / light.std()


@pytest.mark.parametrize(
    ("true", "low", "high"), [(1.0, 0.93, 1.0), (0.75, 0.62, 0.8), (0.5, 0.33, 0.55)]
)
def test_a_known_share_is_read_low_rather_than_high(true, low, high):
    rng = np.random.default_rng(7)
    acc = broad(rng, columns=3)
    ppg = np.sqrt(true) * filtered_motion(acc) + np.sqrt(1.0 - true) * broad(rng)[:, 0]
    assert low < measure(ppg, acc)["acc_explained_share"].mean() <= high


@pytest.mark.parametrize("delay_s", [-0.3, -0.1, 0.2, 0.375])
def test_a_delay_between_motion_and_light_is_searched_and_signed(delay_s):
    acc = broad(np.random.default_rng(8), columns=3)
    table = measure(filtered_motion(acc, delay_s), acc)
    assert table["acc_explained_share"].mean() > 0.85
    assert np.median(table["acc_lag_s"]) == pytest.approx(delay_s, abs=0.13)


def test_cancelling_the_swing_brings_the_pulse_back():
    rng = np.random.default_rng(9)
    acc = np.stack([tone(1.1), tone(2.2), tone(1.1, phase=1.0)], axis=1) + 0.02 * broad(
        rng, columns=3
    )
    ppg = 3.0 * acc[:, 0] + 2.0 * acc[:, 1] + tone(1.7) + 0.2 * broad(rng)[:, 0]
    table = measure(ppg, acc, rate_bpm=102.0)
    assert np.median(table["oracle_snr_db"]) < 0.0
    assert np.median(table["oracle_snr_cancelled_db"]) > 8.0
    assert np.median(table["acc_explained_share"]) == pytest.approx(13.0 / 14.04, abs=0.08)


def test_two_rates_are_compared_in_one_channel_and_neither_is_favoured():
    # The swing is in the first channel only and the clearest line of all: both count there.
    rng = np.random.default_rng(17)
    acc = np.stack([tone(1.1), tone(2.2), tone(1.1, phase=1.0)], axis=1) + 0.02 * broad(
        rng, columns=3
    )
    ppg = np.stack([3.0 * acc[:, 0], 2.0 * rng.normal(size=19200)], axis=1) + tone(1.7)[:, None]
    light = OracleLight.of(ppg, acc, fs_hz=FS_HZ)
    swing_bpm, true_bpm = (np.full(len(light.windows), rate) for rate in (66.0, 102.0))
    found, other = light.compared(swing_bpm, true_bpm), light.compared(true_bpm, swing_bpm)
    np.testing.assert_array_equal(found["estimate_snr_db"], other["reference_snr_db"])
    np.testing.assert_array_equal(found["reference_snr_db"], other["estimate_snr_db"])
    first = [measure(ppg[:, 0], acc, rate_bpm=rate_bpm) for rate_bpm in (66.0, 102.0)]
    np.testing.assert_allclose(found["estimate_snr_db"], first[0]["oracle_snr_db"])
    np.testing.assert_allclose(found["reference_snr_db"], first[1]["oracle_snr_db"])
    gain_db = first[1]["oracle_snr_cancelled_db"] - first[1]["oracle_snr_db"]
    np.testing.assert_allclose(found["cancelling_gain_db"], gain_db)
    assert gain_db.min() > 6.0
    assert found["estimate_lost_db"].min() > 6.0


# Invariances, gaps and bad input ------------------------------------------------------------


def session(rng):
    acc = broad(rng, 60, 3)
    ppg = tone(1.5, 60)[:, np.newaxis] + broad(rng, 60, 2) + 0.5 * acc[:, :2]
    return ppg, acc


@settings(max_examples=10, deadline=None)
@given(gain=st.floats(1e-3, 1e3), level=st.floats(-1e3, 1e3), scale=st.floats(1e-3, 1e3))
def test_gain_level_and_units_change_nothing(gain, level, scale):
    ppg, acc = session(np.random.default_rng(10))
    before = measure(ppg, acc)
    after = measure(gain * ppg + level, scale * acc + 1.0)
    for name in before:
        np.testing.assert_allclose(after[name], before[name], rtol=1e-5, atol=1e-5)


def test_a_rotated_accelerometer_explains_the_same():
    ppg, acc = session(np.random.default_rng(11))
    rotation, _ = np.linalg.qr(np.random.default_rng(12).normal(size=(3, 3)))
    before, after = measure(ppg, acc), measure(ppg, acc @ rotation)
    np.testing.assert_allclose(
        after["acc_explained_share"], before["acc_explained_share"], atol=1e-6
    )


@pytest.mark.parametrize("fs_hz", [25.0, 125.0, 256.0])
def test_the_sampling_rate_changes_little(fs_hz):
    def at(rate_hz):
        ppg = tone(1.5, 120, rate_hz) + 0.8 * tone(2.3, 120, rate_hz)
        acc = np.stack([tone(2.3, 120, rate_hz, phase=p) for p in (0.0, 1.0, 2.0)], axis=1)
        return measure(ppg, acc, fs_hz=rate_hz)

    before, after = at(64.0), at(fs_hz)
    for name, tolerance in (("oracle_snr_db", 0.5), ("acc_explained_share", 0.02)):
        np.testing.assert_allclose(after[name][1:-1], before[name][1:-1], atol=tolerance)


def test_unknown_rates_and_missing_samples_are_undefined():
    ppg, acc = session(np.random.default_rng(13))
    ppg[round(20 * FS_HZ) : round(26 * FS_HZ)] = np.nan
    hr_bpm = np.full(n_windows(len(ppg)), 90.0)
    hr_bpm[0] = np.nan
    table = oracle_windows(ppg, acc, hr_bpm, fs_hz=FS_HZ)
    assert np.isnan(table["oracle_snr_db"][0])
    assert np.isfinite(table["acc_explained_share"][0])
    assert np.isnan(table["oracle_snr_db"][table.start_s == 20.0])
    assert np.isnan(table["acc_explained_share"][table.start_s == 20.0])
    assert np.isfinite(table["oracle_snr_db"][table.start_s == 40.0])


def test_a_dead_channel_is_passed_over():
    ppg, acc = session(np.random.default_rng(16))
    dead = np.full(len(ppg), np.nan)
    table = measure(np.stack([dead, ppg[:, 0]], axis=1), acc)
    assert set(table["oracle_channel"]) == {1}
    for name, column in measure(ppg[:, 0], acc).columns.items():
        if name != "oracle_channel":
            np.testing.assert_allclose(table[name], column)


def test_without_accelerometer_its_columns_are_undefined():
    table = measure(tone(1.5, 60))
    assert np.isfinite(table["oracle_snr_db"]).all()
    assert np.isnan(table["acc_explained_share"]).all()


def test_working_in_portions_changes_nothing(monkeypatch):
    ppg, acc = session(np.random.default_rng(15))
    at_once = measure(ppg, acc)
    monkeypatch.setattr("palpate.explanation.line_spectra.WINDOWS_AT_ONCE", 7)
    in_portions = measure(ppg, acc)
    for name in at_once:
        np.testing.assert_allclose(in_portions[name], at_once[name], rtol=1e-9, atol=1e-9)


@pytest.mark.parametrize("n", [0, 1, 100])
def test_short_records_give_empty_tables(n):
    table = measure(np.zeros(n), np.zeros((n, 3)))
    assert len(table) == 0
    assert "oracle_snr_db" in table


def test_bad_input_is_explained():
    ppg, acc = session(np.random.default_rng(14))
    hr_bpm = np.full(n_windows(len(ppg)), 90.0)
    with pytest.raises(InputError, match="one time base"):
        oracle_windows(ppg, acc[:-1], hr_bpm, fs_hz=FS_HZ)
    with pytest.raises(InputError, match="one per window"):
        oracle_windows(ppg, acc, hr_bpm[:-1], fs_hz=FS_HZ)


def test_distance_to_the_nearest_multiple_of_the_cadence():
    hr_bpm = np.array([82.0, 43.0, 158.0, 163.0, np.nan, 100.0])
    cadence_per_min = np.array([80.0, 80.0, 80.0, 40.0, 80.0, np.nan])
    found = cadence_distance(hr_bpm, cadence_per_min)
    np.testing.assert_allclose(found.distance_bpm, [2.0, 3.0, -2.0, 3.0, np.nan, np.nan])
    np.testing.assert_allclose(found.multiple, [1.0, 0.5, 2.0, 4.0, np.nan, np.nan])


def test_treadmill_light_carries_the_true_rate_and_not_another(data_dir):
    from scipy.io import loadmat

    folder = data_dir / "datasets" / "ieee_spc2015"
    gains = []
    for number in (4, 5, 8):
        sig = loadmat(folder / f"DATA_{number:02d}_TYPE02.mat")["sig"].astype(float)
        hr_bpm = loadmat(folder / f"DATA_{number:02d}_TYPE02_BPMtrace.mat")["BPM0"].ravel()
        stop = round((2 * (hr_bpm.size - 1) + 8) * 125)
        ppg, acc = sig[1:3, :stop].T, sig[3:6, :stop].T
        true = oracle_windows(ppg, acc, hr_bpm, fs_hz=125.0)["oracle_snr_db"]
        wrong = oracle_windows(ppg, acc, 0.75 * hr_bpm, fs_hz=125.0)["oracle_snr_db"]
        gains.append(np.median(true) - np.median(wrong))
    assert min(gains) > 8.0
