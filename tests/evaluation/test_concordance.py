from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from palpate.evaluation import concordance, intraclass_correlations
from palpate.validation import InputError


def _column(rows, name):
    return np.array([float(row[name]) for row in rows])


def test_lin_concordance_of_the_pefr_readings(published_table):
    # Data: Bland & Altman 1986, Table I; figures by the formulas of Lin 1989 and 2000.
    rows = published_table("bland_altman_1986_pefr.csv")
    result = concordance(_column(rows, "wright1"), _column(rows, "mini1"))
    assert result.ccc == pytest.approx(0.942742, abs=5e-7)
    assert result.bias_correction == pytest.approx(0.999431, abs=5e-7)
    assert result.scale_shift == pytest.approx(0.972509, abs=5e-7)
    assert result.location_shift == pytest.approx(0.019030, abs=5e-7)
    assert (result.ccc_low, result.ccc_high) == pytest.approx((0.850492, 0.978726), abs=5e-7)
    assert result.pearson_r == pytest.approx(0.943279, abs=5e-7)


def test_lin_concordance_published_in_a_package_vignette(shared_table):
    # SimplyAgree prints 0.4791 [0.1276, 0.7237].
    rows = [row for row in shared_table("zou2013_reps.csv") if row["y"]]
    result = concordance(_column(rows, "x"), _column(rows, "y"))
    assert (result.ccc, result.ccc_low, result.ccc_high) == pytest.approx(
        (0.4791, 0.1276, 0.7237), abs=6e-5
    )


def test_lin_concordance_of_two_judges():
    # Winer's judge ratings, as the package agRee carries them; judges 2 and 3.
    result = concordance([4, 7, 3, 9, 4, 8], [3, 5, 1, 9, 6, 8])
    assert (result.ccc, result.ccc_low, result.ccc_high) == pytest.approx(
        (0.832618, 0.284295, 0.970503), abs=5e-7
    )


_VALUES = st.lists(st.floats(-100, 100, width=32), min_size=3, max_size=20, unique=True)


@given(_VALUES, st.floats(-50, 50))
def test_concordance_never_exceeds_correlation(values, shift):
    x = np.array(values)
    result = concordance(x, x[::-1] + shift)
    if np.isfinite(result.ccc):
        assert abs(result.ccc) <= abs(result.pearson_r) + 1e-9


def test_a_constant_side_leaves_concordance_undefined():
    assert np.isnan(concordance([1.0, 1.0, 1.0], [1.0, 2.0, 3.0]).ccc)
    assert np.isnan(concordance([], []).ccc)


@pytest.fixture
def judges(published_table):
    # Shrout & Fleiss 1979, Table 2: 6 targets, 4 judges.
    rows = published_table("shrout_fleiss_1979.csv")
    return np.column_stack([_column(rows, f"J{judge}") for judge in range(1, 5)])


@pytest.mark.parametrize(
    ("form", "printed", "exact", "interval"),
    [
        ("ICC(1,1)", 0.17, 0.165742, (-0.13, 0.72)),
        ("ICC(2,1)", 0.29, 0.289764, (0.02, 0.76)),
        ("ICC(3,1)", 0.71, 0.714841, (0.34, 0.95)),
        ("ICC(1,k)", 0.44, 0.442797, (-0.88, 0.91)),
        ("ICC(2,k)", 0.62, 0.620051, (0.07, 0.93)),
        ("ICC(3,k)", 0.91, 0.909316, (0.68, 0.99)),
    ],
)
def test_shrout_fleiss_1979_table_4(judges, form, printed, exact, interval):
    result = intraclass_correlations(judges)[form]
    assert round(result.icc, 2) == printed
    assert result.icc == pytest.approx(exact, abs=5e-7)
    assert (round(result.low, 2), round(result.high, 2)) == interval


def test_shrout_fleiss_1979_f_ratios(judges):
    results = intraclass_correlations(judges)
    one_way, two_way = results["ICC(1,1)"], results["ICC(3,1)"]
    assert (round(one_way.f, 4), one_way.df1, one_way.df2) == (1.7947, 5, 18)
    assert (round(two_way.f, 4), two_way.df1, two_way.df2) == (11.0272, 5, 15)


@pytest.mark.parametrize("scores", [[[1.0, 2.0]], [[1.0], [2.0]], [[1.0, np.nan], [1.0, 2.0]]])
def test_unusable_scores_are_refused(scores):
    with pytest.raises(InputError, match=r"\(targets, raters\)"):
        intraclass_correlations(scores)
