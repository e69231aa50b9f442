from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from palpate.evaluation import error_summary, tolerance_bpm
from palpate.validation import InputError


def test_error_is_estimate_minus_reference():
    summary = error_summary([100.0, 120.0, 60.0, 80.0], [103.0, 112.0, 60.0, 89.0])
    assert summary.n == 4
    assert summary.bias_bpm == 1.0
    assert summary.mae_bpm == 5.0
    assert summary.rmse_bpm == pytest.approx(np.sqrt((9 + 64 + 81) / 4))
    assert summary.mape_pct == pytest.approx(100 * (3 / 100 + 8 / 120 + 9 / 80) / 4)
    assert summary.share_within == 0.75  # 9 bpm off at 80 bpm exceeds max(5, 8)


def test_agrees_with_scipy_and_numpy():
    rng = np.random.default_rng(3)
    reference = rng.uniform(60, 180, 200)
    estimate = reference + rng.normal(1, 6, 200)
    summary = error_summary(reference, estimate)
    error = estimate - reference
    assert summary.sd_bpm == pytest.approx(np.std(error, ddof=1))
    assert summary.loa_high_bpm == pytest.approx(
        error.mean() + stats.norm.ppf(0.975) * np.std(error, ddof=1)
    )
    assert summary.pearson_r == pytest.approx(stats.pearsonr(reference, estimate).statistic)


def test_undefined_pairs_are_counted_and_left_out():
    summary = error_summary([60.0, np.nan, 80.0, 90.0], [61.0, 70.0, np.nan, 91.0])
    assert (summary.n, summary.n_undefined) == (2, 2)
    assert summary.bias_bpm == 1.0


def test_nothing_to_compare_is_undefined_not_zero():
    summary = error_summary([np.nan], [70.0])
    assert (summary.n, summary.n_undefined) == (0, 1)
    assert np.isnan([summary.bias_bpm, summary.mae_bpm, summary.share_within]).all()


def test_tolerance_per_window_may_be_given():
    summary = error_summary([60.0, 60.0], [63.0, 63.0], tolerance=np.array([2.0, 3.0]))
    assert summary.share_within == 0.5


@pytest.mark.parametrize(
    ("reference_bpm", "allowed_bpm"), [(30.0, 5.0), (50.0, 5.0), (51.0, 5.1), (200.0, 20.0)]
)
def test_ec13_form_the_larger_of_5_bpm_and_10_percent(reference_bpm, allowed_bpm):
    # Form and figures of ANSI/AAMI EC13 from memory; the standard's text was not at hand.
    assert tolerance_bpm([reference_bpm])[0] == pytest.approx(allowed_bpm)
    edge = error_summary([reference_bpm], [reference_bpm + allowed_bpm - 1e-9])
    past = error_summary([reference_bpm], [reference_bpm + allowed_bpm + 1e-6])
    assert (edge.share_within, past.share_within) == (1.0, 0.0)


_RATES = st.lists(st.floats(30, 240), min_size=2, max_size=30)


@given(_RATES, st.floats(-20, 20))
def test_a_constant_shift_is_all_bias(reference, shift):
    summary = error_summary(reference, np.array(reference) + shift)
    assert summary.bias_bpm == pytest.approx(shift, abs=1e-9)
    assert summary.sd_bpm == pytest.approx(0.0, abs=1e-9)
    assert summary.mae_bpm == pytest.approx(abs(shift), abs=1e-9)


def test_lengths_must_agree():
    with pytest.raises(InputError, match="2 reference and 1 estimated"):
        error_summary([60.0, 61.0], [60.0])


def test_negative_tolerance_is_refused():
    with pytest.raises(InputError, match="0 or more"):
        tolerance_bpm([60.0], absolute_bpm=-1.0)


@pytest.mark.parametrize("size", [1e-298, 1e-160, 1e-320, 0.0])
def test_numbers_next_to_nothing_are_no_fault(size):
    reference = size * np.array([1.0, 2.0, 3.0])
    for estimate in (np.array([70.0, 71.0, 75.0]), 1.5 * reference):
        assert np.isnan(error_summary(reference, estimate).ccc)
        assert np.isnan(error_summary(estimate, reference).ccc)
    summary = error_summary(reference, [70.0, 71.0, 75.0])
    assert summary.mae_bpm == pytest.approx(72.0)
    assert np.isnan(summary.mape_pct) == (size < 1e-300)
