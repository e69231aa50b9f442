"""The heart rate between any two moments, from beats: what a source would show if it were late.

Cycles are counted with fractions: a moment between two beats lies that share of the way
from one to the next. So the rate of a span that is moved by a little moves by a little.
"""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray

LONGEST_RR_S = 3.0
"""Below 20 bpm beats were missed, and the cycles between are not counted (own choice)."""
LEAST_PART = 0.5


def rate_between(beat_time_s: FloatArray, start_s: FloatArray, end_s: FloatArray) -> FloatArray:
    """Return the mean rate in bpm of each ``[start_s, end_s)``, same shape.

    A span that reaches beyond the first or last beat is judged by the part between them, if
    that is at least half of it. NaN if not, and where beats are missing in between.
    """
    if beat_time_s.size < 2:
        return np.full(start_s.shape, np.nan)
    asked_s = end_s - start_s
    start_s, end_s = (np.clip(edge, beat_time_s[0], beat_time_s[-1]) for edge in (start_s, end_s))
    count = np.arange(beat_time_s.size, dtype=np.float64)
    cycles = np.interp(end_s, beat_time_s, count) - np.interp(start_s, beat_time_s, count)
    gaps = np.concatenate(([0], np.cumsum(np.diff(beat_time_s) > LONGEST_RR_S)))
    first = np.clip(np.searchsorted(beat_time_s, start_s, "right") - 1, 0, gaps.size - 1)
    last = np.clip(np.searchsorted(beat_time_s, end_s), 0, gaps.size - 1)
    span_s = end_s - start_s
    known = (span_s > 0.0) & (span_s >= LEAST_PART * asked_s) & (gaps[last] == gaps[first])
    return 60.0 * cycles / np.where(known, span_s, np.nan)
