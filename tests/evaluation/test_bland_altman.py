"""Limits of agreement against worked examples in print.

Published figures carry the paper's own rounding; where they come from a rounded mean and
SD the tolerance says so. Unrounded figures were recomputed from the papers' data with
independent code.
"""

from __future__ import annotations

import numpy as np
import pytest

from palpate.evaluation import limits_of_agreement, repeated_limits_of_agreement
from palpate.validation import InputError


def _column(rows, name):
    return np.array([float(row[name]) for row in rows])


@pytest.fixture
def pefr(published_table):
    # Bland & Altman 1986, Table I; differences there are Wright - mini meter.
    rows = published_table("bland_altman_1986_pefr.csv")
    return _column(rows, "mini1"), _column(rows, "wright1")


@pytest.fixture
def cardiac(published_table):
    # Bland & Altman 1999, Table 4; differences there are RV - IC.
    rows = published_table("bland_altman_1999_cardiac_output.csv")
    return _column(rows, "IC"), _column(rows, "RV"), [row["subject"] for row in rows]


def test_bland_altman_1986_pefr_bias_and_limits(pefr):
    limits = limits_of_agreement(*pefr)
    assert limits.n_pairs == 17
    assert limits.bias == pytest.approx(-2.1176, abs=5e-5)
    assert limits.sd == pytest.approx(38.7651, abs=5e-5)
    assert (limits.low, limits.high) == pytest.approx((-78.097, 73.862), abs=2e-3)


def test_bland_altman_1986_pefr_confidence_intervals(pefr):
    # The paper takes the limits at 2 SD: coverage 0.9545 is the normal share within 2 SD.
    limits = limits_of_agreement(*pefr, coverage=0.954499736)
    assert limits.bias_interval == pytest.approx((-22.049, 17.814), abs=1e-3)
    assert limits.low_interval == pytest.approx((-114.170, -45.126), abs=2e-3)
    assert limits.high_interval == pytest.approx((40.891, 109.934), abs=2e-3)
    # As printed there, from a rounded mean and SD.
    assert (limits.low, limits.high) == pytest.approx((-79.7, 75.5), abs=0.2)


def test_giavarina_2015_table_1(shared_table):
    rows = shared_table("giavarina_2015.csv")
    limits = limits_of_agreement(_column(rows, "Method_B"), _column(rows, "Method_A"))
    assert (limits.bias, limits.sd) == pytest.approx((-27.1667, 34.8059), abs=5e-5)
    assert (limits.low, limits.high) == pytest.approx((-95.386, 41.053), abs=2e-3)
    assert limits.bias_interval == pytest.approx((-40.16, -14.17), abs=0.006)
    assert limits.low_interval == pytest.approx((-117.90, -72.88), abs=0.006)
    assert limits.high_interval == pytest.approx((18.54, 63.56), abs=0.006)


def test_bland_altman_1999_blood_pressure(shared_table):
    rows = shared_table("bland_altman_1999_sbp.csv")
    limits = limits_of_agreement(_column(rows, "S1"), _column(rows, "J1"))
    assert (limits.bias, limits.sd) == pytest.approx((-16.2941, 19.6110), abs=5e-5)
    assert (limits.low, limits.high) == pytest.approx((-54.732, 22.143), abs=2e-3)


def test_bland_altman_2007_linked_pairs_cardiac_output(cardiac):
    limits = repeated_limits_of_agreement(*cardiac, method="bland_altman2007")
    assert (limits.n_pairs, limits.n_subjects) == (60, 12)
    assert limits.bias == pytest.approx(0.602167, abs=5e-7)
    assert limits.var_between == pytest.approx(0.810622, abs=5e-7)
    assert limits.var_within == pytest.approx(0.170714, abs=5e-7)
    assert limits.sd == pytest.approx(0.990624, abs=5e-7)
    # Unrounded 1.95996 instead of 1.96 moves the fifth decimal.
    assert (limits.low, limits.high) == pytest.approx((-1.339457, 2.543790), abs=5e-5)
    assert np.isnan(limits.low_interval).all()


