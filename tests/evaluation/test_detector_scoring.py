from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from palpate.evaluation import Annotations, compare_ec57
from palpate.evaluation.detector_scoring import (
    in_fibrillation,
    score_detector,
    worst_stretches,
)


def test_both_scores_side_by_side():
    reference = Annotations.of_beats(np.arange(1.0, 400.0))
    # A constant shift of 60 ms: inside the 150 ms of EC57, outside the strict 50 ms.
    score = score_detector(reference, reference.time_s + 0.06, fs_hz=250, end_s=400)
    assert score.ec57.statistics.qrs_f1.percent == 100.0
    assert score.strict_f1.percent == 0.0
    assert score.strict_f1.denominator == 2 * 399


def test_the_strict_score_covers_the_learning_period():
    reference = Annotations.of_beats(np.arange(1.0, 400.0))
    score = score_detector(reference, reference.time_s[100:], fs_hz=250, end_s=400)
    assert score.ec57.statistics.qrs_f1.percent == 100.0
    assert score.strict_f1.percent == pytest.approx(100 * 2 * 299 / (2 * 299 + 100))


def test_detections_in_fibrillation_count_in_neither_score():
    symbols = np.array(["N", "[", "]", "N"])
    reference = Annotations(np.array([1.0, 2.0, 6.0, 7.0]), symbols, np.zeros(4, dtype=np.intp))
    estimate_s = np.array([1.0, 2.0, 3.0, 4.5, 6.0, 7.0])
    score = score_detector(reference, estimate_s, fs_hz=250, end_s=8, learning_s=0)
    assert score.strict_f1.percent == score.ec57.statistics.qrs_f1.percent == 100.0
    assert in_fibrillation(reference, estimate_s).tolist() == [False] + [True] * 4 + [False]


def test_worst_stretches_come_first_and_hold_their_errors():
    reference = np.arange(1.0, 200.0)
    missing = np.isin(reference, [52.0, 53.0, 54.0, 120.0])
    estimate_s = np.sort(np.append(reference[~missing], [120.5]))
    result = compare_ec57(
        Annotations.of_beats(reference), estimate_s, fs_hz=250, end_s=200, learning_s=0
    )
    first, second = worst_stretches(result, count=5, end_s=200)
    assert (first.start_s, first.n_missed, first.n_extra) == (50.0, 3, 0)
    assert (second.start_s, second.n_missed, second.n_extra) == (120.0, 1, 1)


_BEATS = st.lists(st.integers(1, 299), max_size=60, unique=True).map(
    lambda beats: np.sort(beats).astype(float)
)


@given(_BEATS, _BEATS, st.integers(1, 6))
def test_stretches_lie_in_the_record_do_not_overlap_and_hold_errors(reference, estimate_s, count):
    result = compare_ec57(
        Annotations.of_beats(reference), estimate_s, fs_hz=100, end_s=300, learning_s=0
    )
    stretches = worst_stretches(result, count=count, end_s=300)
    assert len(stretches) <= count
    assert all(stretch.n_errors > 0 for stretch in stretches)
    assert [s.n_errors for s in stretches] == sorted((s.n_errors for s in stretches), reverse=True)
    ordered = sorted(stretches, key=lambda each: each.start_s)
    assert all(0 <= each.start_s < each.end_s <= 300 for each in ordered)
    assert all(a.end_s <= b.start_s for a, b in itertools.pairwise(ordered))


def test_without_errors_there_is_no_worst_stretch():
    beats = Annotations.of_beats(np.arange(1.0, 20.0))
    result = compare_ec57(beats, beats, fs_hz=250, end_s=20, learning_s=0)
    assert worst_stretches(result, count=3, end_s=20) == ()
