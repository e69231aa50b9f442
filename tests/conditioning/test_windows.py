from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from palpate.conditioning import SignalWindows, window_grid, window_samples, windowed
from palpate.validation import InputError


def test_spc_protocol_window_k_covers_2k_to_2k_plus_8() -> None:
    # Zhang, Pi & Liu 2015: 8-s windows every 2 s.
    starts, ends = window_grid(0.0, 20.0)
    assert starts.tolist() == [0, 2, 4, 6, 8, 10, 12]
    assert (ends - starts).tolist() == [8.0] * 7


def test_span_shorter_than_a_window_has_none() -> None:
    starts, ends = window_grid(0.0, 7.9)
    assert starts.size == ends.size == 0


@given(
    n=st.integers(0, 5000),
    fs_hz=st.floats(10.0, 500.0),
    window_s=st.floats(0.5, 20.0),
    step_s=st.floats(0.1, 10.0),
)
def test_every_window_lies_inside_the_samples(
    n: int, fs_hz: float, window_s: float, step_s: float
) -> None:
    first, width = window_samples(n, fs_hz=fs_hz, window_s=window_s, step_s=step_s)
    assert width == round(window_s * fs_hz)
    assert np.all(first >= 0)
    assert np.all(first + width <= n)
    assert np.all(np.abs(first / fs_hz - step_s * np.arange(first.size)) <= 0.5001 / fs_hz)
    starts, _ = window_grid(0.0, n / fs_hz, window_s=window_s, step_s=step_s)
    assert first.size == starts.size


def test_the_last_window_counts_though_start_and_width_both_round_up() -> None:
    # It begins at sample 4237.5, holds 137.5 samples and ends with the record.
    first, width = window_samples(4375, fs_hz=25.0, window_s=5.5, step_s=0.3)
    assert (first.size, first[-1], width) == (566, 4237, 138)


def test_a_window_without_a_sample_is_refused() -> None:
    with pytest.raises(InputError, match=r"a window of 8 s holds no sample at 0.05 Hz"):
        window_samples(100, fs_hz=0.05)


def test_windows_too_short_to_measure_in_are_refused() -> None:
    with pytest.raises(InputError, match=r"window_s is 0.2 s; .* needs 0.5 s or more"):
        SignalWindows.of(100, fs_hz=100.0, start_s=0.0, window_s=0.2, step_s=2.0)


def test_windows_copy_the_samples_they_cover() -> None:
    first, width = window_samples(12, fs_hz=1.0, window_s=8.0, step_s=2.0)
    assert windowed(np.arange(12.0), first, width).tolist() == [
        list(range(start, start + 8)) for start in (0, 2, 4)
    ]


@pytest.mark.parametrize(("window_s", "step_s"), [(0.0, 2.0), (8.0, -1.0), (np.nan, 2.0)])
def test_windows_and_steps_must_be_positive(window_s: float, step_s: float) -> None:
    with pytest.raises(InputError, match="finite times"):
        window_grid(float("nan"), 20.0)
    with pytest.raises(InputError, match="above zero"):
        window_grid(0.0, 20.0, window_s=window_s, step_s=step_s)


@pytest.mark.parametrize(("fs_hz", "slow_hz"), [(100.0, 32.0), (25.6, 16.0), (31.25, 32.0)])
def test_windows_of_a_resampled_signal_keep_their_time_and_stay_inside(
    fs_hz: float, slow_hz: float
) -> None:
    n = round(100.3 * fs_hz)
    windows = SignalWindows.of(n, fs_hz=fs_hz, start_s=4.0, window_s=8.0, step_s=2.0)
    n_slow = int(n * slow_hz / fs_hz)
    slow = windows.at_rate(slow_hz, n_slow)
    assert len(slow) == len(windows) == 47
    assert (slow.width, slow.fs_hz) == (int(windows.width * slow_hz / fs_hz), slow_hz)
    assert np.all(np.abs(slow.first / slow_hz - windows.first / fs_hz) <= 0.5001 / slow_hz)
    assert slow.first[0] == 0
    assert slow.first[-1] + slow.width <= n_slow
    short = windows.at_rate(slow_hz, slow.first[-1] + slow.width - 1)
    assert short.first[-1] + slow.width == slow.first[-1] + slow.width - 1
    table = slow.table({"number": np.arange(47)})
    np.testing.assert_array_equal(table.start_s, 4.0 + 2.0 * table["number"])
    np.testing.assert_array_equal(table.end_s, table.start_s + 8.0)


def test_samples_and_means_of_windows() -> None:
    windows = SignalWindows.of(12, fs_hz=1.0, start_s=0.0, window_s=8.0, step_s=2.0)
    values = np.arange(12.0)
    np.testing.assert_array_equal(windows.of_samples(values)[1], values[2:10])
    np.testing.assert_array_equal(windows.means(values), [3.5, 5.5, 7.5])
    assert len(SignalWindows.of(5, fs_hz=1.0, start_s=0.0, window_s=8.0, step_s=2.0)) == 0
