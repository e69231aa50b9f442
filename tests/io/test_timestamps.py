from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from palpate.io.timestamps import has_zone, stamps_s, time_kind, timeline, uniform_grid
from palpate.validation import InputError


@pytest.mark.parametrize(
    ("cell", "column", "kind"),
    [
        ("0.02", "time", "s"),
        ("20", "time_ms", "ms"),
        ("20", "elapsed (ms)", "ms"),
        ("20", "rhythms", "s"),
        ("1740853805", "t", "unix_s"),
        ("1740853805250", "t", "unix_ms"),
        ("1740853805250000", "t", "unix_us"),
        ("1740853805250000000", "t", "unix_ns"),
        ("18:30:05.25", "t", "clock"),
        ("2025-03-01T18:30:05Z", "t", "iso8601"),
    ],
)
def test_kind_is_told_by_the_first_cell_and_the_columns_name(cell, column, kind):
    assert time_kind(cell, column) == kind


def test_every_absolute_kind_names_the_same_moment():
    moment = datetime(2025, 3, 1, 18, 30, 5, 250000, tzinfo=UTC)
    cells = {
        "unix_s": "1740853805.25",
        "unix_ms": "1740853805250",
        "unix_us": "1740853805250000",
        "unix_ns": "1740853805250000000",
        "iso8601": "2025-03-01T19:30:05.25+01:00",
    }
    for kind, cell in cells.items():
        line = timeline(stamps_s([cell, cell], kind), kind, zoned=has_zone(cell, kind))
        assert abs((line.start_time - moment).total_seconds()) < 1e-6
        assert line.time_s.tolist() == [0.0, 0.0]


def test_stamps_without_zone_stay_without():
    cell = "2025-03-01 18:30:05"
    assert not has_zone(cell, "iso8601")
    line = timeline(stamps_s([cell], "iso8601"), "iso8601", zoned=False)
    assert line.start_time == datetime(2025, 3, 1, 18, 30, 5)


def test_time_of_day_passes_midnight():
    stamps = stamps_s(["23:59:59", "00:00:00", "00:00:01.5"], "clock")
    assert timeline(stamps, "clock", zoned=False).time_s.tolist() == [0.0, 1.0, 2.5]


def test_elapsed_times_keep_their_zero():
    assert timeline(stamps_s(["5", "6"], "s"), "s", zoned=False).time_s.tolist() == [5.0, 6.0]


@settings(max_examples=60, deadline=None)
@given(
    rate=st.floats(0.5, 2000.0),
    gaps=st.lists(st.tuples(st.integers(2, 50), st.integers(1, 5000)), max_size=6),
    start=st.floats(-1e4, 1e4),
)
def test_dropped_samples_become_gaps_at_the_right_slots(rate, gaps, start):
    steps = np.concatenate([np.r_[np.ones(run), 1 + lost] for run, lost in [(99, 0), *gaps]])
    index = np.concatenate(([0], np.cumsum(steps))).astype(np.intp)
    grid = uniform_grid(start + index / rate, None, "x")
    # A whole number within a hundredth of a sample over all stamps is taken to be meant.
    assert abs(grid.fs_hz - rate) * index[-1] / rate < 0.011
    assert grid.start_s == pytest.approx(start, abs=0.011 / rate)
    np.testing.assert_array_equal(grid.slot, index)
    assert grid.n_slots == index[-1] + 1


def test_a_rate_that_milliseconds_cannot_hold_is_found():
    for rate in (30.0, 60.0, 128.0, 400.0):
        grid = uniform_grid(np.round(np.arange(3000) / rate, 3), None, "x")
        assert grid.fs_hz == rate
        np.testing.assert_array_equal(grid.slot, np.arange(3000))


@pytest.mark.parametrize("seed", range(5))
def test_jitter_below_half_a_sample_makes_no_gap(seed):
    rng = np.random.default_rng(seed)
    time_s = (np.arange(5000) + rng.uniform(-0.4, 0.4, 5000)) / 50.0
    grid = uniform_grid(time_s, None, "x")
    assert grid.fs_hz == pytest.approx(50.0, rel=1e-5)
    assert abs(grid.start_s) < 0.1 / 50
    np.testing.assert_array_equal(grid.slot, np.arange(5000))


def test_a_clock_that_runs_20_ppm_fast_is_not_rounded_away():
    grid = uniform_grid(np.arange(360_000) / 100.002, None, "x")
    assert grid.fs_hz == pytest.approx(100.002, rel=1e-9)


def test_declared_rate_must_agree_with_the_stamps():
    time_s = np.arange(100) / 50.0
    assert uniform_grid(time_s, 50.2, "x").fs_hz == 50.0
    with pytest.raises(InputError, match="runs at 50 Hz but the sheet says rate_hz = 25"):
        uniform_grid(time_s, 25.0, "x")


def test_bursts_under_one_stamp_are_refused_with_advice():
    time_s = np.repeat(np.arange(50) / 5.0, 10)
    with pytest.raises(InputError, match="give rate_hz and leave out time"):
        uniform_grid(time_s, None, "x")
    with pytest.raises(InputError, match="never advances"):
        uniform_grid(np.zeros(9), None, "x")


def test_a_wrong_stamp_asks_for_no_memory():
    time_s = np.append(np.arange(100) / 50.0, 1e12)
    with pytest.raises(InputError, match=r"jumps from 1.98 to 1e\+12 s"):
        uniform_grid(time_s, None, "x")
