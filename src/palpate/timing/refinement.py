"""From a rough line of lag against time to offset and drift with intervals.

The reference is laid on the recording's samples along the rough line, and each segment is
correlated with its surroundings at the full rate. Their evidence is pooled once more,
which decides between peaks that one segment alone could mistake (a step or a beat
further). Each segment's own peak next to the pooled one, set between samples by a
parabola, gives its lag. A straight line through these lags is the clock: weights are
``r**2 / (1 - r**2)``, the inverse variance of a delay estimate up to a factor (Carter
1987, Proc IEEE 75:236).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from palpate.conditioning import vertex_shift
from palpate.signals import FloatArray, IntArray
from palpate.timing.consensus import best_shear, chance_of, rivals_of, slopes_to_try
from palpate.timing.curves import FLAT, MAX_CORRELATION, evidence
from palpate.timing.lines import RobustLine, robust_line
from palpate.timing.records import ClockPiece, Trace

LEAST_SPREAD_SAMPLES = 0.02
"""No delay is read off a correlation peak more finely than this (own choice)."""
SHARED_ERROR_SAMPLES = 0.25
"""Error of a lag that all segments share, which no averaging removes (own choice)."""
MIN_CORRELATION = 0.2
"""A segment below this has no peak of its own worth fitting (own choice)."""
MAX_SEGMENTS = 240
"""More segments than this would only cost time (own choice)."""


@dataclass(frozen=True, slots=True)
class RoughLine:
    """``lag_s`` at recording second ``at_s`` and drift, with how far either may be off."""

    at_s: float
    lag_s: float
    drift: float
    lag_reach_s: float
    drift_reach: float

    def lag_at(self, recording_s: FloatArray) -> FloatArray:
        """Return the lag at recording seconds ``(n,)``."""
        return self.lag_s + self.drift * (recording_s - self.at_s)


@dataclass(frozen=True, slots=True)
class Refined:
    """A piece of clock, and how sure the fine view is of it.

    ``p_value`` is how likely chance gives such a peak within reach; ``decided`` (0..1)
    and the rival lags are as in `consensus.rivals_of`.
    """

    piece: ClockPiece
    p_value: float
    decided: float
    rivals_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Pooled:
    """Where the pooled peak lies in each row, ``(k,)`` columns, and how sure it is."""

    expected: FloatArray
    p_value: float
    decided: float
    rivals: list[int]


def refine(
    reference: Trace,
    recording: Trace,
    rough: RoughLine,
    span_s: tuple[float, float],
    *,
    segment_s: float,
) -> Refined | None:
    """Fit the clock over ``span_s`` recording seconds near a rough line.

    Both traces must have one rate. None where fewer than three segments have anything to
    compare.
    """
    fs_hz = recording.fs_hz
    first, width = _segments(recording, span_s, segment_s)
    reach = int(np.ceil(rough.lag_reach_s * fs_hz))
    if first.size < 3:
        return None
    time_s: FloatArray = np.asarray(recording.start_s + (first + width / 2.0) / fs_hz)
    rows = _local_curves(
        _laid_on(reference, recording, rough), recording.values, first, width, reach
    )
    pooled = _pooled(rows, time_s, rough.drift_reach, fs_hz)
    place, height = _own_peaks(rows, pooled.expected)
    usable = height >= MIN_CORRELATION
    if np.count_nonzero(usable) < 3:
        return None
    lag_s = (place - reach) / fs_hz + rough.lag_at(time_s)
    held = np.minimum(height[usable], MAX_CORRELATION)
    line = robust_line(
        time_s[usable],
        lag_s[usable],
        np.square(held) / (1.0 - np.square(held)),
        least_spread_s=LEAST_SPREAD_SAMPLES / fs_hz,
    )
    piece = piece_of(
        line,
        span_s,
        correlation=float(np.median(height[usable][line.agreeing])),
        segments=time_s.size,
        shared_error_s=SHARED_ERROR_SAMPLES / fs_hz,
    )
    middle_s = rough.lag_s + rough.drift * (sum(span_s) / 2.0 - rough.at_s)
    rivals_s = tuple(middle_s + (lag - reach) / fs_hz for lag in pooled.rivals)
    return Refined(piece, pooled.p_value, pooled.decided, rivals_s)


def _segments(
    recording: Trace, span_s: tuple[float, float], segment_s: float
) -> tuple[IntArray, int]:
    width = round(segment_s * recording.fs_hz)
    low, high = (round((edge - recording.start_s) * recording.fs_hz) for edge in span_s)
    last = min(high, recording.values.size) - width
    low = max(low, 0)
    if last < low:
        return np.empty(0, dtype=np.intp), width
    count = min((last - low) // width + 1, MAX_SEGMENTS)
    return np.unique(np.linspace(low, last, count).astype(np.intp)), width


def _laid_on(reference: Trace, recording: Trace, rough: RoughLine) -> FloatArray:
    """Return the reference at the recording's samples along the rough line, ``(m,)``."""
    time_s = recording.times_s()
    at_s = time_s + rough.lag_at(time_s)
    return np.interp(at_s, reference.times_s(), reference.values, left=np.nan, right=np.nan)


