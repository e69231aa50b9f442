from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from palpate.evaluation import match_beats
from palpate.validation import InputError

# Times on a grid of 1/8 s are exact in binary, so ties are ties.
_GRID_TIMES = st.lists(st.integers(0, 80), max_size=14).map(lambda t: np.sort(t) / 8.0)


@pytest.mark.parametrize(
    ("reference", "estimate", "tolerance_s", "tp_fp_fn"),
    [
        ([102.0], [100.0, 104.0], 3.0, (1, 1, 0)),
        ([10.0, 20.0, 30.0, 40.0], [22.0, 35.0, 50.0], 10.0, (3, 0, 1)),
        ([100.0, 200.0], [110.0, 200.0], 10.0, (2, 0, 0)),
    ],
    ids=["one reference, two detections", "chain at the tolerance", "inclusive tolerance"],
)
def test_inputs_on_which_known_matchers_disagree(reference, estimate, tolerance_s, tp_fp_fn):
    # mir_eval, sleepecg, mobgap and wfdb-python give four different answers to these three.
    match = match_beats(reference, estimate, tolerance_s=tolerance_s)
    assert (match.n_true_positive, match.n_false_positive, match.n_false_negative) == tp_fp_fn


@given(_GRID_TIMES, _GRID_TIMES, st.integers(0, 12).map(lambda t: t / 8.0))
def test_no_assignment_is_better(reference, estimate, tolerance_s):
    # scipy's assignment solver, with a reward per pair that no distance can outweigh.
    distance = np.abs(reference[:, np.newaxis] - estimate)
    allowed = distance <= tolerance_s
    rows, columns = linear_sum_assignment(np.where(allowed, distance - 1e4, 0.0))
    best = distance[rows, columns][allowed[rows, columns]]

    match = match_beats(reference, estimate, tolerance_s=tolerance_s)

    assert match.n_true_positive == best.size
    assert np.abs(match.error_s).sum() == pytest.approx(best.sum())


@given(_GRID_TIMES, _GRID_TIMES, st.integers(0, 12).map(lambda t: t / 8.0))
def test_every_beat_is_accounted_for_once(reference, estimate, tolerance_s):
    match = match_beats(reference, estimate, tolerance_s=tolerance_s)

    references = np.concatenate([match.reference_index, match.missed_index])
    estimates = np.concatenate([match.estimate_index, match.extra_index])
    np.testing.assert_array_equal(np.sort(references), np.arange(reference.size))
    np.testing.assert_array_equal(np.sort(estimates), np.arange(estimate.size))
    assert np.all(np.abs(match.error_s) <= tolerance_s)


@given(_GRID_TIMES, _GRID_TIMES)
def test_swapping_the_sides_swaps_the_errors(reference, estimate):
    there = match_beats(reference, estimate, tolerance_s=0.5)
    back = match_beats(estimate, reference, tolerance_s=0.5)

    assert there.n_true_positive == back.n_true_positive
    assert np.abs(there.error_s).sum() == pytest.approx(np.abs(back.error_s).sum())
    assert (there.n_false_positive, there.n_false_negative) == (
        back.n_false_negative,
        back.n_false_positive,
    )


@pytest.mark.parametrize("fs_hz", [128.0, 250.0, 360.0, 1000.0])
def test_a_distance_of_exactly_the_tolerance_counts_despite_rounding(fs_hz):
    reference = np.arange(1, 5000) / 3.0
    match = match_beats(reference, reference + round(0.15 * fs_hz) / fs_hz, tolerance_s=0.155)
    exact = match_beats(reference, reference + 0.15, tolerance_s=0.15)
    assert match.n_true_positive == exact.n_true_positive == reference.size


def test_error_is_estimate_minus_reference():
    assert match_beats([1.0, 2.0], [1.05, 1.98]).error_s == pytest.approx([0.05, -0.02])


def test_statistics_without_a_denominator_are_undefined():
    nothing = match_beats([], [])
    assert np.isnan([nothing.sensitivity, nothing.positive_predictivity, nothing.f1]).all()
    missed = match_beats([1.0], [])
    assert (missed.sensitivity, missed.f1) == (0.0, 0.0)
    assert np.isnan(missed.positive_predictivity)


@pytest.mark.parametrize(
    ("reference", "estimate", "tolerance_s", "hint"),
    [
        ([2.0, 1.0], [1.0], 0.15, "reference_s goes backwards"),
        ([1.0], [np.nan], 0.15, "estimate_s holds a time that is not finite"),
        ([1.0], [1.0], 150.0, "samples or milliseconds"),
        ([1.0], [1.0], np.nan, "tolerance_s"),
    ],
)
def test_bad_input_is_explained(reference, estimate, tolerance_s, hint):
    with pytest.raises(InputError, match=hint):
        match_beats(reference, estimate, tolerance_s=tolerance_s)
