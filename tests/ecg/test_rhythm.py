"""Detectors' agreement, and settling their differences by shape and rhythm."""

from __future__ import annotations

from collections.abc import Callable
from itertools import combinations, pairwise, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from numpy.typing import NDArray

from palpate.ecg.agreement import MATCH_S, marked_near, shared_beats
from palpate.ecg.morphology import Resemblance, resemblance_to_beats
from palpate.ecg.qrs_energy import REFRACTORY_S
from palpate.ecg.rhythm import (
    _PERIOD_CHANGE_COST,
    _STEP_COST_LIMIT,
    _best_path,
    _local_period,
    _smooth_track,
    rhythm_path,
)

Floats = NDArray[np.float64]
FS_HZ = 250.0
DURATION_S = 60.0
times = st.lists(st.floats(0.0, 10.0), max_size=12).map(lambda x: np.array(sorted(x)))


@given(times, times)
def test_marked_near_equals_comparing_every_pair(marks: Floats, others: Floats) -> None:
    expected = [bool(np.any(np.abs(others - mark) <= MATCH_S)) for mark in marks]
    assert marked_near(marks, others).tolist() == expected


def test_shared_beats_counts_as_li_2008_defines_bsqi() -> None:
    # Four beats match, one is only the first's, two only the second's: 4 / (4 + 1 + 2).
    first = np.array([1.0, 2.0, 3.0, 4.0, 5.0])
    second = np.array([1.01, 2.0, 2.5, 3.02, 3.5, 4.0])
    share = shared_beats(first, second, np.array([0.0, 20.0]), np.array([8.0, 28.0]))
    assert_allclose(share, [4 / 7, np.nan])


def test_a_beat_marked_on_both_sides_of_a_windows_edge_is_shared_in_the_one_it_is_in() -> None:
    first, second = np.array([1.0, 7.99, 9.0]), np.array([1.0, 8.01, 9.0])
    share = shared_beats(first, second, np.array([0.0, 8.0]), np.array([8.0, 16.0]))
    assert_array_equal(share, [1.0, 1.0])


candidates = st.lists(
    st.tuples(st.floats(0.1, 1.0), st.floats(-1.5, 1.5), st.floats(0.4, 1.2), st.floats(1.0, 20.0)),
    min_size=1,
    max_size=8,
)


@given(candidates)
@settings(max_examples=60)
def test_the_best_path_beats_every_other_subset(rows: list[tuple[float, ...]]) -> None:
    gap_s, evidence, period_s, stiffness = (np.array(column) for column in zip(*rows, strict=True))
    time_s = np.cumsum(gap_s)

    def worth(chosen: tuple[int, ...]) -> float:
        total = float(evidence[list(chosen)].sum())
        for before, after in pairwise(chosen):
            step_s = time_s[after] - time_s[before]
            if step_s < REFRACTORY_S:
                return -np.inf
            cost = stiffness[after] * np.log(step_s / period_s[after]) ** 2
            total -= min(cost, _STEP_COST_LIMIT)
        return total

    subsets = [c for k in range(1, len(rows) + 1) for c in combinations(range(len(rows)), k)]
    found = tuple(_best_path(time_s, evidence, period_s, stiffness).tolist())
    assert worth(found) == pytest.approx(max(map(worth, subsets)))


@given(st.lists(st.lists(st.floats(0.0, 3.0), min_size=3, max_size=3), min_size=1, max_size=5))
@settings(max_examples=60)
def test_the_smooth_track_beats_every_other_track(rows: list[list[float]]) -> None:
    support, position = np.array(rows), np.array([0.0, 0.3, 1.0])

    def worth(track: tuple[int, ...]) -> float:
        kept = support[np.arange(len(track)), list(track)].sum()
        moved = np.abs(np.diff(position[list(track)])).sum()
        return float(kept - _PERIOD_CHANGE_COST * moved)

    found = tuple(_smooth_track(support, position).tolist())
    assert worth(found) == pytest.approx(max(map(worth, product(range(3), repeat=len(rows)))))


@pytest.mark.parametrize("period_s", [0.3, 0.45, 0.8, 1.3])
def test_the_local_period_of_a_jittered_train_is_neither_half_nor_double(period_s: float) -> None:
    rng = np.random.default_rng(2)
    beats = np.arange(0.5, 60.0, period_s)
    beats = beats + rng.normal(0.0, 0.02 * period_s, beats.size)
    values = np.zeros(60 * 125)
    values[np.round(beats * 125).astype(int) % values.size] = rng.uniform(0.6, 1.0, beats.size)
    _, found = _local_period(Resemblance(values, 125.0))
    assert_allclose(found[2:-3], period_s, rtol=0.08)


@pytest.fixture(scope="module")
def beats(steady_beats: Callable[..., Floats]) -> Floats:
    return steady_beats(0.6, DURATION_S)