def test_zou_2013_true_value_varies_cardiac_output(cardiac):
    limits = repeated_limits_of_agreement(*cardiac)
    assert limits.bias == pytest.approx(0.709236, abs=5e-7)
    assert limits.sd == pytest.approx(1.023525, abs=5e-7)
    assert (limits.low, limits.high) == pytest.approx((-1.296835, 2.715307), abs=5e-6)
    assert limits.low_interval == pytest.approx((-2.662911, -0.561033), abs=5e-6)
    assert limits.high_interval == pytest.approx((1.979506, 4.081383), abs=5e-6)


def test_zou_2013_subset_published_in_a_package_vignette(shared_table):
    # 80 % limits with 90 % intervals, as printed in the vignette of SimplyAgree.
    rows = [row for row in shared_table("zou2013_reps.csv") if row["y"]]
    pairs = _column(rows, "y"), _column(rows, "x")
    simple = limits_of_agreement(*pairs, coverage=0.80)
    assert (simple.bias, simple.low, simple.high) == pytest.approx(
        (0.4383, -1.1214, 1.9980), abs=6e-5
    )
    nested = repeated_limits_of_agreement(
        *pairs, [row["id"] for row in rows], coverage=0.80, confidence=0.90
    )
    assert (nested.bias, nested.low, nested.high) == pytest.approx(
        (0.7101, -1.1626, 2.5828), abs=6e-5
    )
    assert nested.low_interval == pytest.approx((-4.8172, 0.1811), abs=6e-5)
    assert nested.high_interval == pytest.approx((1.2390, 6.2374), abs=6e-5)


def test_one_pair_per_subject_but_one_tends_to_the_limits_for_single_pairs():
    rng = np.random.default_rng(5)
    reference = rng.normal(100, 20, 4000)
    estimate = reference + rng.normal(2, 4, 4000)
    subject = np.concatenate([[0], np.arange(3999)])
    single = limits_of_agreement(reference, estimate)
    repeated = repeated_limits_of_agreement(reference, estimate, subject)
    assert (repeated.low, repeated.high) == pytest.approx((single.low, single.high), rel=0.01)


def test_mover_intervals_hold_what_they_promise():
    # True limits are known in a simulation: 0 ∓ 1.96 √(3² + 2²).
    rng = np.random.default_rng(11)
    n_subjects, each, rounds = 12, 6, 400
    true_high = 1.959964 * np.hypot(3.0, 2.0)
    subject = np.repeat(np.arange(n_subjects), each)
    covered = 0
    for _ in range(rounds):
        difference = np.repeat(rng.normal(0, 3, n_subjects), each) + rng.normal(0, 2, subject.size)
        interval = repeated_limits_of_agreement(
            np.zeros(subject.size), difference, subject
        ).high_interval
        covered += interval.low <= true_high <= interval.high
    # 95 % nominal; 400 rounds have a standard error of 1.1 %.
    assert 0.91 <= covered / rounds <= 0.99


def test_too_few_pairs_are_undefined():
    empty, one = limits_of_agreement([], []), limits_of_agreement([60.0], [62.0])
    assert np.isnan([empty.bias, empty.sd, empty.low]).all()
    assert one.bias == 2.0
    assert np.isnan([one.sd, one.low, *one.bias_interval]).all()


@pytest.mark.parametrize(
    ("reference", "estimate", "subject", "hint"),
    [
        ([1.0, 2.0], [1.0, 2.0], [1, 2], "two pairs or more"),
        ([1.0, 2.0], [1.0, 2.0], [1, 1], "two subjects or more"),
        ([1.0, 2.0], [1.0], [1, 1], "2 references but 1 estimates"),
        ([1.0, np.nan], [1.0, 2.0], [1, 1], "not finite"),
        ([1.0, 2.0], [1.0, 2.0], [1], "1 subject labels"),
    ],
)
def test_bad_input_is_explained(reference, estimate, subject, hint):
    with pytest.raises(InputError, match=hint):
        repeated_limits_of_agreement(reference, estimate, subject)
