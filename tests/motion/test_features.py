"""The motion table: hand-computed windows, invariances, gaps and bad input."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from palpate.motion import gyro_windows, motion_windows
from palpate.validation import InputError

ROTATION_PROOF = (
    "enmo_g",
    "mad_g",
    "swing_rms_g",
    "shake_rms_g",
    "jerk_g_per_s",
    "spectral_entropy",
    "cadence_per_min",
    "periodicity",
    "burstiness",
    "vibration_wh_mps2",
    "orientation_change_deg",
)


def test_enmo_and_mad_of_a_window_by_hand():
    # |a| alternates between 0.5 and 2 g: ENMO (0 + 1) / 2, MAD 0.75 about the mean 1.25.
    acc = np.zeros((1000, 3))
    acc[::2, 1], acc[1::2, 1] = 0.5, 2.0
    table = motion_windows(acc, fs_hz=50.0, unit="g")
    np.testing.assert_allclose(table["enmo_g"], 0.5)
    np.testing.assert_allclose(table["mad_g"], 0.75)
    np.testing.assert_allclose(table["gravity_y_g"], 1.25)


def test_windows_lie_on_the_shared_grid_and_keep_the_start():
    acc = np.tile([0.0, 0.0, 1.0], (50 * 21, 1))
    table = motion_windows(acc, fs_hz=50.0, unit="g", start_s=100.0)
    np.testing.assert_allclose(table.start_s, 100.0 + 2.0 * np.arange(7))
    np.testing.assert_allclose(table.end_s - table.start_s, 8.0)


@pytest.mark.parametrize("order", [(1, 2, 0), (2, 1, 0)])
def test_permuted_axes_change_no_magnitude_feature(swinging_arm, order):
    acc = swinging_arm(noise_g=0.05)
    before = motion_windows(acc, fs_hz=64.0, unit="g")
    after = motion_windows(acc[:, order], fs_hz=64.0, unit="g")
    for name in ROTATION_PROOF:
        np.testing.assert_allclose(after[name], before[name], rtol=1e-6, atol=1e-9)


def test_a_rotated_sensor_changes_no_magnitude_feature(swinging_arm, any_rotation):
    acc = swinging_arm(noise_g=0.05)
    before = motion_windows(acc, fs_hz=64.0, unit="g")
    after = motion_windows(acc @ any_rotation.T, fs_hz=64.0, unit="g")
    for name in ROTATION_PROOF:
        np.testing.assert_allclose(after[name], before[name], rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("fs_hz", [25.0, 31.25, 50.0, 100.0, 128.0, 512.0])
def test_resampling_changes_no_feature_of_slow_motion(swinging_arm, fs_hz):
    before = motion_windows(swinging_arm(fs_hz=256.0), fs_hz=256.0, unit="g")
    after = motion_windows(swinging_arm(fs_hz=fs_hz), fs_hz=fs_hz, unit="g")
    inner = slice(2, -2)
    for name, tolerance in (
        ("enmo_g", 0.03),
        ("mad_g", 0.03),
        ("swing_rms_g", 0.01),
        ("jerk_g_per_s", 0.02),
        ("cadence_per_min", 0.01),
        ("vibration_wh_mps2", 0.02),
    ):
        np.testing.assert_allclose(after[name][inner], before[name][inner], rtol=tolerance)


def test_orientation_change_of_a_known_turn():
    t = np.arange(60 * 50) / 50.0
    angle = np.deg2rad(20.0) * np.sin(2 * np.pi * t / 20.0)  # slow: posture, not movement
    acc = np.stack([np.sin(angle), 0 * angle, np.cos(angle)], axis=1)
    table = motion_windows(acc, fs_hz=50.0, unit="g", window_s=20.0, step_s=20.0)
    assert table["orientation_change_deg"] == pytest.approx(20.0, abs=1.5)


def test_gyro_rms_of_a_known_rate():
    gyro = np.tile([3.0, 4.0, 0.0], (1000, 1))
    gyro[500:, 1] = np.nan
    rms_dps = gyro_windows(gyro, fs_hz=50.0)["gyro_rms_dps"]
    np.testing.assert_allclose(rms_dps[:3], 5.0)
    assert np.isnan(rms_dps[4:]).all()


def test_vibration_is_undefined_where_the_rate_carries_none_of_its_band():
    acc = np.random.default_rng(0).normal(loc=(0.0, 0.0, 1.0), scale=0.1, size=(1000, 3))
    assert np.isnan(motion_windows(acc, fs_hz=12.5, unit="g")["vibration_wh_mps2"]).all()
    assert (motion_windows(acc, fs_hz=25.0, unit="g")["vibration_wh_mps2"] > 0.1).all()


def test_clipping_at_the_rails_is_counted(swinging_arm):
    acc = swinging_arm(amplitude_g=3.0, noise_g=0.01)
    clipped = np.clip(acc, -2.0, 2.0)
    share = motion_windows(clipped, fs_hz=64.0, unit="g")["clipped_share"]
    expected = (np.abs(acc) >= 2.0).any(axis=1).mean()
    assert share.mean() == pytest.approx(expected, abs=0.05)
    assert motion_windows(acc, fs_hz=64.0, unit="g")["clipped_share"].max() == 0.0


def test_missing_samples_are_counted_and_long_gaps_are_undefined(swinging_arm):
    acc = swinging_arm()
    acc[64 * 20 : 64 * 21] = np.nan  # 1 of 8 s
    acc[64 * 40 : 64 * 46] = np.nan  # 6 of 8 s
    table = motion_windows(acc, fs_hz=64.0, unit="g")
    at = {start: i for i, start in enumerate(table.start_s)}
    assert table["missing_share"][at[18.0]] == pytest.approx(1 / 8)
    assert table["mad_g"][at[18.0]] == pytest.approx(table["mad_g"][at[4.0]], rel=0.1)
    for name in ROTATION_PROOF:
        assert np.isnan(table[name][at[40.0]])
    assert table["missing_share"][at[40.0]] == pytest.approx(6 / 8)


def test_the_sum_of_wh_bands_is_what_a_standalone_filter_gives():
    rng = np.random.default_rng(0)
    acc = 0.1 * rng.normal(size=(256 * 60, 3)) + [0, 0, 1]
    table = motion_windows(acc, fs_hz=256.0, unit="g", window_s=50.0, step_s=50.0)
    freq_hz, density = signal.welch(acc * 9.80665, fs=256.0, nperseg=1024, axis=0)
    from palpate.motion import wh_response

    weighted = density.sum(axis=1) * np.abs(wh_response(freq_hz)) ** 2
    expected = np.sqrt(weighted.sum() * (freq_hz[1] - freq_hz[0]))
    assert table["vibration_wh_mps2"][0] == pytest.approx(expected, rel=0.02)


def test_working_in_portions_changes_nothing(swinging_arm, monkeypatch):
    acc = swinging_arm(noise_g=0.1, duration_s=120.0)
    at_once = motion_windows(acc, fs_hz=64.0, unit="g")
    monkeypatch.setattr("palpate.motion.features.WINDOWS_AT_ONCE", 7)
    in_portions = motion_windows(acc, fs_hz=64.0, unit="g")
    for name in at_once:
        np.testing.assert_allclose(in_portions[name], at_once[name], rtol=1e-12)


@pytest.mark.parametrize("shape", [(0, 3), (3, 3), (100, 3), (399, 3)])
def test_records_shorter_than_a_window_give_an_empty_table(shape):
    table = motion_windows(np.ones(shape), fs_hz=50.0, unit="g")
    assert len(table) == 0
    assert "enmo_g" in table


@pytest.mark.parametrize("fs_hz", [4.0, 12.5, 100.0])
def test_the_shortest_windows_are_measured_and_shorter_ones_refused(fs_hz):
    acc = np.random.default_rng(0).normal(loc=(0.0, 0.0, 1.0), scale=0.1, size=(1000, 3))
    table = motion_windows(acc, fs_hz=fs_hz, unit="g", window_s=0.5)
    assert (table["swing_rms_g"] > 0.0).all()
    with pytest.raises(InputError, match=r"needs 0.5 s or more"):
        motion_windows(acc, fs_hz=fs_hz, unit="g", window_s=0.1)


@pytest.mark.parametrize("fill", [0.0, np.nan])
def test_dead_sensors_do_not_break(fill):
    table = motion_windows(np.full((1000, 3), fill), fs_hz=50.0, unit="g")
    assert len(table) == 7


@pytest.mark.parametrize("axes", [1, 2])
def test_fewer_axes_leave_undefined_what_needs_three(axes):
    acc = 0.3 * np.random.default_rng(0).normal(size=(1000, axes))
    table = motion_windows(acc, fs_hz=50.0, unit="g")
    assert np.isnan(table["enmo_g"]).all()
    assert np.isfinite(table["swing_rms_g"]).all()


def test_bad_input_is_explained():
    acc = np.tile([0.0, 0.0, 1.0], (1000, 1))
    with pytest.raises(InputError, match="at most three"):
        motion_windows(np.ones((1000, 6)), fs_hz=50.0, unit="g")
    with pytest.raises(InputError, match="Hz"):
        motion_windows(acc, fs_hz=0.0, unit="g")


@settings(max_examples=20, deadline=None)
@given(
    fs_hz=st.sampled_from([12.5, 25.0, 50.0, 104.0, 125.0]),
    n=st.integers(0, 3000),
    seed=st.integers(0, 1000),
    lost=st.floats(0.0, 1.0),
)
def test_any_record_gives_whole_columns_and_keeps_its_input(fs_hz, n, seed, lost):
    rng = np.random.default_rng(seed)
    acc = rng.normal(loc=(0.0, 0.0, 1.0), size=(n, 3))
    acc[rng.random(n) < lost] = np.nan
    before = acc.copy()
    table = motion_windows(acc, fs_hz=fs_hz, unit="g")
    np.testing.assert_array_equal(acc, before)
    for name in table:
        assert table[name].shape == table.start_s.shape
        assert not np.isinf(table[name]).any()
    assert ((table["missing_share"] >= 0) & (table["missing_share"] <= 1)).all()
