from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.timing.clock import Rules, _coarse_curves
from palpate.timing.consensus import best_lines, chance_of
from palpate.timing.curves import correlation_curves, evidence
from palpate.timing.lines import robust_line
from palpate.timing.records import Trace


@settings(max_examples=30, deadline=None)
@given(seed=st.integers(0, 2**16), start=st.integers(0, 30), width=st.integers(8, 40))
def test_a_curve_is_pearsons_r_at_every_place(seed: int, start: int, width: int) -> None:
    """Checked against numpy.corrcoef, place by place."""
    rng = np.random.default_rng(seed)
    reference, recording = rng.normal(5.0, 2.0, 120), rng.normal(-3.0, 0.1, 80)
    curves = correlation_curves(reference, recording, first=np.array([start]), width=width)
    segment = recording[start : start + width]
    expected = [
        np.corrcoef(segment, reference[place : place + width])[0, 1]
        for place in range(120 - width + 1)
    ]
    assert curves.first_lag == -start
    np.testing.assert_allclose(curves.values[0], expected, atol=1e-7)


def test_flat_and_missing_stretches_have_no_correlation() -> None:
    rng = np.random.default_rng(0)
    reference, recording = rng.normal(size=200), rng.normal(size=100)
    reference[50:90] = 3.0
    recording[:30] = np.nan
    curves = correlation_curves(reference, recording, first=np.array([0, 40]), width=30)
    assert np.isnan(curves.values[0]).all()
    at = 55 - 40 - curves.first_lag
    assert np.isnan(curves.values[1, at])


def test_evidence_is_a_likelihood_ratio_of_positive_correlation() -> None:
    np.testing.assert_allclose(
        evidence(np.array([-0.9, 0.0, 0.6, np.nan])), [0.0, 0.0, -np.log(1 - 0.36), 0.0]
    )


@pytest.mark.parametrize("seed", range(5))
def test_segments_that_agree_on_a_drifting_line_are_found(seed: int) -> None:
    rng = np.random.default_rng(seed)
    reference = rng.normal(size=4000)
    drift = 2e-3
    at = np.arange(3000) * (1 + drift) + 300.0
    recording = np.interp(at, np.arange(4000), reference) + rng.normal(0, 1.0, 3000)
    first = np.arange(0, 3000 - 200, 200)
    curves = correlation_curves(reference, recording, first=first, width=200)
    (line,) = best_lines(curves, max_drift=3e-3, same=10)
    assert line.p_value < 1e-6
    assert line.slope == pytest.approx(drift, abs=6e-4)
    assert line.lag == pytest.approx(300.0 + drift * (first.mean() + 100), abs=2.0)


def test_the_chance_level_holds_for_unrelated_rows() -> None:
    """Of 200 unrelated sets, about as many fall below p = 0.05 as should."""
    rng = np.random.default_rng(1)
    p_values = []
    for _ in range(200):
        rows = evidence(rng.normal(0, 0.2, (12, 300)))
        chance = chance_of(rows, np.ones(rows.shape, dtype=np.bool_))
        p_values.append(chance.p_value(float(rows.sum(axis=0).max()), tries=1))
    assert 0.0 <= np.mean(np.array(p_values) < 0.05) <= 0.12
    assert 0.3 < np.median(p_values) < 0.7


def test_a_robust_line_ignores_a_third_of_outliers() -> None:
    rng = np.random.default_rng(0)
    time_s = np.arange(0.0, 3600.0, 60.0)
    lag_s = 5.0 + 40e-6 * time_s + rng.normal(0, 0.01, time_s.size)
    lag_s[::3] += rng.uniform(0.3, 1.0, lag_s[::3].size)
    line = robust_line(time_s, lag_s, np.ones(time_s.size), least_spread_s=0.001)
    assert line.offset_s == pytest.approx(5.0, abs=0.02)
    assert line.drift == pytest.approx(40e-6, abs=5e-6)
    assert not line.agreeing[::3].any()


def test_lags_too_close_in_time_give_no_drift() -> None:
    time_s = np.array([10.0, 11.0, 12.0, 13.0])
    lag_s = np.array([0.0, 0.02, 0.01, 0.05])
    line = robust_line(time_s, lag_s, np.ones(4), least_spread_s=0.001)
    assert abs(line.drift) < 200e-6
    assert line.drift_half > 200e-6


@pytest.mark.parametrize("start_s", [-100.3, 0.0, 100.3])
def test_no_lag_beyond_the_largest_offset_is_looked_at(start_s: float) -> None:
    noise = np.random.default_rng(0).normal(size=4000)
    rules = Rules(
        coarse_segment_s=60.0, least_segment_s=15.0, fine_segment_s=20.0, reach_s=1.5, sharp=True
    )
    curves = _coarse_curves(
        Trace(noise, 4.0, 0.0), Trace(noise, 4.0, start_s), rules, max_offset_s=5.0, max_drift=0.0
    )
    assert curves is not None
    lag_s = (curves.first_lag + np.arange(curves.values.shape[1])) / 4.0 - start_s
    assert np.abs(lag_s).max() <= 5.0
    assert lag_s.size in (40, 41)  # all of them
