from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from palpate.timing import coverage
from palpate.timing.coverage import step_of
from palpate.validation import InputError

TIME_S = np.arange(0.0, 600.0)


def varying() -> np.ndarray:
    return np.round(100.0 + 20.0 * np.sin(TIME_S / 30.0))


def test_late_start_and_dropouts_are_measured() -> None:
    hr_bpm = varying()
    hr_bpm[:12] = np.nan
    hr_bpm[100:110] = np.nan
    hr_bpm[200] = np.nan  # one missing second is no dropout
    found = coverage(TIME_S, hr_bpm, start_s=0.0, end_s=600.0)
    assert found.first_value_s == 12.0
    np.testing.assert_array_equal(found.dropouts_s, [[100.0, 110.0]])
    assert found.valued_share == pytest.approx((600 - 12 - 10 - 1) / 600)
    assert found.update_s == 1.0


def test_readings_that_are_not_there_are_a_dropout_too() -> None:
    keep = (TIME_S < 100) | (TIME_S >= 150)
    found = coverage(TIME_S[keep], varying()[keep], start_s=0.0, end_s=600.0)
    np.testing.assert_allclose(found.dropouts_s, [[100.5, 150.0]])


def test_two_readings_with_one_stamp_cover_as_much_as_one() -> None:
    alone = coverage(TIME_S, varying(), start_s=0.0, end_s=600.0)
    twice = np.repeat(TIME_S, 2), np.repeat(varying(), 2)
    found = coverage(*twice, start_s=0.0, end_s=600.0)
    assert found.valued_share == alone.valued_share == 1.0
    assert found.update_s == alone.update_s == 1.0
    assert found.dropouts_s.size == 0


def test_an_early_end_is_a_dropout() -> None:
    found = coverage(TIME_S[:500], varying()[:500], start_s=0.0, end_s=600.0)
    assert found.dropouts_s[-1].tolist() == [500.0, 600.0]


def test_a_held_value_is_frozen_only_while_the_heart_moves() -> None:
    reference = 100.0 + 20.0 * np.sin(TIME_S / 30.0)
    reference[300:] = 95.0
    hr_bpm = np.round(reference)
    hr_bpm[100:160] = 117.0  # the heart goes on
    found = coverage(
        TIME_S, hr_bpm, start_s=0.0, end_s=600.0, reference_time_s=TIME_S, reference_bpm=reference
    )
    np.testing.assert_allclose(found.frozen_s, [[100.0, 160.0]], atol=2.0)
    assert found.frozen_share == pytest.approx(0.1, abs=0.01)


def test_without_a_reference_only_a_long_hold_is_frozen() -> None:
    hr_bpm = varying()
    hr_bpm[100:160] = 117.0
    hr_bpm[300:450] = 99.0
    found = coverage(TIME_S, hr_bpm, start_s=0.0, end_s=600.0)
    np.testing.assert_allclose(found.frozen_s, [[300.0, 450.0]], atol=2.0)


def test_a_series_without_values_covers_nothing() -> None:
    found = coverage(TIME_S, np.full(600, np.nan), start_s=0.0, end_s=600.0)
    assert np.isnan(found.first_value_s)
    assert found.valued_share == 0.0
    assert found.frozen_share == 0.0
    assert np.isnan(found.step_bpm)


@pytest.mark.parametrize("size", [0, 1, 2])
def test_few_readings_are_no_fault(size: int) -> None:
    found = coverage(TIME_S[:size], varying()[:size], start_s=0.0, end_s=600.0)
    assert found.valued_share <= size / 600


@given(
    step=st.sampled_from([10.0, 5.0, 2.0, 1.0, 0.5, 0.1]),
    counts=st.sets(st.integers(60, 180), min_size=12, max_size=60),
)
def test_the_step_divides_every_value_and_is_no_finer_than_the_true_one(
    step: float, counts: set[int]
) -> None:
    values = step * np.array(sorted(counts), dtype=np.float64)
    found = step_of(values)
    assert found >= step
    np.testing.assert_allclose(values / found, np.round(values / found), atol=1e-5)


def test_a_continuous_rate_has_no_step() -> None:
    assert np.isnan(step_of(np.random.default_rng(0).uniform(60, 180, 100)))


def test_the_span_must_be_in_order() -> None:
    with pytest.raises(InputError, match="start_s < end_s"):
        coverage(TIME_S, varying(), start_s=10.0, end_s=10.0)
