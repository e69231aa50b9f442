from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from palpate.timing import Verdict, align_heart_rates, rate_of_beats
from palpate.timing.heart_rates import regular_rate
from palpate.validation import InputError

Floats = NDArray[np.float64]
LENGTH_S = 2400.0
OWN_S = np.arange(0.0, LENGTH_S)


@pytest.mark.parametrize(("offset_s", "drift_ppm"), [(0.0, 0.0), (31.4, 80.0), (-77.7, -60.0)])
def test_offset_is_found_within_half_a_second(
    readings: Callable[..., Floats], offset_s: float, drift_ppm: float
) -> None:
    first = readings(1, LENGTH_S, OWN_S)
    second = readings(1, LENGTH_S, OWN_S * (1 + drift_ppm * 1e-6) + offset_s, 2)
    fit = align_heart_rates(OWN_S, first, OWN_S, second)
    assert fit.verdict is Verdict.KNOWN
    assert fit.longest is not None
    assert abs(fit.offset_s - offset_s) < 0.5
    assert fit.longest.offset_interval_s[0] <= offset_s <= fit.longest.offset_interval_s[1]
    assert fit.longest.drift_interval_ppm[0] <= drift_ppm <= fit.longest.drift_interval_ppm[1]
    assert fit.confidence > 0.99


def test_swapping_the_roles_inverts_the_clock(readings: Callable[..., Floats]) -> None:
    first = readings(2, LENGTH_S, OWN_S)
    second = readings(2, LENGTH_S, OWN_S + 12.5, 2)
    one = align_heart_rates(OWN_S, first, OWN_S, second)
    other = align_heart_rates(OWN_S, second, OWN_S, first)
    middle_s = np.array([LENGTH_S / 2])
    there = one.reference_s(middle_s)
    np.testing.assert_allclose(other.reference_s(there), middle_s, atol=0.15)


@pytest.mark.parametrize("shift_s", [0.25, -13.0, 5000.0])
def test_a_constant_added_to_the_times_comes_off_the_offset(
    readings: Callable[..., Floats], shift_s: float
) -> None:
    first = readings(3, LENGTH_S, OWN_S)
    second = readings(3, LENGTH_S, OWN_S + 4.0, 2)
    plain = align_heart_rates(OWN_S, first, OWN_S, second)
    moved = align_heart_rates(OWN_S, first, OWN_S + shift_s, second)
    middle_s = np.array([LENGTH_S / 2])
    np.testing.assert_allclose(
        moved.reference_s(middle_s + shift_s), plain.reference_s(middle_s), atol=1e-3
    )


def test_a_pause_gives_two_pieces_that_meet_where_it_was(readings: Callable[..., Floats]) -> None:
    paused_at_s, pause_s = 1300.0, 45.0
    session_s = np.where(paused_at_s > OWN_S, OWN_S, OWN_S + pause_s) + 20.0
    fit = align_heart_rates(
        OWN_S, readings(4, LENGTH_S, OWN_S), OWN_S, readings(4, LENGTH_S, session_s, 2)
    )
    assert fit.verdict is Verdict.KNOWN
    assert [round(piece.middle_lag_s) for piece in fit.pieces] == [20, 65]
    assert abs(fit.pieces[0].end_s - paused_at_s) < 60.0
    assert fit.pieces[0].end_s == fit.pieces[1].start_s


def test_no_pause_gives_one_piece(readings: Callable[..., Floats]) -> None:
    for seed in range(5, 9):
        fit = align_heart_rates(
            OWN_S, readings(seed, LENGTH_S, OWN_S), OWN_S, readings(seed, LENGTH_S, OWN_S + 9.0, 2)
        )
        assert len(fit.pieces) == 1


def test_unrelated_hearts_are_refused(readings: Callable[..., Floats]) -> None:
    rates = [readings(seed, LENGTH_S, OWN_S) for seed in range(100, 109)]
    for number, first in enumerate(rates):
        for second in rates[:number]:
            fit = align_heart_rates(OWN_S, first, OWN_S, second)
            assert fit.verdict is not Verdict.KNOWN
            assert fit.reason


