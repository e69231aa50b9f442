from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from palpate.evaluation.binomial import clopper_pearson, uniform_prior


@pytest.mark.parametrize("hits", range(8))
def test_the_exact_interval_is_that_of_scipy(hits):
    expected = stats.binomtest(hits, 7).proportion_ci(method="exact")
    assert clopper_pearson(hits / 7, 7.0, 0.95) == pytest.approx(tuple(expected))


def test_a_uniform_prior_of_one_draw_by_hand():
    # Of one hit in two the distribution is 3 x ** 2 - 2 x ** 3 (Bayes 1763): 0.025 at 0.0943.
    low, high = uniform_prior(0.5, 2.0, 0.95)
    assert 3.0 * low**2 - 2.0 * low**3 == pytest.approx(0.025)
    assert high == pytest.approx(1.0 - low)


def test_either_reaches_the_end_where_no_draw_dissents():
    for interval in (clopper_pearson, uniform_prior):
        assert interval(1.0, 5.0, 0.95)[1] == 1.0
        assert interval(0.0, 5.0, 0.95)[0] == 0.0


@pytest.mark.parametrize("draws", [3, 10, 40])
def test_over_all_shares_a_uniform_prior_holds_what_it_says(draws):
    """Nominal 95 % of 4000; one point either way is chance (binomial, 99 %)."""
    rng = np.random.default_rng(1)
    shares = rng.random(4000)
    found = [uniform_prior(hits / draws, draws, 0.95) for hits in rng.binomial(draws, shares)]
    held = [low <= share <= high for (low, high), share in zip(found, shares, strict=True)]
    # Up to the ends where nothing dissents it holds 0.025 / (draws + 1) more on either side.
    assert np.mean(held) == pytest.approx(0.95 + 0.05 / (draws + 1), abs=0.01)
