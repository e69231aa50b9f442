from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

from palpate.explanation.variance import (
    DYNAMICS,
    GRIP,
    INTENSITY,
    LIGHT,
    STRUCTURE,
    VIBRATION,
    ErrorVariance,
    error_features,
    error_variance,
)
from palpate.signals import FloatArray, WindowTable
from palpate.validation import InputError

N = 1200


def uniform(seed: int, columns: int = 1) -> FloatArray:
    """Return features of mean 0 and variance 1 whose ranks are a straight line through them."""
    return np.sqrt(12.0) * (np.random.default_rng(seed).random((N, columns)) - 0.5)


def error_of(log_error: FloatArray) -> FloatArray:
    return np.expm1(np.asarray(log_error).ravel() - log_error.min())


def shares(result: ErrorVariance) -> dict[str, float]:
    return {group.group: group.share for group in result.groups}


def test_independent_groups_by_hand() -> None:
    # log(1 + error) = 2 a + b + noise of variance 1: of a variance of 6, a carries 4, b 1.
    a, b, none = uniform(1), uniform(2), uniform(3)
    error = error_of(2.0 * a + b + uniform(4))
    result = error_variance(error, {"a": a, "b": b, "none": none})
    assert shares(result) == pytest.approx({"a": 4 / 6, "b": 1 / 6, "none": 0.0}, abs=0.03)
    assert result.explained == pytest.approx(5 / 6, abs=0.03)
    assert sum(shares(result).values()) == pytest.approx(result.explained)
    for group, truth in zip(result.groups, (4 / 6, 1 / 6, 0.0), strict=True):
        assert group.low <= truth <= group.high
        assert group.alone == pytest.approx(truth, abs=0.04)
    assert result.collinear == ()


def test_correlated_groups_by_hand() -> None:
    # Grömping 2007: two regressors of unit variance and correlation r, effects 1 and 1, noise
    # of variance 1: together 2 + 2 r of 3 + 2 r, half each.
    common = uniform(1)
    a, b = (0.8 * common + 0.6 * uniform(seed) for seed in (2, 3))
    result = error_variance(error_of(a + b + uniform(4)), {"a": a, "b": b})
    r = float(np.corrcoef(a.ravel(), b.ravel())[0, 1])
    each = (1.0 + r) / (3.0 + 2.0 * r)
    assert shares(result) == pytest.approx({"a": each, "b": each}, abs=0.04)


def test_neither_unit_nor_shape_of_a_feature_matters() -> None:
    a, b = uniform(1), uniform(2)
    error = error_of(a + uniform(4))
    plain = error_variance(error, {"a": a, "b": b})
    bent = error_variance(error, {"a": np.exp(3.0 * a), "b": 100.0 * b})
    assert shares(bent) == pytest.approx(shares(plain))


def test_more_motion_does_not_count_where_it_goes_with_less_error() -> None:
    a, b = uniform(1), uniform(2)
    error = error_of(b - a + uniform(3))
    found = shares(error_variance(error, {INTENSITY: np.column_stack([a, a**3]), "other": b}))
    assert found == pytest.approx({INTENSITY: 0.0, "other": 1 / 3}, abs=0.05)
    rising = shares(error_variance(error, {INTENSITY: -a, "other": b}))
    assert rising == pytest.approx({INTENSITY: 1 / 3, "other": 1 / 3}, abs=0.05)


def test_many_features_of_noise_are_not_rewarded() -> None:
    result = error_variance(error_of(uniform(1)), {"noise": uniform(2, columns=12)})
    assert result.explained < 0.01


def dependent(rng: np.random.Generator, columns: int = 1) -> FloatArray:
    """Return AR(1) series of coefficient 0.8 and variance 1."""
    noise = rng.normal(scale=0.6, size=(N + 100, columns))
    return np.asarray(signal.lfilter([1.0], [1.0, -0.8], noise, axis=0)[100:])


