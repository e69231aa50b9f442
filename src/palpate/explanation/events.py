"""Heart-rate events: whether the wrist saw the rises and falls that the heart made.

A lifting set or a sprint is a rise of the reference and the fall after it. Mean errors
hide whether the wrist saw it at all; here every rise and fall is found in the reference
and looked for in the estimate.

Definitions
-----------
* The reference is cut into legs between turning points that differ by at least
  `MIN_HEIGHT_BPM`; smaller wiggles do not end a leg (the zigzag rule, as used for
  counting load cycles, ASTM E1049, from memory). Where it rests on the way, as on the steps of
  an exercise test, it is cut in the middle of the rest: the heart rises again after it.
* A leg's *event* is the part between 10 % and 90 % of its height (the rise time of
  IEEE Std 181, from memory). Legs slower than `MIN_PACE_BPM_PER_S` are drift, no events.
* At a shift in time, *seen* is the share of the event's height that the estimate climbs
  meanwhile, but no more than ``1 - 2 d / height``, ``d`` its mean absolute difference from
  the reference: 1 for an estimate that follows, 0.5 for one that climbs half as far, 0
  for one that stays where it is or is somewhere else. Running medians of three windows
  keep single wild windows out.
* *Late* is the shift, between `EARLIEST_S` and `LATEST_S`, at which most is seen; at `LATEST_S`
  it may be more.
* An event is *detected* if at least half of it is seen.

The numbers named above as constants are our own choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy import ndimage

from palpate.conditioning import interpolate, runs
from palpate.signals import FloatArray, IntArray
from palpate.validation import InputError

MIN_HEIGHT_BPM = 10.0
MIN_PACE_BPM_PER_S = 0.15
"""What a heart with a time constant of one minute still shows of a step by 10 bpm."""
REST_S, REST_PACE_BPM_PER_S = 60.0, 0.06
"""A leg rests where in this time it moves on more slowly; a heart that settles with a time
constant of a minute has 4 bpm left to go by then."""
SMOOTH_S = 10.0
EARLIEST_S, LATEST_S, SHIFT_STEP_S = -5.0, 20.0, 0.5
MAX_MISSING_SHARE = 0.25
DETECTED_SHARE = 0.5
MEDIAN_WINDOWS = 3

Kind = Literal["rise", "fall"]


@dataclass(frozen=True, slots=True)
class HeartRateEvent:
    """A rise or fall of the reference, its 10 to 90 % part.

    It reaches from the middle of the first window to that of the last, ``start_s`` to ``end_s``;
    both windows belong to it.
    ``from_bpm`` and ``to_bpm`` are the turning points before and after.
    """

    kind: Kind
    start_s: float
    middle_s: float
    end_s: float
    from_bpm: float
    to_bpm: float

    @property
    def height_bpm(self) -> float:
        """How far the rate moved, signed."""
        return self.to_bpm - self.from_bpm


@dataclass(frozen=True, slots=True)
class EventResponse:
    """What an estimate made of an event.

    ``seen_share`` is in 0..1; it is NaN, and ``detected`` is False, where more than a
    quarter of the event has no estimate. ``late_s`` is NaN where it was not detected.
    """

    event: HeartRateEvent
    detected: bool
    seen_share: float
    late_s: float


def heart_rate_events(time_s: FloatArray, hr_bpm: FloatArray) -> tuple[HeartRateEvent, ...]:
    """Find the rises and falls of a reference heart rate.

    Parameters
    ----------
    time_s
        Middle of each window, ``(n,)``, increasing.
    hr_bpm
        Reference, ``(n,)``; NaN where it is not trusted. A leg with more than a quarter
        of its windows undefined is left out.
    """
    if time_s.shape != hr_bpm.shape:
        raise InputError(f"there are {time_s.size} times but {hr_bpm.size} heart rates")
    known = np.flatnonzero(np.isfinite(hr_bpm))
    if known.size < 2:
        return ()
    turns = known[_with_rests(_turning_points(hr_bpm[known]), time_s[known], hr_bpm[known])]
    events = []
    for first, last in pairwise(turns.tolist()):
        leg = slice(first, last + 1)
        if np.isnan(hr_bpm[leg]).mean() <= MAX_MISSING_SHARE:
            event = _event(time_s[leg], hr_bpm[leg])
            if event is not None:
                events.append(event)
    return tuple(events)


def event_responses(
    events: tuple[HeartRateEvent, ...],
    time_s: FloatArray,
    hr_bpm: FloatArray,
    estimate_bpm: FloatArray,
) -> tuple[EventResponse, ...]:
    """Say for each event whether an estimate saw it, how much of it, and how late.

    ``time_s``, the reference ``hr_bpm`` in which the events were found, and
    ``estimate_bpm`` are ``(n,)``; NaN where undefined.
    """
    steady = _steady(estimate_bpm)
    return tuple(_response(event, time_s, hr_bpm, steady) for event in events)


def _turning_points(values: FloatArray) -> list[int]:
    """Return indices of alternating extremes at least `MIN_HEIGHT_BPM` apart."""
    turns = [0]
    low = high = 0
    direction = 0
    for i, value in enumerate(values.tolist()):
        if value > values[high]:
            high = i
        if value < values[low]:
            low = i
        if direction >= 0 and values[high] - value >= MIN_HEIGHT_BPM:
            turns.append(high)
            direction, low, high = -1, i, i
        elif direction <= 0 and value - values[low] >= MIN_HEIGHT_BPM:
            turns.append(low)
            direction, low, high = 1, i, i
    turns.append(high if direction > 0 else low if direction < 0 else len(values) - 1)
    return sorted(set(turns))


def _with_rests(turns: list[int], time_s: FloatArray, hr_bpm: FloatArray) -> list[int]:
    """Add the middle of every rest that parts a leg into two high enough to be legs."""
    count = max(1, round(SMOOTH_S / float(np.median(np.diff(time_s)))))
    smooth = ndimage.uniform_filter1d(hr_bpm, count, mode="nearest")
    cuts = list(turns)
    for first, last in pairwise(turns):
        onward = np.sign(hr_bpm[last] - hr_bpm[first])
        begun = first
        for middle in _rests(time_s[first : last + 1], onward * smooth[first : last + 1]).tolist():
            parts = onward * np.diff(hr_bpm[[begun, first + middle, last]])
            if parts.min() >= MIN_HEIGHT_BPM:
                begun = first + middle
                cuts.append(begun)
    return sorted(cuts)


def _rests(time_s: FloatArray, rising_bpm: FloatArray) -> IntArray:
    """Return the middle of every stretch all of which lies within a rest."""
    inside = (time_s >= time_s[0] + REST_S / 2.0) & (time_s <= time_s[-1] - REST_S / 2.0)
    before, after = (
        np.interp(time_s + side * REST_S / 2.0, time_s, rising_bpm) for side in (-1, 1)
    )
    slow = inside & (after - before < REST_PACE_BPM_PER_S * REST_S)
    first, end = runs(slow)
    return np.asarray((first + end - 1) // 2)


def _event(time_s: FloatArray, hr_bpm: FloatArray) -> HeartRateEvent | None:
    known = np.isfinite(hr_bpm)
    at_s, rate = time_s[known], hr_bpm[known]
    height = rate[-1] - rate[0]
    if abs(height) < MIN_HEIGHT_BPM:
        return None
    progress = (rate - rate[0]) / height
    begins = at_s[np.flatnonzero(progress <= 0.1)[-1]]
    ends = at_s[np.flatnonzero((progress >= 0.9) & (at_s > begins))[0]]
    if abs(height) * 0.8 / (ends - begins) < MIN_PACE_BPM_PER_S:
        return None
    return HeartRateEvent(
        kind="rise" if height > 0 else "fall",
        start_s=float(begins),
        middle_s=_crossing(at_s, progress, 0.5, begins),
        end_s=float(ends),
        from_bpm=float(rate[0]),
        to_bpm=float(rate[-1]),
    )


def _steady(estimate_bpm: FloatArray) -> FloatArray:
    """Return running medians of the defined estimates, NaN where there is none."""
    steady = np.full(estimate_bpm.shape, np.nan)
    known = np.isfinite(estimate_bpm)
    steady[known] = ndimage.median_filter(estimate_bpm[known], MEDIAN_WINDOWS, mode="nearest")
    return steady


def _response(
    event: HeartRateEvent, time_s: FloatArray, hr_bpm: FloatArray, estimate_bpm: FloatArray
) -> EventResponse:
    during = (time_s >= event.start_s) & (time_s <= event.end_s) & np.isfinite(hr_bpm)
    at_s, reference = time_s[during], hr_bpm[during]
    shifts_s = np.arange(EARLIEST_S, LATEST_S + SHIFT_STEP_S / 2, SHIFT_STEP_S)
    moved = interpolate(time_s, estimate_bpm, (at_s + shifts_s[:, np.newaxis]).ravel())
    moved = moved.reshape(shifts_s.size, at_s.size)
    enough = np.isnan(moved).mean(axis=1) <= MAX_MISSING_SHARE
    if not enough[shifts_s == 0.0].all() or at_s.size == 0:
        return EventResponse(event, False, float("nan"), float("nan"))
    seen = [_seen(shifted, reference, event.height_bpm) for shifted in moved[enough]]
    most = int(np.argmax(seen))
    detected = seen[most] >= DETECTED_SHARE
    late_s = float(shifts_s[enough][most]) if detected else float("nan")
    return EventResponse(event, detected, seen[most], late_s)


def _seen(estimate: FloatArray, reference: FloatArray, height_bpm: float) -> float:
    """Return the share of an event that an estimate, shifted in time, shows."""
    known = np.isfinite(estimate)
    estimate, reference = estimate[known], reference[known]
    near = 1.0 - 2.0 * float(np.abs(estimate - reference).mean()) / abs(height_bpm)
    climbed = (estimate[-1] - estimate[0]) / (reference[-1] - reference[0])
    return float(np.clip(min(near, climbed), 0.0, 1.0))


def _crossing(time_s: FloatArray, progress: FloatArray, level: float, after_s: float) -> float:
    """Return when ``progress`` first reaches ``level`` at or after ``after_s``, interpolated."""
    later = np.flatnonzero((progress >= level) & (time_s >= after_s))
    if later.size == 0:
        return float("nan")
    i = int(later[0])
    if i == 0 or progress[i - 1] >= level:
        return float(time_s[i])
    share = (level - progress[i - 1]) / (progress[i] - progress[i - 1])
    return float(time_s[i - 1] + share * (time_s[i] - time_s[i - 1]))
