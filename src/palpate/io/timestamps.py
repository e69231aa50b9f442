"""Time columns: from text to seconds, and from seconds to a uniform sampling grid.

Conventions
-----------
* Numbers are elapsed seconds, or milliseconds where the column's name ends in ``ms``.
  Numbers of 1e8 and more are Unix time (1e8 s is March 1973); their size tells s, ms,
  µs or ns. ``time_unit`` in the sheet overrules this.
* Text is ISO 8601, with or without zone, or a time of day ``hh:mm:ss`` that may pass
  midnight and starts on a day of the year 1, which nobody means (`placing` compares
  it with other times of day only). Stamps with and without zone must not be mixed.
* Local times follow the clock on the wall; its change to or from summer time is taken out.
* Elapsed times keep their zero; absolute times count from the first stamp.
* A uniform signal's rate is the slope of stamp against sample number, counted across
  gaps; a sample goes to the nearest slot, and slots that nothing fell into are NaN.
  Jitter below half a sampling interval therefore makes no gap.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from palpate.conditioning import runs
from palpate.io.daylight import without_daylight_jumps
from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError, checked_rate

SCALE_S = {
    **{"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9},
    **{"unix_s": 1.0, "unix_ms": 1e-3, "unix_us": 1e-6, "unix_ns": 1e-9},
}
UNIX_FROM = ((1e17, "unix_ns"), (1e14, "unix_us"), (1e11, "unix_ms"), (1e8, "unix_s"))
DAY_S = 86400.0
NO_YEAR = 1
"""The year of a start of which only the time of day is known."""
# More than this share of samples in an occupied slot is no uniform signal (common practice).
MAX_COLLISIONS = 0.01
# A fit of 256 stamps is exact enough to number 512, whatever their jitter.
FIRST_FIT = 256
# Steps from here on are gaps: two neighbours with jitter are less than two steps apart.
GAP_STEPS = 2.5
# Instants closer than this share of a sample are the same: rounding, not time.
SAME_INSTANT = 0.01
# A declared rate and the stamps may differ by this much, and by no more.
RATE_TOLERANCE = 0.02
# Beyond this many empty slots per sample the gap is a wrong stamp rather than a pause.
MAX_SLOTS_PER_SAMPLE = 20
SPARE_SLOTS = 1_000_000
_MS_NAME = re.compile(r"(^|[^a-z])(ms|msec|millis|milliseconds)\W*$", re.IGNORECASE)
_CLOCK = re.compile(r"^\d{1,2}:\d{2}(:\d{2}([.,]\d+)?)?$")


@dataclass(frozen=True, slots=True, eq=False)
class Timeline:
    """Stamps in file seconds ``(n,)``, and when file second 0 was (None: not said).

    Of a time of day the date is the first of January of `NO_YEAR`.

    ``n_clock_changes`` counts the changes to or from summer time that were taken out.
    """

    time_s: FloatArray
    start_time: datetime | None
    n_clock_changes: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """A rate, the file second of slot 0, and each sample's slot ``(n,)``, non-decreasing."""

    fs_hz: float
    start_s: float
    slot: IntArray

    @property
    def n_slots(self) -> int:
        """How many instants the grid has."""
        return int(self.slot[-1]) + 1


def time_kind(first: str, column: str) -> str:
    """Return how to read a time column from its first cell and its name."""
    try:
        number = abs(float(first))
    except ValueError:
        return "clock" if _CLOCK.match(first.strip()) else "iso8601"
    for least, kind in UNIX_FROM:
        if number >= least:
            return kind
    return "ms" if _MS_NAME.search(column) else "s"


def stamps_s(cells: Sequence[str], kind: str) -> FloatArray:
    """Return a number of seconds per cell; ValueError where a cell is no time.

    ISO 8601 stamps without zone are read as UTC; `has_zone` tells them apart.
    """
    if kind in SCALE_S:
        return np.array(list(map(float, cells)), dtype=np.float64) * SCALE_S[kind]
    if kind == "clock":
        return np.array([_clock_s(cell) for cell in cells], dtype=np.float64)
    return np.array([_iso_s(cell) for cell in cells], dtype=np.float64)


def has_zone(cell: str, kind: str) -> bool:
    """Return whether a stamp says where on earth it holds."""
    if kind != "iso8601":
        return kind.startswith("unix")
    tail = cell.strip()[10:]  # past the date, whose dashes are no offset
    return tail.endswith(("Z", "z")) or "+" in tail or "-" in tail


def timeline(stamp_s: FloatArray, kind: str, *, zoned: bool) -> Timeline:
    """Turn stamps into file seconds: absolute ones count from the first."""
    if kind in ("s", "ms", "us", "ns"):
        return Timeline(stamp_s, None)
    start = datetime.fromtimestamp(float(stamp_s[0]), UTC)
    if zoned:
        return Timeline(stamp_s - stamp_s[0], start)
    if kind == "clock":
        midnights = np.cumsum(np.diff(stamp_s, prepend=stamp_s[:1]) < -DAY_S / 2)
        stamp_s = stamp_s + DAY_S * midnights
    stamp_s, jumps_s = without_daylight_jumps(stamp_s)
    start = start.replace(tzinfo=None)
    if kind == "clock":
        start = start.replace(year=NO_YEAR, month=1, day=1)
    return Timeline(stamp_s - stamp_s[0], start, int(jumps_s.size))


