"""A band on the session's windows: every sensor measured at its own rate, every reading placed."""

from __future__ import annotations

import numpy as np
import pytest

from palpate.conditioning import resample
from palpate.grid import wrist_motion, wrist_signals
from palpate.motion import motion_windows
from palpate.signals import FloatArray, Recording, Role, Waveform, WindowTable

LIGHT_HZ = 64.0
SPAN = {"window_s": 8.0, "step_s": 2.0}


def sine(amplitude: float, frequency_hz: float, fs_hz: float) -> FloatArray:
    """A minute of gravity on one axis, a sine on another."""
    time_s = np.arange(round(60 * fs_hz)) / fs_hz
    swing = amplitude * np.sin(2 * np.pi * frequency_hz * time_s)
    return np.column_stack([swing, np.zeros(time_s.size), np.ones(time_s.size)])


def band(acc: FloatArray, fs_hz: float, *more: Waveform, start_s: float = 0.0) -> Recording:
    light = np.random.default_rng(0).normal(size=(round(60 * LIGHT_HZ), 1))
    return Recording(
        "Alder",
        (
            Waveform("ppg", Role.PPG, light, LIGHT_HZ, "counts"),
            Waveform("acc", Role.ACC, acc, fs_hz, "g", start_s=start_s),
            *more,
        ),
    )


def motion_of(alder: Recording) -> WindowTable:
    found = wrist_motion(alder, **SPAN)
    assert found is not None
    return found


def test_vibration_faster_than_the_light_s_rate_is_measured() -> None:
    """A sine of 0.5 g has an rms of 0.354 g."""
    table = motion_of(band(sine(0.5, 40.0, 400.0), 400.0))
    assert table["shake_rms_g"][2:-2] == pytest.approx(0.5 / np.sqrt(2.0), rel=0.01)
    assert table["vibration_high_hz"] == pytest.approx(180.0)
    assert "flag" in table


def test_clipping_is_counted_on_the_samples_of_the_sensor() -> None:
    acc = sine(12.0, 1.5, 100.0)
    acc[:, 1:] += 0.1 * np.random.default_rng(1).normal(size=(acc.shape[0], 2))
    at_rail = np.abs(acc[:, 0]) >= 8.0
    share = motion_of(band(np.clip(acc, -8.0, 8.0), 100.0))["clipped_share"]
    assert share.mean() == pytest.approx(at_rail.mean(), abs=0.02)


def test_rotation_has_a_rate_of_its_own_and_gaps_of_its_own() -> None:
    gyro = np.tile([3.0, 4.0, 0.0], (1500, 1))
    gyro[:300] = np.nan
    turning = Waveform("gyro", Role.GYRO, gyro, 25.0, "deg/s")
    table = motion_of(band(sine(0.5, 1.0, 100.0), 100.0, turning))
    known = table.start_s >= 10.0  # 12 s are lost; a window may miss a quarter
    assert np.isnan(table["gyro_rms_dps"][~known]).all()
    assert table["gyro_rms_dps"][known] == pytest.approx(5.0)
    assert np.isfinite(table["swing_rms_g"]).all()


@pytest.mark.parametrize("start_s", [-3.1, 0.0, 5.3])
def test_sensors_that_start_apart_meet_window_by_window(start_s: float) -> None:
    """The swing grows, so a window knows its time."""
    fs_hz = 50.0
    acc = sine(1.0, 2.0, fs_hz)
    acc[:, 0] *= (np.arange(acc.shape[0]) / fs_hz + start_s) / 100.0
    table = motion_of(band(acc, fs_hz, start_s=start_s))
    assert np.allclose(table.start_s % 2.0, 0.0)
    assert table.start_s[0] == 2.0 * np.ceil(start_s / 2.0)
    inner = slice(1, -1)
    grown = np.abs(table.middle_s[inner]) / 100.0 / np.sqrt(2.0)
    assert table["swing_rms_g"][inner] == pytest.approx(grown, abs=0.003)


def test_estimators_get_acceleration_on_the_samples_of_the_light() -> None:
    acc = sine(0.5, 2.0, 100.0)
    found = wrist_signals(band(acc, 100.0), **SPAN)
    assert found is not None
    assert found.acc == pytest.approx(resample(acc, fs_hz=100.0, to_hz=LIGHT_HZ), abs=1e-9)


def test_drift_counts_and_no_accelerometer_is_none() -> None:
    alder = band(sine(0.5, 1.0, 50.0), 50.0)
    fast = Recording("Alder", alder.waveforms, clock_drift_ppm=1e4)
    assert motion_of(fast).end_s[-1] == 60.0  # 60.6 s of session
    own = motion_windows(sine(0.5, 1.0, 50.0), fs_hz=50.0 / 1.01, unit="g")
    assert motion_of(fast)["swing_rms_g"] == pytest.approx(own["swing_rms_g"])
    assert wrist_motion(Recording("Birch", alder.waveforms[:1]), **SPAN) is None
