from __future__ import annotations

import numpy as np
import pytest

from palpate.signals import (
    Activity,
    BeatSeries,
    RateSeries,
    Recording,
    Role,
    Waveform,
    WindowTable,
    activity_per_window,
)
from palpate.validation import InputError


def waveform(**changes: object) -> Waveform:
    given = {
        "name": "acc",
        "role": Role.ACC,
        "values": np.zeros((50, 3)),
        "fs_hz": 25.0,
        "unit": "g",
        "labels": ("x", "y", "z"),
    }
    return Waveform(**{**given, **changes})  # type: ignore[arg-type]


def test_a_waveform_knows_its_time() -> None:
    wave = waveform(start_s=3.0)
    assert (wave.duration_s, wave.end_s) == (2.0, 5.0)
    assert wave.times_s()[[0, -1]].tolist() == [3.0, 3.0 + 49 / 25]


def test_what_is_inside_a_record_cannot_be_changed() -> None:
    values = np.zeros((50, 3))
    wave = waveform(values=values)
    with pytest.raises(ValueError, match="read-only"):
        wave.values[0, 0] = 1.0
    values[0, 0] = 1.0  # the caller's own array stays its own


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"values": np.zeros(50)}, "shape"),
        ({"labels": ("x",)}, "3 columns but 1 labels"),
        ({"wavelength_nm": (525.0,)}, "3 columns but 1 wavelengths"),
        ({"fs_hz": -5.0}, "the rate of waveform 'acc' is -5 Hz"),
        ({"fs_hz": float("nan")}, "nan Hz"),
    ],
)
def test_a_waveform_that_does_not_fit_together_says_why(
    changes: dict[str, object], message: str
) -> None:
    with pytest.raises(InputError, match=message):
        waveform(**changes)


def test_session_time_is_recording_time_with_drift_and_offset() -> None:
    band = Recording("band", clock_offset_s=10.0, clock_drift_ppm=100.0)
    # 100 ppm of an hour is 0.36 s.
    assert band.session_s(np.array([0.0, 3600.0])).tolist() == pytest.approx([10.0, 3610.36])


def test_beats_must_be_in_order() -> None:
    with pytest.raises(InputError, match="goes backwards after item 1"):
        BeatSeries(np.array([1.0, 2.0, 1.5]))


def test_a_rate_series_counts_what_is_undefined() -> None:
    start_s = np.arange(3.0)
    rate = RateSeries(
        "band", start_s, start_s + 1, np.array([60.0, np.nan, 61.0]), np.ones(3), np.full(3, "")
    )
    assert (len(rate), rate.n_undefined) == (3, 1)


def test_joining_matches_windows_by_start_and_leaves_the_rest_undefined() -> None:
    grid = WindowTable(np.arange(0.0, 10.0, 2.0), np.arange(8.0, 18.0, 2.0))
    other = WindowTable(
        np.array([-2.0, 2.0, 4.0]),
        np.array([6.0, 10.0, 12.0]),
        {
            "x": np.array([9.0, 1.0, 2.0]),
            "flag": np.array(["a", "b", "c"]),
            "ok": np.array([True, True, False]),
            "count": np.array([7, 8, 9]),
        },
    )
    joined = grid.joined(other)
    assert np.array_equal(joined["x"], [np.nan, 1.0, 2.0, np.nan, np.nan], equal_nan=True)
    assert joined["flag"].tolist() == ["", "b", "c", "", ""]
    assert joined["ok"].tolist() == [False, True, False, False, False]
    assert joined["count"].tolist() == [0, 8, 9, 0, 0]


def test_an_unknown_column_names_those_there_are() -> None:
    table = WindowTable(np.zeros(1), np.ones(1), {"a": np.zeros(1), "b": np.zeros(1)})
    with pytest.raises(KeyError, match="there are a, b"):
        table["c"]


def test_a_window_belongs_to_the_activity_that_wholly_contains_it() -> None:
    activities = (Activity("rest", 0.0, 10.0), Activity("step-mill", 10.0, 30.0))
    starts = np.array([0.0, 2.0, 4.0, 10.0, 22.0, 24.0])
    names = activity_per_window(starts, starts + 8.0, activities)
    assert names.tolist() == ["rest", "rest", "", "step-mill", "step-mill", ""]


def test_an_activity_must_end_after_it_starts() -> None:
    with pytest.raises(InputError, match="must end after it starts"):
        Activity("rest", 5.0, 5.0)


def test_the_step_of_windows_and_how_many_begin_in_a_span() -> None:
    start_s = np.array([0.0, 2.0, 4.0, 8.0])
    table = WindowTable(start_s, start_s + 8.0)
    assert table.step_s == 2.0
    assert [table.count_in(span_s) for span_s in (0.5, 10.0)] == [1, 5]
    single = WindowTable(start_s[:1], start_s[:1] + 8.0)
    assert np.isnan(single.step_s)
    assert single.count_in(10.0) == 1


def test_a_window_table_shows_its_span_and_its_columns_in_a_line():
    starts = np.arange(0.0, 1000.0, 2.0)
    table = WindowTable(starts, starts + 8.0, {"hr_bpm": starts, "reason": starts.astype(str)})
    assert repr(table) == "WindowTable(500 windows from 0 to 1006 s: hr_bpm, reason)"
    assert repr(WindowTable(starts[:0], starts[:0])) == "WindowTable(0 windows: no columns)"
