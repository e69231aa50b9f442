"""The path through candidates, against every subset tried in turn."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.ecg.beat_path import Rhythm, _step_scores, best_path, local_rhythm


def score_of(subset: tuple[int, ...], parts: tuple[np.ndarray, ...]) -> float:
    time_s, evidence, strength, rr_s, spread, weight = parts
    total = sum(evidence[i] for i in subset)
    for before, after in pairwise(subset):
        pair = np.array([before, after])
        steps = _step_scores(
            time_s[pair], strength[pair], Rhythm(rr_s[pair], spread[pair]), weight[pair],
            np.array([1]),
        )  # fmt: skip
        total += steps[0, -1]
    return float(total)


@given(seed=st.integers(0, 2**32 - 1), n=st.integers(1, 5), share=st.sampled_from([0.0, 0.4]))
@settings(max_examples=60, deadline=None)
def test_no_subset_scores_higher(seed: int, n: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    settled = rng.random(n) < share
    time_s = np.cumsum(rng.uniform(0.21, 0.9, n))
    evidence, strength = rng.normal(0.0, 3.0, n), rng.uniform(0.1, 1.5, n)
    rr_s, spread, weight = np.full(n, 0.8), np.full(n, 0.15), rng.uniform(0.4, 1.0, n)
    path = best_path(
        time_s, evidence, strength, Rhythm(rr_s, spread),
        rhythm_weight=weight, settled=settled,
    )  # fmt: skip
    parts = (time_s, evidence, strength, rr_s, spread, weight)
    subsets = [subset for k in range(1, n + 1) for subset in combinations(range(n), k)]
    needed = set(np.flatnonzero(settled).tolist())
    best = max(score_of(subset, parts) for subset in subsets if needed <= set(subset))
    assert needed <= set(path.tolist())
    assert score_of(tuple(path.tolist()), parts) >= best - 1e-9


def test_rhythm_comes_from_certain_beats_and_carries_through_noise() -> None:
    sure_s = np.concatenate((np.arange(0.0, 20.0, 0.8), np.arange(60.0, 80.0, 1.0)))
    noise_s = np.arange(20.5, 59.5, 0.3)
    time_s = np.sort(np.concatenate((sure_s, noise_s)))
    rhythm = local_rhythm(time_s, np.arange(time_s.size), np.isin(time_s, sure_s))
    between = rhythm.rr_s[(time_s > 20.4) & (time_s < 59.6)]
    assert np.all((between >= 0.8) & (between <= 1.0))


def test_without_enough_beats_the_rhythm_is_open() -> None:
    rhythm = local_rhythm(np.array([0.0, 1.0]), np.array([0, 1]), np.array([True, True]))
    np.testing.assert_array_equal(rhythm.rr_s, [0.8, 0.8])
    np.testing.assert_array_equal(rhythm.spread, [0.4, 0.4])
