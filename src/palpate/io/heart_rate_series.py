"""A device's own heart rate, from whatever it was exported to.

`read_heart_rate` opens a text table or an activity file by itself, finds the heart-rate
column, and returns a `RateSeries` on the file's own seconds.

Conventions
-----------
* A reading of 0 or less, or of 255, means that the device had no value.
* A series whose median no heart has is in another unit, or another column, and is refused.
* Of several readings at one instant the last counts.
* A reading holds until the next, but no longer than 1.5 usual steps, so a missing
  second is bridged and a dropout is not.
* Time runs forwards; a stamp that goes backwards is refused, except where local time does
  so by law (see `daylight`) and past midnight in a time of day.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from palpate.io.activity_files import ACTIVITY_SUFFIXES, open_activity
from palpate.io.delimited import open_delimited
from palpate.io.placing import dated
from palpate.io.raw import RawFile, RawSeries, Say, silent
from palpate.io.sheet import SourceSpec
from palpate.signals import RateSeries, held_until
from palpate.validation import InputError, suggestion

NO_VALUE = "the device gave no value"
_NO_BYTE = 255.0  # what a byte holds for no value (common practice, no source)
LEAST_USUAL_BPM, MOST_USUAL_BPM = 20.0, 300.0  # outside it is another quantity
NAMES = frozenset(
    {
        *("hr", "bpm", "heart_rate", "heartrate", "hr_bpm", "heart_rate_bpm", "bpm_hr", "pulse"),
        *("heart_rate_value", "pulse_rate", "pulse_bpm", "heart_rate_(bpm)", "hr_(bpm)"),
    }
)


@dataclass(frozen=True, slots=True, eq=False)
class HeartRateFile:
    """A heart-rate series and when its second 0 was, if the file says so."""

    rate: RateSeries
    start_time: datetime | None


def read_heart_rate(
    path: Path | str,
    *,
    column: str | None = None,
    time: str | None = None,
    time_unit: str | None = None,
    say: Say = silent,
) -> HeartRateFile:
    """Read a device's heart-rate series from a text table, GPX, TCX or FIT file.

    Parameters
    ----------
    path
        The file.
    column, time
        Names of the heart-rate and the time column of a text table; known names are found.
    time_unit
        How to read the time column where its look is not enough, as in a session sheet.
    say
        Receives what a person should know, such as the columns taken.
    """
    path = Path(path)
    if path.suffix.lower() in ACTIVITY_SUFFIXES:
        raw = open_activity(path, say=say)
        at = 0
    else:
        raw = open_delimited(path, SourceSpec(path, time=time, time_unit=time_unit), say=say)
        at = _rate_column(raw, column, say)
    if raw.read_series is None:
        raise InputError(f"{path} has no time column that is known; name it")
    series = raw.read_series(at)
    rate = rate_series(series, source=path.stem, place=f"{path}: {raw.channels[at].name!r}")
    return HeartRateFile(rate, dated(raw.start_time))


def rate_series(series: RawSeries, *, source: str, place: str, shift_s: float = 0.0) -> RateSeries:
    """Turn a device's raw readings into a rate series; ``place`` names them in messages.

    ``shift_s`` is added to every time.
    """
    last_of_instant = np.append(np.diff(series.time_s) > 0, True)
    start_s = series.time_s[last_of_instant] + shift_s
    hr_bpm = series.values[last_of_instant]
    valued = np.isfinite(hr_bpm) & (hr_bpm > 0) & (hr_bpm != _NO_BYTE)
    if not valued.any():
        raise InputError(f"{place} holds no heart rate above zero")
    usual_bpm = float(np.median(hr_bpm[valued]))
    if not LEAST_USUAL_BPM <= usual_bpm <= MOST_USUAL_BPM:
        raise InputError(
            f"{place} holds {usual_bpm:g} in the median, which is no heart rate in beats per "
            "minute; choose its column, or convert it"
        )
    return RateSeries(
        source=source,
        start_s=start_s,
        end_s=held_until(start_s),
        hr_bpm=np.where(valued, hr_bpm, np.nan),
        confidence=np.full(hr_bpm.shape, np.nan),
        reason=np.where(valued, "", NO_VALUE) if not valued.all() else np.full(valued.shape, ""),
    )


def _rate_column(raw: RawFile, column: str | None, say: Say) -> int:
    names = [channel.name for channel in raw.channels]
    if column is not None:
        if column not in names:
            raise InputError(f"{raw.path} has no column {column!r}{suggestion(column, names)}")
        return names.index(column)
    found = [i for i in raw.signals if names[i].lower().strip().replace(" ", "_") in NAMES]
    found = found or (list(raw.signals) if len(raw.signals) == 1 else [])
    if len(found) != 1:
        what = "several columns that may be" if found else "no column that looks like"
        raise InputError(f"{raw.path} has {what} a heart rate; name one of {', '.join(names)}")
    say(f"{raw.path.name}: taking the heart rate from column {names[found[0]]!r}")
    return found[0]
