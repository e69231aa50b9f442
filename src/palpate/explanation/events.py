"""Heart-rate events: whether the wrist saw the rises and falls that the heart made.

A lifting set or a sprint is a rise of the reference and the fall after it. Mean errors
hide whether the wrist saw it at all; here every rise and fall is found in the reference
and looked for in the estimate.

Definitions
-----------
* The reference is cut into legs between turning points that differ by at least
  `MIN_HEIGHT_BPM`; smaller wiggles do not end a leg (the zigzag rule, as used for
  counting load cycles, ASTM E1049, from memory).
* A leg's *event* is the part between 10 % and 90 % of its height (the rise time of
  IEEE Std 181, from memory). Legs slower than `MIN_PACE_BPM_PER_S` are drift, no events.
* *Seen* is the largest move of the estimate, in the event's direction, from its own
  level at the event's start until `MAX_LATE_S` after the event's end, as a share of the
  event's height; running medians of three windows keep single wild windows out.
* An event is *detected* if at least half of it is seen and the estimate ends nearer to
  the event's end than to its start.
* *Late* is when the estimate crosses the event's middle level, less when the reference
  does.

The numbers named above as constants are our own choice.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy import ndimage

from palpate.signals import FloatArray
from palpate.validation import InputError

MIN_HEIGHT_BPM = 10.0
MIN_PACE_BPM_PER_S = 0.15
"""What a heart with a time constant of one minute still shows of a step by 10 bpm."""
MAX_LATE_S = 20.0
MAX_MISSING_SHARE = 0.25
MEDIAN_WINDOWS = 3

Kind = Literal["rise", "fall"]


@dataclass(frozen=True, slots=True)
class HeartRateEvent:
    """A rise or fall of the reference over ``[start_s, end_s)``, its 10 to 90 % part.

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

    ``seen_share`` is 0 for no move or one the other way, and may exceed 1; it is NaN,
    and ``detected`` is False, where more than a quarter of the windows have no
    estimate. ``late_s`` is NaN where the event was not detected.
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
    turns = known[_turning_points(hr_bpm[known])]
    events = []
    for first, last in pairwise(turns.tolist()):
        leg = slice(first, last + 1)
        if np.isnan(hr_bpm[leg]).mean() <= MAX_MISSING_SHARE:
            event = _event(time_s[leg], hr_bpm[leg])
            if event is not None:
                events.append(event)
    return tuple(events)


def event_responses(
    events: tuple[HeartRateEvent, ...], time_s: FloatArray, estimate_bpm: FloatArray
) -> tuple[EventResponse, ...]:
    """Say for each event whether an estimate saw it, how much of it, and how late.

    ``time_s`` and ``estimate_bpm`` are ``(n,)``; NaN where there is no estimate.
    """
    return tuple(_response(event, time_s, estimate_bpm) for event in events)


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


def _response(event: HeartRateEvent, time_s: FloatArray, estimate_bpm: FloatArray) -> EventResponse:
    inside = (time_s >= event.start_s) & (time_s <= event.end_s + MAX_LATE_S)
    at_s, estimate = time_s[inside], estimate_bpm[inside]
    known = np.isfinite(estimate)
    if not known.any() or 1.0 - known.mean() > MAX_MISSING_SHARE:
        return EventResponse(event, False, float("nan"), float("nan"))
    steady = ndimage.median_filter(estimate[known], MEDIAN_WINDOWS, mode="nearest")
    progress = (steady - event.from_bpm) / event.height_bpm
    moved = progress - progress[0]
    seen = max(float(moved.max()), 0.0)
    detected = seen >= 0.5 and float(progress[moved.argmax()]) >= 0.5
    late = (
        _crossing(at_s[known], progress, 0.5, event.start_s) - event.middle_s
        if detected
        else float("nan")
    )
    return EventResponse(event, detected, seen, late)


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