@pytest.fixture(scope="module")
def ecg(drawn_ecg: Callable[..., Floats], beats: Floats) -> Floats:
    return drawn_ecg(beats, DURATION_S, fs_hz=FS_HZ)[:, np.newaxis]


def test_complexes_resemble_their_median_and_t_waves_do_not(ecg: Floats, beats: Floats) -> None:
    found = resemblance_to_beats(ecg, beats, fs_hz=FS_HZ)
    assert found.values.max() <= 1.0 + 1e-9
    assert found.near(beats).min() > 0.9
    assert found.near(beats + 0.25).max() < 0.5


def test_resemblance_ignores_gain_and_is_zero_where_samples_are_missing(
    ecg: Floats, beats: Floats
) -> None:
    found = resemblance_to_beats(ecg, beats, fs_hz=FS_HZ)
    assert_allclose(
        resemblance_to_beats(1e-3 * ecg, beats, fs_hz=FS_HZ).values, found.values, atol=1e-6
    )
    gap = ecg.copy()
    gap[5000:5500] = np.nan
    values = resemblance_to_beats(gap, beats, fs_hz=FS_HZ).values
    assert_array_equal(values[2500:2750], 0.0)


def test_a_lead_that_shows_no_beats_leaves_resemblance_to_the_other(
    ecg: Floats, beats: Floats
) -> None:
    alone = resemblance_to_beats(ecg, beats, fs_hz=FS_HZ)
    for other in (0.0, np.nan):
        leads = np.hstack((ecg, np.full_like(ecg, other)))
        both = resemblance_to_beats(leads, beats, fs_hz=FS_HZ)
        assert_allclose(both.values, alone.values, atol=1e-9)
    noise = np.random.default_rng(2).normal(0.0, 0.3, ecg.shape)
    both = resemblance_to_beats(np.hstack((ecg, noise)), beats, fs_hz=FS_HZ)
    assert both.near(beats).min() > 0.8  # the mean of the two leads is near 0.6


def test_undisputed_beats_are_kept(ecg: Floats, beats: Floats) -> None:
    path = rhythm_path(ecg, beats, beats + 0.01, fs_hz=FS_HZ)
    assert_allclose(path.time_s, beats, atol=0.004)
    assert_array_equal(path.votes, 2)


def test_scattered_marks_are_aligned(ecg: Floats, beats: Floats) -> None:
    marks = beats + np.random.default_rng(6).uniform(-0.012, 0.012, beats.size)
    found = resemblance_to_beats(ecg, marks, fs_hz=FS_HZ).aligned(marks)
    assert np.std(found - beats) < np.std(marks - beats) / 3
    # A constant offset is left: nobody knows where the median of scattered marks lies. It
    # drifts from block to block, but between neighbours there is next to no jitter.
    assert np.median(np.abs(np.diff(found - beats))) < 0.0005


def test_marks_on_nothing_stay_where_they_are(ecg: Floats, beats: Floats) -> None:
    idle = beats[:-1] + 0.45
    assert_array_equal(resemblance_to_beats(ecg, beats, fs_hz=FS_HZ).aligned(idle), idle)


def test_one_detectors_extra_and_missed_beats_are_settled(ecg: Floats, beats: Floats) -> None:
    first = np.sort(np.append(beats, beats[40] + 0.3))
    second = np.delete(beats, [70])
    path = rhythm_path(ecg, first, second, fs_hz=FS_HZ)
    assert path.time_s.size == beats.size
    assert_allclose(path.time_s, beats, atol=0.004)
    assert path.votes[70] == 1


def test_a_beat_that_both_miss_near_a_dispute_is_found_by_its_shape(
    ecg: Floats, beats: Floats
) -> None:
    first = np.delete(beats, [50])
    second = np.delete(beats, [50, 53])
    path = rhythm_path(ecg, first, second, fs_hz=FS_HZ)
    assert path.time_s.size == beats.size
    assert_allclose(path.time_s[50], beats[50], atol=0.02)
    assert path.votes[50] == 0


def test_an_irregular_rhythm_and_the_silence_after_it_are_left_alone(
    drawn_ecg: Callable[..., Floats],
) -> None:
    rng = np.random.default_rng(8)
    beats = 0.5 + np.cumsum(rng.uniform(0.35, 1.2, 70))
    beats = beats[beats < DURATION_S - 0.5]
    ecg = drawn_ecg(beats, DURATION_S, fs_hz=FS_HZ)[:, np.newaxis]
    found = rhythm_path(ecg, beats, beats, fs_hz=FS_HZ).time_s
    assert found.size == beats.size
    assert_allclose(found, beats, atol=0.004)


def test_no_marks_and_no_signal_give_no_beats() -> None:
    for size in (0, 5, 5000):
        nothing = rhythm_path(np.zeros((size, 1)), np.zeros(0), np.zeros(0), fs_hz=FS_HZ)
        assert nothing.time_s.size == 0
