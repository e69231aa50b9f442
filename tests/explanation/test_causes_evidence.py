"""The evidence behind causes, on beats and signals small enough to work out by hand."""

from __future__ import annotations

import numpy as np
import pytest

from palpate.explanation import LightClock, band_evidence, light_level, source_evidence
from palpate.signals import FloatArray, WindowTable

STEP_S, WINDOW_S = 2.0, 8.0
KNOWN_CLOCK = LightClock(offset_s=0.0, within_s=0.3, drift_ppm=0.0, peak_ratio=9.0)
NO_CLOCK = LightClock(np.nan, np.nan, np.nan, np.nan, "no light")


def rate_at(time_s: FloatArray) -> FloatArray:
    """80 bpm, up to 140 in the minute from 120 s, down again in the minute from 300 s."""
    up, down = (np.clip((time_s - start) / 60.0, 0.0, 1.0) for start in (120.0, 300.0))
    return 80.0 + 60.0 * (up - down)


def beats() -> FloatArray:
    time_s = np.arange(0.0, 480.0, 0.01)
    cycles = np.cumsum(rate_at(time_s)) * 0.01 / 60.0
    return np.interp(np.arange(1.0, cycles[-1]), cycles, time_s)


def grid() -> WindowTable:
    start_s = np.arange(0.0, 460.0, STEP_S)
    return WindowTable(start_s, start_s + WINDOW_S)


def scored(estimate_bpm: FloatArray) -> WindowTable:
    windows = grid()
    true_bpm = rate_at(windows.start_s + WINDOW_S / 2.0)
    error = estimate_bpm - true_bpm
    outside = np.abs(error) > 0.1 * true_bpm
    return windows.with_columns(
        reference_bpm=true_bpm,
        estimate_bpm=estimate_bpm,
        error_bpm=error,
        tolerance_bpm=np.maximum(5.0, 0.1 * true_bpm),
        status=np.where(outside, "outside", "within"),
    )


def gathered(
    estimate_bpm: FloatArray, *, clock: LightClock = KNOWN_CLOCK, **more: object
) -> WindowTable:
    band = band_evidence(grid(), (), clock)
    return source_evidence(scored(estimate_bpm), band, grid(), beats(), **more)  # type: ignore[arg-type]


def shown_at(shift_s: float) -> FloatArray:
    """What a source shows that is late by `shift_s`."""
    return rate_at(grid().start_s + WINDOW_S / 2.0 - shift_s)


@pytest.mark.parametrize("late_s", [6.0, 11.5, 36.0])
def test_a_delay_is_found_and_explains_the_error(late_s: float) -> None:
    found = gathered(shown_at(late_s))
    # In the rise, away from the record's ends.
    rise = (found.start_s > 130.0) & (found.start_s < 165.0)
    np.testing.assert_allclose(found["late_s"][rise], late_s, atol=0.5)
    assert np.abs(found["late_bpm"][rise]).max() < 1.5
    assert found["late_gain"][rise].min() > 0.8


def test_a_delay_that_cannot_be_checked_explains_nothing() -> None:
    # The first windows are off by 40 bpm; no beats are known from before them.
    estimate = shown_at(0.0) + np.where(grid().start_s < 20.0, 40.0, 0.0)
    first = gathered(estimate).start_s < 20.0
    assert gathered(estimate)["late_gain"][first].max() < 0.1


def test_a_rate_that_stands_while_the_heart_rises_is_not_late() -> None:
    found = gathered(np.full(len(grid()), 80.0))
    rise = (found.start_s > 130.0) & (found.start_s < 165.0)
    assert np.isnan(found["late_gain"][rise]).all()


def test_errors_within_tolerance_do_not_hide_a_delay() -> None:
    # Late by 8 s, and 3 bpm to either side in turn: a third of tolerance, so a tenth in squares.
    estimate = shown_at(8.0) + np.where(np.arange(len(grid())) % 2, 3.0, -3.0)
    found = gathered(estimate)
    rise = (found.start_s > 130.0) & (found.start_s < 165.0)
    assert found["late_gain"][rise].min() > 0.75


def test_lag_is_measured_after_the_clock_is_put_right() -> None:
    early = LightClock(offset_s=-10.0, within_s=0.3, drift_ppm=0.0, peak_ratio=9.0)
    found = gathered(shown_at(10.0), clock=early)
    rise = (found.start_s > 130.0) & (found.start_s < 165.0)
    assert np.abs(found["repaired_bpm"][rise]).max() < 1.0
    assert found["late_gain"][rise].max() < 0.1


def test_an_unknown_clock_repairs_nothing() -> None:
    found = gathered(shown_at(0.0), clock=NO_CLOCK)
    assert np.isnan(found["repaired_bpm"]).all()
    assert np.isnan(found["clock_offset_s"]).all()


def test_a_drifting_clock_is_off_by_more_later() -> None:
    drifting = LightClock(offset_s=1.0, within_s=0.3, drift_ppm=1000.0, peak_ratio=9.0)
    off_s = band_evidence(grid(), (), drifting)["clock_offset_s"]
    assert off_s[0] == pytest.approx(1.0)
    assert off_s[200] == pytest.approx(1.4)


