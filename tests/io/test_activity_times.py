"""Activities by session second and by the clock on the wall."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime

import numpy as np
import pytest

from palpate.io.activity_times import activities_on_clock, read_activity
from palpate.io.toml_tables import Table
from palpate.signals import Recording, Role, Waveform
from palpate.validation import InputError

EVENING = datetime(2026, 3, 14, 17, 0, 0)
OF_NO_DATE = datetime(1, 1, 1, 23, 50, 0)


def began(start: datetime | None, *, name: str = "chest", **clock: float) -> Recording:
    wave = Waveform("ecg", Role.ECG, np.zeros((10, 1)), 1.0, "mV", ("ecg",))
    known = clock.pop("known", 1.0) > 0.0
    return Recording(name, (wave,), start_time=start, clock_known=known, **clock)  # type: ignore[arg-type]


def lifting_from(text: str, *recordings: Recording) -> tuple[float, float]:
    table = Table(tomllib.loads(f'name = "lifting"\n{text}'), "evening.toml: [[activity]] 1")
    (one,) = activities_on_clock([read_activity(table)], recordings, "evening.toml")
    return one.start_s, one.end_s


def test_seconds_need_no_clock() -> None:
    assert lifting_from("start_s = 60\nend_s = 120.5") == (60.0, 120.5)


@pytest.mark.parametrize(
    "text",
    [
        "start = 17:02:11\nend = 17:10:00",
        'start = "17:02:11"\nend = "17:10"',
        "start = 2026-03-14T17:02:11\nend = 2026-03-14 17:10:00",
        "start_s = 131\nend = 17:10:00",
    ],
)
def test_a_time_of_day_counts_from_the_first_recording_s_start(text: str) -> None:
    assert lifting_from(text, began(EVENING)) == (131.0, 600.0)


def test_what_was_done_after_midnight_is_later() -> None:
    found = lifting_from("start = 23:55:00\nend = 00:05:00", began(OF_NO_DATE))
    assert found == (300.0, 900.0)


def test_a_start_noted_just_before_the_recording_s_is_not_a_day_later() -> None:
    assert lifting_from("start = 16:59:58\nend = 17:05:00", began(EVENING)) == (-2.0, 300.0)


def test_the_clock_read_is_the_first_known_one_with_its_offset_and_drift() -> None:
    silent, unknown = began(None), began(EVENING, known=0.0)
    told = began(EVENING, clock_offset_s=-40.0, clock_drift_ppm=100.0)
    found = lifting_from("start = 17:01:40\nend = 17:16:40", silent, unknown, told)
    assert found == pytest.approx((60.01, 960.1))


def test_a_start_in_universal_time_places_moments_with_an_offset() -> None:
    text = "start = 2026-03-14T18:02:11+01:00\nend = 2026-03-14T17:10:00Z"
    assert lifting_from(text, began(EVENING.replace(tzinfo=UTC))) == (131.0, 600.0)


@pytest.mark.parametrize(
    ("start", "text", "problem"),
    [
        (EVENING.replace(tzinfo=UTC), "17:02:11", r"2026-03-14T17:02:11\+01:00, with your offset"),
        (EVENING.replace(tzinfo=UTC), "2026-03-14T17:02:11", "began at 2026-03-14 17:00:00"),
        (EVENING, "2026-03-14T17:02:11Z", "write it as 2026-03-14T17:02:11, or"),
        (OF_NO_DATE, "2026-03-14T23:55:00", "began at 23:50:00 of no date; write it as 17:02:11"),
        (None, "17:02:11", "no recording on a known clock says when it began"),
    ],
)
def test_what_no_clock_can_place_is_refused(
    start: datetime | None, text: str, problem: str
) -> None:
    with pytest.raises(InputError, match=rf"\[\[activity\]\] 1 'lifting': .*{problem}"):
        lifting_from(f"start = {text}\nend_s = 900", began(start))


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        ("start = 17:10:00\nend = 17:10:00", "end is 17:10:00; it must be later than start"),
        ("start = 17:10:00\nstart_s = 3\nend_s = 9", "start stands beside start_s"),
        ("start_s = 17:02:11\nend_s = 9", "it must be a number, or start = 17:02:11 by the clock"),
        ("start = 2026-03-14\nend_s = 9", "start is 2026-03-14; write a time as 17:02:11"),
        ('start = "five"\nend_s = 9', "start is 'five'; write a time"),
        ("start = 17\nend_s = 9", "start is 17; write a time"),
        ("end = 17:02:11", "start_s is missing"),
    ],
)
def test_times_that_are_none_are_refused(text: str, problem: str) -> None:
    with pytest.raises(InputError, match=problem):
        lifting_from(text, began(EVENING))