def _local_curves(
    reference: FloatArray, recording: FloatArray, first: IntArray, width: int, reach: int
) -> FloatArray:
    """Return each segment's correlation at lags ``-reach..reach``, ``(k, 2 * reach + 1)``.

    Missing samples of either are left out by standing at the mean.
    """
    padded = np.pad(reference, reach, constant_values=np.nan)
    around = _centred(padded[first[:, np.newaxis] + np.arange(width + 2 * reach)])
    segment = _centred(recording[first[:, np.newaxis] + np.arange(width)])
    size = fft.next_fast_len(width + 2 * reach, real=True)
    product = fft.irfft(fft.rfft(around, size) * np.conj(fft.rfft(segment, size)), size)
    lags = 2 * reach + 1
    sums, squares = (
        np.concatenate((np.zeros((first.size, 1)), np.cumsum(part, axis=1)), axis=1)
        for part in (around, np.square(around))
    )
    total = sums[:, width:] - sums[:, :-width]
    energy = squares[:, width:] - squares[:, :-width] - np.square(total) / width
    own = np.square(segment).sum(axis=1, keepdims=True)
    floor = FLAT * (np.nanvar(reference) * np.nanvar(recording) * width**2 + 1e-300)
    power = energy * own
    alive = power > floor
    return np.where(alive, product[:, :lags], 0.0) / np.sqrt(np.where(alive, power, 1.0))


def _centred(rows: FloatArray) -> FloatArray:
    good = np.isfinite(rows)
    count = np.maximum(good.sum(axis=1, keepdims=True), 1)
    mean = np.where(good, rows, 0.0).sum(axis=1, keepdims=True) / count
    return np.where(good, rows - mean, 0.0)


def _pooled(rows: FloatArray, time_s: FloatArray, drift_reach: float, fs_hz: float) -> _Pooled:
    strength = evidence(rows)
    centre = (time_s - time_s.mean()) * fs_hz
    slopes = slopes_to_try(centre, drift_reach)
    moved, slope, place = best_shear(strength, centre, slopes)
    chance = chance_of(strength, np.ones(rows.shape, dtype=np.bool_))
    p_value = chance.p_value(float(moved[:, place].sum()), tries=len(slopes))
    decided, rivals = rivals_of(moved, place, base=float(np.median(moved.sum(axis=0))))
    return _Pooled(place + slope * centre, p_value, decided, rivals)


def _own_peaks(rows: FloatArray, expected: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Climb from the expected column to each row's own peak; return column and height."""
    last = rows.shape[1] - 1
    index = np.arange(rows.shape[0])
    place = np.clip(np.round(expected).astype(np.intp), 0, last)
    for _ in range(rows.shape[1]):
        left, right = np.maximum(place - 1, 0), np.minimum(place + 1, last)
        here, before, after = rows[index, place], rows[index, left], rows[index, right]
        step = np.where((after > here) & (after >= before), 1, np.where(before > here, -1, 0))
        if not step.any():
            break
        place = np.clip(place + step, 0, last)
    inner = np.clip(place, 1, last - 1)
    before, here, after = (rows[index, inner + d] for d in (-1, 0, 1))
    inside = (place > 0) & (place < last)
    return inner + vertex_shift(before, here, after), np.where(inside, here, 0.0)


def piece_of(
    line: RobustLine,
    span_s: tuple[float, float],
    *,
    correlation: float,
    segments: int,
    shared_error_s: float,
) -> ClockPiece:
    """Return the piece of clock that a line of lags describes over ``span_s``."""
    half_s = line.offset_half_s + shared_error_s
    return ClockPiece(
        start_s=span_s[0],
        end_s=span_s[1],
        offset_s=line.offset_s,
        drift_ppm=line.drift * 1e6,
        offset_interval_s=(line.offset_s - half_s, line.offset_s + half_s),
        drift_interval_ppm=(
            (line.drift - line.drift_half) * 1e6,
            (line.drift + line.drift_half) * 1e6,
        ),
        correlation=correlation,
        agreeing=int(np.count_nonzero(line.agreeing)),
        segments=segments,
    )
