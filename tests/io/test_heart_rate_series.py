"""Heart-rate series as devices export them: every kind of clock, gaps, repeats, zeros."""

from __future__ import annotations

import tracemalloc
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from palpate.io.daylight import without_daylight_jumps
from palpate.io.heart_rate_series import read_heart_rate
from palpate.validation import InputError


def table(tmp_path: Path, text: str, name: str = "alder_hr.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, "utf-8")
    return path


CLOCKS = {
    "elapsed_s,hr": ("0,70", "1,71", "3,73"),
    "elapsed_ms,hr": ("0,70", "1000,71", "3000,73"),
    "unix_s,hr": ("1757781000,70", "1757781001,71", "1757781003,73"),
    "timestamp,hr": ("1757781000000,70", "1757781001000,71", "1757781003000,73"),
    "utc,hr": ("2025-09-13T16:30:00Z,70", "2025-09-13T16:30:01Z,71", "2025-09-13T16:30:03Z,73"),
    "clock,hr": ("16:30:00,70", "16:30:01,71", "16:30:03,73"),
    "time,hr": (
        "2025-09-13T18:30:00+02:00,70",
        "2025-09-13T16:30:01+00:00,71",
        "2025-09-13T16:30:03Z,73",
    ),
}


@pytest.mark.parametrize("header", CLOCKS)
def test_every_kind_of_clock_gives_the_same_series(tmp_path: Path, header: str) -> None:
    found = read_heart_rate(table(tmp_path, "\n".join((header, *CLOCKS[header])) + "\n"))
    np.testing.assert_allclose(found.rate.start_s, [0.0, 1.0, 3.0], atol=1e-6)
    np.testing.assert_array_equal(found.rate.hr_bpm, [70.0, 71.0, 73.0])
    if header.startswith(("unix", "timestamp", "utc", "time")):
        assert found.start_time == datetime(2025, 9, 13, 16, 30, tzinfo=UTC)


def test_time_of_day_passes_midnight(tmp_path: Path) -> None:
    path = table(tmp_path, "clock,bpm\n23:59:59,70\n00:00:00,71\n00:00:01,72\n")
    np.testing.assert_allclose(read_heart_rate(path).rate.start_s, [0.0, 1.0, 2.0])


def test_zero_and_empty_are_no_value_and_counted(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hr\n0,0\n1,\n2,72\n3,73\n4,255\n")
    rate = read_heart_rate(path).rate
    np.testing.assert_array_equal(rate.hr_bpm, [np.nan, np.nan, 72.0, 73.0, np.nan])
    assert rate.n_undefined == 3
    assert rate.reason[0] == "the device gave no value"


def test_the_last_of_a_repeated_second_counts(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hr\n0,70\n1,71\n1,75\n2,72\n")
    np.testing.assert_array_equal(read_heart_rate(path).rate.hr_bpm, [70.0, 75.0, 72.0])


def test_a_missing_second_is_bridged_and_a_dropout_is_not(tmp_path: Path) -> None:
    path = table(tmp_path, "t,hr\n0,70\n1,71\n2,71\n10,75\n11,75\n12,75\n")
    np.testing.assert_allclose(read_heart_rate(path).rate.end_s, [1.0, 2.0, 3.5, 11.0, 12.0, 13.0])


def test_columns_are_found_and_said(tmp_path: Path) -> None:
    said: list[str] = []
    path = table(tmp_path, "steps;Heart Rate [bpm];time\n3;70;0\n4;71;1\n")
    assert read_heart_rate(path, say=said.append).rate.hr_bpm[1] == 71.0
    assert any("'Heart Rate'" in line for line in said)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("t,hr\n0,70\nsoon,71\n", "row 3, column 't': 'soon'"),
        ("time,hr\n2025-09-13T16:30:00Z,70\n2025-09-13T16:30:01,71\n", "mixes stamps"),
        ("t,hr\n0,70\n5,71\n3,72\n", "goes backwards"),
        ("t,hr\n0,0\n1,0\n", "no heart rate above zero"),
        ("t,hr\n", "no rows"),
        ("t,left,right\n0,70,71\n", "no column that looks like a heart rate"),
        ("hr\n70\n71\n", "no time column"),
    ],
)
def test_unusable_series_is_one_sentence(tmp_path: Path, text: str, message: str) -> None:
    with pytest.raises(InputError, match=message) as caught:
        read_heart_rate(table(tmp_path, text))
    assert "alder_hr.csv" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_summer_time_ends_without_a_jump() -> None:
    wall_s = np.array([2.0 * 3600 + 3598, 2.0 * 3600 + 3599, 2.0 * 3600, 2.0 * 3600 + 1])
    runs_s, jumped_s = without_daylight_jumps(wall_s)
    np.testing.assert_allclose(np.diff(runs_s), 1.0)
    np.testing.assert_allclose(jumped_s, [2.0 * 3600])


def test_summer_time_begins_without_a_jump() -> None:
    wall_s = np.array([3600.0 + 3598, 3600.0 + 3599, 3 * 3600.0, 3 * 3600.0 + 1])
    np.testing.assert_allclose(np.diff(without_daylight_jumps(wall_s)[0]), 1.0)


@pytest.mark.parametrize("step_s", [-3599.0 + 60.0, -30.0, 7201.0, 3601.0 + 60.0])
def test_other_jumps_stay(step_s: float) -> None:
    wall_s = np.cumsum([2.0 * 3600, 1.0, 1.0, step_s, 1.0, 1.0])
    runs_s, jumped_s = without_daylight_jumps(wall_s)
    np.testing.assert_array_equal(runs_s, wall_s)
    assert jumped_s.size == 0


def test_an_hour_missing_by_day_is_a_gap() -> None:
    wall_s = np.array([13 * 3600.0 - 2, 13 * 3600.0 - 1, 14 * 3600.0, 14 * 3600.0 + 1])
    assert without_daylight_jumps(wall_s)[1].size == 0


@pytest.mark.parametrize(
    "stamps",
    [
        (
            "2025-10-26T02:59:58",
            "2025-10-26T02:59:59",
            "2025-10-26T02:00:00",
            "2025-10-26T02:00:01",
        ),
        (
            "2025-03-30T01:59:58",
            "2025-03-30T01:59:59",
            "2025-03-30T03:00:00",
            "2025-03-30T03:00:01",
        ),
    ],
)
def test_local_stamps_run_on_through_a_change_of_summer_time(
    tmp_path: Path, stamps: tuple[str, ...]
) -> None:
    rows = "".join(f"{stamp},{70 + i}\n" for i, stamp in enumerate(stamps))
    said: list[str] = []
    found = read_heart_rate(table(tmp_path, "time,hr\n" + rows), say=said.append)
    np.testing.assert_allclose(found.rate.start_s, [0.0, 1.0, 2.0, 3.0])
    assert any("summer time" in line for line in said)


def test_stamps_with_zone_that_go_backwards_are_refused(tmp_path: Path) -> None:
    text = "time,hr\n2025-10-26T02:59:59+02:00,70\n2025-10-26T02:00:00+02:00,71\n"
    with pytest.raises(InputError, match="goes backwards"):
        read_heart_rate(table(tmp_path, text))


def test_a_long_file_streams_in_bounded_memory(tmp_path: Path) -> None:
    """The text is 44 MB; benchmark_timing.py reads 10 million rows."""
    path = tmp_path / "long_hr.csv"
    with path.open("w", encoding="utf-8") as stream:
        stream.write("unix_s,hr,note\n")
        for i in range(200_000):
            stream.write(f"{1_700_000_000 + i},{60 + i % 90},{'x' * 200}\n")
    tracemalloc.start()
    found = read_heart_rate(path)
    peak_bytes = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert len(found.rate) == 200_000
    assert peak_bytes < 0.75 * path.stat().st_size


@pytest.mark.parametrize("values", [("1.1", "1.2", "1.2"), ("52000", "52100", "52050")])
def test_what_no_heart_does_is_another_quantity(tmp_path: Path, values: tuple[str, ...]) -> None:
    rows = "\n".join(f"{at},{value}" for at, value in enumerate(values))
    with pytest.raises(InputError, match="no heart rate in beats per minute"):
        read_heart_rate(table(tmp_path, f"time_s,hr\n{rows}\n"))
