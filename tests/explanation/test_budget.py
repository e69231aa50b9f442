from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from palpate.explanation.budget import ErrorBudget, error_budget
from palpate.explanation.shapley import subsets
from palpate.signals import FloatArray
from palpate.validation import InputError


def constant(n: int = 40, **errors: float) -> dict[frozenset[str], FloatArray]:
    """Return constant errors; the keyword ``ab`` is repairs a and b, ``none`` no repair."""
    return {
        frozenset("" if names == "none" else names): np.full(n, error)
        for names, error in errors.items()
    }


def by_name(budget: ErrorBudget) -> dict[str, float]:
    return {share.repair: share.error_bpm for share in budget.shares}


def test_two_repairs_by_hand() -> None:
    # a first removes 6, then b 3; b first removes 2, then a 7: a 6.5, b 2.5, and 1 is left.
    budget = error_budget(constant(none=10.0, a=4.0, b=8.0, ab=1.0))
    assert by_name(budget) == pytest.approx({"a": 6.5, "b": 2.5})
    assert [s.share for s in budget.shares] == pytest.approx([0.65, 0.25])
    assert budget.total_bpm == 10.0
    assert budget.remainder.error_bpm == 1.0
    assert (budget.n_windows, budget.n_left_out) == (40, 0)
    for share in (*budget.shares, budget.remainder):  # every window alike: nothing to doubt
        assert (share.low_bpm, share.high_bpm) == pytest.approx((share.error_bpm,) * 2)


def test_a_repair_that_harms_has_a_negative_share() -> None:
    budget = error_budget(constant(none=5.0, a=2.0, b=7.0, ab=4.0))
    assert by_name(budget) == pytest.approx({"a": 3.0, "b": -2.0})


def test_what_comes_last_is_credited_with_what_the_others_leave() -> None:
    # c is told the truth and removes everything; a removes 6 of 10.
    errors = constant(none=10.0, a=4.0, c=0.0, ac=0.0)
    assert by_name(error_budget(errors)) == pytest.approx({"a": 3.0, "c": 7.0})
    assert by_name(error_budget(errors, last="c")) == pytest.approx({"a": 6.0, "c": 4.0})


def test_what_is_left_is_never_less_than_no_error() -> None:
    # One bad stretch of ten windows in a hundred; with few blocks its interval would reach below.
    left = np.where(np.arange(100) < 10, 50.0, 0.0)
    budget = error_budget({frozenset(): left + 5.0, frozenset("a"): left})
    assert budget.remainder.low_bpm == budget.remainder.share_low == 0.0
    assert budget.remainder.high_bpm > budget.remainder.error_bpm == 5.0


def test_no_repair_at_all_leaves_everything() -> None:
    budget = error_budget(constant(none=3.0))
    assert budget.shares == ()
    assert budget.remainder.error_bpm == budget.total_bpm == 3.0


def test_no_error_has_no_shares() -> None:
    budget = error_budget(constant(none=0.0, a=0.0))
    assert np.isnan([budget.shares[0].share, budget.remainder.share]).all()


def test_windows_without_an_error_under_some_repair_are_left_out_and_counted() -> None:
    errors = constant(none=10.0, a=4.0)
    errors[frozenset("a")][:3] = np.nan
    errors[frozenset()][:3] = 1000.0
    budget = error_budget(errors)
    assert (budget.n_windows, budget.n_left_out, budget.total_bpm) == (37, 3, 10.0)


def test_bad_input_is_refused() -> None:
    with pytest.raises(InputError, match=r"no errors under the repairs \['a', 'b'\]"):
        error_budget(constant(none=1.0, a=1.0, b=1.0))
    with pytest.raises(InputError, match="only 19 windows"):
        error_budget(constant(19, none=1.0))
    with pytest.raises(InputError, match="last is 'c'"):
        error_budget(constant(none=1.0, a=1.0), last="c")


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 4), st.booleans(), st.integers(0, 2**31))
def test_shares_and_remainder_sum_to_the_error(count: int, with_last: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    repairs = "abcd"[:count]
    errors = {members: rng.gamma(2.0, 3.0, 30) for members in subsets(repairs)}
    last = "a" if with_last and count else None
    budget = error_budget(errors, last=last, n_resamples=10, seed=seed)
    parts = [share.error_bpm for share in (*budget.shares, budget.remainder)]
    assert sum(parts) == pytest.approx(budget.total_bpm)
    assert budget.total_bpm == pytest.approx(errors[frozenset()].mean())


@pytest.mark.parametrize("correlation", [0.8, 0.9])
def test_intervals_cover_the_true_shares(correlation: float) -> None:
    # Errors are |AR(1)| of standard deviation 1 under all repairs, and twice and three times as
    # large under fewer, each on its own noise: mean sqrt(2 / pi), twice and three times that.
    # Over 1000 series: 96.5 to 96.8 % at 0.8, 94.6 to 95.0 % at 0.9.
    n_series, n = 300, 300
    noise = np.random.default_rng(2).normal(size=(n_series, 3, n + 100))
    series = np.abs(signal.lfilter([1.0], [1.0, -correlation], noise, axis=2)[:, :, 100:])
    series *= np.sqrt(1.0 - correlation**2)
    unit = np.sqrt(2.0 / np.pi)
    hits = np.zeros(3)
    for seed, (one, two, three) in enumerate(series):
        errors = {"": one + two + 2.0 * three, "a": one + two, "b": one + 2.0 * three, "ab": one}
        sets = {frozenset(names): error for names, error in errors.items()}
        budget = error_budget(sets, n_resamples=300, seed=seed)
        a, b = budget.shares
        hits += (
            a.low_bpm <= 2.0 * unit <= a.high_bpm,
            b.share_low <= 0.25 <= b.share_high,
            budget.remainder.low_bpm <= unit <= budget.remainder.high_bpm,
        )
    assert np.all((hits / n_series >= 0.92) & (hits / n_series <= 0.97))
