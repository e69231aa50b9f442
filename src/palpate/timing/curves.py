"""How well each segment of one trace fits every place of another.

The curve of a segment is its Pearson correlation with every stretch of the reference of
the same length, by FFT (Lewis 1995, Vision Interface 120, for the running-sum form).
Missing samples are bridged by straight lines; where less than half of a stretch was
measured there is no value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft

from palpate.conditioning import bridge_gaps
from palpate.signals import BoolArray, FloatArray, IntArray

MIN_MEASURED = 0.5
"""Share of a segment, and of the stretch that it is laid on, that must be measured."""
FLAT = 1e-9
"""A stretch whose variance is below this share of its trace's has nothing to correlate."""
MAX_CORRELATION = 0.99
"""Caps the evidence of one segment, so that a few perfect ones do not silence the rest."""


@dataclass(frozen=True, slots=True, eq=False)
class Curves:
    """Correlation ``values (segments, lags)`` of segments on a common axis of lags.

    A lag is reference index less recording index. Column 0 holds lags from ``first_lag``
    on, and every column the best of ``pooled`` neighbouring lags. ``first`` holds each
    segment's first sample and ``width`` the samples of a segment. NaN where a segment
    would pass the reference's ends.
    """

    values: FloatArray
    first_lag: int
    first: IntArray
    width: int
    pooled: int = 1

    def lag_of(self, column: int) -> float:
        """Return the lag at the middle of a column."""
        return self.first_lag + column * self.pooled + (self.pooled - 1) / 2.0


def correlation_curves(
    reference: FloatArray,
    recording: FloatArray,
    *,
    first: IntArray,
    width: int,
    lags: tuple[int, int] | None = None,
    pooled: int = 1,
) -> Curves:
    """Correlate segments of ``recording (m,)`` with all of ``reference (n,)``.

    Parameters
    ----------
    first
        ``(k,)`` first samples of the segments.
    width
        Samples per segment.
    lags
        Smallest and largest lag to keep, both included; all if left out.
    pooled
        Keep only the best of so many neighbouring lags.
    """
    places = reference.size - width + 1
    low = -int(first[-1]) if lags is None else lags[0]
    high = places - 1 - int(first[0]) if lags is None else lags[1]
    columns = -(-max(high - low + 1, 0) // pooled)
    values = np.full((first.size, columns), np.nan)
    base, energy, measured = _prepared(reference, width)
    size = fft.next_fast_len(reference.size, real=True)
    spectrum = fft.rfft(base, size)
    variance = float(np.nanvar(recording)) if np.isfinite(recording).any() else 0.0
    for row, start in zip(values, first, strict=True):
        a, b = max(low + start, 0), min(high + start + 1, places)
        segment = _standardised(recording[start : start + width], variance)
        if a >= b or segment is None:
            continue
        product = fft.irfft(spectrum * np.conj(fft.rfft(segment, size)), size)[a:b]
        curve = np.full(columns * pooled, np.nan)
        curve[a - start - low : b - start - low] = np.where(
            measured[a:b], product / energy[a:b], np.nan
        )
        row[:] = np.fmax.reduce(curve.reshape(columns, pooled), axis=1)
    return Curves(values, low, first, width, pooled)


def evidence(correlation: FloatArray) -> FloatArray:
    """Return the evidence per segment and lag: ``-log(1 - r**2)`` for r > 0, else 0.

    Times half the number of independent samples this is the log likelihood ratio of a
    linear relation against none (Gaussian noise).
    """
    held = np.clip(np.nan_to_num(correlation), 0.0, MAX_CORRELATION)
    return np.asarray(-np.log1p(-np.square(held)))


def _prepared(reference: FloatArray, width: int) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Return the centred reference, its root energy and its being measured, per place."""
    filled, missing = bridge_gaps(reference)
    centred = filled - filled.mean()
    square = _running(np.square(centred), width)
    energy = square - np.square(_running(centred, width)) / width
    floor = FLAT * width * max(float(centred.var()), np.finfo(np.float64).tiny)
    measured = (_running(~missing, width) >= MIN_MEASURED * width) & (energy > floor)
    return centred, np.asarray(np.sqrt(np.maximum(energy, floor))), np.asarray(measured)


def _standardised(segment: FloatArray, variance: float) -> FloatArray | None:
    """Return a segment with mean 0 and norm 1; None where it was not measured or is flat."""
    filled, missing = bridge_gaps(segment)
    if missing.mean() > 1.0 - MIN_MEASURED:
        return None
    centred = filled - filled.mean()
    energy = float(centred @ centred)
    if energy <= FLAT * filled.size * variance:
        return None
    return np.asarray(centred / np.sqrt(energy))


def _running(values: FloatArray | BoolArray, width: int) -> FloatArray:
    total = np.concatenate(([0.0], np.cumsum(values, dtype=np.float64)))
    return np.asarray(total[width:] - total[:-width])
