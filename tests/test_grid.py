"""A band on the session's windows: every sensor measured at its own rate, every reading placed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from palpate.conditioning import resample, window_grid
from palpate.evaluation.scoring import score_windows
from palpate.grid import readings_per_window, update_note, wrist_motion, wrist_signals
from palpate.motion import motion_windows
from palpate.signals import (
    FloatArray,
    RateSeries,
    Recording,
    Role,
    Waveform,
    WindowTable,
    held_until,
)

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


def test_every_light_is_read_on_the_samples_of_the_fastest() -> None:
    time_s = np.arange(60 * 32) / 32.0
    slow = Waveform("red", Role.PPG, np.sin(2 * np.pi * time_s)[:, np.newaxis], 32.0, "counts")
    late = replace(slow, name="late", start_s=10.0)
    found = wrist_signals(band(sine(0.0, 1.0, 50.0), 50.0, slow, late), **SPAN)
    assert found is not None
    assert found.fs_hz == LIGHT_HZ
    assert found.ppg.shape == (60 * 64, 3)
    wave = np.sin(2 * np.pi * np.arange(60 * 64) / 64.0)
    np.testing.assert_allclose(found.ppg[200:-200, 1], wave[200:-200], atol=0.02)
    assert np.isnan(found.ppg[: 10 * 64, 2]).all()
    np.testing.assert_allclose(found.ppg[840:-200, 2], wave[840:-200], atol=0.02)


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


# --- a device's own heart rate ----------------------------------------------------------


def true_bpm(time_s: FloatArray) -> FloatArray:
    return 110.0 + 40.0 * np.sin(2 * np.pi * time_s / 600.0)


def perfect_device(update_s: float, first_s: float = 0.0) -> Recording:
    """Readings that show the true rate at their stamps."""
    stamp_s = np.arange(first_s, 3600.0, update_s)
    nothing = np.full(stamp_s.size, np.nan)
    blank = np.full(stamp_s.size, "")
    hr_bpm = true_bpm(stamp_s)
    rate = RateSeries("hr", stamp_s, held_until(stamp_s), hr_bpm, nothing, blank)
    return Recording("Alder", rates=(rate,))


def hour_of_windows() -> WindowTable:
    windows = WindowTable(*window_grid(0.0, 3600.0))
    return windows.with_columns(
        hr_bpm=true_bpm(windows.middle_s),
        trusted=np.ones(len(windows), dtype=bool),
        activity=np.full(len(windows), ""),
    )


def in_windows(alder: Recording) -> RateSeries:
    return readings_per_window(alder.rates[0], alder, hour_of_windows())


@pytest.mark.parametrize("update_s", [1.0, 2.5, 5.0, 7.0])
@pytest.mark.parametrize("first_s", [0.0, 0.37, 0.8])
def test_a_perfect_device_is_on_time_however_rarely_it_updates(
    update_s: float, first_s: float
) -> None:
    """As long as every window holds a stamp; whole seconds lie 0.5 s early in half-open windows."""
    found = in_windows(perfect_device(update_s, first_s))
    middle_s = (found.start_s + found.end_s) / 2.0
    slope = np.gradient(true_bpm(middle_s), middle_s)
    late_s = -slope @ (found.hr_bpm - true_bpm(middle_s)) / (slope @ slope)
    assert abs(late_s) < 0.6
    assert np.isfinite(found.hr_bpm).all()


@pytest.mark.parametrize("update_s", [10.0, 15.0, 60.0])
def test_a_device_that_updates_rarely_is_covered_by_what_it_holds(update_s: float) -> None:
    alder = perfect_device(update_s)
    scored = score_windows(hour_of_windows(), in_windows(alder))
    assert np.isfinite(scored["estimate_bpm"]).all()
    alder_windows = hour_of_windows()
    last_s = update_s * np.floor(alder_windows.middle_s / update_s)
    no_stamp = np.ceil(alder_windows.start_s / update_s) * update_s >= alder_windows.end_s
    np.testing.assert_allclose(scored["estimate_bpm"][no_stamp], true_bpm(last_s)[no_stamp])
    note = update_note(alder.rates[0], alder, in_windows(alder), step_s=2.0)
    assert note is not None
    assert note.startswith(f"Its own heart rate comes every {update_s:g} s, more rarely than")
    assert f"{no_stamp.sum()} of the 1797 windows" in note
    assert f"at most {update_s:g} s old" in note


def test_readings_that_share_a_stamp_are_held_as_one_is() -> None:
    alder = perfect_device(10.0)
    names = ("start_s", "hr_bpm", "confidence", "reason")
    twice = {name: np.repeat(getattr(alder.rates[0], name), 2) for name in names}
    rate = RateSeries("hr", end_s=held_until(twice["start_s"]), **twice)
    found = readings_per_window(rate, alder, hour_of_windows())
    np.testing.assert_array_equal(found.hr_bpm, in_windows(alder).hr_bpm)
    note = update_note(rate, alder, found, step_s=2.0)
    assert note == update_note(alder.rates[0], alder, found, step_s=2.0)
    np.testing.assert_array_equal(held_until(np.array([3.0, 3.0])), [4.0, 4.0])
    assert held_until(np.empty(0)).size == 0


def test_a_reading_is_held_for_one_and_a_half_usual_intervals_at_most() -> None:
    alder = perfect_device(10.0)
    whole = alder.rates[0]
    kept = (whole.start_s < 100.0) | (whole.start_s >= 200.0)
    parts = {
        name: getattr(whole, name)[kept] for name in ("start_s", "hr_bpm", "confidence", "reason")
    }
    rate = RateSeries("hr", end_s=held_until(parts["start_s"]), **parts)
    found = readings_per_window(rate, alder, hour_of_windows())
    middle_s = (found.start_s + found.end_s) / 2.0
    # The last reading before the gap is of 90 s, and the first window with that of 200 s
    # ends after it.
    lost = (middle_s >= 105.0) & (found.end_s <= 200.0)
    assert np.array_equal(np.isnan(found.hr_bpm), lost)
    assert set(found.reason[lost]) == {"the device gave no value"}
    note = update_note(rate, alder, found, step_s=2.0)
    assert note is not None
    assert "at most 15 s old" in note


def test_a_device_that_says_it_has_no_value_holds_none() -> None:
    alder = perfect_device(10.0)
    hr_bpm = alder.rates[0].hr_bpm.copy()
    hr_bpm[10:12] = np.nan  # at 100 and 110 s
    silent = replace(alder.rates[0], hr_bpm=hr_bpm)
    found = readings_per_window(silent, alder, hour_of_windows())
    middle_s = (found.start_s + found.end_s) / 2.0
    own = (found.start_s > 90.0) & (found.end_s <= 120.0)
    assert np.array_equal(np.isnan(found.hr_bpm), own & (middle_s >= 100.0))


def test_where_every_window_has_a_reading_of_its_own_the_interval_is_all_that_is_said() -> None:
    alder = perfect_device(5.0)
    note = update_note(alder.rates[0], alder, in_windows(alder), step_s=2.0)
    assert note == "Its own heart rate comes every 5 s, more rarely than windows do."


def test_nothing_is_said_of_a_device_that_keeps_pace() -> None:
    for alder in (perfect_device(1.0), perfect_device(2.0, 0.3)):
        assert update_note(alder.rates[0], alder, in_windows(alder), step_s=2.0) is None


def test_the_order_of_readings_does_not_matter_and_their_clock_does() -> None:
    alder = perfect_device(5.0)
    turned = {
        name: getattr(alder.rates[0], name)[::-1]
        for name in ("start_s", "end_s", "hr_bpm", "confidence", "reason")
    }
    backwards = readings_per_window(RateSeries("hr", **turned), alder, hour_of_windows())
    np.testing.assert_array_equal(backwards.hr_bpm, in_windows(alder).hr_bpm)
    moved = replace(alder, clock_offset_s=10.0)
    later = in_windows(moved).hr_bpm
    np.testing.assert_array_equal(later[6:], in_windows(alder).hr_bpm[1:-4][: later[6:].size])
