"""Which RR intervals are not a normal sinus step: ectopic, missed, extra, long or short.

Lipponen & Tarvainen 2019, "A robust algorithm for heart rate variability time series
artefact correction using novel beat classification", J Med Eng Technol 43:173. Each step
between successive intervals and each interval's distance from its local median is divided
by a threshold that follows the recording's own variability; the pattern of neighbouring
steps then tells the kinds apart. Where many beats are extra, the recording's own variability
hides each of them: `beats_in_between` asks a beat's own neighbours instead.

Conventions
-----------
* Interval ``i`` ends at beat ``i``; beat 0 ends none. A label belongs to the interval that
  ends at its beat.
* Labels mark; nothing is deleted, inserted or moved.

Deviations from the paper
-------------------------
* A threshold never falls below 10 ms, so that a metronome's single missed beat is seen and
  the sampling clock's own step is not.
* The interval before the first beat is unknown and stands at the median of all.
* The last two intervals have too few successors to be told apart and stay ``"normal"``.
* *Long or short* is split into ``"long"`` and ``"short"`` by the sign of the distance from
  the local median.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import ArrayLike

from palpate.signals import BoolArray, FloatArray, StrArray
from palpate.validation import checked_times

LABELS = ("normal", "ectopic", "missed", "extra", "long", "short")

# The paper's constants.
_ALPHA = 5.2
_QUARTILE_WIDTH = 91
_MEDIAN_WIDTH = 11
_SLOPE = 0.13
_INTERCEPT = 0.17
_FAR = 3.0

# One sample at 100 Hz, the lowest rate that the detectors accept.
_MIN_THRESHOLD_S = 0.010
_CHUNK = 4096

# Own choices. A rhythm is regular where three quarters of the four intervals on either side lie
# near their median: so much is left of it between two artefacts, and little in fibrillation.
_BESIDE = 4
_MOST = 6
_NEAR = 0.15


@dataclass(frozen=True, slots=True, eq=False)
class RRClasses:
    """What kind each RR interval is.

    Parameters
    ----------
    rr_s
        ``(n,)`` seconds from the beat before; NaN for the first.
    label
        ``(n,)`` one of ``LABELS``.
    """

    rr_s: FloatArray
    label: StrArray

    @property
    def marked(self) -> BoolArray:
        """``(n,)`` True where the interval is anything but normal."""
        return np.asarray(self.label != "normal")

    def counts(self) -> dict[str, int]:
        """Return how many intervals carry each label."""
        return {name: int(np.count_nonzero(self.label == name)) for name in LABELS}


@dataclass(frozen=True, slots=True, eq=False)
class _Features:
    """The paper's per-interval quantities, each ``(n,)``."""

    rr: FloatArray
    median: FloatArray
    step: FloatArray  # dRR over its threshold
    offset: FloatArray  # mRR over its threshold
    offset_threshold: FloatArray
    beside: FloatArray  # S12: the neighbouring step that opposes this one least
    ahead: FloatArray  # S22: the next two steps that oppose this one least


def classify_rr(beat_time_s: ArrayLike) -> RRClasses:
    """Label the RR interval that ends at each beat.

    Parameters
    ----------
    beat_time_s
        ``(n,)`` seconds, sorted.

    Returns
    -------
    RRClasses
        ``rr_s`` and ``label``, both ``(n,)``.

    Raises
    ------
    InputError
        If the times are not finite and sorted.
    """
    beats = checked_times(beat_time_s, "beat_time_s")
    label = np.full(beats.shape, "normal", dtype=f"<U{max(map(len, LABELS))}")
    rr_s = np.full(beats.shape, np.nan)
    rr_s[1:] = np.diff(beats)
    if beats.size >= 4:
        _label_steps(_features(rr_s), label)
    return RRClasses(rr_s, label)


