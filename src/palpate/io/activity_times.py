"""When an activity was done: in session seconds, or by the clock on the wall.

Conventions
-----------
* ``start_s`` and ``end_s`` are session seconds; ``start`` and ``end`` are read by the clock of
  the first recording whose own clock is known and whose file says when it began.
* A time of day is the first one at or after that recording's start, give or take a minute. It is
  local, so a file that began at a moment in UTC cannot place it; a moment with its offset can.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time

import numpy as np

from palpate.io.timestamps import DAY_S, NO_YEAR
from palpate.io.toml_tables import Table
from palpate.signals import WHOLE_SESSION, Activity, Recording
from palpate.validation import InputError

EARLY_S = 60.0
Moment = float | time | datetime


@dataclass(frozen=True, slots=True)
class ActivitySpec:
    """What was done and when, as a sheet says it; ``place`` is how messages name it."""

    place: str
    name: str
    start: Moment
    end: Moment

    @property
    def in_seconds(self) -> bool:
        """Whether no recording's clock is needed to place it."""
        return isinstance(self.start, float) and isinstance(self.end, float)


def read_activity(table: Table) -> ActivitySpec:
    """Read an ``[[activity]]`` table."""
    name = table.text("name", required=True)
    table.place += f" {name!r}"
    spec = ActivitySpec(table.place, name, _moment(table, "start"), _moment(table, "end"))
    table.finish()
    if name == WHOLE_SESSION:
        raise table.error(
            "name", f"is {WHOLE_SESSION!r}, as tables call the whole session; choose another"
        )
    return spec


def activities_on_clock(
    specs: Iterable[ActivitySpec], recordings: Sequence[Recording], place: str
) -> tuple[Activity, ...]:
    """Place activities on the session's clock; ``place`` names the sheet."""
    activities = tuple(_activity(spec, recordings) for spec in specs)
    for one, other in itertools.pairwise(sorted(activities, key=lambda a: a.start_s)):
        if other.start_s < one.end_s:
            raise InputError(
                f"{place}: the activities {one.name!r} ({one.start_s:g} to {one.end_s:g} s) and "
                f"{other.name!r} ({other.start_s:g} to {other.end_s:g} s) overlap; end one where "
                "the other begins"
            )
    return activities


def _moment(table: Table, key: str) -> Moment:
    by_clock, seconds = table.take(key), table.take(f"{key}_s")
    if isinstance(seconds, (time, datetime)):
        raise table.error(
            f"{key}_s", f"is {seconds}; it must be a number, or {key} = {seconds} by the clock"
        )
    if by_clock is None:
        return table.number(f"{key}_s", required=True)
    if seconds is not None:
        raise table.error(key, f"stands beside {key}_s; leave one of them out")
    moment = _read(by_clock) if isinstance(by_clock, str) else by_clock
    if isinstance(moment, time) and moment.tzinfo is None:
        return moment
    if isinstance(moment, datetime):
        return moment
    said = by_clock if isinstance(by_clock, date) else repr(by_clock)
    raise table.error(key, f"is {said}; write a time as 17:02:11 or 2026-03-14T17:02:11")


def _read(text: str) -> time | datetime | None:
    for kind in (time, datetime):
        try:
            return kind.fromisoformat(text.strip())
        except ValueError:
            continue
    return None


def _activity(spec: ActivitySpec, recordings: Sequence[Recording]) -> Activity:
    start_s, end_s = (_session_s(spec, moment, recordings) for moment in (spec.start, spec.end))
    if not start_s < end_s:
        key = "_s" if spec.in_seconds else ""
        start, end = (f"{m:g}" if isinstance(m, float) else m for m in (spec.start, spec.end))
        raise InputError(
            f"{spec.place}: end{key} is {end}; it must be later than start{key} = {start}"
        )
    return Activity(spec.name, start_s, end_s)


def _session_s(spec: ActivitySpec, moment: Moment, recordings: Sequence[Recording]) -> float:
    """Return the session second of a moment."""
    if isinstance(moment, float):
        return moment
    for recording in recordings:
        if recording.start_time is not None and recording.clock_known:
            since_s = _seconds_since(recording.start_time, moment)
            if since_s is None:
                raise InputError(
                    f"{spec.place}: {moment} cannot be placed, since recording "
                    f"{recording.name!r} began at {_told(recording.start_time)}; write it as "
                    f"{_like(recording.start_time)}, or give start_s and end_s"
                )
            return float(recording.session_s(np.array(since_s)))
    raise InputError(
        f"{spec.place}: {moment} cannot be placed, since no recording on a known clock says when "
        "it began; give start_s and end_s, in session seconds"
    )


def _seconds_since(start: datetime, moment: time | datetime) -> float | None:
    """Return the seconds from a start to a moment; None where their clocks differ."""
    if isinstance(moment, time):
        if start.tzinfo is not None:
            return None
        since_s = (datetime.combine(start.date(), moment) - start).total_seconds()
        return (since_s + EARLY_S) % DAY_S - EARLY_S
    if start.year == NO_YEAR or (moment.tzinfo is None) != (start.tzinfo is None):
        return None
    return (moment - start).total_seconds()


def _told(start: datetime) -> str:
    if start.year == NO_YEAR:
        return f"{start.time().isoformat('seconds')} of no date"
    return start.isoformat(" ", "seconds")


def _like(start: datetime) -> str:
    """Show how to write a moment that this start can place."""
    if start.year == NO_YEAR:
        return "17:02:11"
    offset = "+01:00, with your offset from UTC" if start.tzinfo else ""
    return f"{start.date()}T17:02:11{offset}"
