"""The line that segments agree on: known shears, the law of chance, and rivals by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from palpate.timing.consensus import Chance, best_shear, chance_of, rivals_of, slopes_to_try
from palpate.timing.lines import robust_line, robust_spread
from palpate.timing.pauses import sharpened
from palpate.timing.records import ClockPiece, Trace

CENTRE = np.linspace(-600.0, 600.0, 13)


def test_slopes_reach_the_largest_drift_in_steps_of_half_a_column() -> None:
    slopes = slopes_to_try(CENTRE, 0.01)
    assert slopes.min() == -0.01
    assert slopes.max() == 0.01
    assert 0.0 in slopes
    assert np.diff(slopes).max() * 600.0 <= 0.5 + 1e-12
    np.testing.assert_array_equal(slopes_to_try(CENTRE, 0.0), [0.0])
    np.testing.assert_array_equal(slopes_to_try(np.zeros(4), 0.01), [0.0])


@pytest.mark.parametrize("drift", [-0.008, 0.0, 0.005])
def test_a_line_through_the_segments_is_found_and_taken_out(drift: float) -> None:
    lag = 90.0 + drift * CENTRE[:, np.newaxis]
    strength = np.maximum(1.0 - 0.5 * np.abs(np.arange(200) - lag), 0.0)
    rows, slope, place = best_shear(strength, CENTRE, slopes_to_try(CENTRE, 0.01))
    assert place == pytest.approx(90, abs=1)
    assert slope == pytest.approx(drift, abs=1.0 / 600.0)
    assert rows[:, place].min() >= 0.5  # half a column of slope and half of rounding
    assert rows[:, place].mean() > 0.8


def test_chance_follows_the_law_of_gumbel_and_counts_every_look() -> None:
    chance = Chance(mean=3.0, spread=0.7)
    scale = 0.7 * np.sqrt(6.0) / np.pi
    law = stats.gumbel_r(3.0 - np.euler_gamma * scale, scale)
    assert (law.mean(), law.std()) == pytest.approx((3.0, 0.7))
    for height in (3.0, 6.0, 12.0):
        assert chance.p_value(height, tries=1) == pytest.approx(law.sf(height))
    assert chance.p_value(12.0, tries=9) == pytest.approx(9.0 * law.sf(12.0))
    assert chance.p_value(-50.0, tries=9) == 1.0


def test_chance_is_what_curves_reach_that_have_nothing_to_do_with_each_other() -> None:
    rng = np.random.default_rng(0)
    drawn = rng.exponential(size=(200, 10, 300))
    unrelated = drawn.sum(axis=1).max(axis=1)
    chance = chance_of(drawn[0], np.ones((10, 300), dtype=bool))
    assert chance.mean == pytest.approx(unrelated.mean(), rel=0.05)
    assert chance.spread == pytest.approx(unrelated.std(), rel=0.4)


def test_a_place_that_some_segments_prefer_is_a_rival_and_one_that_none_does_is_not() -> None:
    rows = np.zeros((10, 100))
    rows[:, 50] = np.linspace(0.95, 1.05, 10)
    rows[:, 20] = rows[::-1, 50] - 0.02  # as often better as worse
    rows[:, 80] = rows[:, 50] - 0.1  # as high, but worse in every segment
    decided, rivals = rivals_of(rows, 50, base=0.0)
    assert rivals == [20]
    assert decided < 1.0
    assert rivals_of(np.delete(rows, 20, axis=1), 49, base=0.0) == (1.0, [])


def test_an_outlier_does_not_bend_a_line_and_the_interval_holds_the_truth() -> None:
    rng = np.random.default_rng(2)
    time_s = np.linspace(0.0, 3600.0, 40)
    held = []
    for _ in range(400):
        lag_s = 3.0 + 30e-6 * time_s + rng.normal(0.0, 0.004, 40)
        lag_s[5] += 1.0
        line = robust_line(time_s, lag_s, np.ones(40), least_spread_s=1e-4)
        assert not line.agreeing[5]
        held.append(
            [
                abs(line.offset_s - 3.0) < line.offset_half_s,
                abs(line.drift - 30e-6) < line.drift_half,
            ]
        )
    # Binomial: 95 % of 400 is 380 with a standard error of 4.4; the spread is estimated too.
    assert np.all(np.abs(np.mean(held, axis=0) - 0.95) < 0.035)


def test_robust_spread_is_the_standard_deviation_of_a_gaussian() -> None:
    values = np.random.default_rng(3).normal(5.0, 2.0, 20_000)
    values[:200] = 1e6
    assert robust_spread(values) == pytest.approx(2.0, rel=0.03)


def piece(start_s: float, end_s: float, offset_s: float) -> ClockPiece:
    nothing = (np.nan, np.nan)
    return ClockPiece(start_s, end_s, offset_s, 0.0, nothing, nothing, 1.0, 9, 9)


@pytest.mark.parametrize("jump_s", [81.3, 100.0, 118.6])
def test_a_jump_is_set_to_the_moment_at_which_the_clock_jumped(jump_s: float) -> None:
    values = np.random.default_rng(4).normal(size=3000)
    cut = round(10.0 * jump_s)
    recording = np.concatenate((values[:cut], values[cut + 50 :]))  # 5 s are missing
    found = sharpened(
        Trace(values, 10.0),
        Trace(recording, 10.0),
        [piece(0.0, 100.0, 0.0), piece(100.0, 295.0, 5.0)],
        around_s=30.0,
    )
    assert found[0].end_s == found[1].start_s == pytest.approx(jump_s, abs=1.0)
