"""The hidden Markov chain against brute force, and its behaviour on certain evidence."""

from itertools import product

import numpy as np
import pytest

from palpate.heartrate.tracking import (
    ANYWHERE,
    WANDER_BPM,
    forward,
    forward_backward,
    mean_near_peak,
)

RATES = np.array([60.0, 61.0, 63.0])


@pytest.fixture
def enumerated():
    """Posterior of every window by summing over all paths, from the chain's definition."""

    def posterior(log_evidence, step_s):
        distance = np.abs(RATES[:, np.newaxis] - RATES)
        moves = np.exp(-distance / (WANDER_BPM * np.sqrt(step_s)))
        moves = (1 - ANYWHERE) * moves / moves.sum(axis=1, keepdims=True) + ANYWHERE / RATES.size
        windows = log_evidence.shape[0]
        result = np.zeros_like(log_evidence)
        for path in product(range(RATES.size), repeat=windows):
            weight = sum(moves[s, path[0]] for s in range(RATES.size)) / RATES.size
            for k in range(windows - 1):
                weight *= moves[path[k], path[k + 1]]
            weight *= np.exp(sum(log_evidence[k, path[k]] for k in range(windows)))
            for k in range(windows):
                result[k, path[k]] += weight
        return result / result.sum(axis=1, keepdims=True)

    return posterior


@pytest.mark.parametrize("step_s", [0.5, 2.0])
def test_forward_backward_equals_the_sum_over_all_paths(enumerated, step_s):
    log_evidence = np.random.default_rng(2).normal(0.0, 2.0, (5, RATES.size))
    expected = enumerated(log_evidence, step_s)
    np.testing.assert_allclose(
        forward_backward(log_evidence, RATES, step_s=step_s), expected, rtol=1e-12
    )


def test_forward_equals_the_sum_over_all_paths_up_to_now(enumerated):
    log_evidence = np.random.default_rng(4).normal(0.0, 2.0, (5, RATES.size))
    past = forward(log_evidence, RATES, step_s=2.0)
    for now in range(5):
        expected = enumerated(log_evidence[: now + 1], 2.0)[-1]
        np.testing.assert_allclose(past[now], expected, rtol=1e-12)


def test_a_constant_added_to_the_evidence_changes_nothing_and_extremes_stay_finite():
    log_evidence = np.random.default_rng(6).normal(0.0, 2.0, (6, RATES.size))
    shifted = log_evidence + np.array([0.0, 1e3, -1e5, 7.0, 0.0, 1e6])[:, np.newaxis]
    for chain in (forward, forward_backward):
        np.testing.assert_allclose(
            chain(shifted, RATES, step_s=2.0), chain(log_evidence, RATES, step_s=2.0), rtol=1e-6
        )
    belief = forward_backward(400.0 * log_evidence, RATES, step_s=2.0)
    assert np.isfinite(belief).all()
    np.testing.assert_allclose(belief.sum(axis=1), 1.0)


def test_silent_windows_are_bridged_from_both_sides():
    rates = np.arange(60.0, 121.0)
    log_evidence = np.zeros((11, rates.size))
    log_evidence[0, 20] = log_evidence[10, 30] = 40.0
    belief = forward_backward(log_evidence, rates, step_s=2.0)
    middle = mean_near_peak(belief, belief, rates, half_width_bpm=60.0)[5]
    assert middle == pytest.approx(85.0, abs=0.5)


def test_the_reading_is_the_mean_near_the_peak_only():
    rates = np.arange(60.0, 101.0)
    belief = np.zeros((1, rates.size))
    belief[0, [10, 11, 40]] = 0.4, 0.3, 0.3
    reading = mean_near_peak(belief, belief, rates, half_width_bpm=5.0)
    assert reading[0] == pytest.approx((0.4 * 70 + 0.3 * 71) / 0.7)