def beats_in_between(beat_time_s: FloatArray) -> BoolArray:
    """Return which beats part an interval of an otherwise regular rhythm in two, ``(n,)``.

    Without such a beat the rhythm would go on as if nothing had been there: it is an artefact,
    or one of the rare ectopic beats that leave the rhythm alone.
    """
    rr_s = np.diff(beat_time_s)
    found = np.zeros(beat_time_s.shape, dtype=np.bool_)
    if rr_s.size <= 2 * _BESIDE:
        return found
    rows = sliding_window_view(np.pad(rr_s, _BESIDE, mode="reflect"), 2 * _BESIDE + 2)
    pair_s = rows[:, _BESIDE] + rows[:, _BESIDE + 1]
    others_s = np.delete(rows, (_BESIDE, _BESIDE + 1), axis=1)
    usual_s = np.median(others_s, axis=1, keepdims=True)
    near = np.abs(others_s - usual_s) <= _NEAR * usual_s
    regular = near.sum(axis=1) >= _MOST
    found[1:-1] = regular & (np.abs(pair_s - usual_s[:, 0]) <= _NEAR * usual_s[:, 0])
    return found


def _features(rr_s: FloatArray) -> _Features:
    rr = rr_s.copy()
    rr[0] = np.median(rr[1:])
    step = np.diff(rr, prepend=rr[0])
    step = step / _threshold(step)
    median = _rolling_quantile(rr, _MEDIAN_WIDTH, 0.5)
    offset = rr - median
    offset[offset < 0] *= 2.0
    offset_threshold = _threshold(offset)
    before, after, second = (
        np.pad(step, 2, mode="reflect")[2 + d : 2 + d + step.size] for d in (-1, 1, 2)
    )
    beside = np.where(step > 0, np.maximum(before, after), np.minimum(before, after))
    ahead = np.where(step >= 0, np.minimum(after, second), np.maximum(after, second))
    return _Features(rr, median, step, offset / offset_threshold, offset_threshold, beside, ahead)


def _label_steps(features: _Features, label: StrArray) -> None:
    """Follow the paper's decision chart over the steps that exceed their threshold."""
    step, beside = features.step, features.beside
    large = np.abs(step) > 1
    opposed = (step > 0) & (beside < -_SLOPE * step - _INTERCEPT)
    opposed |= (step < 0) & (beside > -_SLOPE * step + _INTERCEPT)
    done = 0
    for i in np.flatnonzero(large[:-2]).tolist():
        if i < done:
            continue
        if opposed[i]:
            label[i] = "ectopic"
            continue
        pair = abs(step[i + 1]) < abs(step[i + 2])
        for j in (i, i + 1) if pair else (i,):
            label[j] = _long_or_short(features, j)
        done = i + 1 + pair


def _long_or_short(features: _Features, j: int) -> str:
    rr, median, limit = features.rr, features.median[j], features.offset_threshold[j]
    longer = features.step[j] > 1 and features.ahead[j] < -1
    shorter = features.step[j] < -1 and features.ahead[j] > 1
    if not (longer or shorter or abs(features.offset[j]) > _FAR):
        return "normal"
    if shorter and abs(rr[j] + rr[j + 1] - median) < limit:
        return "extra"
    if longer and abs(rr[j] / 2.0 - median) < limit:
        return "missed"
    return "long" if rr[j] >= median else "short"


def _threshold(values: FloatArray) -> FloatArray:
    size = np.abs(values)
    low, high = (_rolling_quantile(size, _QUARTILE_WIDTH, q) for q in (0.25, 0.75))
    return np.maximum(_ALPHA * (high - low) / 2.0, _MIN_THRESHOLD_S)


def _rolling_quantile(values: FloatArray, width: int, q: float) -> FloatArray:
    """Quantile of the ``width`` values around each one, of those that exist at the ends."""
    half = width // 2
    around = sliding_window_view(np.pad(values, half, constant_values=np.nan), width)
    index = np.arange(values.size)
    place = q * (np.minimum(index, half) + np.minimum(index[::-1], half))
    below = place.astype(np.intp)
    result = np.empty(values.size)
    for chunk in range(0, values.size, _CHUNK):
        rows = slice(chunk, chunk + _CHUNK)
        ordered = np.sort(around[rows], axis=1)  # NaN sorts last
        line = np.arange(ordered.shape[0])
        low = ordered[line, below[rows]]
        high = ordered[line, np.ceil(place[rows]).astype(np.intp)]
        result[rows] = low + (place[rows] - below[rows]) * (high - low)
    return result
