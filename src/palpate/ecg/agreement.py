"""Whether two detectors mark the same beats.

The share of beats that both mark is the quality index bSQI (Li, Mark & Clifford 2008,
"Robust heart rate estimation from multiple asynchronous noisy sources using signal quality
indices and a Kalman filter", Physiol Meas 29:15).

Conventions
-----------
* Marks are sorted seconds; windows are half-open ``[start, end)``.

Deviations from the paper
-------------------------
* Marks match within 75 ms; the usual 150 ms is close to half an interval at high rates.
"""

from __future__ import annotations

import numpy as np

from palpate.conditioning.statistics import ratio
from palpate.ecg.rate import beats_per_window, count_between
from palpate.signals import BoolArray, FloatArray

MATCH_S = 0.075
"""Marks this close mean the same complex: half the width of a broad ventricular one."""


def marked_near(time_s: FloatArray, marks_s: FloatArray) -> BoolArray:
    """Tell which times have one of the sorted marks within ``MATCH_S``."""
    if marks_s.size == 0:
        return np.zeros(time_s.shape, dtype=np.bool_)
    after = np.searchsorted(marks_s, time_s)
    left = np.abs(time_s - marks_s[np.maximum(after - 1, 0)])
    right = np.abs(time_s - marks_s[np.minimum(after, marks_s.size - 1)])
    return np.asarray(np.minimum(left, right) <= MATCH_S)


def shared_beats(
    first_s: FloatArray, second_s: FloatArray, start_s: FloatArray, end_s: FloatArray
) -> FloatArray:
    """Share of the beats in each window that both detectors mark, of all that either does.

    A beat that both mark is where the first has it, so that none is half inside a window.
    NaN where there is no beat at all.
    """
    low, high = beats_per_window(first_s, start_s, end_s)
    both = count_between(marked_near(first_s, second_s), low, high)
    lonely = ~marked_near(second_s, first_s)
    alone = count_between(lonely, *beats_per_window(second_s, start_s, end_s))
    return ratio(both.astype(np.float64), (high - low + alone).astype(np.float64))
