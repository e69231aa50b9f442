"""Heart rate of a window from beat times.

Two definitions, because published figures use either and they differ by tenths of a beat:

``"counted"``
    The cycles that lie wholly inside the window over the time they span:
    ``60 * (n - 1) / (t_last - t_first)`` for the ``n`` beats in ``[start, end)``. This is
    how the reference of the IEEE Signal Processing Cup 2015 was made: number of cardiac
    cycles over their duration (Zhang, Pi & Liu 2015, IEEE Trans Biomed Eng 62:1902). It
    needs two beats.
``"mean_rr"``
    60 over the mean of the RR intervals that *end* in the window, as heart-rate
    variability tools attribute an interval to its second beat. The first of them may have
    begun before the window; it needs one beat in the window and one before it.

Conventions
-----------
* Seconds in, beats per minute out; windows are half-open ``[start, end)``.
* NaN where the definition has too few beats.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import ArrayLike

from palpate.conditioning.statistics import ratio
from palpate.signals import BoolArray, FloatArray, IntArray
from palpate.validation import InputError, checked_choice, checked_signal, checked_times


def window_heart_rate(
    beat_time_s: ArrayLike,
    start_s: ArrayLike,
    end_s: ArrayLike,
    *,
    method: str = "counted",
) -> FloatArray:
    """Return the heart rate in bpm of every window ``[start_s, end_s)``, shape ``(windows,)``.

    Parameters
    ----------
    beat_time_s
        ``(n,)`` beat times in seconds, sorted.
    start_s, end_s
        ``(windows,)`` seconds.
    method
        ``"counted"`` or ``"mean_rr"``; the module says what they mean.

    Raises
    ------
    InputError
        If the times are not sorted or finite, or the window edges do not pair up.
    """
    beats = checked_times(beat_time_s, "beat_time_s")
    starts, ends = checked_signal(start_s, "start_s"), checked_signal(end_s, "end_s")
    if starts.shape != ends.shape:
        raise InputError(f"there are {starts.size} window starts but {ends.size} ends")
    rate = _RATES[checked_choice(method, _RATES, "method")]
    first, last = beats_per_window(beats, starts, ends)
    with np.errstate(divide="ignore", invalid="ignore"):
        bpm = rate(beats, first, last)
    return np.where(np.isfinite(bpm), bpm, np.nan)


def beats_per_window(
    beat_time_s: FloatArray, start_s: FloatArray, end_s: FloatArray
) -> tuple[IntArray, IntArray]:
    """Return the index of the first beat in each window and of the first one past it."""
    first = np.searchsorted(beat_time_s, start_s, side="left")
    return first, np.maximum(np.searchsorted(beat_time_s, end_s, side="left"), first)


def count_between(where: BoolArray, low: IntArray, high: IntArray) -> IntArray:
    """How many of ``where[low:high]`` are True per window; 0 where ``high <= low``."""
    return np.asarray(_sum_between(where.astype(np.float64), low, high), dtype=np.intp)


def mean_between(values: FloatArray, low: IntArray, high: IntArray) -> FloatArray:
    """Mean of ``values[low:high]`` per window; NaN where that is empty."""
    return ratio(_sum_between(values, low, high), (high - low).astype(np.float64))


def _sum_between(values: FloatArray, low: IntArray, high: IntArray) -> FloatArray:
    total = np.concatenate(([0.0], np.cumsum(values)))
    first = np.minimum(low, values.size)
    return np.asarray(total[np.clip(high, first, values.size)] - total[first])


def _counted(beats: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    return _rate_between(beats, first, last - 1)


def _mean_rr(beats: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    return _rate_between(beats, np.where(last > first, np.maximum(first - 1, 0), first), last - 1)


def _rate_between(beats: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Rate of the cycles from beat ``first`` to beat ``last``; NaN where there is none."""
    if beats.size < 2:
        return np.full(first.shape, np.nan)
    cycles = last - first
    span_s = beats[np.clip(last, 0, beats.size - 1)] - beats[np.clip(first, 0, beats.size - 1)]
    return np.where(cycles > 0, 60.0 * cycles / span_s, np.nan)


_RATES: Mapping[str, Callable[[FloatArray, IntArray, IntArray], FloatArray]] = MappingProxyType(
    {"counted": _counted, "mean_rr": _mean_rr}
)