def uniform_grid(time_s: FloatArray, rate_hz: float | None, place: str) -> Grid:
    """Find the uniform grid that stamps lie on.

    ``place`` names file and column in messages. A declared ``rate_hz`` is only checked:
    the stamps know better what the device's clock did.
    """
    if time_s.size < 2:
        raise InputError(f"{place} holds fewer than two stamps, so it gives no rate")
    step_s, first_s = _fitted_grid(time_s, place)
    fs_hz = checked_rate(_whole_rate(1.0 / step_s, time_s), f"the rate from {place}")
    if rate_hz is not None and abs(fs_hz / rate_hz - 1.0) > RATE_TOLERANCE:
        raise InputError(
            f"{place} runs at {fs_hz:.6g} Hz but the sheet says rate_hz = {rate_hz:g}; "
            "correct one of them"
        )
    slots = (time_s[-1] - time_s[0]) * fs_hz + 1.0
    if slots > MAX_SLOTS_PER_SAMPLE * time_s.size + SPARE_SLOTS:
        widest = int(np.argmax(np.diff(time_s)))
        raise InputError(
            f"{place} jumps from {time_s[widest]:g} to {time_s[widest + 1]:g} s; correct the "
            "stamp or split the file"
        )
    slot = np.round((time_s - first_s) * fs_hz).astype(np.intp)
    _check_collisions(slot, place)
    start_s = first_s + float(slot[0]) / fs_hz
    exact = abs(start_s - time_s[0]) * fs_hz < SAME_INSTANT
    return Grid(fs_hz, float(time_s[0]) if exact else start_s, slot - slot[0])


def _fitted_grid(time_s: FloatArray, place: str) -> tuple[float, float]:
    """Return the sampling interval and the instant of slot 0 by least squares.

    The fit begins with a short stretch without gaps, and doubles the number of stamps as
    its own slope becomes exact enough to number more of them.
    """
    steps = np.diff(time_s)
    moving = steps[steps > 0]
    if moving.size == 0:
        raise InputError(f"{place} never advances; give rate_hz instead of a time column")
    usual = np.median(moving)
    step_s = float(moving[np.abs(moving - usual) <= 0.5 * usual].mean())
    first, end = runs(steps < GAP_STEPS * usual)
    longest = int(np.argmax(end - first))
    stretch = time_s[first[longest] : min(first[longest] + FIRST_FIT, end[longest] + 1)]
    step_s, first_s = _line(stretch, _step_of_clearest_beat(stretch, step_s))
    count = min(FIRST_FIT, time_s.size)
    while True:
        step_s, first_s = _line(time_s[:count], step_s)
        if count == time_s.size:
            return step_s, first_s
        count = min(2 * count, time_s.size)


def _step_of_clearest_beat(time_s: FloatArray, step_s: float) -> float:
    """Return the interval near ``step_s`` at which the stamps, as a spike train, beat most.

    The peak of the spike train's periodogram: jitter lowers it but does not move it.
    """
    turns = (time_s - time_s[0]) / step_s
    rates = 1.0 + np.arange(-RATE_TOLERANCE, RATE_TOLERANCE, 0.1 / max(turns[-1], 1.0))
    clarity = np.abs(np.exp(2j * np.pi * rates[:, np.newaxis] * turns).mean(axis=1))
    return step_s / float(rates[np.argmax(clarity)])


def _line(time_s: FloatArray, step_s: float) -> tuple[float, float]:
    """Number stamps by ``step_s`` and return slope and intercept of stamp against number."""
    turns = (time_s - time_s[0]) / step_s
    # The mean direction on a circle of one step: no single stamp's jitter sets the phase.
    phase = float(np.angle(np.exp(2j * np.pi * turns).mean())) / (2.0 * np.pi)
    index = np.round(turns - phase)
    centred = index - index.mean()
    spread = float(centred @ centred)
    if spread > 0:
        step_s = float(centred @ time_s) / spread
    return step_s, float(time_s.mean() - step_s * index.mean())


def _whole_rate(fs_hz: float, time_s: FloatArray) -> float:
    """Return the whole number that is meant, if it fits all stamps as well."""
    whole = float(round(fs_hz))
    return whole if abs(fs_hz - whole) * (time_s[-1] - time_s[0]) < SAME_INSTANT else fs_hz


def _check_collisions(slot: IntArray, place: str) -> None:
    share = float(np.mean(np.diff(slot) <= 0))
    if share > MAX_COLLISIONS:
        raise InputError(
            f"{place} is too irregular for a uniform signal ({100 * share:.0f} % of the samples "
            "share a sampling instant); give rate_hz and leave out time"
        )


def _clock_s(cell: str) -> float:
    """Return the seconds of ``hh:mm:ss``; two numbers alone may be minutes and seconds."""
    hours, minutes, seconds = cell.strip().replace(",", ".").split(":")
    past_hour_s = 60.0 * int(minutes) + float(seconds)
    if int(minutes) >= 60 or not 0.0 <= float(seconds) < 61.0:  # a leap second is the 61st
        raise ValueError
    return 3600.0 * int(hours) + past_hour_s


def _iso_s(cell: str) -> float:
    moment = datetime.fromisoformat(cell.strip())
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()
