"""Heart rate of a window from beat times."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal

from palpate.ecg import window_heart_rate
from palpate.ecg.rate import beats_per_window
from palpate.validation import InputError

intervals = st.lists(st.floats(0.25, 2.0), min_size=2, max_size=60)


def test_counted_rate_is_cycles_over_their_span_as_zhang_2015_defines_it() -> None:
    # The published BPM0 of DATA_01 begins with 74.33920704845815: 9 cycles in 7.264 s.
    beats = 0.336 + np.linspace(0.0, 7.264, 10)
    assert_allclose(window_heart_rate(beats, [0.0], [8.0]), [74.33920704845815], rtol=1e-12)


def test_counted_rate_reproduces_the_published_reference_of_a_clean_recording(
    data_dir: Path,
) -> None:
    io = pytest.importorskip("scipy.io")
    sleepecg = pytest.importorskip("sleepecg", reason="a detector from outside the project")
    folder = data_dir / "datasets" / "ieee_spc2015"
    ecg = io.loadmat(folder / "DATA_01_TYPE01.mat")["sig"][0].astype(float)
    truth = io.loadmat(folder / "DATA_01_TYPE01_BPMtrace.mat")["BPM0"].ravel()
    beats = np.asarray(sleepecg.detect_heartbeats(ecg, 125.0)) / 125.0
    start_s = 2.0 * np.arange(truth.size)
    error = window_heart_rate(beats, start_s, start_s + 8.0) - truth
    # One sample of 8 ms at either end of 7.5 s is 0.15 bpm at 74 bpm and 0.35 at 160.
    assert np.max(np.abs(error)) < 0.8
    assert np.median(np.abs(error)) < 0.2


def test_windows_are_half_open() -> None:
    beats = np.array([1.0, 2.0, 3.0])
    assert_array_equal(window_heart_rate(beats, [1.0], [3.0]), [60.0])
    first, last = beats_per_window(beats, np.array([1.0]), np.array([3.0]))
    assert (first[0], last[0]) == (0, 2)


def test_mean_rr_takes_the_intervals_that_end_in_the_window() -> None:
    beats = np.array([0.0, 1.0, 1.5, 2.0])
    # Intervals 1.0 (ends at 1.0), 0.5 and 0.5 end in [0.9, 2.1); only one began in it.
    assert_allclose(window_heart_rate(beats, [0.9], [2.1], method="mean_rr"), [90.0])
    assert_allclose(window_heart_rate(beats, [0.9], [2.1]), [120.0])
    assert_allclose(window_heart_rate(beats, [1.8], [2.1], method="mean_rr"), [120.0])


def test_too_few_beats_give_nan_by_either_definition() -> None:
    for method in ("counted", "mean_rr"):
        for beats in ([], [1.0]):
            assert np.isnan(window_heart_rate(beats, [0.0], [8.0], method=method)).all()
    assert np.isnan(window_heart_rate([1.0, 9.0], [0.0, 20.0], [8.0, 28.0])).all()


def test_two_marks_at_one_time_have_no_rate() -> None:
    assert np.isnan(window_heart_rate([1.0, 1.0], [0.0], [8.0])).all()


@given(intervals, st.floats(0.0, 10.0))
def test_rates_equal_sixty_over_the_mean_interval(rr: list[float], start_s: float) -> None:
    beats = np.cumsum(rr)
    inside = beats[(beats >= start_s) & (beats < start_s + 8.0)]
    (counted,) = window_heart_rate(beats, [start_s], [start_s + 8.0])
    (mean_rr,) = window_heart_rate(beats, [start_s], [start_s + 8.0], method="mean_rr")
    if inside.size < 2:
        assert np.isnan(counted)
    else:
        assert counted == pytest.approx(60.0 / np.mean(np.diff(inside)))
    ending = np.diff(beats)[(beats[1:] >= start_s) & (beats[1:] < start_s + 8.0)]
    if ending.size == 0:
        assert np.isnan(mean_rr)
    else:
        assert mean_rr == pytest.approx(60.0 / np.mean(ending))


def test_bad_input_says_what_to_do() -> None:
    with pytest.raises(InputError, match="method"):
        window_heart_rate([0.0, 1.0], [0.0], [8.0], method="median")
    with pytest.raises(InputError, match="starts but"):
        window_heart_rate([0.0, 1.0], [0.0], [8.0, 10.0])
    with pytest.raises(InputError, match="sort"):
        window_heart_rate([1.0, 0.0], [0.0], [8.0])
