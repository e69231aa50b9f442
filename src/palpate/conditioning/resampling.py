"""Put signals on a common time base."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from scipy import signal

from palpate.conditioning.filters import zero_phase
from palpate.conditioning.gaps import bridge_gaps
from palpate.signals import FloatArray
from palpate.validation import checked_rate, checked_times

MAX_RATIO_TERM = 2000


def resample(values: FloatArray, *, fs_hz: float, to_hz: float) -> FloatArray:
    """Resample along axis 0 from ``fs_hz`` to ``to_hz`` with an anti-aliasing FIR filter.

    Sample ``i`` of the result is at ``i / to_hz`` seconds after the first input
    sample. Gaps are bridged for the filter and are NaN in the result where the
    nearest input sample was not finite.
    """
    fs_hz, to_hz = checked_rate(fs_hz), checked_rate(to_hz, "to_hz")
    if fs_hz == to_hz or values.shape[0] == 0:
        return np.array(values, dtype=np.float64)
    filled, missing = bridge_gaps(values)
    ratio = Fraction(to_hz / fs_hz).limit_denominator(MAX_RATIO_TERM)
    exact = abs(float(ratio) * fs_hz / to_hz - 1.0) < 1e-9
    if exact and ratio.numerator <= MAX_RATIO_TERM:
        result = signal.resample_poly(
            filled, ratio.numerator, ratio.denominator, axis=0, padtype="line"
        )
    else:
        source_s = np.arange(values.shape[0]) / fs_hz
        target_s = np.arange(int(np.ceil(values.shape[0] * to_hz / fs_hz - 1e-9))) / to_hz
        if to_hz < fs_hz:
            filled = zero_phase(filled, fs_hz=fs_hz, high_hz=0.4 * to_hz, order=4)
        result = interpolate(source_s, filled, target_s)
    if missing.any():
        nearest = np.round(np.arange(result.shape[0]) * fs_hz / to_hz).astype(np.intp)
        result[missing[np.minimum(nearest, values.shape[0] - 1)]] = np.nan
    return np.asarray(result, dtype=np.float64)


def interpolate(time_s: FloatArray, values: FloatArray, at_s: FloatArray) -> FloatArray:
    """Interpolate linearly along axis 0; NaN outside ``[time_s[0], time_s[-1]]``."""
    time_s = checked_times(time_s, "time_s")
    if time_s.size == 0:
        return np.full((at_s.size, *values.shape[1:]), np.nan)
    columns = values.reshape(values.shape[0], -1)
    result = np.column_stack(
        [np.interp(at_s, time_s, column, left=np.nan, right=np.nan) for column in columns.T]
    )
    return result.reshape(at_s.size, *values.shape[1:])
