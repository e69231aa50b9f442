"""Soft thresholds and how they combine: scores in 0..1 instead of yes and no.

A cause needs all of its conditions and is as sure as the weakest; where one of several signs
will do, it is as sure as the strongest (minimum and maximum, Zadeh 1965, Inf Control 8:338).
What could not be measured (NaN) meets no condition.
"""

from __future__ import annotations

import numpy as np

from palpate.signals import FloatArray


def rising(values: FloatArray, none: float, full: float) -> FloatArray:
    """Return 0 up to ``none``, 1 from ``full`` on, straight in between; 0 for NaN."""
    return np.nan_to_num(np.clip((values - none) / (full - none), 0.0, 1.0), nan=0.0)


def falling(values: FloatArray, full: float, none: float) -> FloatArray:
    """Return 1 up to ``full``, 0 from ``none`` on, straight in between; 0 for NaN."""
    return rising(-values, -none, -full)


def all_of(*scores: FloatArray) -> FloatArray:
    """Return the weakest of several conditions."""
    return np.asarray(np.minimum.reduce(scores))


def any_of(*scores: FloatArray) -> FloatArray:
    """Return the strongest of several signs."""
    return np.asarray(np.maximum.reduce(scores))


def unless(score: FloatArray) -> FloatArray:
    """Return how far something is not the case."""
    return np.asarray(1.0 - score)