def test_a_standing_estimate_shows_how_far_the_delayed_reference_moved_on() -> None:
    held = shown_at(0.0)
    standing = (grid().start_s >= 120.0) & (grid().start_s < 160.0)
    held[standing] = 80.0
    found = gathered(held)
    assert found["held_bpm"][standing].min() > 10.0
    assert found["held_bpm"][grid().start_s == 170.0][0] < 1.0


def test_a_hold_lasts_from_where_the_estimate_stopped() -> None:
    held = shown_at(0.0)
    held[60:80] = 83.5  # from 120 s for 20 windows of 2 s
    held[70] = 83.9
    chance, line_db = np.full(len(grid()), 0.5), np.full(len(grid()), 2.0)
    chance[60:75], chance[75], line_db[60:71] = 0.01, np.nan, 11.0
    light = grid().with_columns(oracle_chance=chance, oracle_prominence_db=line_db)
    band = band_evidence(grid(), (light,), KNOWN_CLOCK)
    found = source_evidence(scored(held), band, grid(), beats())
    assert found["held_s"][58:82].tolist() == [118.0, 2.0] + [40.0] * 20 + [2.0, 2.0]
    assert set(found["held_from_bpm"][60:80]) == {rate_at(np.array([124.0]))[0]} == {84.0}
    np.testing.assert_allclose(found["held_carried_share"][60:80], 15 / 19)
    np.testing.assert_allclose(found["held_prominence_db"][60:80], (11 * 11.0 + 9 * 2.0) / 20)


def test_an_estimate_that_creeps_or_falls_silent_does_not_stand() -> None:
    creeping = 80.0 + 0.3 * np.arange(len(grid()))
    assert gathered(creeping)["held_s"].max() == 2 * STEP_S
    silent = np.where(np.arange(len(grid())) % 5 == 4, np.nan, 80.0)
    assert gathered(silent)["held_s"].max() == 4 * STEP_S
    assert np.isnan(gathered(silent)["held_carried_share"]).all()


def test_a_lock_on_double_is_a_share_of_what_is_outside() -> None:
    estimate = shown_at(0.0)
    estimate[10:30] *= 2.0
    estimate[20:25] = 130.0  # astray, but not half or double
    found = gathered(estimate)
    # 17 windows around row 18 are rows 10 to 26: twelve double and five astray.
    assert found["harmonic_share"][18] == pytest.approx(12 / 17)
    assert np.isnan(found["harmonic_share"][100])


def test_others_agree_by_their_median_distance() -> None:
    estimate = shown_at(0.0)
    other = [estimate + 4.0, estimate - 10.0, np.full(estimate.size, np.nan)]
    found = gathered(estimate, others_bpm=other)
    np.testing.assert_allclose(found["others_bpm"], 7.0)
    assert np.isnan(gathered(estimate)["others_bpm"]).all()


def test_a_reference_that_jumps_stands_out_from_its_minute() -> None:
    band = band_evidence(grid(), (), KNOWN_CLOCK)
    table = scored(shown_at(0.0))
    jumping = np.array(table["reference_bpm"])
    jumping[20] += 30.0
    found = source_evidence(table.with_columns(reference_bpm=jumping), band, grid(), beats())
    assert found["reference_jump_bpm"][20] == pytest.approx(30.0)
    assert found["reference_jump_bpm"][21] == 0.0


def test_measures_are_remembered_as_an_estimator_does() -> None:
    n = len(grid())
    snr_db, clipped = np.full(n, 15.0), np.zeros(n)
    snr_db[50:52], clipped[50] = -3.0, 0.4
    band = band_evidence(
        grid(), (grid().with_columns(oracle_snr_db=snr_db, clipped_share=clipped),), KNOWN_CLOCK
    )
    found = source_evidence(scored(shown_at(0.0)), band, grid(), beats())
    # Five windows of 2 s make 10 s: two bad ones of five do not move the median.
    assert found["oracle_snr_db"].tolist() == [15.0] * n
    assert found["clipped_share"][49:56].tolist() == [0.0, 0.4, 0.4, 0.4, 0.4, 0.4, 0.0]


def test_level_and_swing_are_measured_in_usual_pulse_heights() -> None:
    fs_hz = 32.0
    time_s = np.arange(round(120 * fs_hz)) / fs_hz
    pulse = 100.0 * np.sin(2 * np.pi * 1.2 * time_s)
    pulse[time_s > 80.0] *= 0.25
    step = np.where(time_s > 60.0, 1000.0, 0.0)
    level = light_level(50_000.0 + pulse + step, fs_hz=fs_hz, start_s=0.0, window_s=8.0, step_s=2.0)
    oracle = level.with_columns(oracle_snr_db=np.full(len(level), 20.0))
    found = band_evidence(grid(), (oracle,), KNOWN_CLOCK)
    quiet, faint = found.start_s == 20.0, found.start_s == 100.0
    across = found.start_s == 56.0
    assert found["swing_share"][quiet][0] == pytest.approx(1.0, abs=0.05)
    assert found["swing_share"][faint][0] == pytest.approx(0.25, abs=0.05)
    assert found["level_move"][quiet][0] < 0.1
    assert found["level_move"][across][0] == pytest.approx(5.0, rel=0.25)  # 1000 over 200
