"""A study: sessions count once, and a difference is called only where it is shown."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from scipy.signal import lfilter

from palpate.evaluation.scoring import NO_ESTIMATE, OUTSIDE, WITHIN
from palpate.signals import FloatArray, WindowTable
from palpate.study import Condition, SessionSource, study_sessions
from palpate.study.comparison import Comparison, compare_conditions, holm
from palpate.study.pooling import (
    activities_of,
    mean_of_sessions,
    share_of_sessions,
    typical_of_sessions,
)
from palpate.study.ratios import paired_ratio, unpaired_ratio
from palpate.study.sessions import SessionErrors, session_errors

OLD, NEW = Condition("Alder", "3.1", "device"), Condition("Alder", "3.2", "device")
BIRCH = Condition("Birch", "0.9", "device")
Draw = Callable[[np.random.Generator, tuple[int, int]], FloatArray]


def a_session(
    name: str,
    error_bpm: float,
    *,
    condition: Condition = OLD,
    wearer: str = "W1",
    n: int = 60,
    activity: str = "crate lifting",
    mad_g: float = 0.1,
) -> SessionSource:
    """A session in which the source is off by the same in every window; tolerance 5 bpm."""
    reference = 100.0 + 20.0 * np.sin(np.arange(n) / 9.0)
    start = 2.0 * np.arange(n)
    outside = abs(error_bpm) > 5.0
    windows = WindowTable(
        start,
        start + 8.0,
        {
            "activity": np.full(n, activity),
            "reference_bpm": reference,
            "estimate_bpm": reference + error_bpm,
            "error_bpm": np.full(n, error_bpm),
            "tolerance_bpm": np.full(n, 5.0),
            "status": np.full(n, OUTSIDE if outside else WITHIN),
            "cause": np.full(n, "cadence lock" if outside else ""),
            "motion_mad_g": np.full(n, mad_g),
        },
    )
    rises, late_s = np.full(2, activity), np.array([4.0, np.nan])
    return SessionSource(name, wearer, condition, windows, rises, late_s)


def sessions(errors: list[float], prefix: str, **about: object) -> list[SessionSource]:
    return [a_session(f"{prefix}{i}", e, **about) for i, e in enumerate(errors)]  # type: ignore[arg-type]


def test_every_session_counts_once_however_long() -> None:
    result = study_sessions([a_session("a", 2.0, n=40), a_session("b", 4.0, n=400)])
    lifting = result.pooled[0]
    assert lifting.activity == "crate lifting"
    assert lifting.mae_bpm.mean == pytest.approx(np.sqrt(2.0 * 4.0))
    assert lifting.n_windows == 440


def test_the_interval_is_students_of_the_sessions_numbers() -> None:
    """Checked against scipy.stats.t; worked by hand: 2, 4, 9 have mean 5, s = √13."""
    found = mean_of_sessions([2.0, 4.0, 9.0])
    reach = 4.302653 * np.sqrt(13.0) / np.sqrt(3.0)  # t of 2 degrees of freedom, table value
    assert found.mean == pytest.approx(5.0)
    assert (found.low, found.high) == pytest.approx((5.0 - reach, 5.0 + reach), abs=1e-5)


def test_the_typical_error_is_the_geometric_mean() -> None:
    """Checked against scipy.stats; worked by hand: 1, 2, 4, 8 have geometric mean √8."""
    errors = np.array([1.0, 2.0, 4.0, 8.0])
    found = typical_of_sessions(errors)
    assert found.mean == pytest.approx(np.sqrt(8.0))
    interval = stats.ttest_1samp(np.log(errors), 0.0).confidence_interval()
    assert (found.low, found.high) == pytest.approx((np.exp(interval.low), np.exp(interval.high)))
    assert 0.0 < typical_of_sessions([0.0, 1.0, 2.0]).low < typical_of_sessions([1.0, 2.0]).mean


def test_the_interval_of_a_share_is_binomial_with_draws_by_its_variance() -> None:
    """Worked by hand: 0.6, 0.8, 1 have mean 0.8, variance of the mean 0.04 / 3: 12 draws."""
    found = share_of_sessions([0.6, 0.8, 1.0])
    draws = 12.0 / (4.302653 / 1.959964) ** 2
    expected = (
        stats.beta.ppf(0.025, 0.8 * draws, 0.2 * draws + 1.0),
        stats.beta.ppf(0.975, 0.8 * draws + 1.0, 0.2 * draws),
    )
    assert found.mean == pytest.approx(0.8)
    assert (found.low, found.high) == pytest.approx(expected, abs=1e-5)


def test_sessions_without_a_window_outside_are_not_certain() -> None:
    """Five sessions are worth 15 draws: 0.025 ** (1 / 15) is the lower end (Clopper & Pearson)."""
    found = share_of_sessions([1.0] * 5)
    assert found == pytest.approx((1.0, 0.025 ** (1.0 / 15.0), 1.0))
    assert share_of_sessions([0.0] * 5) == pytest.approx((0.0, 0.0, 1.0 - found.low))
    low, high = share_of_sessions([0.5] * 5)[1:]
    assert 0.2 < low < 0.5 < high < 0.8


def one_in_five_bad(rng: np.random.Generator, size: tuple[int, int]) -> FloatArray:
    return np.where(rng.random(size) < 0.2, 12.0, 3.0) * rng.lognormal(0.0, 0.4, size)


@pytest.mark.parametrize(
    "draw",
    [
        lambda rng, size: rng.normal(6.0, 1.5, size),
        lambda rng, size: rng.lognormal(1.4, 0.8, size),
        lambda rng, size: rng.gamma(1.5, 3.0, size),
        one_in_five_bad,
    ],
)
def test_the_interval_of_the_typical_error_holds_the_median_session(draw: Draw) -> None:
    """Nominal 95 % of 500 studies; two points either way are chance (binomial, 95 %)."""
    rng = np.random.default_rng(1)
    median = np.median(draw(rng, (1_000_000, 1)))
    found = [typical_of_sessions(errors) for errors in draw(rng, (500, 5))]
    assert 0.92 <= np.mean([one.low <= median <= one.high for one in found]) <= 0.97


@pytest.mark.parametrize(("a", "b"), [(19.0, 1.0), (9.5, 0.5), (3.0, 1.0), (2.0, 6.0)])
def test_the_interval_of_a_share_holds_its_mean(a: float, b: float) -> None:
    """Shares of 300 windows; as above."""
    rng = np.random.default_rng(1)
    shares = np.round(300.0 * rng.beta(a, b, (500, 5))) / 300.0
    found = [share_of_sessions(row) for row in shares]
    assert 0.90 <= np.mean([one.low <= a / (a + b) <= one.high for one in found]) <= 0.97


def test_one_session_has_no_interval_and_no_limits() -> None:
    one = study_sessions([a_session("a", 2.0)]).pooled[0]
    assert one.mae_bpm.mean == pytest.approx(2.0)
    assert np.isnan([one.mae_bpm.low, one.mae_bpm.high, one.loa_low_bpm]).all()
    assert not one.enough


def test_limits_of_agreement_hold_the_spread_between_sessions() -> None:
    """No spread within, session means −1 and 3: SD √8, limits 1 ∓ 1.96 √8 (Zou 2013)."""
    one = study_sessions([a_session("a", -1.0), a_session("b", 3.0)]).pooled[0]
    reach = 1.959964 * np.sqrt(8.0)
    assert (one.loa_low_bpm, one.loa_high_bpm) == pytest.approx((1.0 - reach, 1.0 + reach))


def test_an_activity_with_too_few_windows_is_left_out() -> None:
    assert study_sessions([a_session("a", 2.0, n=29)]).pooled == ()


def test_windows_that_are_not_scored_count_nowhere() -> None:
    session = a_session("a", 2.0, n=60)
    status = session.windows["status"].astype("<U20")
    status[:20] = NO_ESTIMATE
    estimate = np.where(status == NO_ESTIMATE, np.nan, session.windows["estimate_bpm"])
    error = np.where(status == NO_ESTIMATE, np.nan, session.windows["error_bpm"])
    windows = session.windows.with_columns(status=status, estimate_bpm=estimate, error_bpm=error)
    found = SessionSource("a", "", OLD, windows, session.rise_activity, session.rise_late_s)
    one = study_sessions([found]).pooled[0]
    assert one.n_windows == 40
    assert one.coverage.mean == pytest.approx(40 / 60)


def test_causes_and_rises_are_summed_by_activity() -> None:
    result = study_sessions([a_session("a", 9.0), a_session("b", 2.0)])
    lifting = result.pooled[0]
    assert lifting.causes == {"cadence lock": 60}
    assert (lifting.rise_late_s.size, lifting.n_rises_seen) == (4, 2)
    assert lifting.share_within.mean == pytest.approx(0.5)


def test_a_firmware_that_halves_the_error_is_better() -> None:
    before = sessions([8.0, 9.0, 10.0, 9.5, 8.5], "old")
    after = sessions([4.0, 4.5, 5.0, 4.2, 4.8], "new", condition=NEW)
    (lifting,) = study_sessions([*before, *after]).comparisons
    assert (lifting.activity, lifting.changed, lifting.paired) == (
        "crate lifting",
        "firmware",
        False,
    )
    assert lifting.verdict == "better"
    sides = np.log([[4.0, 4.5, 5.0, 4.2, 4.8], [8.0, 9.0, 10.0, 9.5, 8.5]])
    typical = stats.gmean([4.0, 4.5, 5.0, 4.2, 4.8]) / stats.gmean([8.0, 9.0, 10.0, 9.5, 8.5])
    assert lifting.as_measured.ratio == pytest.approx(typical)
    assert lifting.second_mae_bpm == pytest.approx(typical * lifting.first_mae_bpm)
    assert lifting.as_measured.p == pytest.approx(stats.ttest_ind(*sides, equal_var=False).pvalue)
    # All moved alike: the regression on side and motion is the pooled t test.
    assert lifting.p == pytest.approx(stats.ttest_ind(*sides).pvalue)


def test_estimators_run_beside_a_device_do_not_change_its_answer() -> None:
    rng = np.random.default_rng(3)

    def study(sources: tuple[str, ...]) -> Comparison:
        held = [
            a_session(f"{one.firmware}{i}", error, condition=replace(one, source=source))
            for source in sources
            for one, errors in ((OLD, [6.0, 7.0, 8.0, 7.5, 6.5]), (NEW, [4.0, 6.0, 5.5, 6.2, 4.8]))
            for i, error in enumerate(errors if source == "device" else rng.uniform(2, 3, 5))
        ]
        found = study_sessions(held).comparisons
        return next(c for c in found if c.changed == "firmware" and c.first.source == "device")

    alone, beside = study(("device",)), study(("device", "conventional", "robust"))
    assert alone.p == beside.p < 0.05


def test_whole_sessions_are_compared_only_where_nothing_has_an_activity() -> None:
    """Sessions with more lifting have more error: the mix of activities, not the firmware."""
    plain = [
        *sessions([8.0, 9.0, 10.0], "old", activity=""),
        *sessions([4.0, 4.5, 5.0], "new", condition=NEW, activity=""),
    ]
    assert [one.activity for one in study_sessions(plain).comparisons] == ["all"]


def test_four_sessions_are_too_few_for_a_verdict() -> None:
    found = study_sessions(
        [*sessions([8.0, 9.0, 9.2, 8.4], "o"), *sessions([1.0] * 6, "n", condition=NEW)]
    )
    assert {one.verdict for one in found.comparisons} == {"too few sessions"}
    assert found.comparisons[0].judged.high < 1.0  # the interval is there all the same


def test_two_bands_of_one_evening_are_compared_in_pairs() -> None:
    """The evenings differ by far more than the bands: only pairs can show it (Student 1908)."""
    evenings = [2.0, 12.0, 22.0, 32.0, 42.0]
    better = [e * d for e, d in zip(evenings, [0.9, 0.88, 0.91, 0.89, 0.92], strict=True)]
    result = study_sessions([*sessions(evenings, "s"), *sessions(better, "s", condition=BIRCH)])
    one = result.comparisons[0]
    assert (one.changed, one.paired, one.verdict) == ("band", True, "better")
    paired = stats.ttest_rel(np.log(better), np.log(evenings)).confidence_interval()
    found = one.as_measured
    assert (found.low, found.high) == pytest.approx((np.exp(paired.low), np.exp(paired.high)))


def test_bands_of_different_evenings_are_not_compared() -> None:
    result = study_sessions([*sessions([2.0] * 5, "a"), *sessions([9.0] * 5, "b", condition=BIRCH)])
    assert result.comparisons == ()


def test_a_difference_in_motion_is_told() -> None:
    result = study_sessions(
        [
            *sessions([8.0, 9.0], "a", mad_g=0.1),
            *sessions([2.0, 3.0], "b", condition=NEW, mad_g=0.3),
        ]
    )
    assert result.comparisons[0].motion_ratio == pytest.approx(3.0)
    assert result.comparisons[0].at_equal_motion is None  # nothing in common


def moving_session(
    name: str, rng: np.random.Generator, *, condition: Condition, times: float, mad_g: float
) -> SessionSource:
    """A session whose error is ``times`` a line in motion: 8 bpm and 40 bpm per g."""
    still = a_session(name, 1.0, condition=condition, n=200)
    motion = mad_g * np.exp(rng.normal(0.0, 0.6, 200))
    error = times * (8.0 + 40.0 * motion) * rng.exponential(1.0, 200)
    windows = still.windows.with_columns(
        error_bpm=error,
        estimate_bpm=still.windows["reference_bpm"] + error,
        motion_mad_g=motion,
    )
    return replace(still, windows=windows)


def test_a_better_firmware_on_rougher_evenings_is_still_better() -> None:
    """Three quarters of the error, but with more motion."""
    rng = np.random.default_rng(5)
    made = [
        moving_session(
            f"{side.firmware} {i}",
            rng,
            condition=side,
            times=times,
            mad_g=mad * np.exp(rng.normal(0.0, 0.3)),
        )
        for side, times, mad in ((OLD, 1.0, 0.1), (NEW, 0.75, 0.17))
        for i in range(12)
    ]
    (one,) = study_sessions(made).comparisons
    assert one.as_measured.ratio > 0.85
    assert one.at_equal_motion is not None
    assert one.at_equal_motion.low < 0.75 < one.at_equal_motion.high < 1.0
    assert (one.verdict, one.judged) == ("better", one.at_equal_motion)


def test_equal_motion_by_hand() -> None:
    """Error = 10 x motion squared, three times that on the other side; 30 times as measured."""
    motion = np.array([0.1, 0.2, 0.3, 0.4, 0.6, 0.8])
    errors = 10.0 * motion**2 * np.repeat([1.0, 3.0], 3)
    measured = unpaired_ratio(10.0 * errors[:3], 10.0 * errors[3:])
    assert measured is not None
    assert measured.ratio == pytest.approx(3.0 * 32.0 ** (2.0 / 3.0))  # 0.192 / 0.006 = 32
    found = unpaired_ratio(10.0 * errors[:3], 10.0 * errors[3:], motion=motion)
    assert found is not None
    assert found.ratio == pytest.approx(3.0)
    times, first = np.array([2.0, 0.5, 4.0]), np.array([5.0, 7.0, 6.0])
    pairs = paired_ratio(first, 0.5 * first * times, times)
    assert pairs is not None
    assert pairs.ratio == pytest.approx(0.5)


def test_errors_too_small_to_matter_count_as_alike() -> None:
    """Below 0.1 bpm no error is better than another: 0 has no logarithm."""
    found = paired_ratio(np.zeros(3), np.array([0.1, 0.01, 0.05]))
    assert found == pytest.approx((1.0, 1.0, 1.0, 1.0))


def test_wearers_have_levels_of_their_own() -> None:
    """Anna's error is twice Bela's; the second side, mostly his, has four fifths of it."""
    first, second = np.array([10.1, 9.9, 10.0, 5.0]), np.array([8.0, 4.1, 3.9, 4.0])
    found = unpaired_ratio(first, second, wearers=[*"AAAB", *"ABBB"])
    assert found is not None
    assert found.ratio == pytest.approx(0.8, abs=0.002)
    assert unpaired_ratio(first, second, wearers=[*"AAAA", *"BBBB"]) is None


@pytest.mark.parametrize("paired", [True, False])
def test_the_interval_of_a_ratio_holds_it(paired: bool) -> None:
    """Seven tenths of an error that is a line in motion, not a power of it; 1.4 times the motion.

    Nominal 95 % of 500 studies of eight sessions a side; two points either way are chance
    (binomial, 95 %).
    """
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(500):
        motion = 0.2 * np.exp(rng.normal(0.0, 0.4, (2, 8)))
        if paired:
            motion[1] = motion[0] * np.exp(rng.normal(0.0, 0.15, 8))
        motion[1] *= 1.4
        evening = rng.normal(0.0, 0.4, 8) if paired else 0.0
        first, second = (1.0 + 20.0 * motion) * np.exp(rng.normal(0.0, 0.35, (2, 8)) + evening)
        if paired:
            found = paired_ratio(first, 0.7 * second, motion[1] / motion[0])
        else:
            found = unpaired_ratio(first, 0.7 * second, motion=motion.ravel())
        assert found is not None
        held += found.low <= 0.7 <= found.high
    assert 0.92 <= held / 500 <= 0.97


def test_firmwares_of_different_wearers_are_not_compared() -> None:
    old = sessions([8.0, 9.0, 10.0, 9.5, 8.5], "o", wearer="W1")
    new = sessions([4.0, 4.5, 5.0, 4.2, 4.8], "n", condition=NEW, wearer="W2")
    assert study_sessions([*old, *new]).comparisons == ()
    assert len(study_sessions([*old, *(replace(s, wearer="") for s in new)]).comparisons) == 1


def test_two_shared_sessions_do_not_throw_the_rest_away() -> None:
    old = sessions([8.0, 9.0, 10.0, 9.5, 8.5, 8.8, 9.1], "o")
    new = sessions([4.0, 4.5, 5.0, 4.2, 4.8, 4.4], "n", condition=NEW)
    both = [a_session("o0", 4.1, condition=NEW), a_session("o1", 4.6, condition=NEW)]
    (one,) = study_sessions([*old, *new, *both]).comparisons
    assert (one.paired, one.n_first, one.n_second, one.verdict) == (False, 5, 6, "better")


def test_bands_that_never_changed_wrists_are_told() -> None:
    left = [replace(s, placement="left wrist") for s in sessions([2.0, 3.0, 2.5], "s")]
    right = [
        replace(s, placement="right wrist") for s in sessions([4.0, 4.2, 4.1], "s", condition=BIRCH)
    ]
    assert study_sessions([*left, *right]).comparisons[0].wrist_too
    right[0] = replace(right[0], placement="left wrist")
    assert not study_sessions([*left, *right]).comparisons[0].wrist_too


def test_a_session_counts_once_among_causes() -> None:
    long = a_session("a", 9.0, n=800)
    causes = np.full(800, "shaking")
    long = replace(long, windows=long.windows.with_columns(cause=causes))
    result = study_sessions([long, *sessions([9.0] * 3, "b")])
    one = result.pooled[0]
    assert one.cause_shares == pytest.approx({"cadence lock": 0.75, "shaking": 0.25})
    assert list(one.cause_shares) == ["cadence lock", "shaking"]
    assert one.n_with_causes == 4


def test_no_motion_at_all_is_no_ratio() -> None:
    old, new = sessions([8.0, 9.0], "o", mad_g=0.1), sessions([2.0, 3.0], "n", condition=NEW)
    still = [
        replace(s, windows=s.windows.with_columns(motion_mad_g=np.zeros(len(s.windows))))
        for s in new
    ]
    assert np.isnan(study_sessions([*old, *still]).comparisons[0].motion_ratio)


@pytest.mark.parametrize("remembered", [1, 8])
def test_motion_is_not_taken_for_a_difference(remembered: int) -> None:
    """Alike firmwares, one on evenings with half as much motion again.

    The error follows the mean motion of the last ``remembered`` windows. Nominal 5 % of 200
    studies; up to 9 % would still be chance (binomial, 99 %).
    """
    rng = np.random.default_rng(11)
    called = 0
    for _ in range(200):
        base = np.log(0.12) + rng.normal(0.0, 0.15, 12) + np.repeat([0.0, np.log(1.5)], 6)
        noise = rng.normal(size=(12, 307))
        noise = lfilter([np.sqrt(1.0 - 0.7**2)], [1.0, -0.7], noise, axis=1)
        motion = np.exp(base[:, np.newaxis] + 0.5 * noise)
        drive = lfilter(np.full(remembered, 1.0 / remembered), [1.0], motion, axis=1)[:, 7:]
        error = 60.0 * drive * np.exp(rng.normal(0.0, 0.5, drive.shape))
        mae, moved = error.mean(axis=1), motion[:, 7:].mean(axis=1)
        found = unpaired_ratio(mae[:6], mae[6:], motion=moved)
        assert found is not None
        called += found.p < 0.05
    assert called <= 18


def test_holm_1979_step_down() -> None:
    """Hand-worked: 0.01, 0.04, 0.03 of three become 0.03, 0.06, 0.06."""
    assert holm(np.array([0.01, 0.04, 0.03])) == pytest.approx([0.03, 0.06, 0.06])
    assert holm(np.array([])).size == 0


def test_no_difference_is_seldom_called_one() -> None:
    """Of 300 studies of two firmwares that are alike, 5 % call one, by design.

    Up to 8 % would still be chance (binomial, 99 %).
    """
    like = session_errors([a_session("s", 2.0)])
    rng = np.random.default_rng(7)
    called = 0

    def with_error(one: SessionErrors, mae_bpm: float, **about: object) -> SessionErrors:
        errors = replace(one.errors, mae_bpm=mae_bpm)
        return replace(one, errors=errors, error_bpm=np.full_like(one.error_bpm, mae_bpm), **about)  # type: ignore[arg-type]

    for _ in range(300):
        errors = [
            with_error(
                one,
                rng.gamma(4.0),
                session=f"{condition.firmware} {place}",
                condition=condition,
            )
            for condition in (OLD, NEW)
            for place in range(6)
            for one in like
        ]
        found = compare_conditions(errors)
        called += any(one.verdict != "no difference shown" for one in found)
    assert 0 < called <= 24


def test_the_whole_session_comes_last_although_an_activity_appears_later() -> None:
    held = [a_session("a", 2.0, activity="rest"), a_session("b", 2.0, activity="gravel track")]
    assert activities_of(study_sessions(held).pooled) == ["rest", "gravel track", "all"]


def test_sessions_where_an_activity_is_too_short_are_counted_once() -> None:
    held = [
        a_session("a", 2.0, n=29),
        a_session("a", 3.0, n=29, condition=BIRCH),
        a_session("b", 2.0, n=30),
        a_session("c", 2.0, n=60, activity="rest"),
    ]
    assert study_sessions(held).left_out == {"crate lifting": 1}