def test_a_constant_rate_is_refused() -> None:
    fit = align_heart_rates(OWN_S, np.full(OWN_S.size, 70.0), OWN_S, np.full(OWN_S.size, 70.0))
    assert fit.verdict is Verdict.UNKNOWN
    assert "hardly changes" in fit.reason
    assert np.isnan(fit.offset_s)


def test_a_rate_that_repeats_itself_is_never_known() -> None:
    rng = np.random.default_rng(0)
    wave = 120 + 30 * np.sin(2 * np.pi * OWN_S / 150.0)
    noisy = [np.round(wave + rng.normal(0, 0.8, wave.size)) for _ in range(2)]
    fit = align_heart_rates(OWN_S, noisy[0], OWN_S, noisy[1])
    assert fit.verdict is not Verdict.KNOWN


def test_too_short_a_record_is_refused(readings: Callable[..., Floats]) -> None:
    own_s = OWN_S[:100]
    fit = align_heart_rates(
        own_s, readings(1, LENGTH_S, own_s), own_s, readings(1, LENGTH_S, own_s, 2)
    )
    assert fit.verdict is Verdict.UNKNOWN
    assert "120 s are needed" in fit.reason


def test_a_search_range_that_leaves_the_truth_out_finds_nothing(
    readings: Callable[..., Floats],
) -> None:
    first, second = readings(1, LENGTH_S, OWN_S), readings(1, LENGTH_S, OWN_S + 90.0, 2)
    near = align_heart_rates(OWN_S, first, OWN_S, second, max_offset_s=30.0)
    assert near.verdict is not Verdict.KNOWN
    wide = align_heart_rates(OWN_S, first, OWN_S, second, max_offset_s=120.0)
    assert abs(wide.offset_s - 90.0) < 0.5


def test_rates_of_nothing_are_refused() -> None:
    fit = align_heart_rates(OWN_S, np.full(OWN_S.size, np.nan), OWN_S, np.full(OWN_S.size, np.nan))
    assert fit.verdict is Verdict.UNKNOWN


def test_times_and_values_must_pair() -> None:
    with pytest.raises(InputError, match="3 times but 2 values"):
        align_heart_rates(np.arange(3.0), np.ones(2), OWN_S, OWN_S)


def test_a_reading_beside_a_gap_is_known() -> None:
    trace = regular_rate([0.0, 10.0, 11.0, 30.0], [60.0, 70.0, 71.0, 90.0], fs_hz=1.0)  # type: ignore[arg-type]
    known = np.isfinite(trace.values)
    np.testing.assert_array_equal(trace.times_s()[known], [0.0, 10.0, 11.0, 30.0])
    np.testing.assert_array_equal(trace.values[known], [60.0, 70.0, 71.0, 90.0])


def test_regular_rate_bridges_seconds_but_not_dropouts() -> None:
    trace = regular_rate(np.array([0.0, 1.0, 3.0, 20.0, 21.0]), np.array([60.0, 61, 63, 80, 81]))
    at = dict(zip(trace.times_s().tolist(), trace.values.tolist(), strict=True))
    assert at[2.0] == pytest.approx(62.0)
    assert np.isnan(at[10.0])
    assert at[20.5] == pytest.approx(80.5)


def test_rate_of_beats_leaves_out_missed_and_extra_beats() -> None:
    beat_s = np.arange(0.0, 30.0, 0.8)
    missed = np.delete(beat_s, 10)
    middle_s, rate = rate_of_beats(missed)
    assert np.isnan(rate[9])
    assert np.isnan(rate).sum() == 1
    np.testing.assert_allclose(rate[np.isfinite(rate)], 75.0)
    assert middle_s[0] == pytest.approx(0.4)


@pytest.mark.parametrize("count", [0, 1])
def test_rate_of_too_few_beats_is_empty(count: int) -> None:
    middle_s, rate = rate_of_beats(np.arange(float(count)))
    assert middle_s.size == rate.size == 0
