"""Relate recordings to the session's clock, and check that their times fit together.

Conventions
-----------
* The session's clock is the first recording's, unless that recording states an offset.
* A recording without a stated ``clock_offset_s`` is placed by the start times of its
  file and the first recording's where both have one, else at 0; ``clock_known`` is then
  False, except for the first recording.
* Start times with and without a time zone are not compared, nor is a time of day with a
  date; two times of day are taken to be less than half a day apart.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from datetime import datetime

import numpy as np

from palpate.io.sheet import RecordingSpec
from palpate.io.timestamps import DAY_S, NO_YEAR
from palpate.signals import Recording, Session
from palpate.validation import InputError

# Activities are noted to the second or so; a bound may pass the recording's by this much.
ACTIVITY_SLACK_S = 2.0


def placed(recording: Recording, spec: RecordingSpec, first: Recording | None) -> Recording:
    """Put a recording on the session's clock."""
    offset_s, known = spec.clock_offset_s, True
    if offset_s is None:
        origin = recording if first is None else first
        shift_s = seconds_between(origin.start_time, recording.start_time)
        offset_s, known = origin.clock_offset_s + shift_s, first is None
    return replace(
        recording,
        clock_offset_s=offset_s,
        clock_drift_ppm=spec.clock_drift_ppm,
        clock_known=known,
    )


def kind_of_start(start: datetime | None) -> str:
    """Return by what a start is told; only those of one kind are compared."""
    if start is None:
        return "nothing"
    if start.year == NO_YEAR:
        return "time of day"
    return "local time" if start.tzinfo is None else "universal time"


def dated(start: datetime | None) -> datetime | None:
    """Return a start whose date is known, else None."""
    return None if kind_of_start(start) == "time of day" else start


def earliest(starts: Iterable[datetime | None]) -> datetime | None:
    """Return the earliest start; None if there is none, or kinds are mixed."""
    known = [start for start in starts if start is not None]
    if len({kind_of_start(start) for start in known}) != 1:
        return None
    return min(known)


def seconds_between(early: datetime | None, late: datetime | None) -> float:
    """Return seconds from one start to another; 0 where they cannot be compared."""
    if early is None or late is None or kind_of_start(early) != kind_of_start(late):
        return 0.0
    apart_s = (late - early).total_seconds()
    if kind_of_start(early) == "time of day":
        return (apart_s + DAY_S / 2.0) % DAY_S - DAY_S / 2.0
    return apart_s


def _spans_s(session: Session) -> list[tuple[float, float]]:
    """Return the session seconds between which each recording holds anything."""
    return [tuple(r.session_s(np.array(r.span_s)).tolist()) for r in session.recordings]


def check_overlap(session: Session, place: str) -> None:
    """Refuse a recording that shares no moment with any other; ``place`` names the sheet."""
    spans = _spans_s(session)
    for number, (start, end) in enumerate(spans):
        others = spans[:number] + spans[number + 1 :]
        if others and not any(start < b and a < end for a, b in others):
            nearest = min(others, key=lambda s: max(s[0] - end, start - s[1]))
            raise InputError(
                f"{place}: recording {session.recordings[number].name!r} covers {start:g} to "
                f"{end:g} s and overlaps no other (the nearest covers {nearest[0]:g} to "
                f"{nearest[1]:g} s); state clock_offset_s, or let palpate align find it"
            )


def check_activities(session: Session, place: str) -> None:
    """Refuse an activity that lies outside of what was recorded."""
    spans = _spans_s(session)
    start, end = min(s for s, _ in spans), max(e for _, e in spans)
    for activity in session.activities:
        if activity.start_s < start - ACTIVITY_SLACK_S or activity.end_s > end + ACTIVITY_SLACK_S:
            raise InputError(
                f"{place}: activity {activity.name!r} covers {activity.start_s:g} to "
                f"{activity.end_s:g} s but the recordings cover {start:g} to {end:g} s; correct "
                "its start and end"
            )
