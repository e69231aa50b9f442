from __future__ import annotations

import numpy as np
import pytest

from palpate.evaluation.scoring import (
    ALL,
    NO_ESTIMATE,
    OUTSIDE,
    UNTRUSTED,
    WITHIN,
    errors_by_activity,
    score_windows,
    scored_windows,
)
from palpate.signals import RateSeries, WindowTable

STARTS = np.arange(0.0, 12.0, 2.0)


def reference(**columns: np.ndarray) -> WindowTable:
    given = {
        "hr_bpm": np.array([60.0, 60.0, 100.0, 100.0, 100.0, np.nan]),
        "trusted": np.array([True, True, True, True, False, True]),
        "activity": np.array(["rest", "rest", "lifting", "lifting", "lifting", ""]),
    }
    return WindowTable(STARTS, STARTS + 8, {**given, **columns})


def rate(hr_bpm: list[float]) -> RateSeries:
    values = np.array(hr_bpm)
    return RateSeries(
        "band", STARTS, STARTS + 8, values, np.ones_like(values), np.full(values.size, "")
    )


@pytest.fixture
def windows() -> WindowTable:
    return score_windows(reference(), rate([66.0, 66.5, np.nan, 90.0, 100.0, 80.0]))


def test_error_is_estimate_minus_reference(windows: WindowTable) -> None:
    expected = [6.0, 6.5, np.nan, -10.0, 0.0, np.nan]
    np.testing.assert_allclose(windows["error_bpm"], expected)


def test_every_window_has_one_status(windows: WindowTable) -> None:
    # The larger of 5 bpm and 10 % of the reference, inclusive.
    expected = [WITHIN, OUTSIDE, NO_ESTIMATE, WITHIN, UNTRUSTED, UNTRUSTED]
    assert windows["status"].tolist() == expected
    assert scored_windows(windows).tolist() == [True, True, False, True, False, False]


def test_activities_come_in_order_and_all_comes_last(windows: WindowTable) -> None:
    rest, lifting, everything = errors_by_activity(windows)
    assert [r.activity for r in (rest, lifting, everything)] == ["rest", "lifting", ALL]
    assert (rest.errors.n, rest.errors.mae_bpm) == (2, pytest.approx(6.25))
    assert (lifting.n_windows, lifting.n_untrusted, lifting.n_no_estimate) == (3, 1, 1)
    assert lifting.coverage == 0.5
    assert everything.n_windows == 6
    assert everything.errors.share_within == pytest.approx(2 / 3)


def test_windows_the_rate_lacks_have_no_estimate() -> None:
    short = RateSeries("band", STARTS[:1], STARTS[:1] + 8, *(np.ones(1),) * 2, np.full(1, ""))
    statuses = score_windows(reference(), short)["status"].tolist()
    assert statuses == [OUTSIDE, NO_ESTIMATE, NO_ESTIMATE, NO_ESTIMATE, UNTRUSTED, UNTRUSTED]


def test_nothing_scored_is_undefined_not_zero() -> None:
    nothing = errors_by_activity(score_windows(reference(), rate([np.nan] * 6)))[-1]
    assert nothing.errors.n == 0
    assert np.isnan(nothing.errors.mae_bpm)
    assert nothing.coverage == 0.0
