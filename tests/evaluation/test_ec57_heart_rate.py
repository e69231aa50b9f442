from __future__ import annotations

import numpy as np
import pytest

from palpate.evaluation import heart_rate_error
from palpate.validation import InputError

FS_HZ = 250.0


@pytest.fixture
def fixture_streams(shared_table):
    rows = shared_table("mxm_hr_fixture.csv")
    streams = []
    for stream in ("ref", "test"):
        mine = [row for row in rows if row["stream"] == stream]
        streams.append(np.array([int(row["sample"]) / FS_HZ for row in mine]))
        streams.append(np.array([float(row["hr_bpm"]) for row in mine]))
    return streams


@pytest.mark.parametrize(
    ("learning_s", "n", "expected"),
    [(300.0, 250, (4.6041, 70.0872, 3.2269)), (0.0, 400, (4.3115, 73.6972, 3.1775))],
)
def test_ec57_heart_rate_error_of_the_reference_program(fixture_streams, learning_s, n, expected):
    # Outputs of mxm 10.7.0; for the test period, with the early measurements removed,
    # since the program miscounts them otherwise.
    error = heart_rate_error(*fixture_streams, learning_s=learning_s)
    assert error.n == n
    measured = (error.normalised_rms_pct, error.mean_reference_bpm, error.rms_bpm)
    assert measured == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    ("at_s", "paired_bpm"), [(0.0, 60.0), (14.9, 60.0), (15.0, 90.0), (15.1, 90.0), (99.0, 90.0)]
)
def test_ec57_pairs_with_the_nearest_and_of_two_with_the_later(at_s, paired_bpm):
    error = heart_rate_error([10.0, 20.0], [60.0, 90.0], [at_s], [70.0], learning_s=0)
    assert error.mean_reference_bpm == paired_bpm
    assert error.rms_bpm == abs(70.0 - paired_bpm)


def test_measurements_that_are_not_finite_are_none():
    error = heart_rate_error(
        [1.0, 2.0, 3.0], [60.0, np.nan, 62.0], [1.0, 2.1, 3.0], [61.0, 62.0, np.nan], learning_s=0
    )
    assert error.n == 2
    assert error.rms_bpm == pytest.approx(np.sqrt(0.5))


def test_no_measurement_in_the_test_period_is_undefined():
    error = heart_rate_error([1.0], [60.0], [1.0], [61.0])
    assert error.n == 0
    assert np.isnan(error.rms_bpm)


@pytest.mark.parametrize(
    ("reference_s", "reference_bpm", "hint"),
    [([], [], "no reference"), ([1.0], [60.0, 61.0], "1 times but 2 rates")],
)
def test_bad_input_is_explained(reference_s, reference_bpm, hint):
    with pytest.raises(InputError, match=hint):
        heart_rate_error(reference_s, reference_bpm, [1.0], [60.0])


@pytest.mark.parametrize(
    ("times_s", "hint"),
    [
        ([2.0, 1.0], "the series of reference times goes backwards"),
        ([1.0, np.nan], "the series of reference times holds a time that is not finite"),
        ([[1.0, 2.0]], "the series of reference times has shape"),
    ],
)
def test_bad_times_are_named_as_those_of_rates(times_s, hint):
    with pytest.raises(InputError, match=hint):
        heart_rate_error(times_s, [60.0, 61.0], [1.0], [60.0])


def test_a_reference_of_zero_leaves_the_percentage_undefined():
    error = heart_rate_error([1.0], [0.0], [1.0], [3.0], learning_s=0)
    assert error.rms_bpm == 3.0
    assert np.isnan(error.normalised_rms_pct)
