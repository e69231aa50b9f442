from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from palpate.validation import (
    LARGEST,
    InputError,
    about,
    checked_choice,
    checked_columns,
    checked_positive,
    checked_rate,
    checked_samples,
    checked_signal,
    checked_times,
)


@pytest.mark.parametrize("value", [-1.0, 0.0, float("nan"), float("inf"), 1e9, "fast", None])
def test_a_rate_that_cannot_be_is_refused(value: object) -> None:
    with pytest.raises(InputError, match="fs_hz"):
        checked_rate(value)  # type: ignore[arg-type]


def test_a_rate_comes_back_as_a_float() -> None:
    assert checked_rate(np.int64(250)) == 250.0


def test_one_column_may_be_given_flat() -> None:
    assert checked_columns([1, 2, 3], "acc").shape == (3, 1)


@pytest.mark.parametrize(
    ("values", "message"),
    [
        (np.zeros((2, 3, 4)), "channels"),
        (np.zeros((3, 0)), "channels"),
        (np.zeros((3, 1000)), "transpose"),
        (np.array(["a"]), "real numbers"),
        (np.zeros(3, dtype=complex), "real numbers"),
    ],
)
def test_columns_that_cannot_be_say_why(values: np.ndarray, message: str) -> None:
    with pytest.raises(InputError, match=message):
        checked_columns(values, "acc")


def test_a_signal_is_one_dimensional() -> None:
    with pytest.raises(InputError, match=r"ecg has shape \(2, 2\)"):
        checked_signal(np.zeros((2, 2)), "ecg")


def test_a_fault_is_told_with_the_name_of_what_it_is_about_once() -> None:
    with (
        pytest.raises(InputError, match=r"^recording 'chest': too slow$"),
        about("recording", "chest"),
    ):
        raise InputError("too slow")
    with pytest.raises(InputError, match=r"^ECG of 'chest' too slow$"), about("recording", "chest"):
        raise InputError("ECG of 'chest' too slow")


def test_times_must_be_finite_and_in_order() -> None:
    with pytest.raises(InputError, match="not finite"):
        checked_times([0.0, np.nan], "beats")
    with pytest.raises(InputError, match="backwards after item 1"):
        checked_times([0.0, 2.0, 1.0], "beats")


def test_a_choice_lists_what_may_be_chosen() -> None:
    with pytest.raises(InputError, match="one of a, b"):
        checked_choice("c", ("a", "b"), "method")


@pytest.mark.parametrize("value", [0.0, -1.0, float("nan"), float("inf"), "two", None])
def test_positive_means_finite_and_above_zero(value: object) -> None:
    with pytest.raises(InputError, match="above zero"):
        checked_positive(value, "step_s")  # type: ignore[arg-type]


def test_a_masked_sample_is_a_missing_one() -> None:
    masked = np.ma.masked_array([1, 2, 10**6, 4], mask=[False, False, True, False])
    np.testing.assert_array_equal(checked_signal(masked, "ecg"), [1.0, 2.0, np.nan, 4.0])
    # What lies under a mask is often a fill value; it is not judged.
    hidden = np.ma.masked_array([1.0, 1e300], mask=[False, True])
    np.testing.assert_array_equal(checked_columns(hidden, "ecg"), [[1.0], [np.nan]])


@pytest.mark.parametrize("check", [checked_signal, checked_columns, checked_samples])
def test_rows_of_different_lengths_are_refused(check: Callable[..., object]) -> None:
    with pytest.raises(InputError, match="acc has rows of different lengths"):
        check([[1.0, 2.0], [3.0]], "acc")


@pytest.mark.parametrize("value", [1e300, -1e100])
def test_a_number_that_no_sensor_gives_is_refused(value: float) -> None:
    with pytest.raises(InputError, match=r"ecg holds -?1e\+\d+, .* write missing samples as NaN"):
        checked_signal([0.0, value, np.nan, np.inf], "ecg")


def test_missing_and_largest_numbers_pass() -> None:
    values = np.array([np.nan, np.inf, -np.inf, LARGEST, -LARGEST])
    np.testing.assert_array_equal(checked_signal(values, "ecg"), values)
    assert checked_signal([], "ecg").size == 0


def test_samples_keep_their_shape() -> None:
    assert checked_samples([1, 2, 3], "light").shape == (3,)
    assert checked_samples(np.zeros((3, 0)), "acc").shape == (3, 0)
    with pytest.raises(InputError, match=r"shape \(1, 1, 1\)"):
        checked_samples([[[1.0]]], "acc")
