"""Put signals on a common time base."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from numpy.typing import ArrayLike
from scipy import signal

from palpate.conditioning.gaps import bridge_gaps
from palpate.signals import FloatArray
from palpate.validation import (
    InputError,
    checked_rate,
    checked_samples,
    checked_signal,
    checked_times,
)

MAX_RATIO_TERM = 2000
_OVERSAMPLING = 8  # a straight line takes 0.8 % at most from 0.8 of the band
_CROSSINGS = 10  # of zero on each side of the kernel's middle, as in resample_poly


def resample(values: ArrayLike, *, fs_hz: float, to_hz: float) -> FloatArray:
    """Resample ``values``, ``(n,)`` or ``(n, k)``, with an anti-aliasing FIR filter.

    Sample ``i`` of the result is at ``i / to_hz`` seconds after the first input
    sample. Gaps are bridged for the filter and are NaN in the result where the
    nearest input sample was not finite.

    Raises
    ------
    InputError
        If these are no samples, or a rate cannot be one.
    """
    values = checked_samples(values, "values")
    fs_hz, to_hz = checked_rate(fs_hz), checked_rate(to_hz, "to_hz")
    if fs_hz == to_hz or values.shape[0] == 0:
        return np.array(values, dtype=np.float64)
    if values.shape[0] == 1:
        return np.repeat(values, int(np.ceil(to_hz / fs_hz)), axis=0)
    filled, missing = bridge_gaps(values)
    ratio = Fraction(to_hz / fs_hz).limit_denominator(MAX_RATIO_TERM)
    exact = abs(float(ratio) * fs_hz / to_hz - 1.0) < 1e-9
    if exact and ratio.numerator <= MAX_RATIO_TERM:
        result = signal.resample_poly(
            filled, ratio.numerator, ratio.denominator, axis=0, padtype="line"
        )
    else:
        result = _at_any_ratio(filled, fs_hz, to_hz)
    if missing.any():
        nearest = np.round(np.arange(result.shape[0]) * fs_hz / to_hz).astype(np.intp)
        result[missing[np.minimum(nearest, values.shape[0] - 1)]] = np.nan
    return np.asarray(result, dtype=np.float64)


def _at_any_ratio(values: FloatArray, fs_hz: float, to_hz: float) -> FloatArray:
    """Resample finite ``values`` where no small fraction relates the rates, as a drift does.

    The band that both rates hold is kept on a fine grid by a filter like that of
    ``resample_poly``; between its samples a straight line is good enough. Much faster samples
    are thinned by a whole number first, which leaves that band as it is and shortens the filter.
    """
    count = int(np.ceil(len(values) * to_hz / fs_hz - 1e-9))
    thin = max(int(fs_hz / (0.5 * _OVERSAMPLING * to_hz)), 1)
    values = signal.resample_poly(values, 1, thin, axis=0, padtype="line")
    fs_hz /= thin
    narrow_hz = min(fs_hz, to_hz)
    fine = int(np.ceil(_OVERSAMPLING * narrow_hz / fs_hz))  # at least 2: at 1 nothing is filtered
    wide = fine * fs_hz / narrow_hz
    kernel = signal.firwin(2 * round(_CROSSINGS * wide) + 1, 1.0 / wide, window=("kaiser", 5.0))
    dense = signal.resample_poly(  # type: ignore[call-overload]  # the stubs know no kernel
        values, fine, 1, axis=0, window=kernel, padtype="line"
    )
    at = np.minimum(np.arange(count) * (fine * fs_hz / to_hz), len(dense) - 1)
    before = at.astype(np.intp)
    share = (at - before).reshape(-1, *[1] * (values.ndim - 1))
    after = np.minimum(before + 1, len(dense) - 1)
    return np.asarray(dense[before] * (1.0 - share) + dense[after] * share)


def interpolate(time_s: ArrayLike, values: ArrayLike, at_s: ArrayLike) -> FloatArray:
    """Interpolate ``values``, ``(n,)`` or ``(n, k)``, linearly at the times ``at_s (m,)``.

    The result is NaN outside ``[time_s[0], time_s[-1]]``.

    Raises
    ------
    InputError
        If ``time_s (n,)`` is not sorted and finite, or not as long as ``values``.
    """
    time_s, at_s = checked_times(time_s, "time_s"), checked_signal(at_s, "at_s")
    values = checked_samples(values, "values")
    if time_s.size != values.shape[0]:
        raise InputError(f"there are {time_s.size} times but {values.shape[0]} values")
    if time_s.size == 0:
        return np.full((at_s.size, *values.shape[1:]), np.nan)
    result = np.empty((at_s.size, *values.shape[1:]))
    for column, given in zip(np.atleast_2d(result.T), np.atleast_2d(values.T), strict=True):
        column[:] = np.interp(at_s, time_s, given, left=np.nan, right=np.nan)
    return result