def test_intervals_of_dependent_windows_cover_the_true_shares() -> None:
    # log(1 + error) = a + b / 2 + noise of variance 1, all normal: together 1.25 of 2.25, a four
    # times b. Ranks lose a factor of 3 / pi or nearly, ridge hardly any.
    n_series = 150
    truth = np.array([1.0, 0.25, 0.0]) / 2.25 * 3.0 / np.pi
    hits, mean = np.zeros(3), np.zeros(3)
    for seed in range(n_series):
        rng = np.random.default_rng(seed)
        a, b, none = (dependent(rng, columns=3) for _ in range(3))
        error = np.expm1(4.0 + (a[:, 0] + 0.5 * b[:, 0] + dependent(rng)[:, 0]) / 2.0)
        groups = error_variance(error, {"a": a, "b": b, "none": none}).groups
        hits += [g.low <= true <= g.high for g, true in zip(groups, truth, strict=True)]
        mean += [g.share / n_series for g in groups]
    assert np.all((hits / n_series >= 0.91) & (hits / n_series <= 0.98))
    np.testing.assert_allclose(mean, truth, atol=0.02)


ACTIVITY = np.repeat(["rest", "mill", "crates", "track"], N // 4)


def levels(seed: int, columns: int = 1) -> FloatArray:
    """Return a level per activity and column, of standard deviation 2."""
    of_activity = 2.0 * np.random.default_rng(seed).normal(size=(4, columns))
    return np.asarray(np.repeat(of_activity, N // 4, axis=0))


def test_what_only_sets_activities_apart_explains_nothing() -> None:
    # Features that have nothing to do with the error, but their level and the error's change
    # with the activity: four levels line up by chance.
    found, sure = [], 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        features = {
            name: dependent(rng, columns=3) + levels(100 * seed + place, columns=3)
            for place, name in enumerate((INTENSITY, STRUCTURE, LIGHT))
        }
        error = error_of(dependent(rng) + levels(100 * seed + 9))
        result = error_variance(error, features, ACTIVITY)
        found.append(result.explained)
        sure += result.low > 0.0
    assert np.mean(found) == pytest.approx(0.0, abs=0.01)
    assert sure <= 1


@pytest.mark.parametrize("memory", [0.5, 0.9])
def test_intervals_cover_within_few_activities_and_with_long_memory(memory: float) -> None:
    # As above, 400 or 1200 windows in four activities whose levels are always the same; the truth
    # is what a hundred times as many windows say. One point either way is chance (68 %).
    n, n_series = (400, 150) if memory == 0.5 else (1200, 150)
    of_activity = 2.0 * np.random.default_rng(1).normal(size=(4, 10))

    def shares_of(seed: int, n: int) -> ErrorVariance:
        rng = np.random.default_rng(seed)
        noise = rng.normal(size=(n + 100, 10)) * np.sqrt(1.0 - memory**2)
        drawn = signal.lfilter([1.0], [1.0, -memory], noise, axis=0)[100:]
        activity = np.repeat(np.arange(4), n // 4)
        features = drawn[:, :9] + of_activity[activity, :9]
        response = drawn[:, 0] + 0.5 * drawn[:, 3] + drawn[:, 9] + of_activity[activity, 9]
        groups = {name: features[:, 3 * k : 3 * k + 3] for k, name in enumerate("abc")}
        return error_variance(np.expm1(20.0 + response), groups, activity.astype(str))

    truth = [g.share for g in shares_of(0, 100 * n).groups]
    found = [shares_of(seed, n).groups for seed in range(1, n_series + 1)]
    inside = [[g.low <= true <= g.high for g, true in zip(f, truth, strict=True)] for f in found]
    hits = np.mean(inside, axis=0)
    assert np.all((hits >= 0.90) & (hits <= 0.98))


def test_shares_are_of_the_variance_within_activities() -> None:
    # Half of it, whatever the levels, which turn the line round from activity to activity.
    a, up = uniform(1), levels(0)
    error = error_of(a - 2.0 * up + uniform(2))
    result = error_variance(error, {"a": a + up}, ACTIVITY)
    assert result.explained == pytest.approx(0.5, abs=0.05)
    assert error_variance(error, {"a": a + up}).explained < 0.2


def test_windows_of_short_activities_are_left_out_and_counted() -> None:
    activity = ACTIVITY.copy()
    activity[:29] = "warm-up"
    error = error_of(uniform(1) + uniform(2))
    error[40] = np.nan
    result = error_variance(error, {"a": uniform(1)}, activity)
    assert (result.n_windows, result.n_left_out) == (N - 30, 30)
    with pytest.raises(InputError, match="only 0 windows"):
        error_variance(error, {"a": uniform(1)}, np.arange(N).astype(str))


def test_groups_that_tell_the_same_are_named() -> None:
    a = uniform(1)
    same = np.column_stack([uniform(2), a**3])
    result = error_variance(error_of(a + uniform(3)), {"a": a, "same": same, "other": uniform(5)})
    ((one, other, squared),) = result.collinear
    assert (one, other) == ("a", "same")
    assert squared == pytest.approx(1.0, abs=1e-6)


def test_missing_features_are_average_and_missing_errors_left_out() -> None:
    a = uniform(1)
    error = error_of(a + uniform(2))
    error[:7] = np.nan
    holes = a.copy()
    holes[::10] = np.nan
    dead = np.full((N, 1), np.nan)
    result = error_variance(error, {"a": np.column_stack([holes, dead]), "dead": dead})
    assert (result.n_windows, result.n_left_out) == (N - 7, 7)
    assert [(g.group, g.n_features) for g in result.groups] == [("a", 1)]
    assert result.explained == pytest.approx(0.45, abs=0.05)  # 0.9 of a half


def test_bad_input_is_refused() -> None:
    with pytest.raises(InputError, match="only 99 windows"):
        error_variance(np.ones(99), {"a": np.ones((99, 1))})
    with pytest.raises(InputError, match="nothing varies"):
        error_variance(np.ones(N), {"a": uniform(1)})
    with pytest.raises(InputError, match="nothing varies"):
        error_variance(error_of(uniform(1)), {"a": np.ones((N, 1))})


def test_features_of_a_band_by_hand() -> None:
    start_s = 2.0 * np.arange(30)
    column = np.arange(30.0)
    motion_names = (
        "mad_g", "swing_rms_g", "jerk_g_per_s", "periodicity", "spectral_entropy", "burstiness",
        "shake_rms_g", "vibration_wh_mps2", "orientation_change_deg", "gyro_rms_dps",
    )  # fmt: skip
    cadence = {"cadence_per_min": np.full(30, 60.0)}
    motion = WindowTable(start_s, start_s + 8.0, dict.fromkeys(motion_names, column) | cadence)
    light_names = ("spectral_entropy", "dc_step", "template_correlation")
    light = WindowTable(start_s, start_s + 8.0, dict.fromkeys(light_names, column))
    oracle = WindowTable(start_s, start_s + 8.0, {"acc_explained_share": column})
    found = error_features(motion, light, oracle, 115.0 + column)
    counts = {name: values.shape[1] for name, values in found.items()}
    assert counts == {INTENSITY: 3, STRUCTURE: 6, VIBRATION: 2, GRIP: 3, DYNAMICS: 2, LIGHT: 1}
    np.testing.assert_allclose(found[STRUCTURE][:7, 5], [5, 4, 3, 2, 1, 0, 1])  # from 2 x 60
    np.testing.assert_allclose(found[DYNAMICS][10], [4.0, 16.0])  # 1 bpm per window
    nothing = WindowTable(start_s, start_s + 8.0)
    assert list(error_features(nothing, light, nothing, column)) == [
        STRUCTURE,
        GRIP,
        DYNAMICS,
        LIGHT,
    ]
